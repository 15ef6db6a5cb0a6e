"""Everything that goes wrong: each ascent planned again by the independent reference model, from the tissues of the
moment it begins; the worst moment searched again by hand; the verdicts."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from leadline.dive_file import parse_dive
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres
from leadline.plan import contingency, plan_dive
from leadline.plan import schedule as planning
from leadline.plan.contingency import Answers, contingencies
from leadline.plan.gases import Source
from leadline.plan.scenarios import all_scenarios
from leadline.plan.schedule import Leg, lay_out, source_rows
from leadline.plan.supply import cylinder_use
from leadline.show.outcome import in_words
from leadline.show.sentences import headline
from leadline.tissue import kernel
from leadline.tissue.loading import compartments
from tests.dives import cylinder, looped, sentence, tables
from tests.reference_model import VAPOUR, Loop, Reference, gas

RMV_BOTTOM, RMV_DECO = 20.0, 16.0
RMV_STRESSED = 30.0
"""Half as much again as 20 L/min, common practice, no source."""
STRESSED_FOR_MIN = 10.0
"""Common practice, no source."""
SORTING_OUT_MIN = 2.0
RESERVE_BAR = 20.0


def loop_dive(depth, leave_at, *carried, diluent="18/45", levels=None, more=None, **loop):
    given = looped(depth, leave_at, diluent, setpoint=1.3, **loop)
    if levels:
        given["levels"] = [{"depth": d, "leave_at": t} for d, t in levels]
    return parse_dive(given | {"cylinders": list(carried)} | (more or {}))


def open_dive(depth, leave_at, *carried, levels=None, **more):
    given = tables(depth, leave_at, **more)
    if levels:
        given["levels"] = levels
    return parse_dive(given | {"cylinders": list(carried)})


def large(gas, use="bailout", **more):
    return cylinder(gas, use, **({"size": "24 L"} | more))


DIVES = {
    "two gases": loop_dive(60, 25, large("18/45"), large("50")),
    "three gases": loop_dive(
        75, 20, large("15/55"), large("50"), large("oxygen"), diluent="15/55", deco_setpoint=1.5, deco_from=6
    ),
    "one gas": loop_dive(40, 30, large("28"), diluent="21/35"),
    "two of a gas": loop_dive(60, 20, large("18/45"), large("18/45", name="second", size="7 L"), large("50")),
    "two levels": loop_dive(60, 15, large("18/45"), large("50"), levels=[(60, 15), (30, 50)]),
    "a deeper level later": loop_dive(50, 15, large("18/45"), large("50"), levels=[(30, 15), (50, 35)]),
}


def codes(dive):
    return {f.code: f for f in plan_dive(dive).findings}


def of_kind(found, kind):
    return [contingency for contingency in found.contingencies if contingency.kind == kind]


def from_every_point(dive, kind, name=None):
    """A contingency from every point of the track where it may begin: (point, tensions, contingency)."""
    layout = lay_out(dive)
    schedule = planning.dive_schedule(dive, layout)
    cylinders, _ = cylinder_use(dive, schedule.legs)
    (scenario,) = [
        s for s in all_scenarios(dive, schedule) if s.kind == kind and s.level is None and name in (None, s.name)
    ]
    alone = {"series": "", "worse": False}  # each is planned, whatever others there are
    every = [dataclasses.replace(scenario, points=(i, i + 1), **alone) for i in range(*scenario.points)]
    found = contingencies(dive, layout, schedule, cylinders, every)
    assert len(found) == len(every)
    points, tensions = schedule.track.points, schedule.track.tensions_bar
    return [(points[i], tensions[i], c) for i, c in zip(range(*scenario.points), found, strict=True)]


def hand_bailouts(dive):
    """A bailout from every point of the track, as legs: (point, tensions, legs, run time at the surface)."""
    for point, tensions, found in from_every_point(dive, "bailout"):
        yield point, tensions, found.legs, found.run_time_min


def phased(legs, leg, stressed_for=STRESSED_FOR_MIN, bailout=RMV_BOTTOM):
    """RMV of a leg: stressed until the first change to a richer gas on the way up, for 10 min at least; then the
    bottom's."""
    changes = [one.start_min for one in legs if one.source.mix.o2 > legs[0].source.mix.o2]
    calm_min = max(changes[0], legs[0].start_min + stressed_for) if changes else math.inf
    calm = min(leg.minutes, max(0.0, leg.end_min - calm_min))
    return (RMV_STRESSED * (leg.minutes - calm) + bailout * calm) / leg.minutes


def hand_share(dive, legs):
    """The largest share of a mix's usable litres: RMV · bar · min of the legs, over what all its cylinders give."""
    asked = {}
    for leg in legs:
        bar = 1.01325 + 0.1 * 0.5 * (leg.start_m + leg.end_m)
        asked[leg.source.mix] = asked.get(leg.source.mix, 0.0) + phased(legs, leg) * bar * leg.minutes
    shares = []
    for mix, litres in asked.items():
        usable = sum(
            free_litres(mix, c.water_l, c.pressure, 14.0) - free_litres(mix, c.water_l, RESERVE_BAR, 14.0)
            for c in dive.cylinders
            if c.gas == mix
        )
        shares.append(litres / usable)
    return max(shares)


@pytest.mark.parametrize("name", DIVES)
def test_the_worst_is_the_worst(name):
    """No moment of the dive asks a larger share of a cylinder than the one found; its supply is that share."""
    dive = DIVES[name]
    found = max(of_kind(plan_dive(dive), "bailout"), key=lambda c: max(use.used_l / use.usable_l for use in c.supply))
    by_hand = [
        (hand_share(dive, legs), run_time_min - point["run_time_min"], point["run_time_min"], point["depth_m"])
        for point, _, legs, run_time_min in hand_bailouts(dive)
    ]
    worst = max(by_hand)
    assert max(use.used_l / use.usable_l for use in found.supply) == pytest.approx(worst[0], rel=1e-9)
    at_the_moment = [row for row in by_hand if row[2] == found.leaves_at_min and row[3] == found.depth_m]
    assert max(at_the_moment)[0] == pytest.approx(worst[0], rel=1e-9)
    assert found.tts_min == pytest.approx(found.run_time_min - found.leaves_at_min)
    assert found.legs[0].start_min == found.leaves_at_min
    assert found.legs[-1].end_min == found.run_time_min
    assert found.legs[-1].end_m == 0.0


@pytest.mark.parametrize("name", DIVES)
def test_the_longest_way_up_is_planned_whatever_takes_most_gas(name):
    """No moment has a longer way up than the bailout that is planned; one that takes more gas is planned too."""
    dive = DIVES[name]
    whole = plan_dive(dive)
    by_hand = [run_time_min - point["run_time_min"] for point, _, _, run_time_min in hand_bailouts(dive)]
    assert whole.longest_bailout.tts_min == pytest.approx(max(by_hand), abs=1e-9)
    every = of_kind(whole, "bailout")
    assert [c.leaves_at_min for c in every] == sorted({c.leaves_at_min for c in every})
    assert all(c.tts_min <= whole.longest_bailout.tts_min for c in every)
    ends = [(level.leave_at, level.depth) for level in dive.levels]
    assert [(c.leaves_at_min, c.depth_m) for c in every if c.scenario.level is not None] == ends
    for other in (c for c in every if c.scenario.level is None):
        assert other.name in ("bailout, where it takes most gas", "bailout, where the ascent is longest")
        assert (other.leaves_at_min, other.depth_m) not in ends
    if not all(found.holds for found in of_kind(whole, "bailout")):
        assert whole.no_go


def reference(dive, depth_m, run_time_min, tensions, anchor_m):
    """The same ascent by the reference model, which shares nothing with the kernel."""
    mixes = sorted((c.gas for c in dive.cylinders), key=lambda gas: gas.o2)
    leanest, *richer = dict.fromkeys(mix.label for mix in mixes)
    deepest = max(level.depth for level in dive.levels)
    ours = Reference(levels=[(deepest, 0.0, leanest)], deco=tuple(richer))
    ours.n2, ours.he = list(tensions[0]), list(tensions[1])
    ours.depth, ours.run_time = depth_m, run_time_min
    ours.anchor = anchor_m if anchor_m >= 0.0 else None
    first = ours.gas_at(depth_m, leanest, ours.deco)
    ours.load(depth_m, depth_m, SORTING_OUT_MIN, first, True)
    ours.run_time += SORTING_OUT_MIN
    if not ours.direct(leanest):
        ours.climb(0.0, leanest, ours.deco)
    return ours


