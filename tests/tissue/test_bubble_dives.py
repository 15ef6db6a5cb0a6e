"""Whole dives under the bubble model: the house's rules, the fixed point, and what must hold for any dive."""

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from leadline.dive_file import DiveFileError
from leadline.plan import schedule as planning
from leadline.tissue import bubbles, kernel
from leadline.tissue.bubbles import RADII_UM, Nuclei
from leadline.tissue.bubbles_dive import Course, bubble_dive, dive, in_leg, lasting_min
from tests.dives import laid_out, looped, tables
from tests.plan.test_properties import DIVES, changed
from tests.reference_bubbles import BubbleReference, planned
from tests.reference_model import Loop

OTHER_BAR = 102.0 / 760.0 * 1.01325
MINUTE = 1.0 + 1e-6
"""Stops end on whole minutes, so what lengthens an ascent can still save the minute rounded up."""
LEVELS = [{"depth": 45, "leave_at": 12}, {"depth": 24, "leave_at": 40}, {"depth": 30, "leave_at": 55}]
SEVERAL = tables(45, 12, "28", ("50",), levels=LEVELS, limits={"ppo2_bottom": 1.6})
BREAKS = tables(60, 25, "18/45", ("50", "oxygen"), stops={"oxygen_breaks": {"on": 12, "off": 5}, "gas_switch": 2})
RATES = tables(50, 25, "air", ("50",), rates={"ascent": 10, "between_stops": 6, "to_surface": 3}, stops={"last": 4.5})
LOOP = looped(60, 40, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=20, deco_setpoint=1.5, deco_from=9)
ALTITUDE = tables(36, 30, "air", site={"altitude": 1800, "water": "fresh"})
IMPERIAL = tables("170 ft", 30, "air", units="imperial")
NO_STOP = tables(20, 25)
FIXED = {
    "several levels": SEVERAL, "breaks": BREAKS, "rates": RATES, "loop": LOOP, "altitude": ALTITUDE,
    "imperial": IMPERIAL, "no stop": NO_STOP,
}  # fmt: skip


def course_of(given: dict[str, Any]) -> Course:
    _, layout = laid_out(given)
    return Course(layout.start, layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps)


def wider(percent: float) -> tuple[float, float]:
    return RADII_UM[0] * percent / 100.0, RADII_UM[1] * percent / 100.0


def stops(found):
    return [(leg.end_m, leg.end_min) for leg in found.legs if leg.kind == kernel.STOP]


# --- The rules of the house ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class GradientFactors:
    """Bühlmann's line in place of the bubbles, asked of the kernel."""

    course: Course

    def line(self, bar, first_stop_bar):
        rules = self.course.rules
        if first_stop_bar is None or bar >= first_stop_bar - 1e-9:
            return rules.gf_low
        part = (bar - rules.surface_bar) / (first_stop_bar - rules.surface_bar)
        return rules.gf_high + (rules.gf_low - rules.gf_high) * part

    def allows(self, tissue, bar, first_stop_bar):
        return bool(kernel.clears(tissue, bar, self.line(bar, first_stop_bar), self.course.comps))

    def allows_direct(self, tissue, bar):
        return bool(kernel.clears(tissue, bar, self.course.rules.gf_high, self.course.comps))

    def ceiling_bar(self, tissue):
        return float(kernel.ceiling_bar(tissue, self.course.rules.gf_low, self.course.comps))


def same_as_the_kernel(tables):
    try:
        given, layout = laid_out(tables)
        theirs = planning.dive_schedule(given, layout)
    except DiveFileError:
        return False
    course = course_of(tables)
    limit = GradientFactors(course)
    for direct in (True, False):
        ours = dive(course, lambda _: limit, lambda *_: None, direct)
        if ours.direct:
            break
    assert ours.fault == kernel.FINE
    assert len(ours.legs) == len(theirs.legs)
    for mine, leg in zip(ours.legs, theirs.legs, strict=True):
        assert layout.sources[mine.source] == leg.source
        assert planning._KINDS[mine.kind] == leg.kind
        assert (mine.level, mine.first_stop_m >= 0.0) == (leg.level, leg.after_first_stop)
        numbers = mine.start_min, mine.end_min, mine.start_m, mine.end_m
        assert numbers == pytest.approx((leg.start_min, leg.end_min, leg.start_m, leg.end_m), abs=1e-9)
    return True


@pytest.mark.parametrize("tables", FIXED.values(), ids=FIXED.keys())
def test_it_goes_by_the_rules_of_the_house(tables):
    """With gradient factors for a limit it is the kernel's dive, leg by leg."""
    assert same_as_the_kernel(tables)


@settings(max_examples=60)
@given(DIVES)
def test_any_dive_goes_by_the_rules_of_the_house(tables):
    assume(same_as_the_kernel(tables))


