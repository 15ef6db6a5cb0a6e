"""Bailouts of random loop dives, planned again by tests/reference_model.py from the surface on: at the end of every
level, at the run times marked on the slate, after an ascent to altitude; and the longest of them searched for."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from leadline.dive_file import DiveFileError, parse_dive
from leadline.plan import plan_dive
from leadline.plan.contingency import Contingency
from leadline.plan.planned import Plan
from tests.plan.test_contingency import from_every_point, merged
from tests.plan.test_hard_use import Said, _cylinder, loop_dives
from tests.reference_model import Reference
from tests.reference_model import gas as fractions

BAILOUTS = (
    ("18/45", "50"), ("15/55", "50", "oxygen"), ("oxygen", "10/70", "32"), ("50", "12/60", "28"), ("32",),
    ("25/25", "50"), ("10/70", "35/25", "80"),
)  # fmt: skip
CLOSE = 1e-6


def air_at(altitude_m: float) -> float:
    """Pressure of the ICAO standard atmosphere (ICAO Doc 7488)."""
    return 1.01325 * (1 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (287.05287 * 0.0065))


@st.composite
def dives(draw: st.DrawFn) -> tuple[Said, dict[str, float], tuple[str, ...]]:
    """A loop dive with bailout, what its diver breathes, and the bailout gases."""
    said, gases = draw(loop_dives()), draw(st.sampled_from(BAILOUTS))
    breathes = {
        "rmv_stressed": draw(st.sampled_from([30.0, 45.0])), "rmv_bailout": draw(st.sampled_from([20.0, 25.0])),
        "stressed_for": draw(st.sampled_from([0.0, 10.0, 17.0])), "sorting_out": draw(st.sampled_from([0.0, 2.0, 2.5])),
    }  # fmt: skip
    more: dict[str, Any] = {"cylinders": [_cylinder(gas, "bailout") for gas in gases]}
    more["diver"] = {
        key: f"{value:g} L/min" if key.startswith("rmv") else value for key, value in breathes.items()
    } | {"rmv_bottom": "20 L/min"}  # fmt: skip
    reference = said.reference
    if draw(st.booleans()):
        hours, from_m = draw(st.sampled_from([0, 3, 30])), draw(st.sampled_from([0, 1000]))
        more["site"] = said.given["site"] | {"acclimatised": f"{hours} h", "from_altitude": f"{from_m} m"}
        reference = replace(reference, came_from=air_at(from_m), there=60.0 * hours, stops=[])
    return Said(said.given | more, reference), breathes, gases


def off_the_loop(reference: Reference, levels: int, gases: tuple[str, ...], sorting_out: float) -> Reference:
    """From the end of so many levels: sorting it out, then an ordinary ascent on the richest usable gas."""
    ours = replace(reference, stops=[]).swim(levels)
    return from_here(ours, gases, sorting_out)


def from_here(ours: Reference, gases: tuple[str, ...], sorting_out: float) -> Reference:
    """From where a diver is."""
    ours.loop, ours.stops, ours.surfacing, ours.breathed = None, [], True, None
    usable = [(ours.usable_from(gas, ours.ppo2_deco + 0.03) or 0.0, fractions(gas)[0], gas) for gas in gases]
    own = max(usable)[2]
    rest = tuple(gas for gas in gases if gas != own)
    ours.deco, first = rest, ours.gas_at(ours.depth, own, rest)
    if sorting_out:
        ours.load(ours.depth, ours.depth, sorting_out, first, True)
        ours.run_time += sorting_out
    if not ours.direct(own):
        ours.start_on(first)
        ours.climb(0.0, own, rest)
    return ours


def planned(said: Said) -> Plan:
    try:
        return plan_dive(parse_dive(said.given))
    except DiveFileError:
        assume(False)
        raise


@settings(max_examples=200, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(dives())
def test_the_bailout_from_the_end_of_every_level_is_the_reference_models(drawn):
    """Where and when, every stop to the minute, run time, and litres of every gas: stressed until the first richer gas
    and so many minutes at least, then the RMV of a bailout."""
    said, breathes, gases = drawn
    whole = planned(said)
    by_level = {c.scenario.level: c for c in whole.bailouts if c.scenario.level is not None}
    for i, (depth_m, leave_at, _) in enumerate(said.reference.levels):
        if i not in by_level:
            arrived = replace(said.reference, stops=[]).swim(i)
            assert i > 0
            assert arrived.depth > depth_m  # left on arrival from below: there is no such moment
            continue
        agrees(said, by_level[i], i + 1, gases, breathes, (leave_at, depth_m))


def agrees(
    said: Said, found: Contingency, levels: int, gases: tuple[str, ...], breathes: dict[str, float],
    left: tuple[float, float],
) -> None:  # fmt: skip
    assert found.leaves_at_min == pytest.approx(left[0], abs=CLOSE)
    assert found.depth_m == pytest.approx(left[1], abs=CLOSE)
    if found.no_gas is not None:
        return
    try:
        theirs = off_the_loop(said.reference, levels, gases, breathes["sorting_out"])
    except ValueError:  # a stop that never clears
        assert found.answers.stops == "not met"
        return
    assert merged(found.legs) == [pytest.approx(stop, abs=CLOSE) for stop in theirs.stops]
    assert found.run_time_min == pytest.approx(theirs.run_time, abs=CLOSE)
    assert found.tts_min == pytest.approx(theirs.run_time - left[0], abs=CLOSE)
    asked = theirs.litres(left[0], breathes["rmv_stressed"], breathes["stressed_for"], breathes["rmv_bailout"])
    for gas in gases:
        ours = sum(use.used_l for use in found.breathed if use.mix.label == gas)
        assert ours == pytest.approx(asked.get(gas, 0.0), rel=1e-6, abs=1e-6)


@settings(max_examples=100, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(dives())
def test_tts_off_the_loop_at_the_marked_run_times_is_the_reference_models(drawn):
    """The ends of the two levels before the last, and the last level's end, 5 and 10 minutes before it."""
    said, breathes, gases = drawn
    whole, levels = planned(said), said.reference.levels
    last = len(levels)
    held = {leg.level: leg.start_min for leg in whole.schedule.legs if leg.kind == "level"}
    assume(last - 1 in held)  # a level that is left on arrival is not marked
    arrived, leave_at = held[last - 1], levels[-1][1]
    marks = {end: i for i, (_, end, _) in enumerate(levels[:-1], 1)}
    marks |= {at: last for at in (leave_at - 10, leave_at - 5, leave_at) if at >= arrived - CLOSE or at == leave_at}
    assert [at for at, _ in whole.bailout_tts] == sorted(at for at, _ in whole.bailout_tts)
    assert {at for at, _ in whole.bailout_tts} <= set(marks)
    if all(c.legs for c in whole.bailouts):
        assert len(whole.bailout_tts) == len([at for at, i in marks.items() if i - 1 in held])
    for at_min, tts_min in whole.bailout_tts:
        i = marks[at_min]
        shorter = [*levels[: i - 1], (levels[i - 1][0], at_min, levels[i - 1][2]), *levels[i:]]
        theirs = off_the_loop(replace(said.reference, levels=shorter), i, gases, breathes["sorting_out"])
        assert tts_min == pytest.approx(theirs.run_time - at_min, abs=CLOSE)


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(dives())
def test_no_point_of_the_track_has_a_longer_bailout(drawn):
    """Every point of the track planned by itself, and some of them by the reference model from the tissues there."""
    said, breathes, gases = drawn
    whole = planned(said)
    assume(whole.bailouts and all(c.legs for c in whole.bailouts))
    assume(breathes["sorting_out"] > 0.0)  # so that there is something of a bailout at the surface
    every = from_every_point(whole.dive, "bailout")
    longest = max(found.tts_min for _, _, found in every)
    assert whole.longest_bailout is not None
    assert whole.longest_bailout.tts_min == pytest.approx(longest, abs=1e-9)
    for point, tensions, found in every[:: max(1, len(every) // 6)]:
        ours = replace(said.reference, stops=[])
        ours.n2, ours.he = [float(x) for x in tensions[0]], [float(x) for x in tensions[1]]
        ours.depth, ours.run_time = float(point["depth_m"]), float(point["run_time_min"])
        ours.anchor = float(point["first_stop_m"]) if point["first_stop_m"] >= 0.0 else None
        theirs = from_here(ours, gases, breathes["sorting_out"])
        assert merged(found.legs) == [pytest.approx(stop, abs=CLOSE) for stop in theirs.stops]
        assert found.tts_min == pytest.approx(theirs.run_time - float(point["run_time_min"]), abs=CLOSE)