def merged(legs):
    """Stops as depth, arrival, departure; a stop that changes its line or gas midway is one."""
    stops = []
    for leg in legs:
        if leg.kind != "stop":
            continue
        if stops and stops[-1][0] == leg.end_m and stops[-1][2] == leg.start_min:
            stops[-1] = (leg.end_m, stops[-1][1], leg.end_min)
        else:
            stops.append((leg.end_m, leg.start_min, leg.end_min))
    return stops


@pytest.mark.parametrize("name", DIVES)
def test_a_bailout_is_an_ordinary_open_circuit_ascent(name):
    """From the loop's tissues, by the reference model: the same stops to the minute, at the worst moment and others."""
    dive = DIVES[name]
    worst_min = plan_dive(dive).longest_bailout.leaves_at_min
    every = list(hand_bailouts(dive))
    chosen = [row for row in every if row[0]["run_time_min"] == worst_min] + every[3::9]
    for point, tensions, legs, run_time_min in chosen:
        ours = reference(
            dive, float(point["depth_m"]), float(point["run_time_min"]), tensions, float(point["first_stop_m"])
        )
        assert merged(legs) == [pytest.approx(stop, abs=1e-6) for stop in ours.stops], point
        assert run_time_min == pytest.approx(ours.run_time, abs=1e-6)


def test_the_loops_tissues_are_the_reference_models_too():
    """The whole way to the end of the bottom on the loop, and the bailout from there, without Leadline's tissues."""
    dive = DIVES["two gases"]
    found = plan_dive(dive).longest_bailout
    assert found.leaves_at_min == 25.0
    ours = Reference(levels=[(60.0, 25.0, "18/45")])
    ours.n2, ours.he = ours.n2[:], ours.he[:]
    ours.loop = Loop("18/45", 1.3)
    ours.load(0.0, 60.0, 3.0, "18/45", False)
    ours.load(60.0, 60.0, 22.0, "18/45", False)
    again = reference(dive, 60.0, 25.0, (ours.n2, ours.he), -1.0)
    assert merged(found.legs) == [pytest.approx(stop, abs=1e-6) for stop in again.stops]
    assert found.run_time_min == pytest.approx(again.run_time, abs=1e-6)


@pytest.mark.parametrize("name", DIVES)
def test_every_stop_is_met(name):
    """Walked by the reference model's tissues: at every depth reached the ceiling is at or above it.

    The ceiling is under the line of gradient factors, 40 at the first stop to 80 at the surface (Baker).
    """
    dive = DIVES[name]
    found = plan_dive(dive).longest_bailout
    track = plan_dive(dive).schedule.track
    i = int(np.argmax(track.points["run_time_min"] == found.leaves_at_min))
    point, tensions = track.points[i], track.tensions_bar[i]
    # The line hangs from the first stop even where that is passed: the reference model says which it is.
    anchor_m = reference(dive, found.depth_m, found.leaves_at_min, tensions, float(point["first_stop_m"])).anchor
    ours = Reference(levels=[(found.depth_m, 0.0, "air")])
    ours.n2, ours.he = list(tensions[0]), list(tensions[1])
    ours.anchor = anchor_m
    for leg in found.legs:
        label = leg.source.mix.label
        ours.load(leg.start_m, leg.end_m, leg.minutes, label, True)
        if leg.kind == "ascent":
            gf = ours.gf(leg.end_m) if ours.anchor is not None else ours.gf_high
            assert ours.ceiling(gf) <= leg.end_m + 1e-6, leg
    for stop in found.stops:
        assert stop.leave_min == pytest.approx(round(stop.leave_min), abs=1e-9)


def test_a_bailout_begins_with_sorting_it_out():
    """Two minutes at depth on open circuit (common practice, no source): 60 m, 30 · 7.01325 · 2 = 420.795 L."""
    found = plan_dive(DIVES["two gases"]).longest_bailout
    first = found.legs[0]
    assert (first.start_m, first.end_m, first.minutes) == (60.0, 60.0, 2.0)
    assert found.supply[0].legs[0].litres == pytest.approx(420.795, abs=1e-6)


def test_richest_usable_gas_first():
    """The leanest deep, 50 % from 21 m (1.557 bar), oxygen from 6 m (1.613 bar, with the grid's tolerance)."""
    found = plan_dive(DIVES["three gases"]).longest_bailout
    assert [(s.depth_m, s.source.mix.label) for s in found.switches][1:] == [(21.0, "50"), (6.0, "oxygen")]
    assert found.switches[0].source.mix.label == "15/55"
    assert all(s.source.setpoint_bar is None for s in found.switches)


def test_the_diver_can_breathe_harder():
    calm, stressed = (
        plan_dive(loop_dive(60, 25, large("18/45"), large("50"), more={"diver": {"rmv_stressed": rmv}})).longest_bailout
        for rmv in (20, 40)
    )
    assert stressed.supply[0].used_l == pytest.approx(2.0 * calm.supply[0].used_l, rel=1e-9)


def test_open_circuit_has_no_bailout():
    found = plan_dive(parse_dive(tables(30, 20)))
    assert found.longest_bailout is None
    assert found.bailouts == ()
    assert found.bailout_tts == ()
    assert not [f for f in found.findings if f.code.startswith("bailout")]


def test_nothing_to_bail_out_to_is_a_no_go():
    found = plan_dive(loop_dive(60, 20, cylinder("18/45", "diluent"), cylinder("oxygen", "oxygen")))
    assert found.longest_bailout is None
    assert found.no_go
    assert {f.code: f.severity for f in found.findings}["bailout-none"] == "no-go"


def test_enough_is_a_note_that_names_the_moment():
    found = plan_dive(loop_dive(45, 20, large("21/35"), large("50"), diluent="21/35")).findings
    holds = next(finding for finding in found if finding.code == "bailout-holds")
    assert holds.severity == "note"
    assert "gas-short" not in {finding.code for finding in found}
    assert holds.values["leave_min"] == 20.0
    assert sentence(holds).startswith("Bailout from 45 m at 20 min: gas lasts, all stops done, ")


@pytest.mark.parametrize(
    ("own", "stressed_for", "then"),
    [
        ({}, 10.0, 20.0),
        ({"rmv_bottom": 18, "rmv_stressed": 30}, 10.0, 18.0),
        ({"rmv_bailout": 24, "stressed_for": 0}, 0.0, 24.0),
        ({"stressed_for": 40}, 40.0, 20.0),
    ],
)
def test_the_stress_ends_with_a_richer_gas(own, stressed_for, then):
    """30 L/min until 50 % is breathed at 21 m, and so many minutes at least; then the other RMV, leg by leg."""
    dive = loop_dive(60, 25, large("18/45"), large("50"), more={"diver": {"rmv_stressed": RMV_STRESSED, **own}})
    for _, _, found in from_every_point(dive, "bailout")[::9]:
        by_hand = litres(found.legs, lambda leg, legs=found.legs: phased(legs, leg, stressed_for, then))
        for use in found.breathed:
            assert use.used_l == pytest.approx(by_hand.get(use.mix, 0.0), rel=1e-9)


def test_without_a_richer_gas_the_stress_lasts():
    """One gas all the way: 30 L/min for every minute."""
    found = plan_dive(loop_dive(40, 30, large("28"), diluent="21/35")).longest_bailout
    asked = litres(found.legs, lambda leg: RMV_STRESSED)
    assert found.breathed[0].used_l == pytest.approx(asked[Mix.parse("28")], rel=1e-9)


