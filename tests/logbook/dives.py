"""Dives as dived for the tests of the log: one written out, and any that could be."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

from hypothesis import strategies as st

from leadline.logbook.dived import Column, CylinderCarried, Dived, GasBreathed, KeptPlan, Profile
from leadline.physics.mix import Mix

AIR, EAN50, TRIMIX, OXYGEN = Mix.parse("air"), Mix.parse("50"), Mix.parse("18/45"), Mix.parse("oxygen")
_WORDS = st.text("abcdefghijklmnopqrstuvwxyzABCäöüßéñ0123456789-.,;:&<>\"'/()[]#%", min_size=1, max_size=12)
NAMES = st.lists(_WORDS, min_size=1, max_size=3).map(" ".join)
"""One line without blanks at its ends."""
LINES = st.lists(st.one_of(st.just(""), NAMES), max_size=4).map("\n".join)
MOST_DEPTH_AT_ENDS_M = 10


def marigold() -> Dived:
    """Ann on the wreck Marigold: 18/45 to 51 m, 50 % from 21 m."""
    return Dived(
        began=datetime(2026, 5, 31, 10, 20),
        profile=Profile(
            run_time_min=(0.0, 3.0, 20.0, 24.0, 27.0, 36.0, 38.0),
            depth_m=(0.0, 51.0, 51.0, 21.0, 21.0, 6.0, 0.0),
            temperature_c=(14.0, None, 8.0, None, 9.0, None, 13.5),
            pressure_bar=(
                (230.0, None, 120.0, 110.0, None, None, 110.0),
                (200.0, None, None, 200.0, None, None, 160.0),
            ),
        ),
        cylinders=(
            CylinderCarried("twins", TRIMIX, 24.0, 230.0, 110.0),
            CylinderCarried("deco", EAN50, 11.1, 200.0, 160.0),
        ),
        breathed=(GasBreathed(0.0, 0), GasBreathed(24.0, 1)),
        title="Marigold, bow to stern",
        diver="Ann",
        water="sea",
        notes="Visibility 12 m.\nCurrent from the Gull Stack on the way up.",
        plan=KeptPlan("marigold.toml", 'units = "metric"\n'),
    )


def divable(times_min: Sequence[float], depths_m: Sequence[float]) -> list[float]:
    """Depths made shallower where a diver could not be so soon, or not be back at the end."""
    found = [min(depths_m[0], MOST_DEPTH_AT_ENDS_M), *depths_m[1:-1], min(depths_m[-1], MOST_DEPTH_AT_ENDS_M)]
    reach_m = [0.0, *(9.9 + 149.0 * (later - one) for one, later in pairwise(times_min))]
    for i in range(1, len(found)):
        found[i] = min(found[i], found[i - 1] + reach_m[i])
    for i in range(len(found) - 1, 0, -1):
        found[i - 1] = min(found[i - 1], found[i] + reach_m[i])
    return found


@st.composite
def mixes(draw: st.DrawFn) -> Mix:
    """Any gas to a hundredth of a percent, and the two with names."""
    if named := draw(st.sampled_from([None, "air", "oxygen", "32", "18/45"])):
        return Mix.parse(named)
    o2 = draw(st.integers(100, 10_000))
    he = draw(st.one_of(st.just(0), st.integers(0, min(9999, 10_000 - o2))))
    return Mix(o2 / 10_000, he / 10_000)


@st.composite
def _carried(draw: st.DrawFn) -> CylinderCarried:
    bars = st.none() | st.integers(0, 500_00000).map(lambda pa: pa / 1e5)
    size = draw(st.none() | st.integers(100, 300_000).map(lambda ml: ml / 1000))
    start, end = draw(bars), draw(bars)
    if start is not None and end is not None:
        start, end = max(start, end), min(start, end)
    return CylinderCarried(draw(NAMES), draw(mixes()), size, start, end)


@st.composite
def dives(draw: st.DrawFn, most_samples: int = 12) -> Dived:
    """Any dive that can be: `problems` is empty. Times are whole ms, depths mm, pressures Pa, temperatures mK, as files
    keep them; every breathed gas is another than the one before, and columns have a reading or are empty."""
    count = draw(st.integers(2, most_samples))
    steps = draw(st.lists(st.integers(1, 7_000_000), min_size=count - 1, max_size=count - 1))
    times_ms = [0]
    for step in steps:
        times_ms.append(times_ms[-1] + step)
    depths_mm = draw(st.lists(st.integers(0, 350_000), min_size=count, max_size=count))
    depths_mm = [
        int(1000.0 * metres) for metres in divable([ms / 6e4 for ms in times_ms], [mm / 1e3 for mm in depths_mm])
    ]
    if not any(depths_mm):
        depths_mm[draw(st.integers(0, count - 1))] = 1

    cylinders = tuple(draw(st.lists(_carried(), min_size=1, max_size=4)))

    def column(low: int, high: int, scale: float) -> Column:
        readings = draw(st.lists(st.none() | st.integers(low, high), min_size=count, max_size=count))
        empty = all(reading is None for reading in readings) or not draw(st.booleans())
        return () if empty else tuple(None if one is None else one / scale for one in readings)

    pressures = tuple(column(0, 500_00000, 1e5) for _ in cylinders)
    # Only what is lean enough at any depth is breathed on a loop.
    lean = [cylinder.mix.o2 * 37.0 < 1.6 for cylinder in cylinders]
    breathed = draw(_breathed(times_ms[-1], lean))
    on_a_loop = any(change.setpoint_bar is not None for change in breathed)
    profile = Profile(
        run_time_min=tuple(ms / 60_000 for ms in times_ms),
        depth_m=tuple(mm / 1000 for mm in depths_mm),
        ppo2_bar=column(0, 500_000, 1e5) if on_a_loop else (),
        temperature_c=column(-5_000, 60_000, 1e3),
        pressure_bar=pressures if any(pressures) else (),
    )
    return Dived(
        began=draw(st.datetimes(min_value=datetime(1950, 1, 1), max_value=datetime(2100, 1, 1))),
        profile=profile,
        cylinders=cylinders,
        breathed=breathed,
        title=draw(st.just("") | NAMES),
        diver=draw(st.just("") | NAMES),
        altitude_m=draw(st.just(0.0) | st.integers(-4_300, 60_000).map(lambda dm: dm / 10)),
        water=draw(st.sampled_from(["en13319", "sea", "fresh"]) | st.integers(1001, 1024).map(float)),
        notes=draw(LINES),
        plan=draw(st.none() | st.builds(KeptPlan, NAMES, st.text(_PLAN_SIGNS, max_size=200))),
    )


_PLAN_SIGNS = st.characters(
    exclude_categories=("Cs", "Cc"), include_characters="\t\n\r", exclude_characters="\ufffe\uffff"
)


@st.composite
def _breathed(draw: st.DrawFn, end_ms: int, lean: Sequence[bool]) -> tuple[GasBreathed, ...]:
    setpoints = st.none() | st.integers(10_000, 200_000).map(lambda pa: pa / 1e5)
    later = draw(st.lists(st.integers(1, end_ms), max_size=5, unique=True))
    found: list[GasBreathed] = []
    for ms in [0, *sorted(later)]:
        cylinder = draw(st.integers(0, len(lean) - 1))
        change = GasBreathed(ms / 60_000, cylinder, draw(setpoints) if lean[cylinder] else None)
        if not found or (change.cylinder, change.setpoint_bar) != (found[-1].cylinder, found[-1].setpoint_bar):
            found.append(change)
    return tuple(found)
