"""A dive as it was dived: its profile, what was carried, and what was breathed when."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from leadline.physics.environment import Environment
from leadline.physics.mix import Mix

MOST_SAMPLES = 100_000
"""A day of a sample a second has fewer."""
DEEPEST_M = 350.0
LONGEST_MIN = 1440.0
DEEPEST_END_M = 10.0
"""A record that begins or ends deeper has lost its way down or up (common practice, no source: computers begin and end
at 1 to 2 m)."""
FASTEST_M_MIN = 150.0
"""Faster than any diver sinks or rises, over more than a step of `DEEPEST_END_M`: there times or depths are wrong."""
WARMED_BAR = 10.0
"""A cylinder that is not breathed from can end fuller by no more: it has got warmer."""
LEANEST = 0.01
FIRST_YEAR, LAST_YEAR = 1900, 2199
Column = tuple[float | None, ...]
"""Readings, one for each sample; None where there was none. An empty column was not recorded at all."""


@dataclass(frozen=True)
class CylinderCarried:
    """A cylinder as it was dived. Pressures are at the start and the end of the dive."""

    name: str
    mix: Mix
    size_l: float | None = None
    """Water volume."""
    start_bar: float | None = None
    end_bar: float | None = None


@dataclass(frozen=True)
class GasBreathed:
    """What is breathed from a run time on: a cylinder on open circuit, or a loop with a cylinder's gas as diluent."""

    run_time_min: float
    cylinder: int
    """Index among the cylinders carried."""
    setpoint_bar: float | None = None
    """On a loop; None: open circuit."""


@dataclass(frozen=True)
class Profile:
    """Readings over run time, which begins at 0 and goes on. Columns are as long as `run_time_min`, or empty."""

    run_time_min: tuple[float, ...]
    depth_m: tuple[float, ...]
    ppo2_bar: Column = ()
    """In the loop, as its cells read."""
    temperature_c: Column = ()
    pressure_bar: tuple[Column, ...] = ()
    """A column for each cylinder carried; empty where no cylinder was read."""


@dataclass(frozen=True)
class KeptPlan:
    """The dive file that a dive was dived by."""

    file: str
    """Its name."""
    text: str


@dataclass(frozen=True)
class Dived:
    """One diver's dive."""

    began: datetime
    """When the surface was left, on the clock of the place (no time zone)."""
    profile: Profile
    cylinders: tuple[CylinderCarried, ...]
    breathed: tuple[GasBreathed, ...]
    """In order; the first at run time 0."""
    title: str = ""
    diver: str = ""
    altitude_m: float = 0.0
    water: str | float = "en13319"
    """"en13319", "sea", "fresh" or a density in kg/m³."""
    notes: str = ""
    plan: KeptPlan | None = None

    @property
    def environment(self) -> Environment:
        """Pressure at the surface and below."""
        return Environment.at(self.altitude_m, self.water)

    @property
    def run_time_min(self) -> float:
        """From leaving the surface to the last sample."""
        return self.profile.run_time_min[-1]

    @property
    def deepest_m(self) -> float:
        """The deepest sample."""
        return max(self.profile.depth_m)


def problems(dived: Dived) -> list[str]:
    """Everything about a dive that cannot be true, in words; whatever keeps or runs a dive asks this first."""
    return [
        *_of_profile(dived.profile, len(dived.cylinders)),
        *_of_cylinders(dived.cylinders),
        *_of_breathed(dived.breathed, len(dived.cylinders)),
        *_of_site(dived),
        *_of_text(dived),
    ]


def _of_profile(profile: Profile, cylinders: int) -> Iterator[str]:
    times, depths = profile.run_time_min, profile.depth_m
    if len(times) < 2:
        yield f"has {len(times)} samples; a dive needs at least two"
        return
    if len(times) > MOST_SAMPLES:
        yield f"has {len(times)} samples; at most {MOST_SAMPLES}"
        return
    if len(depths) != len(times):
        yield f"has {len(times)} times and {len(depths)} depths"
        return
    if not all(map(math.isfinite, times)) or not all(map(math.isfinite, depths)):
        yield "has a time or depth that is not a number"
        return
    if times[0] != 0.0:
        yield f"begins at {times[0]:g} min; the first sample is at run time 0"
    if back := next((i for i, (one, next_) in enumerate(pairwise(times), 2) if next_ <= one), None):
        yield f"goes back in time at sample {back} ({times[back - 1]:g} min after {times[back - 2]:g} min)"
    if times[-1] > LONGEST_MIN:
        yield f"lasts {times[-1]:g} min; at most {LONGEST_MIN:g}"
    if min(depths) < 0.0 or max(depths) > DEEPEST_M:
        i = next(i for i, depth in enumerate(depths) if not 0.0 <= depth <= DEEPEST_M)
        yield f"is at {depths[i]:g} m at {times[i]:g} min; depths are 0 to {DEEPEST_M:g} m"
    if max(depths) <= 0.0:
        yield "never leaves the surface"
    for depth, where, missing in ((depths[0], "begins", "down"), (depths[-1], "ends", "up")):
        if depth > DEEPEST_END_M:
            yield f"{where} at {depth:g} m: its way {missing} is missing"
    if fast := next((i for i in range(1, len(times)) if _too_fast(profile, i)), None):
        seconds = 60.0 * (times[fast] - times[fast - 1])
        yield (
            f"goes from {depths[fast - 1]:g} m to {depths[fast]:g} m within {seconds:.3g} s, faster than any diver; "
            "are minutes taken for seconds, or feet for metres?"
        )
    columns = {"ppO2": (profile.ppo2_bar, 0.0, 5.0), "temperature": (profile.temperature_c, -5.0, 60.0)}
    columns |= {f"pressure of cylinder {i}": (column, 0.0, 500.0) for i, column in enumerate(profile.pressure_bar, 1)}
    for name, (column, low, high) in columns.items():
        yield from _of_column(name, column, low, high, len(times))
    if profile.pressure_bar and len(profile.pressure_bar) != cylinders:
        yield f"has pressures of {len(profile.pressure_bar)} cylinders, and {cylinders} were carried"