def test_an_hour_at_6_m_on_50_asks_no_stressed_litres():
    """67 min at 6 m on 50 %: 30 · 1.61325 · 67 = 3243 L stressed, 20 · 1.61325 · 67 = 2162 L calm."""
    legs = [
        Leg("level", 0.0, 10.0, 60.0, 60.0, Source(Mix.parse("18/45")), 0, False),
        Leg("stop", 10.0, 77.0, 6.0, 6.0, Source(Mix.parse("50")), 0, True),
    ]
    assert contingency.calm_from(legs, 10.0) == 10.0
    assert contingency.calm_from(legs, 12.0) == 12.0
    assert contingency.calm_from(legs[:1], 10.0) == math.inf
    # Shared by time where the stress ends in it: 2 of 67 min at 30 L/min.
    assert phased(legs, legs[1], 12.0) == pytest.approx((2 * 30 + 65 * 20) / 67)


def test_heavy_breathing_keeps_the_stress():
    """20 min of twice 20 L/min; the richer gas is breathed sooner, and 10 min over by then."""
    dive = loop_dive(30, 30, large("28"), large("50"), diluent="28", more={"contingencies": {"heavy_breathing": 20}})
    for _, _, found in from_every_point(dive, "heavy breathing")[::9]:
        start_min = found.leaves_at_min

        def heavily(leg, found=found, start_min=start_min):
            heavy = max(0.0, min(leg.end_min, start_min + 20.0) - leg.start_min)
            return phased(found.legs, leg, 20.0) + 10.0 * heavy / leg.minutes

        by_hand = litres(found.legs, heavily)
        for use in found.breathed:
            assert use.used_l == pytest.approx(by_hand.get(use.mix, 0.0), rel=1e-9)


def test_too_little_is_a_no_go_with_the_litres():
    dive = loop_dive(60, 25, large("18/45", size="7 L"), large("50"))
    found, finding = plan_dive(dive), codes(dive)["gas-short"]
    name = found.longest_bailout.supply[0].name
    alone = [c for c in found.contingencies if not c.scenario.two_failures]
    uses = {c.name: use for c in alone for use in c.supply if use.name == name}
    worst, use = max(uses.items(), key=lambda one: one[1].used_l)
    assert finding.severity == "no-go"
    assert finding.values["cylinder"] == use.name
    assert finding.values["contingency"] == worst
    assert finding.values["short_l"] == pytest.approx(use.used_l - use.content_l, rel=1e-12)
    assert f"needs {math.ceil(use.used_l)} L in the worst case ({worst})" in sentence(finding)
    assert sum(f.code == "gas-short" for f in found.findings) == 1  # one cause
    assert "bailout-holds" not in codes(dive)


def test_a_cylinder_below_its_reserve_is_no_bailout():
    """15 bar where 20 stay: nothing to breathe, and so a no-go."""
    found = codes(loop_dive(60, 20, large("18/45", pressure="15 bar")))
    assert found["gas-short"].severity == "no-go"
    assert "bailout-holds" not in found


def test_a_hypoxic_bailout_is_a_no_go():
    """10/70 carries life, 0.16 bar (NOAA Diving Manual), from 1.6 bar on: 5.87 m. At 6 m it is 0.161 bar, at 3 m 0.131:
    the way up ends at 6 m."""
    whole = plan_dive(loop_dive(60, 15, large("10/70", size="200 L"), diluent="10/70"))
    finding = next(f for f in whole.findings if f.code == "no-gas")
    assert finding.severity == "no-go"
    assert (finding.values["from_m"], finding.values["to_m"]) == (6.0, 0.0)
    (bailout,) = of_kind(whole, "bailout")
    assert (bailout.no_gas.gap.from_m, bailout.no_gas.gap.to_m) == (6.0, 0.0)
    assert (bailout.legs, bailout.stops, bailout.supply) == ((), (), ())
    assert bailout.answers.breathable == "no"


def test_a_bailout_too_rich_for_the_depth_is_a_no_go():
    """50 % is within 1.6 bar and the grid's 0.03 from 21 m up (1.557 bar; 1.707 at 24 m). From 60 m that is 39 m, at
    9 m/min 4.3 min, and neither rows nor gas are planned."""
    whole = plan_dive(loop_dive(60, 15, large("50", size="200 L")))
    finding = next(f for f in whole.findings if f.code == "no-gas")
    assert finding.severity == "no-go"
    assert (finding.values["from_m"], finding.values["to_m"]) == (60.0, 21.0)
    assert finding.values["minutes"] == pytest.approx(39.0 / 9.0)
    assert sentence(finding).startswith("No gas to breathe from 60 m to 21 m, 5 min at the ascent rate: ")
    assert all(c.legs == () for c in of_kind(whole, "bailout"))


@pytest.mark.parametrize(
    "dive",
    [
        loop_dive(70, 6, large("28", size="200 L"), diluent="15/55", levels=[(70, 6), (30, 120)]),
        loop_dive(70, 15, large("28", size="200 L"), large("50", size="5 L"), diluent="15/55"),
    ],
    ids=["a shallower level later", "the shallow gas is the scarce one"],
)
def test_a_gas_too_rich_at_any_moment_is_found(dive):
    """The moment that asks most of a cylinder may be shallow: the gas breathed from the deepest is judged all the same.

    28 % at 70 m is 8.01325 · 0.28 = 2.2437 bar, whenever the loop fails there.
    """
    found = plan_dive(dive)
    deepest = next(c for c in of_kind(found, "bailout") if c.depth_m == 70.0)
    assert deepest.no_gas.gap.from_m == 70.0
    assert deepest.legs == ()
    finding = next(f for f in found.findings if f.code == "no-gas" and f.values["from_m"] == 70.0)
    assert finding.severity == "no-go"
    for one in of_kind(found, "bailout"):  # from a shallower level it is fit
        assert one.depth_m == 70.0 or one.legs


def test_the_oxygen_of_a_bailout_is_the_whole_dives():
    """On the loop at 1.3 bar until the moment, then on open circuit: never less than the loop's part alone.

    22 min at 60 m on 1.3 bar are 12.2 % (NOAA: 180 min).
    """
    found = plan_dive(DIVES["two gases"]).longest_bailout
    assert found.oxygen.cns_percent > 22.0 / 180.0 * 100.0


def test_a_bailout_that_never_clears_is_a_no_go():
    """GF high of 5 at the last stop, on air: the slow compartments never come within it. Said, and no traceback."""
    given = looped(60, 30, "18/45", gf=(5, 5), setpoint=1.6)
    given["cylinders"] = [large("18/45")]
    found = plan_dive(parse_dive(given))
    bailout = of_kind(found, "bailout")[0]
    assert found.longest_bailout is None
    assert not bailout.holds
    finding = {f.code: f for f in found.findings}["stops"]
    assert bailout.answers.stops == "not met"
    assert finding.severity == "no-go"
    assert "never clear" in sentence(finding)
    assert (finding.run_time_min, finding.depth_m) == (bailout.leaves_at_min, bailout.depth_m)
    assert finding.run_time_min is not None


# --- Every way to leave the plan, by the independent model ------------------------------------------------------------


class SemiClosed(Reference):
    """Up on a semi-closed loop as far as a depth, from there on open circuit."""

    diluent: str
    metabolised: float
    at_rest: float
    """From the first stop on."""
    leaves: float

    def gas_at(self, depth, own, deco):
        return SEMI_CLOSED if depth > self.leaves + 1e-9 else super().gas_at(depth, own, deco)

    def inspired(self, bar, label, depth, going_up):
        if label != SEMI_CLOSED:
            return super().inspired(bar, label, depth, going_up)
        o2, he = gas(self.diluent)
        inert = (bar - VAPOUR) * (1.0 - balanced(bar, o2, self.metabolised if self.anchor is None else self.at_rest))
        return inert * (1.0 - o2 - he) / (1.0 - o2), inert * he / (1.0 - o2)


SEMI_CLOSED = "semi-closed"


def balanced(bar, o2, metabolised):
    """Oxygen in a semi-closed loop in balance, from what comes in and goes out a minute, R litres at depth:
    R·P·fO2 in, M burnt, (R·P - M)·f vented: f = (P·fO2 - M/R) / (P - M/R). `metabolised` is M/R."""
    return (bar * o2 - metabolised) / (bar - metabolised)