# --- The fixed point ----------------------------------------------------------------------------------------


def crushed_and_regenerated(course, found):
    """Nuclei of a one-level dive as its ascent begins, felt in steps of 0.01 min."""
    nuclei, tissue = Nuclei(RADII_UM, course.rules.surface_bar), course.start
    left_min = course.levels[-1]["leave_at_min"]
    for leg in found.legs:
        if leg.end_min > left_min + 1e-9:
            break
        for t in np.arange(leg.start_min, leg.end_min, 0.01 if leg.start_m != leg.end_m else 1.0):
            now, depth_m = in_leg(course, tissue, leg, t)
            nuclei.feel(course.rules.surface_bar + course.rules.bar_per_m * depth_m, now)
        tissue, _ = in_leg(course, tissue, leg, leg.end_min)
    return nuclei.rest_um + (nuclei.smallest_um - nuclei.rest_um) * math.exp(-left_min / 20160.0), nuclei.rest_um


def lasts(course, found):
    """How long supersaturation lasts, looked at every 0.005 min; and its fading at the surface by `quad`."""
    tissue, minutes, step = course.start, 0.0, 0.005
    rules = course.rules
    for leg in found.legs:
        for t in np.arange(leg.start_min + step / 2, leg.end_min, step):
            now, depth_m = in_leg(course, tissue, leg, float(t))
            over = now.sum(axis=0).max() + OTHER_BAR > rules.surface_bar + rules.bar_per_m * depth_m
            minutes += step if over else 0.0
        tissue, _ = in_leg(course, tissue, leg, leg.end_min)
    inspired = (rules.surface_bar - 0.0627) * 0.7902
    faded = []
    for c in range(16):

        def over(t, c=c):
            n2 = (tissue[0, c] - inspired) * math.exp(-course.comps.rate[0, c] * t)
            return n2 + tissue[1, c] * math.exp(-course.comps.rate[1, c] * t)

        end = 40.0 / course.comps.rate[0, c]
        if over(0.0) <= 0.0:
            faded.append(0.0)
            continue
        if over(end) < 0.0:
            end = brentq(over, 0.0, end)
        faded.append(quad(over, 0.0, end, limit=500)[0] / over(0.0))
    return minutes + np.array(faded)


@pytest.mark.parametrize("tables", [IMPERIAL, LOOP, tables(60, 20, "18/45", ("50", "oxygen")), NO_STOP])
def test_the_schedule_allows_itself_what_it_was_allowed(tables):
    """From the finished legs alone: how hard nuclei were crushed, how long supersaturation lasted; from both, by the
    quadratic of the critical volume, what is allowed. It is what the schedule was made with."""
    course = course_of(tables)
    found = bubble_dive(course)
    radius, rest = crushed_and_regenerated(course, found)
    minutes = lasts(course, found)
    assert lasting_min(course, found) == pytest.approx(minutes, abs=0.02)
    gamma, skin, squeeze = 0.179, 2.57, 2.0 * (2.57 - 0.179)
    least, crush = gamma * squeeze / (skin * radius), squeeze * (1.0 / radius - 1.0 / rest)
    lam = 6500.0 / 33.0 * 1.01325
    b, c = least + lam * gamma / (skin * minutes), (gamma / skin) ** 2 * lam * crush / minutes
    assert found.limit.allowed_bar == pytest.approx(0.5 * (b + np.sqrt(b * b - 4.0 * c)), rel=1e-3)


@pytest.mark.parametrize("tables", FIXED.values(), ids=FIXED.keys())
def test_no_ascent_is_over_what_is_allowed(tables):
    """Arriving anywhere on the way up from the first stop, no compartment has more over ambient pressure than its
    nuclei allow there, the bubbles grown since the first stop by Boyle's law."""
    course = course_of(tables)
    found = bubble_dive(course)
    tissue, rules, looked = course.start, course.rules, 0
    last_level = len(course.levels) - 1
    for leg in found.legs:
        tissue, _ = in_leg(course, tissue, leg, leg.end_min)
        if leg.kind != kernel.ASCENT or leg.level != last_level:
            continue
        if leg.end_m not in rules.stop_depths_m and leg.end_m != course.levels[-1]["depth_m"]:
            continue
        bar = rules.surface_bar + rules.bar_per_m * leg.end_m
        limit = found.limit.allowed_bar
        if leg.first_stop_m >= 0.0:
            first = rules.surface_bar + rules.bar_per_m * leg.first_stop_m
            ratio = limit**3 / (first + limit)
            limit = np.vectorize(lambda a, bar=bar: max(np.roots([1, 0, -a, -a * bar]).real))(ratio)
        inert = tissue.sum(axis=0)
        mean = (tissue * limit).sum(axis=0) / inert
        if len(course.levels) == 1 or leg.end_m < course.levels[-1]["depth_m"]:
            assert np.all(inert + OTHER_BAR - bar <= mean + 1e-9)
            looked += 1
    assert looked > 0