def _too_fast(profile: Profile, i: int) -> bool:
    minutes = profile.run_time_min[i] - profile.run_time_min[i - 1]
    change_m = abs(profile.depth_m[i] - profile.depth_m[i - 1])
    return minutes > 0.0 and change_m > DEEPEST_END_M + FASTEST_M_MIN * minutes


def _of_column(name: str, column: Column, low: float, high: float, samples: int) -> Iterator[str]:
    if column and len(column) != samples:
        yield f"has {len(column)} readings of {name} in {samples} samples"
    wrong = next((reading for reading in column if reading is not None and not low <= reading <= high), None)
    if wrong is not None:
        yield f"has a {name} of {wrong:g}; it can be {low:g} to {high:g}"


def _of_cylinders(cylinders: Sequence[CylinderCarried]) -> Iterator[str]:
    if not cylinders:
        yield "has no cylinder, so nothing says what was breathed"
    for cylinder in cylinders:
        size, start_bar, end_bar = cylinder.size_l, cylinder.start_bar, cylinder.end_bar
        if cylinder.mix.o2 < LEANEST:
            percent = 100.0 * cylinder.mix.o2
            yield f"has a cylinder ({cylinder.name}) with {percent:.2g} % of oxygen, too little for anyone"
        if size is not None and not 0.1 <= size <= 300.0:
            yield f"has a cylinder ({cylinder.name}) of {size:g} L; it can be 0.1 to 300"
        if start_bar is not None and end_bar is not None and end_bar > start_bar + WARMED_BAR:
            yield f"has a cylinder ({cylinder.name}) that ends at {end_bar:g} bar, and began at {start_bar:g}"
        for pressure in (start_bar, end_bar):
            if pressure is not None and not 0.0 <= pressure <= 500.0:
                yield f"has a cylinder ({cylinder.name}) at {pressure:g} bar; it can be 0 to 500"


def _of_breathed(breathed: Sequence[GasBreathed], cylinders: int) -> Iterator[str]:
    if not breathed or breathed[0].run_time_min != 0.0:
        yield "does not say what was breathed from the start"
    if any(not one.run_time_min < next_.run_time_min for one, next_ in pairwise(breathed)):
        yield "changes gas out of order, or twice at one time"
    for change in breathed:
        if not math.isfinite(change.run_time_min) or change.run_time_min < 0.0:
            yield f"changes gas at {change.run_time_min:g} min"
        if not 0 <= change.cylinder < cylinders:
            yield f"breathes from cylinder {change.cylinder + 1} at {change.run_time_min:g} min, and has {cylinders}"
        if change.setpoint_bar is not None and not 0.1 <= change.setpoint_bar <= 2.0:
            yield f"has a setpoint of {change.setpoint_bar:g}; it can be 0.1 to 2 bar"


def _of_site(dived: Dived) -> Iterator[str]:
    if not -430.0 <= dived.altitude_m <= 6000.0:
        yield f"is at an altitude of {dived.altitude_m:g} m; it can be -430 to 6000"
    known = dived.water in ("en13319", "sea", "fresh") if isinstance(dived.water, str) else 900 <= dived.water <= 1300
    if not known:
        yield f"is in a water of {dived.water}; it can be en13319, sea, fresh or 900 to 1300 kg/m³"
    if dived.began.tzinfo is not None:
        yield "begins at a time with a zone; the clock of the place is kept"
    if not FIRST_YEAR <= dived.began.year <= LAST_YEAR:
        yield f"begins in the year {dived.began.year}; it can be {FIRST_YEAR} to {LAST_YEAR}"


def _of_text(dived: Dived) -> Iterator[str]:
    """Halves of characters and the character 0: no file and no database takes them."""
    kept = (dived.plan.file, dived.plan.text) if dived.plan is not None else ()
    for text in (dived.title, dived.diver, dived.notes, *kept, *(one.name for one in dived.cylinders)):
        if "\0" in text or any("\ud800" <= character <= "\udfff" for character in text):
            yield f"has a text that cannot be kept: {text[:40]!r}"