OPEN = {
    "air": open_dive(45, 22, large("air", "bottom", pressure="230 bar"), large("50", "deco")),
    "trimix": open_dive(
        60, 25, large("18/45", "bottom", size="36 L", pressure="230 bar"), large("50", "deco"),
        large("oxygen", "deco"), stops={"gas_switch": 1},
    ),
    "two bottom gases": open_dive(
        54, 15, large("18/45", "bottom"), large("32", "bottom"), large("oxygen", "deco"),
        levels=[{"depth": 54, "leave_at": 15}, {"depth": 30, "leave_at": 40, "gas": "32"}],
    ),
    "apart": open_dive(
        60, 20, *(large("18/45", "bottom", name=name, size="24 L", pressure="230 bar") for name in ("left", "right")),
        large("50", "deco"), large("oxygen", "deco"), stops={"gas_switch": 1},
    ),
}  # fmt: skip
LOOPS = {
    "loop": loop_dive(
        60, 25, large("18/45", "diluent", size="3 L"), large("oxygen", "oxygen", size="3 L"), large("18/45"),
        large("50"),
    ),
    "loop, a higher setpoint in the shallows": loop_dive(
        75, 20, large("15/55", "diluent", size="3 L"), large("15/55"), large("50"), large("oxygen"), diluent="15/55",
        deco_setpoint=1.5, deco_from=6,
    ),
    "loop, two levels": loop_dive(60, 15, large("18/45"), large("50"), levels=[(60, 15), (30, 50)]),
}  # fmt: skip
ON_THE_LOOP = {
    "loop": Loop("18/45", 1.3),
    "loop, a higher setpoint in the shallows": Loop("15/55", 1.3, 1.5, 6.0),
    "loop, two levels": Loop("18/45", 1.3),
}
DEPARTURES = [
    # Kind, its name, the dive, minutes of sorting it out, the gas until another is usable, those taken up, the loop,
    # and the depth where a semi-closed loop is left: where 50 % is usable, 21 m (3.11 bar, 1.557 of oxygen).
    ("bailout", None, "loop", 2, "18/45", ("50",), None, None),
    ("bailout", None, "loop, a higher setpoint in the shallows", 2, "15/55", ("50", "oxygen"), None, None),
    ("bailout", None, "loop, two levels", 2, "18/45", ("50",), None, None),
    ("bailout lost", "bailout without bailout 50 (50 %)", "loop", 2, "18/45", (), None, None),
    (
        "bailout lost", "bailout without bailout 50 (50 %)", "loop, a higher setpoint in the shallows", 2, "15/55",
        ("oxygen",), None, None,
    ),
    (
        "bailout lost", "bailout without bailout oxygen (oxygen)", "loop, a higher setpoint in the shallows", 2,
        "15/55", ("50",), None, None,
    ),
    ("heavy breathing", None, "loop", 2, "18/45", ("50",), None, None),
    ("heavy breathing", None, "loop, two levels", 2, "18/45", ("50",), None, None),
    ("oxygen gone", None, "loop", 2, "18/45", ("50",), None, 21.0),
    ("oxygen gone", None, "loop, a higher setpoint in the shallows", 2, "15/55", ("50", "oxygen"), None, 21.0),
    ("diluent gone", None, "loop", 2, "", (), "loop", None),
    (
        "diluent gone", None, "loop, a higher setpoint in the shallows", 2, "", (),
        "loop, a higher setpoint in the shallows", None,
    ),
    ("diluent gone", None, "loop, two levels", 2, "", (), "loop, two levels", None),
    ("aborted descent", None, "air", 0, "air", ("50",), None, None),
    ("aborted descent", None, "loop", 0, "", (), "loop", None),
    ("mate out of gas", None, "air", 2, "air", ("50",), None, None),
    ("mate out of gas", None, "trimix", 2, "18/45", ("50", "oxygen"), None, None),
    ("gas found empty", "deco 50 (50 %) found empty at 21 m", "air", 2, "air", (), None, None),
    ("gas found empty", "deco 50 (50 %) found empty at 21 m", "trimix", 2, "18/45", ("oxygen",), None, None),
    ("gas found empty", "deco oxygen (oxygen) found empty at 6 m", "trimix", 2, "18/45", ("50",), None, None),
    (
        "bottom cylinder lost", "left (18/45) lost at the end of the bottom", "apart", 2, "18/45", ("50", "oxygen"),
        None, None,
    ),
]  # fmt: skip
HOLD_MIN = {"trimix": 1.0, "apart": 1.0}


def ascent(name, point, tensions, sorting_out, own, richer, loop, leaves, first=None):
    """From a point of the track by the reference model, which shares nothing with the kernel."""
    dive = (OPEN | LOOPS)[name]
    model = Reference if leaves is None else SemiClosed
    ours = model(
        levels=[(max(level.depth for level in dive.levels), 0.0, own)], deco=richer, hold=HOLD_MIN.get(name, 0.0)
    )
    ours.loop = ON_THE_LOOP[loop] if loop is not None else None
    if leaves is not None:
        # 1 L/min metabolised of 20 L/min breathed, a third of it fresh: 1 / (20 / 3) = 0.15 bar; of 16 at rest 0.1875.
        ours.diluent, ours.leaves = dive.loop.diluent.label, leaves
        ours.metabolised, ours.at_rest = 0.15, 0.1875
    ours.n2, ours.he = [float(x) for x in tensions[0]], [float(x) for x in tensions[1]]
    ours.depth, ours.run_time = float(point["depth_m"]), float(point["run_time_min"])
    ours.anchor = float(point["first_stop_m"]) if point["first_stop_m"] >= 0.0 else None
    first = first or ours.gas_at(ours.depth, own, richer)
    if sorting_out:
        ours.load(ours.depth, ours.depth, float(sorting_out), first, True)
        ours.run_time += sorting_out
    if not ours.direct(own):
        ours.start_on(first)
        ours.climb(0.0, own, richer)
    return ours


@pytest.mark.parametrize(
    ("kind", "contingency", "name", "sorting_out", "own", "richer", "loop", "leaves"),
    DEPARTURES, ids=[f"{row[2]}: {row[1] or row[0]}" for row in DEPARTURES],
)  # fmt: skip
def test_every_ascent_is_the_independent_models(kind, contingency, name, sorting_out, own, richer, loop, leaves):
    """At the worst moment and at others: the same stops to the minute, the same run time, whatever went wrong."""
    dive = (OPEN | LOOPS)[name]
    every = from_every_point(dive, kind, contingency)
    alike = [c for c in of_kind(plan_dive(dive), kind) if contingency in (None, c.name)]
    found = max(alike, key=lambda c: c.tts_min)
    there = [row for row in every if row[0]["run_time_min"] == found.leaves_at_min and row[2].legs == found.legs]
    assert there
    for point, tensions, one in [there[0], *every[1::7]]:
        if not one.legs:  # a descent aborted at the surface
            assert point["depth_m"] == 0.0
            continue
        # With a mate out of gas what was breathed goes on; else the way up has begun.
        first = one.legs[0].source.mix.label if kind == "mate out of gas" else None
        ours = ascent(name, point, tensions, sorting_out, own, richer, loop, leaves, first)
        assert merged(one.legs) == [pytest.approx(stop, abs=1e-6) for stop in ours.stops], point
        assert one.run_time_min == pytest.approx(ours.run_time, abs=1e-6)
        assert one.leaves_at_min == point["run_time_min"]
        assert one.tts_min == pytest.approx(ours.run_time - point["run_time_min"], abs=1e-6)
        if kind in ("bailout", "bailout lost", "mate out of gas"):
            left = float(point["run_time_min"])
            for label, drawn in ours.litres(left, RMV_STRESSED, STRESSED_FOR_MIN, RMV_BOTTOM).items():
                shared = 2.0 if kind == "mate out of gas" and label == own else 1.0
                uses = [use for cylinder in one.breathed if cylinder.mix.label == label for use in cylinder.legs]
                after = sum(use.litres for use in uses if use.start_min >= left - 1e-6)
                assert after == pytest.approx(shared * drawn, rel=1e-9), (point, label)