def test_the_same_dive_gives_the_same_schedule():
    first, second = (bubble_dive(course_of(SEVERAL)) for _ in range(2))
    assert first.legs == second.legs
    assert (first.limit.allowed_bar == second.limit.allowed_bar).all()


# --- Another planner ----------------------------------------------------------------------------------------

PLANNED = {
    "air": ({"levels": [(50.0, 25.0, "air")]}, tables(50, 25)),
    "trimix": (
        {"levels": [(60.0, 20.0, "18/45")], "deco": ("50", "oxygen"), "hold": 2.0},
        tables(60, 20, "18/45", ("50", "oxygen"), stops={"gas_switch": 2}),
    ),
    "no stop": ({"levels": [(20.0, 25.0, "air")]}, tables(20, 25)),
    "loop": ({"levels": [(60.0, 25.0, "18/45")], "loop": Loop("18/45", 1.3)}, looped(60, 25, "18/45", setpoint=1.3)),
    "feet": (
        {"levels": [(170 * 0.3048, 30.0, "air")], "step": 3.048, "last": 6.096, "descent": 60 * 0.3048,
         "ascent": 30 * 0.3048, "between": 30 * 0.3048, "to_surface": 30 * 0.3048},
        tables("170 ft", 30, units="imperial", stops={"last": 20}),
    ),
    "altitude": (
        {"levels": [(36.0, 30.0, "air")], "per_metre": 0.0980665, "last": 4.5, "surface": 0.8149},
        tables(36, 30, site={"altitude": 1800, "water": "fresh"}, stops={"last": 4.5}),
    ),
}  # fmt: skip


def agrees(reference, given, percent=100.0):
    theirs = planned(lambda: BubbleReference(radii=(0.55 * percent / 100.0, 0.45 * percent / 100.0), **reference))
    ours = bubble_dive(course_of(given), wider(percent))
    left = dict(stops(ours))  # where a gas changes within a stop, the later end
    assert left == pytest.approx({depth_m: leave_min for depth_m, _, leave_min in theirs.stops}, abs=1e-9)
    assert ours.run_time_min == pytest.approx(theirs.run_time, abs=1e-6)


@pytest.mark.parametrize(("reference", "given"), PLANNED.values(), ids=PLANNED.keys())
def test_another_planner_agrees(reference, given):
    """`tests/reference_bubbles.py`, written from the equations, shares no code: the same stops to the minute. (1800 m:
    0.8149 bar by the ICAO atmosphere, in src/leadline/verify/data/atmosphere.toml by its formula.)"""
    if "surface" in reference:
        assert laid_out(given)[1].rules.surface_bar == pytest.approx(reference["surface"], abs=2e-4)
        reference = reference | {
            "surface": 1.01325 * (1.0 - 0.0065 * 1800.0 / 288.15) ** (9.80665 / (287.05287 * 0.0065))
        }
    agrees(reference, given)


@settings(max_examples=8)
@given(st.data())
def test_another_planner_agrees_on_any_dive(data):
    kind = data.draw(st.sampled_from(["air", "trimix", "loop"]))
    depth_m, leave_at = data.draw(st.integers(30, 54)), data.draw(st.integers(10, 35))
    last, percent = data.draw(st.sampled_from([3.0, 4.5, 6.0])), data.draw(st.sampled_from([80, 100, 130, 160]))
    label = "air" if kind == "air" else "18/45"
    reference = {"levels": [(float(depth_m), float(leave_at), label)], "last": last}
    if kind == "loop":
        given = looped(depth_m, leave_at, label, setpoint=1.2, stops={"last": last})
        reference["loop"] = Loop(label, 1.2)
    else:
        deco = data.draw(st.sampled_from([("50",), ("50", "oxygen")])) if kind == "trimix" else ()
        given = tables(depth_m, leave_at, label, deco, stops={"last": last})
        reference["deco"] = deco
    agrees(reference, given, percent)


# --- What must hold for any dive ----------------------------------------------------------------------------


@settings(max_examples=60)
@given(DIVES, st.sampled_from([(100.0, 115.0), (100.0, 140.0), (80.0, 100.0), (130.0, 160.0)]))
def test_larger_nuclei_are_more_careful(tables, percents):
    """Never a shorter run time, not by a minute, nor a shallower first stop."""
    try:
        course = course_of(tables)
    except DiveFileError:
        assume(False)
    small, large = (bubble_dive(course, wider(percent)) for percent in percents)
    assume(small.fault == large.fault == kernel.FINE)
    assert large.run_time_min >= small.run_time_min - 1e-6
    deepest = [max((depth_m for depth_m, _ in stops(one)), default=0.0) for one in (small, large)]
    assert deepest[1] >= deepest[0]
    assert np.all(
        bubbles.least_allowed(np.array(wider(percents[1]))) < bubbles.least_allowed(np.array(wider(percents[0])))
    )