def test_the_semi_closed_loop_is_left_where_it_grows_thin():
    """10/70 and no rich bailout: below 0.21 bar it is left (common practice, no source).

    At rest, 16 L/min. At 27 m, 3.71325 bar: (0.371325 - 0.1875) / (3.71325 - 0.1875) · 3.71325 = 0.1936 bar. At 30 m,
    4.01325: 0.2243. So it is left at 30 m: on the way to 27 m it would fall below 0.21 bar.
    """
    dive = loop_dive(70, 15, large("10/70"), large("28", switch_depth="12 m"), diluent="10/70")
    found, *_ = of_kind(plan_dive(dive), "oxygen gone")
    assert [(s.depth_m, s.source.name) for s in found.switches][1:3] == [(30.0, "10/70"), (12.0, "28 %")]
    assert found.switches[0].source.circuit == "semi-closed"


# --- The semi-closed loop ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "metabolic", "one_in", "rmv"), [("18/45", 1.0, 3, 20), ("air", 1.5, 5, 25), ("32", 0.8, 4, 15)]
)
@pytest.mark.parametrize("depth_m", [6.0, 20.0, 60.0])
def test_the_semi_closed_loops_oxygen_is_a_mass_balance(label, metabolic, one_in, rmv, depth_m):
    """A loop of 7 L, filled with diluent: RMV/one_in litres at depth come in a minute, oxygen is burnt, and what is too
    much is vented as it is. Integrated in free litres until nothing changes."""
    bar = 1.01325 + 0.1 * depth_m
    fresh, volume = rmv / one_in * bar, 7.0 * bar
    o2, _ = gas(label)

    def a_minute(_, held):
        return [fresh * o2 - metabolic - (fresh - metabolic) * held[0] / volume]

    steady = solve_ivp(a_minute, (0.0, 600.0), [o2 * volume], rtol=1e-10, atol=1e-12).y[0, -1] / volume
    source = Source(Mix.parse(label), None, metabolic * one_in / rmv)
    assert source.ppo2(bar) == pytest.approx(max(0.0, steady) * bar, abs=1e-6)
    tissue = np.zeros((2, 16))  # after a day in it: its inert gas
    kernel.load_constant(tissue, bar, 1e5, source_rows([source])[0], compartments("ZH-L16C"))
    assert tissue.sum(axis=0) == pytest.approx((bar - VAPOUR) * (1.0 - max(0.0, steady)), abs=1e-6)
    assert source.inspired(bar).o2 == pytest.approx(max(1e-6, steady), abs=1e-6)


def integrated(start, from_m, to_m, rate, o2, he, metabolised):
    """Tissues after travel on a semi-closed loop in balance at every depth: dp/dt = k·(inspired - p), by SciPy."""
    comps = compartments("ZH-L16C")
    k = comps.rate.ravel()
    shares = np.repeat([(1.0 - o2 - he) / (1.0 - o2), he / (1.0 - o2)], 16)

    def a_minute(t, p):
        bar = 1.01325 + 0.1 * (from_m - rate * t)
        return k * ((bar - VAPOUR) * (1.0 - max(0.0, balanced(bar, o2, metabolised))) * shares - p)

    minutes = (from_m - to_m) / rate
    return solve_ivp(a_minute, (0.0, minutes), start.ravel(), rtol=1e-10, atol=1e-12).y[:, -1].reshape(2, 16)


@pytest.mark.parametrize(
    ("from_m", "to_m", "within_bar"),
    [
        (60.0, 57.0, 1e-6), (30.0, 27.0, 1e-6), (12.0, 9.0, 1e-5), (9.0, 6.0, 1e-5), (6.0, 3.0, 1e-5),
        (6.0, 0.0, 1e-4), (30.0, 3.0, 1e-3), (60.0, 3.0, 2e-3),
    ],
)  # fmt: skip
def test_travel_on_a_semi_closed_loop_is_near_enough_linear(from_m, to_m, within_bar):
    """The inspired gas bends with depth. From stop to stop, taking it as straight is good to 1e-5 bar in every
    compartment; on a direct ascent from 60 m, one piece, to 0.002 bar."""
    comps = compartments("ZH-L16C")
    start = np.full((2, 16), 1.5)
    source = source_rows([Source(Mix.parse("18/45"), None, 0.15)])[0]
    ours = start.copy()
    kernel.load_travel(ours, 1.01325 + 0.1 * from_m, 1.01325 + 0.1 * to_m, (from_m - to_m) / 9.0, source, comps)
    theirs = integrated(start, from_m, to_m, 9.0, 0.18, 0.45, 0.15)
    assert np.abs(ours - theirs).max() < within_bar
    assert np.abs(ours - start).max() > 0.01  # it moved at all


# --- The worst moment and the gas, by hand ----------------------------------------------------------------------------


def litres(legs, rmv):
    """RMV · bar · minutes of some legs, by the mix breathed on open circuit. `rmv` of a leg. [L]"""
    asked = {}
    for leg in legs:
        bar = 1.01325 + 0.1 * 0.5 * (leg.start_m + leg.end_m)
        if leg.source.circuit == "open":
            asked[leg.source.mix] = asked.get(leg.source.mix, 0.0) + rmv(leg) * bar * leg.minutes
    return asked


def as_planned(leg):
    return RMV_DECO if leg.after_first_stop and leg.kind != "level" else RMV_BOTTOM


def cut(legs, until_min):
    """The legs as far as a run time."""
    for leg in legs:
        if leg.end_min <= until_min:
            yield leg
        elif leg.start_min < until_min:
            part = (until_min - leg.start_min) / (leg.end_min - leg.start_min)
            end_m = leg.start_m + part * (leg.end_m - leg.start_m)
            yield dataclasses.replace(leg, end_min=until_min, end_m=end_m)


def asked_by_hand(dive, schedule, found):
    """Litres by mix over the whole dive: as planned until it begins, then by what went wrong."""
    bottom = {c.gas for c in dive.cylinders if c.use == "bottom"}

    def then(leg):
        if found.kind == "mate out of gas":
            return (2.0 if leg.source.mix in bottom else 1.0) * phased(found.legs, leg)
        if found.kind == "heavy breathing":  # twice 20 L/min for 5 min, then the stressed 30
            minutes = max(0.0, min(leg.end_min, found.leaves_at_min + 5.0) - leg.start_min)
            return phased(found.legs, leg) + (2.0 * RMV_BOTTOM - RMV_STRESSED) * minutes / leg.minutes
        if found.kind in ("bailout", "bailout lost", "oxygen gone"):
            return phased(found.legs, leg)
        return as_planned(leg)

    asked = litres(cut(schedule.legs, found.leaves_at_min), as_planned)
    for mix, more in litres(found.legs, then).items():
        asked[mix] = asked.get(mix, 0.0) + more
    return asked


def shares_by_hand(dive, asked, lost=()):
    """The share of what the cylinders of each mix hold."""
    shares = []
    for mix, drawn in asked.items():
        carried = [
            c for c in dive.cylinders if c.gas == mix and c.use not in ("diluent", "oxygen") and c.name not in lost
        ]
        shares.append(drawn / sum(free_litres(mix, c.water_l, c.pressure, 14.0) for c in carried))
    return shares


@pytest.mark.parametrize(
    ("kind", "contingency", "name"),
    [
        row[:3]
        for row in DEPARTURES
        if row[0] in ("bailout lost", "heavy breathing", "mate out of gas", "gas found empty")
    ]
    + [("mate out of gas", None, "two bottom gases")],
)
def test_the_worst_moment_is_found_again_by_hand(kind, contingency, name):
    """No moment asks a larger share of what the cylinders of some mix hold; the litres are those by hand."""
    dive = (OPEN | LOOPS)[name]
    whole = plan_dive(dive)
    alike = [c for c in of_kind(whole, kind) if contingency is None or c.name.startswith(contingency)]
    lost = {c.name for c in dive.cylinders} - {c.name for c in alike[0].scenario.dive.cylinders}
    found = max(alike, key=lambda c: max(shares_by_hand(dive, asked_by_hand(dive, whole.schedule, c), lost)))
    lost = {c.name for c in dive.cylinders} - {c.name for c in found.scenario.dive.cylinders}
    by_hand = [
        max(shares_by_hand(dive, asked_by_hand(dive, whole.schedule, one), lost))
        for _, _, one in from_every_point(dive, kind, contingency)
        if one.legs
    ]
    asked = asked_by_hand(dive, whole.schedule, found)
    assert max(shares_by_hand(dive, asked, lost)) == pytest.approx(max(by_hand), rel=1e-9)
    for mix, drawn in asked.items():
        assert sum(u.used_l for u in found.breathed if u.mix == mix) == pytest.approx(drawn, rel=1e-9)


# --- A bottom cylinder lost -------------------------------------------------------------------------------------------


def of_18_45(legs):
    return litres(legs, as_planned)[Mix.parse("18/45")]


def test_a_bottom_cylinder_lost_by_hand():
    """Of two alike each gives half of what is breathed until then; the other all that is breathed after."""
    whole = plan_dive(OPEN["apart"])
    found = of_kind(whole, "bottom cylinder lost")
    assert [c.name for c in found] == [f"{name} (18/45) lost at the end of the bottom" for name in ("left", "right")]
    for one, kept in zip(found, ("right", "left"), strict=True):
        assert (one.leaves_at_min, one.depth_m) == (20.0, 60.0)
        assert [use.name for use in one.supply] == [kept, "deco 50", "deco oxygen"]
        before = of_18_45(cut(whole.schedule.legs, 20.0))
        assert one.supply[0].used_l == pytest.approx(0.5 * before + of_18_45(one.legs), rel=1e-9)
        assert one.holds
    assert "bottom-loss-unplanned" not in codes(OPEN["apart"])


def test_no_earlier_moment_asks_more_of_what_is_kept():
    """Each moment of the way down and of the bottom, and of the way up on the bottom gas, by the litres of its legs."""
    dive = OPEN["apart"]
    whole = plan_dive(dive)
    worst = of_kind(whole, "bottom cylinder lost")[0].supply[0].used_l
    layout = lay_out(dive)
    (scenario,) = [s for s in all_scenarios(dive, whole.schedule) if s.name.startswith("left (18/45) lost")]
    end_min = next(s.run_time_min for s in whole.schedule.switches)
    moments = [i for i, point in enumerate(whole.schedule.track.points) if point["run_time_min"] < end_min]
    every = [dataclasses.replace(scenario, points=(i, i + 1)) for i in moments]
    found = [one for each in every for one in contingencies(dive, layout, whole.schedule, whole.supply, [each])]
    asked = [
        0.5 * of_18_45([*cut(whole.schedule.legs, one.leaves_at_min)]) + of_18_45(one.legs)
        for one in found
        if one.leaves_at_min > 0.0 and any(leg.source.mix == Mix.parse("18/45") for leg in one.legs)
    ]
    assert len(asked) > 20
    assert max(asked) == pytest.approx(worst, rel=1e-9)


def test_of_several_levels_the_worst_is_shown():
    """Losing one at the end of the second level leaves less in the other than at the end of the first, by hand."""
    twins = [large("21/35", "bottom", name=name) for name in "ab"]
    levels = [{"depth": 50, "leave_at": 15}, {"depth": 40, "leave_at": 25}, {"depth": 12, "leave_at": 50, "gas": "32"}]
    whole = plan_dive(open_dive(50, 15, *twins, large("32", "bottom"), large("50", "deco"), levels=levels))
    found = of_kind(whole, "bottom cylinder lost")
    assert [c.name for c in found] == [f"{name} (21/35) lost at the end of level 2" for name in "ab"]
    before = litres(cut(whole.schedule.legs, 25.0), as_planned)[Mix.parse("21/35")]
    after = litres(found[0].legs, as_planned)[Mix.parse("21/35")]
    assert found[0].supply[0].used_l == pytest.approx(0.5 * before + after, rel=1e-9)
    assert sentence(codes(whole.dive)["bottom-loss-unplanned"]).startswith("The loss of bottom 32 is not")


def test_three_unlike_cylinders_share_before_and_after():
    """What the lost one gave until then is as in the plan; the others give all the rest, and end alike in what each can
    still give above its reserve."""
    unlike = [("a", "12 L", "200 bar"), ("b", "10 L", "230 bar"), ("c", "18 L", "180 bar")]
    cylinders = [large("21/35", "bottom", name=name, size=size, pressure=bar) for name, size, bar in unlike]
    whole = plan_dive(open_dive(45, 18, *cylinders, large("50", "deco")))
    one = of_kind(whole, "bottom cylinder lost")[1]
    assert one.name.startswith("b (21/35)")
    gave = next(use for use in whole.supply if use.name == "b").used_by(18.0)
    all_l = sum(litres([*cut(whole.schedule.legs, 18.0), *one.legs], as_planned)[mix] for mix in [Mix.parse("21/35")])
    a, c, _ = one.supply
    assert (a.name, c.name) == ("a", "c")
    assert a.used_l + c.used_l == pytest.approx(all_l - gave, rel=1e-9)
    assert a.used_l / a.usable_l == pytest.approx(c.used_l / c.usable_l, rel=1e-9)
    assert one.holds


def test_twins_on_a_manifold_are_not_lost_at_once():
    """A set beside a bottom stage: the stage may be lost, the set is not. Nor is it said to be unplanned."""
    given = tables(54, 20, deco=("50",))
    both = [
        large("18/45", "bottom", name="set", manifold=True),
        large("18/45", "bottom", name="stage", size="11 L"),
        large("50", "deco"),
    ]
    whole = plan_dive(parse_dive(given | {"cylinders": both}))
    assert [c.scenario.lost for c in of_kind(whole, "bottom cylinder lost")] == ["stage"]
    assert of_kind(whole, "bottom cylinder lost")[0].holds
    unlike = [both[0], large("32", "bottom"), large("50", "deco")]
    levels = [{"depth": 54, "leave_at": 15}, {"depth": 30, "leave_at": 40, "gas": "32"}]
    said = codes(parse_dive(given | {"cylinders": unlike, "levels": levels}))["bottom-loss-unplanned"]
    assert sentence(said).startswith("The loss of bottom 32 is not among")


def test_too_little_left_in_the_other_is_a_no_go():
    """Two of 12 L last for the plan, but half of what is breathed until the loss and all after it is more than one
    holds. What a manifold joins is one cylinder, and has no such contingency."""
    twelve = [large("28", "bottom", name=name, size="12 L", pressure="200 bar", reserve="20 bar") for name in "ab"]
    apart = open_dive(39, 30, *twelve)
    whole = plan_dive(apart)
    (one, _) = of_kind(whole, "bottom cylinder lost")
    asked = sum(
        share * sum(litres(legs, as_planned).values())
        for share, legs in ((0.5, cut(whole.schedule.legs, 30.0)), (1.0, one.legs))
    )
    assert asked > free_litres(Mix.parse("28"), 12.0, 200.0, 14.0)
    assert not one.holds
    finding = next(f for f in one.findings if f.code == "gas-short")
    assert finding.severity == "no-go"
    assert sentence(finding).startswith("b (28 %) runs out at ")
    assert finding.values["short_l"] == pytest.approx(asked - free_litres(Mix.parse("28"), 12.0, 200.0, 14.0), rel=1e-9)
    said = next(f for f in whole.findings if f.code == "gas-short")
    assert "a (28 %) lost at the end of the bottom" in said.values["contingencies"]
    left_out = apart.contingencies.model_copy(update={"leave_out": ("bottom cylinder lost",)})
    without = plan_dive(apart.model_copy(update={"contingencies": left_out}))
    assert not any("lost" in str(f.values.get("contingencies", "")) for f in without.findings)
    joined = open_dive(39, 30, large("28", "bottom", size="24 L", pressure="200 bar", reserve="20 bar"))
    assert of_kind(plan_dive(joined), "bottom cylinder lost") == []


def test_the_only_cylinder_of_a_bottom_gas_is_said_to_be_unplanned():
    found = codes(OPEN["two bottom gases"])["bottom-loss-unplanned"]
    assert sentence(found) == (
        "The loss of bottom 18/45 or of bottom 32 is not among the contingencies: plan it by hand."
    )