@settings(max_examples=60)
@given(DIVES, st.integers(1, 8), st.integers(1, 12))
def test_deeper_and_longer_is_never_less_than_by_rounding(tables, metres, minutes):
    try:
        base = bubble_dive(course_of(tables))
        longer = bubble_dive(course_of(changed(tables, leave_at=minutes)))
        deeper = bubble_dive(course_of(changed(tables, depth=metres)))
    except DiveFileError:  # too deep for its gas
        assume(False)
    left_min = tables["levels"][0]["leave_at"]
    assert longer.run_time_min - left_min - minutes >= base.run_time_min - left_min - MINUTE
    assert deeper.run_time_min >= base.run_time_min - MINUTE


def test_oxygen_alone_needs_no_stop():
    """6 m on oxygen, any time: no inert gas, no supersaturation."""
    found = bubble_dive(course_of(tables(6, 180, "oxygen", limits={"ppo2_bottom": 1.6})))
    assert found.direct
    assert not stops(found)


def test_five_metres_need_no_stop_for_any_time():
    """Air at 5 m and rest: (1.51325 - 0.0627) · 0.7902 + 0.136 = 1.282 bar: 0.27 too much; 0.6 allowed."""
    found = bubble_dive(course_of(tables(5, 600)))
    assert found.direct
    assert found.fault == kernel.FINE


def test_enormous_nuclei_never_clear():
    """Ten times the radius allows so little that a last stop at 6 m on air is never left: 0.06 bar, while air at 6 m
    and rest is some 0.4 bar too much for the surface."""
    found = bubble_dive(course_of(tables(40, 25, stops={"last": 6})), wider(1000.0))
    assert found.fault == kernel.NEVER_CLEARS


def test_a_level_left_too_early_is_a_fault():
    early = tables(50, 40, "air", levels=[{"depth": 50, "leave_at": 40}, {"depth": 6, "leave_at": 50}])
    found = bubble_dive(course_of(early))
    assert found.fault == kernel.LEFT_TOO_EARLY
    assert found.fault_level == 1
    assert found.fault_min > 50.0


# --- A dive after another -----------------------------------------------------------------------------------


def after(course: Course, found, minutes: float) -> Course:
    """The same dive again, so long after."""
    tissue, air = found.tissue.copy(), np.array([(0.2098, 0.0, 0.0, 0.0)], dtype=kernel.SOURCE)[0]
    kernel.load_constant(tissue, course.rules.surface_bar, minutes, air, course.comps)
    return course._replace(start=tissue)


@pytest.mark.parametrize("tables", [tables(40, 25), tables(60, 20, "18/45", ("50", "oxygen")), LOOP])
def test_a_second_dive_is_longer_and_the_more_the_sooner(tables):
    course = course_of(tables)
    first = bubble_dive(course)
    seconds = [bubble_dive(after(course, first, minutes)) for minutes in (60.0, 180.0, 720.0, 20160.0)]
    times = [one.run_time_min for one in seconds]
    assert times[0] > first.run_time_min
    for sooner, later in itertools.pairwise(times):
        assert sooner >= later - 1e-6
    assert times[-1] == first.run_time_min


def test_nuclei_are_whole_again_before_a_second_dive():
    """No credit for how hard an earlier dive has crushed them: fully regenerated, radii are those at rest. Two weeks
    after it, the equation has brought back 1 - 1/e of what the dive took; to count on the rest would shorten the next
    dive."""
    nuclei = Nuclei(RADII_UM, 1.01325)
    nuclei.feel(7.0, bubbles.saturated(1.01325))
    taken = 0.55 - nuclei.smallest_um[0, 0]
    assert taken > 0.1
    assert 0.55 - nuclei.radius_um(20160.0)[0, 0] == pytest.approx(taken / math.e, rel=1e-9)
    course = course_of(tables(40, 25))
    again = bubble_dive(after(course, bubble_dive(course), 180.0))
    fresh = Nuclei(RADII_UM, 1.01325)
    tissue = after(course, bubble_dive(course), 180.0).start
    for leg in again.legs[:1]:
        for t in np.linspace(0.0, leg.end_min, 41):
            now, depth_m = in_leg(course, tissue, leg, float(t))
            fresh.feel(1.01325 + 0.1 * depth_m, now)
    minutes = lasting_min(course._replace(start=tissue), again)
    allowed = bubbles.allowed(fresh.radius_um(25.0), fresh.rest_um, minutes)
    assert again.limit.allowed_bar == pytest.approx(allowed, rel=1e-4)