def test_oxygen_gone_by_hand():
    """The loop's diluent: 7 · 6 = 42 L on the descent, and from the moment on a third of 20 L/min at depth; the rest of
    the way up on open circuit at 30 L/min, and then 20."""
    dive = LOOPS["loop"]
    whole = plan_dive(dive)
    *_, found = of_kind(whole, "oxygen gone")
    semi_closed = sum(
        20.0 / 3.0 * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes
        for leg in found.legs
        if leg.source.circuit == "semi-closed"
    )
    filled = 7.0 * 0.1 * min(60.0, 20.0 * found.leaves_at_min)
    used = {use.name: use for use in found.supply}
    assert semi_closed > 100.0
    assert used["diluent 18/45"].used_l == pytest.approx(filled + semi_closed, rel=1e-9)
    assert used["oxygen oxygen"].used_l == pytest.approx(found.leaves_at_min, rel=1e-9)  # 1 L/min until it was gone
    for mix, drawn in asked_by_hand(dive, whole.schedule, found).items():
        assert sum(use.used_l for use in found.breathed if use.mix == mix) == pytest.approx(drawn, rel=1e-9)
    every = from_every_point(dive, "oxygen gone")
    contents = {use.name: use.content_l for use in found.supply}
    worst = max(u.used_l / contents[u.name] for _, _, c in every for u in c.supply if u.use in ("bailout", "diluent"))
    assert max(u.used_l / u.content_l for u in found.supply if u.use in ("bailout", "diluent")) == pytest.approx(worst)


@pytest.mark.parametrize("kind", ["diluent gone", "aborted descent"])
def test_without_a_matter_of_gas_the_longest_way_up_is_the_worst(kind):
    for name in ("loop", "loop, two levels"):
        found = max(of_kind(plan_dive(LOOPS[name]), kind), key=lambda c: c.tts_min)
        ways = [c.tts_min for _, _, c in from_every_point(LOOPS[name], kind) if c.legs]
        assert found.tts_min == pytest.approx(max(ways), abs=1e-9)


def test_diluent_gone_takes_no_more_of_it():
    """From the moment on the loop only comes up: oxygen 1 L/min to the surface, diluent as planned, 42 L."""
    whole = plan_dive(LOOPS["loop"])
    (found,) = of_kind(whole, "diluent gone")
    assert found.loop.diluent_l == pytest.approx(42.0, abs=1e-9)
    assert found.loop.oxygen_l == pytest.approx(found.run_time_min, rel=1e-9)
    assert all(leg.source.circuit == "closed" for leg in found.legs)


def test_a_mate_out_of_gas_with_unlike_reserves():
    """The verdict is by what the cylinders hold, and so is the search: a bottom gas that runs dry early in the dive is
    not hidden by another that only goes deep into a large reserve later.

    60 m until 12 min on 18/45: a pair needs more from there than the 15 L have left; at 45 min, 30 m on 32 %, only the
    reserve of 100 bar is breathed.
    """
    dive = open_dive(
        60, 12, large("18/45", "bottom", size="15 L", pressure="230 bar", reserve="0 bar"),
        large("32", "bottom", pressure="230 bar", reserve="100 bar"), large("oxygen", "deco", size="20 L"),
        levels=[{"depth": 60, "leave_at": 12}, {"depth": 30, "leave_at": 45, "gas": "32"}],
        gf=(50, 90), limits={"density_caution": 12},
    )  # fmt: skip
    whole = plan_dive(dive)
    found = min(of_kind(whole, "mate out of gas"), key=lambda c: c.holds)
    content = free_litres(dive.cylinders[0].gas, 15.0, 230.0, 14.0)
    at_12 = next(c for p, _, c in from_every_point(dive, "mate out of gas") if p["run_time_min"] == 12.0)
    assert asked_by_hand(dive, whole.schedule, at_12)[dive.cylinders[0].gas] > content
    assert not found.holds
    assert codes(dive)["gas-short"].severity == "no-go"


@pytest.mark.parametrize("size", [9.0, 10.0, 11.0, 11.4, 11.6, 12.0, 15.0])
def test_a_mate_out_of_gas_is_a_no_go_exactly_when_the_content_is_exceeded(size):
    """Air, 36 m until 15 min and 50 %: at any moment of the dive, all that is breathed against all that is held."""
    dive = open_dive(36, 15, large("air", "bottom", size=f"{size} L", reserve="5 bar"), large("50", "deco"))
    whole = plan_dive(dive)
    every = from_every_point(dive, "mate out of gas")
    worst = max(max(shares_by_hand(dive, asked_by_hand(dive, whole.schedule, c))) for _, _, c in every if c.legs)
    (found,) = of_kind(whole, "mate out of gas")
    assert found.holds == (worst <= 1.0)
    no_go = [f for f in whole.findings if f.severity == "no-go" and "mate" in str(f.values.get("contingencies"))]
    assert [f.code for f in no_go] == ([] if worst <= 1.0 else ["gas-short"])
    assert found.answers.gas == ("runs out" if worst > 1.0 else found.answers.gas)


# --- Verdicts ---------------------------------------------------------------------------------------------------------


def test_a_contingency_that_runs_out_says_which_when_and_how_much():
    """Air, 36 m, 9 L: enough for the dive with a small reserve, not for 5 min more."""
    dive = open_dive(36, 15, large("air", "bottom", size="9 L", reserve="5 bar"), large("50", "deco"))
    whole = plan_dive(dive)
    (longer,) = of_kind(whole, "longer")
    (finding,) = [f for f in longer.findings if f.severity == "no-go"]
    use = longer.supply[0]
    assert longer.answers == Answers("runs out", "met", "yes", "as the plan")  # END 36 m
    assert finding.values["cylinder"] == "bottom air"
    assert finding.values["short_l"] == pytest.approx(use.used_l - use.content_l, rel=1e-12)
    assert sentence(finding).startswith("bottom air (air) runs out at ")
    assert f"{math.ceil(use.missing_l)} L short" in sentence(finding)
    (said,) = [f for f in whole.findings if f.severity == "no-go"]
    assert said.code == "gas-short"
    assert sentence(said).startswith("Bottom air (air): 9 L at 200 bar holds ")
    assert "5 min longer" in said.values["contingencies"]
    assert f"runs out at {math.floor(finding.run_time_min)} min" in in_words(longer)[0]
    # When it runs dry, by hand: litres leg by leg at 20 and 16 L/min until the content is gone.
    left = free_litres(dive.cylinders[0].gas, 9.0, 200.0, 14.0)
    for leg in longer.legs:
        if leg.source.mix.label != "air":
            continue
        drawn = as_planned(leg) * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes
        if drawn >= left:
            assert finding.run_time_min == pytest.approx(leg.start_min + left / drawn * leg.minutes, abs=1e-6)
            break
        left -= drawn
    else:
        pytest.fail("it never runs dry")


def two_gases_lost(**contingencies):
    """Trimix, 60 m, with bottom gas for one lost gas but not for two."""
    return plan_dive(
        open_dive(
            60, 25, large("18/45", "bottom", size="32 L", pressure="230 bar"), large("50", "deco"),
            large("oxygen", "deco"), contingencies=contingencies,
        )
    )  # fmt: skip


@pytest.mark.parametrize(("two_failures", "severity"), [(None, "caution"), ("caution", "caution"), ("no-go", "no-go")])
def test_two_failures_are_as_grave_as_the_dive_file_says(two_failures, severity):
    whole = two_gases_lost(**({} if two_failures is None else {"two_failures": two_failures}))
    assert all(c.holds for c in of_kind(whole, "lost gas"))
    (pair,) = of_kind(whole, "two gases lost")
    assert not pair.holds
    finding = {f.code: f for f in whole.findings}["gas-short"]
    assert finding.severity == severity
    assert finding.values["short_l"] > 0.0
    assert finding.values["contingencies"] == ("deco 50 (50 %) and deco oxygen (oxygen) lost",)
    assert whole.no_go == (severity == "no-go")


def test_the_worst_pair_is_the_one_that_is_shown():
    """Of three deco gases the pair that asks most of the bottom gas, or is not met: each pair planned by hand."""
    carried = [large("35/25", "deco"), large("50", "deco"), large("oxygen", "deco")]
    bottom = large("16/50", "bottom", size="36 L", pressure="230 bar")
    (pair,) = of_kind(plan_dive(open_dive(70, 18, bottom, *carried)), "two gases lost")
    used = {left["name"]: plan_dive(open_dive(70, 18, bottom, left)).supply[0].used_l for left in carried}
    (left,) = {c["name"] for c in carried} & {c.name for c in pair.scenario.dive.cylinders}
    assert used[left] == max(used.values())


def test_stops_that_never_clear_on_the_gas_left_are_a_finding():
    """GF 5/10 on air at 6 m: saturated tissues never come within it without oxygen. Said, and no traceback."""
    whole = plan_dive(
        open_dive(
            30, 30, large("air", "bottom", size="300 L"), large("oxygen", "deco", size="300 L"), gf=(5, 6),
            stops={"last": "6 m"},
        )
    )  # fmt: skip
    (lost,) = of_kind(whole, "lost gas")
    assert (lost.legs, lost.holds) == ((), False)
    finding = {f.code: f for f in whole.findings}["stops"]
    assert lost.answers.stops == "not met"
    assert finding.severity == "no-go"
    assert "never clear" in sentence(finding)


def test_a_depth_that_no_gas_is_breathable_at_is_a_finding():
    """28 % at 48 m is 1.628 bar, within the grid's tolerance of 1.6; at 51 m 1.712. Said, and no traceback."""
    whole = plan_dive(
        open_dive(48, 10, large("28", "bottom", size="36 L"), limits={"ppo2_bottom": 1.6, "density_caution": 9})
    )
    (deeper,) = of_kind(whole, "deeper")
    assert (deeper.legs, deeper.holds) == ((), False)
    assert deeper.answers.breathable == "no"
    finding = {f.code: f for f in whole.findings}["no-gas"]
    assert finding.severity == "no-go"
    assert "28 % at 51 m is over the ppO2 limit, [limits] ppo2_deco 1.6: 1.71 bar" in sentence(finding)


def test_a_lost_gas_may_be_the_last_for_the_oxygen_breaks():
    """Oxygen at 6 m with breaks on 50 %: without it there is nothing to take a break on, and no traceback."""
    whole = plan_dive(
        open_dive(
            6, 25, large("oxygen", "bottom"), large("50", "deco"), stops={"oxygen_breaks": {"on": 12, "off": 6}}
        )
    )  # fmt: skip
    assert of_kind(whole, "lost gas")[0].holds


def test_leaving_the_plan_between_two_levels_breathes_what_is_breathed_there():
    """Up from 54 m on 18/45 to a level on 32 %: 32 % is 1.63 bar at 40.8 m, and is not breathed deeper than 39 m."""
    for _, _, found in from_every_point(OPEN["two bottom gases"], "mate out of gas"):
        for leg in found.legs:
            assert leg.source.ppo2(1.01325 + 0.1 * leg.start_m) <= 1.63 + 1e-9, (found.leaves_at_min, leg)


def test_no_bailout_at_all_is_said_whatever_is_left_out():
    dive = loop_dive(40, 20, more={"contingencies": {"leave_out": ["bailout", "heavy breathing", "oxygen gone"]}})
    assert codes(dive)["bailout-none"].severity == "no-go"


def test_the_last_bailout_lost_leaves_nothing_and_is_said():
    """Two failures: a caution by default, and no way up is worked out."""
    whole = plan_dive(loop_dive(30, 20, large("32"), diluent="32"))
    (lost,) = of_kind(whole, "bailout lost")
    assert (lost.legs, lost.supply, lost.holds) == ((), (), False)
    finding = {f.code: f for f in whole.findings}["no-gas"]
    assert finding.severity == "caution"
    assert (finding.values["from_m"], finding.values["to_m"]) == (30.0, 0.0)


def test_a_level_missed_is_said_and_not_planned():
    """At half the rate the second level is not reached in time: a caution, and the diver surfaces instead."""
    dive = open_dive(
        50, 20, large("air", "bottom", size="60 L"),
        levels=[{"depth": 45, "leave_at": 20}, {"depth": 12, "leave_at": 26}],
    )  # fmt: skip
    whole = plan_dive(dive)
    (slow,) = of_kind(whole, "slow ascent")
    assert slow.legs == ()
    assert {f.code: f.severity for f in whole.findings}["level-missed"] == "caution"


def test_what_is_met_is_counted():
    whole = two_gases_lost()
    finding = {f.code: f for f in whole.findings}["contingencies"]
    met = [c for c in whole.contingencies if c.holds]
    assert (finding.values["gas_lasts"], finding.values["planned"]) == (len(met), len(whole.contingencies))
    assert sentence(finding).startswith(f"Gas lasts in {len(met)} of {len(whole.contingencies)} contingencies; ")
    longest = max(c.tts_min for c in met)
    assert f"{math.ceil(longest - 1e-6)} min" in sentence(finding)


def test_a_reserve_that_is_breathed_is_a_caution():
    """Reserves are for what goes wrong: within the content it lasts, and is said."""
    whole = plan_dive(open_dive(36, 15, large("air", "bottom", size="13 L"), large("50", "deco")))
    (longer,) = of_kind(whole, "longer")
    use = longer.supply[0]
    assert use.usable_l < use.used_l < use.content_l
    assert longer.holds
    assert {f.code: f.severity for f in longer.findings}["reserve"] == "caution"
    finding = {f.code: f for f in whole.findings}["contingency-reserve"]
    assert finding.severity == "caution"
    assert "5 min longer" in sentence(finding)


def test_a_contingency_over_a_published_limit_is_a_caution():
    """Air at 36 m is (0.2098 · 1.429 + 0.7902 · 1.251) · 4.61325 / 1.01325 = 5.87 g/L; 3 m deeper 6.25, over 6.2."""
    whole = plan_dive(open_dive(36, 15, large("air", "bottom", size="36 L"), large("50", "deco")))
    (deeper,) = of_kind(whole, "deeper")
    assert deeper.holds
    assert deeper.answers.exposure == "over"
    assert in_words(deeper) == ("gas lasts", "over density")  # END is over as in the plan
    finding = {f.code: f for f in whole.findings}["contingency-density"]
    assert (finding.severity, finding.depth_m) == ("caution", 39.0)
    assert finding.values["density_g_l"] == pytest.approx(6.247, abs=0.001)
    assert not whole.no_go


def test_what_the_plan_breaks_is_not_said_of_every_contingency_again():
    """Air at 45 m, 7.01 g/L, is the gravest caution of the plan, and a no-go if the file says so. No contingency
    repeats it: its exposure is as the plan's, and its gas lasts."""
    air = [large("air", "bottom", size="36 L"), large("50", "deco")]
    whole = plan_dive(open_dive(45, 15, *air))
    assert not whole.no_go
    assert (whole.findings[0].code, whole.findings[0].grave) == ("density", True)
    assert "gas density 7.0 g/L at 45 m, over 6.2" in headline(whole.findings, "metric")
    assert not [f for f in whole.findings if f.code == "contingency-density"]
    for one in whole.contingencies:
        assert one.holds
        assert one.answers.exposure == "as the plan"
        assert in_words(one) == ("gas lasts",)
    strict = plan_dive(open_dive(45, 15, *air, limits={"density_no_go": 6.2}))
    assert [f.code for f in strict.findings if f.severity == "no-go"] == ["density"]
    assert headline(strict.findings, "metric").startswith("NO-GO: gas density 7.0 g/L at 45 m, over 6.2")


@pytest.mark.parametrize("name", ["loop, two levels", "loop, a higher setpoint in the shallows"])
def test_oxygen_gone_where_no_diluent_cylinder_is_listed(name):
    """What is not listed cannot be judged, and does not decide which moment is the worst for what is."""
    dive = LOOPS[name]
    dive = dive.model_copy(update={"cylinders": tuple(c for c in dive.cylinders if c.use != "diluent")})
    whole = plan_dive(dive)
    *_, found = of_kind(whole, "oxygen gone")
    by_hand = [
        max(shares_by_hand(dive, asked_by_hand(dive, whole.schedule, one)), default=0.0)
        for _, _, one in from_every_point(dive, "oxygen gone")
        if one.legs
    ]
    asked = asked_by_hand(dive, whole.schedule, found)
    assert max(shares_by_hand(dive, asked)) == pytest.approx(max(by_hand), rel=1e-9)
