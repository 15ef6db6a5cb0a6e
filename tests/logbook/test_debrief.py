"""Dives held against their plans: as planned, with noise, and with one thing at a time gone otherwise."""

import json
import tomllib
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, reject, settings
from hypothesis import strategies as st

from leadline.dive_file import parse_dive, read_dive
from leadline.dive_file.errors import DiveFileError
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.debrief.against_plan import debrief_dive
from leadline.logbook.debrief.breathing_rate import bar_minutes
from leadline.logbook.debrief.data import debrief_as_data
from leadline.logbook.debrief.words import mark_rows, notices, offer_lines, sheet_words
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.logbook.retrace import residual
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres
from leadline.plan import Plan
from leadline.plan.team import plan_team
from leadline.terminal.debrief import render_debrief
from tests.dives import cylinder, tables
from tests.logbook.dives import dives

EXAMPLES = Path(__file__).parents[2] / "examples"
TWINS = ["[[cylinders]]", 'name = "twins"', 'gas = "air"', "size = 24", "pressure = 230", 'use = "bottom"']
BEGAN = datetime(2026, 5, 31, 10, 20)
EAN50, TRIMIX, OXYGEN = (Mix.parse(label) for label in ("50", "18/45", "oxygen"))


@lru_cache
def team_of(name):
    return plan_team(read_dive(EXAMPLES / f"{name}.toml"))


def planned(name="marigold-trimix") -> Plan:
    return team_of(name).members[0].plan


PLANS = [
    pytest.param(name, i, id=f"{name}-{i}")
    for name, count in (
        ("gull-stack-air", 1), ("marigold-trimix", 1), ("marigold-loop", 1), ("marigold-team", 3),
        ("marigold-fills", 1), ("marigold-second", 1),
    )
    for i in range(count)
]  # fmt: skip


def member(name, i):
    one = team_of(name).members[i]
    return one.plan, dived_as_planned(one.plan, BEGAN, one.name)


def codes(found):
    return [finding.code for finding in found.findings]


def the(found, code):
    (one,) = (finding for finding in found.findings if finding.code == code)
    return one


# --- As planned -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "i"), PLANS)
def test_a_plan_dived_exactly_has_no_deviation(name, i):
    plan, dive = member(name, i)
    found = debrief_dive(dive, plan)
    assert found.findings == ()
    assert not found.caution
    assert (found.applied.kind, found.applied.met) == ("plan", True)
    for mark in found.marks:
        assert mark.dived is not None, mark
        assert mark.dived.run_time_min == pytest.approx(mark.planned.run_time_min, abs=0.05), mark
        assert mark.dived.depth_m == pytest.approx(mark.depth_m, abs=0.2), mark
    assert found.gf_surface == pytest.approx(found.planned_gf_surface, abs=1e-6)
    assert found.highest_gf.gf == pytest.approx(found.planned_highest_gf.gf, abs=1e-3)
    assert found.oxygen.cns_percent == pytest.approx(plan.oxygen.cns_percent, rel=1e-3, abs=0.01)
    assert found.oxygen.otu == pytest.approx(plan.oxygen.otu, rel=1e-3)


@pytest.mark.parametrize(("name", "i"), PLANS)
def test_tts_of_a_plan_dived_exactly_is_the_plans(name, i):
    """To a minute: stops end on whole minutes. In a team the plan waits for mates, and the way home does not."""
    plan, dive = member(name, i)
    waits = len(team_of(name).members) > 1
    for mark in debrief_dive(dive, plan).marks:
        at = mark.dived
        assert at.tts_min <= mark.planned.tts_min + 1.0 + 1e-6
        if not waits:
            assert at.tts_min == pytest.approx(mark.planned.tts_min, abs=1.0 + 1e-6), mark


@st.composite
def many_ways(draw):
    """Plans of one to three levels, in either system of units, with every rule that shapes an ascent."""
    loop, imperial = draw(st.booleans()), draw(st.booleans())
    levels, leave_at = [], 0
    for _ in range(draw(st.integers(1, 3))):
        leave_at += draw(st.integers(5, 20))
        depth = draw(st.integers(5, 22)) * 10 if imperial else draw(st.integers(14, 65))
        levels.append({"depth": depth, "leave_at": leave_at})
    deepest_m = max(level["depth"] for level in levels) * (0.3048 if imperial else 1.0)
    bottom = "air" if deepest_m < 40 else "21/35" if deepest_m < 55 else "18/45"
    bail = {True: "bailout", False: "deco"}[loop]
    decos = draw(st.sampled_from([(), ("50",), ("50", "oxygen")]))
    given = {
        "units": "imperial" if imperial else "metric",
        "model": {"gradient_factors": draw(st.sampled_from([[40, 80], [20, 90], [85, 85], [95, 95]]))},
        "site": {
            "altitude": draw(st.sampled_from(["0 m", "1500 m"])),
            "water": draw(st.sampled_from(["sea", "fresh"])),
        },
        "levels": levels,
        "stops": {
            "last": draw(st.sampled_from([10, 15, 20] if imperial else [3, 4, 5, 6])),
            "gas_switch": draw(st.sampled_from([0, 1, 2])),
        },
        "rates": {
            "ascent": draw(st.sampled_from(["5 m/min", "9 m/min", "18 m/min"])),
            "between_stops": draw(st.sampled_from(["3 m/min", "9 m/min"])),
            "to_surface": draw(st.sampled_from(["1 m/min", "3 m/min", "9 m/min"])),
        },
        "cylinders": [cylinder(bottom, "bailout" if loop else "bottom"), *(cylinder(gas, bail) for gas in decos)],
    }
    if loop:
        given["loop"] = {"diluent": bottom, "setpoint": 1.3, "low_setpoint": 0.7, "high_from": "15 m"}
    elif "oxygen" in decos and draw(st.booleans()):
        given["stops"]["oxygen_breaks"] = {"on": 5, "off": 3}
    return given


LEFT_IN_A_BREAK = {
    "units": "metric",
    "model": {"gradient_factors": [20, 90]},
    "levels": [{"depth": 65, "leave_at": 30}],
    "stops": {"last": 4, "gas_switch": 1, "oxygen_breaks": {"on": 5, "off": 3}},
    "rates": {"ascent": "5 m/min", "between_stops": "3 m/min", "to_surface": "1 m/min"},
    "cylinders": [cylinder("18/45", "bottom"), cylinder("50", "deco"), cylinder("oxygen", "deco")],
}
"""6 m is left in an oxygen break: the gas switch back to oxygen is not owed there."""


@settings(max_examples=40, deadline=None)
@given(many_ways())
@example(LEFT_IN_A_BREAK)
def test_any_plan_dived_exactly_has_no_deviation(given_):
    try:
        plan = plan_team(parse_dive(given_)).members[0].plan
    except DiveFileError:  # a level left before its stops are done, a gas too rich
        reject()
    found = debrief_dive(dived_as_planned(plan, BEGAN), plan)
    assert found.findings == ()
    assert (found.applied.kind, found.applied.met) == ("plan", True)
    for mark in found.marks:
        assert mark.dived is not None, mark
        assert mark.dived.run_time_min == pytest.approx(mark.planned.run_time_min, abs=0.15), mark


def noisy(dive, step_min, seed):
    """Every sample off by up to 0.3 m, to 0.1 m."""
    rng = Random(seed)
    times = [i * step_min for i in range(int(dive.run_time_min / step_min) + 1)]
    times += [dive.run_time_min] if times[-1] < dive.run_time_min - 1e-6 else []
    depths = np.interp(times, dive.profile.run_time_min, dive.profile.depth_m)
    depths = [max(0.0, round(depth + rng.uniform(-0.3, 0.3), 1)) for depth in depths]
    pressures = tuple(
        tuple(np.interp(times, dive.profile.run_time_min, column).tolist()) if column else ()
        for column in dive.profile.pressure_bar
    )
    return replace(dive, profile=Profile(tuple(times), tuple(depths), pressure_bar=pressures))


@pytest.mark.parametrize("step_min", [1 / 60, 1 / 6], ids=["1 Hz", "10 s"])
@pytest.mark.parametrize(("name", "i"), PLANS)
def test_noise_is_no_deviation(name, i, step_min):
    plan, dive = member(name, i)
    for seed in range(4):
        found = debrief_dive(noisy(dive, step_min, seed), plan)
        assert found.findings == (), seed
        for mark in found.marks:
            assert mark.dived.run_time_min == pytest.approx(mark.planned.run_time_min, abs=0.25), mark


# --- One thing otherwise ----------------------------------------------------------------------------------------------


def way(plan):
    """The corners of the planned profile."""
    return [(0.0, 0.0), *((leg.end_min, leg.end_m) for leg in plan.schedule.legs)]


def along(plan, corners, breathed=None, step_min=1 / 6):
    """A dive along corners, a sample every ten seconds and at each, without pressures."""
    base = dived_as_planned(plan, BEGAN)
    times = sorted({at for at, _ in corners} | {i * step_min for i in range(int(corners[-1][0] / step_min) + 1)})
    depths = np.interp(times, [at for at, _ in corners], [depth for _, depth in corners])
    return replace(
        base,
        profile=Profile(tuple(times), tuple(depths.tolist())),
        breathed=tuple(b for b in breathed or base.breathed if b.run_time_min < times[-1]),
        cylinders=tuple(replace(one, start_bar=None, end_bar=None) for one in base.cylinders),
    )


def later(plan, after_min, by_min):
    """What is breathed, shifted."""
    return tuple(
        replace(b, run_time_min=b.run_time_min + (by_min if b.run_time_min >= after_min else 0.0))
        for b in dived_as_planned(plan, BEGAN).breathed
    )


def test_three_metres_deeper():
    plan = planned()
    first = plan.schedule.stops[0]
    up = 20.0 + (63.0 - first.depth_m) / 9.0
    corners = [(0, 0), (3, 60), (4, 63), (20, 63), (up, first.depth_m), *((t, d) for t, d in way(plan) if t > up)]
    found = debrief_dive(along(plan, corners), plan)
    deeper = the(found, "deeper")
    assert deeper.severity == "caution"
    assert deeper.values["deeper_m"] == pytest.approx(3.0)
    assert (deeper.depth_m, deeper.run_time_min) == (pytest.approx(63.0), pytest.approx(4.0, abs=0.1))
    assert not {"late-bottom", "fast-ascent", "missed-stop", "longer", "gas-switch"} & set(codes(found))
    assert found.applied.name == "3 m deeper"


def test_four_minutes_longer():
    plan = planned()
    corners = [(0, 0), (3, 60), *((t + 4, d) for t, d in way(plan) if t >= 20)]
    found = debrief_dive(along(plan, corners, later(plan, 20, 4)), plan)
    late = the(found, "late-bottom")
    assert late.severity == "caution"
    assert late.values["late_min"] == pytest.approx(4.0, abs=0.05)
    assert the(found, "longer").values["longer_min"] == pytest.approx(4.0, abs=0.05)
    assert not {"deeper", "fast-ascent", "missed-stop", "gas-switch"} & set(codes(found))
    # The slate's sheets are for 3 and 5 min longer, or whatever is planned: the smallest that covers 4 min.
    minutes = [m for m in plan.dive.contingencies.longer if m >= 4]
    assert found.applied.name == f"{min(minutes):.0f} min longer"
    assert "on the slate" in sheet_words(found)[0]
    assert not found.applied.met  # the plan's stops were dived, not those of the sheet


def test_of_sheets_that_cover_the_dive_it_is_the_shortest_and_the_slates_is_named_too():
    """Two minutes late: "3 min held at the end of the bottom" ends before "5 min longer"; only that is on the slate."""
    plan = planned()
    corners = [(0, 0), (3, 60), *((t + 2, d) for t, d in way(plan) if t >= 20)]
    found = debrief_dive(along(plan, corners, later(plan, 20, 2)), plan)
    assert (found.applied.name, found.applied.on_the_slate) == ("3 min held at the end of the bottom", False)
    assert found.applied.slate_name == "5 min longer"
    assert "On the slate “5 min longer” covers it too." in sheet_words(found)[0]


def test_longer_and_up_by_the_sheet_that_applies_meets_it():
    """The sheet for 5 min longer, dived: of its stops every one is met, and the model asks for no more."""
    plan = planned()
    (sheet,) = (one for one in plan.contingencies if one.name == "5 min longer")
    there = plan_team(sheet.scenario.dive).members[0].plan
    found = debrief_dive(dived_as_planned(there, BEGAN), plan)
    assert (found.applied.name, found.applied.met) == ("5 min longer", True)
    assert set(codes(found)) - {"gas-used"} == {"late-bottom", "longer"}


def test_a_stop_cut_short_by_two_minutes():
    plan = planned()
    last = plan.schedule.stops[-1]
    assert last.depth_m == 6.0
    corners = [(t - 2 if t >= last.leave_min else t, d) for t, d in way(plan)]
    found = debrief_dive(along(plan, corners), plan)
    short = the(found, "short-stop")
    assert (short.severity, short.depth_m) == ("caution", 6.0)
    assert short.values["short_min"] == pytest.approx(2.0, abs=0.1)
    assert short.values["owed_min"] == pytest.approx(2.0, abs=0.2)
    assert not {"deeper", "late-bottom", "fast-ascent", "missed-stop", "longer", "gas-switch"} & set(codes(found))


def test_a_stop_cut_short_where_the_model_asks_for_no_more_is_a_note():
    """The bottom left 5 min early and each stop cut so that its ceiling is met: the plan of a shorter dive."""
    plan = planned()
    data = plan.dive.levels[0].model_copy(update={"leave_at": 15.0})
    shorter = plan_team(plan.dive.model_copy(update={"levels": (data,)})).members[0].plan
    found = debrief_dive(dived_as_planned(shorter, BEGAN), plan)
    assert not found.caution
    assert set(codes(found)) <= {"short-stop", "missed-stop"}
    assert found.applied.kind == "plan"


def test_up_at_eighteen_metres_a_minute():
    plan = planned()
    first = plan.schedule.stops[0]
    arrive = 20 + (60 - first.depth_m) / 18
    corners = [(0, 0), (3, 60), (20, 60), (arrive, first.depth_m)]
    corners += [(t, d) for t, d in way(plan) if t > first.arrive_min + 1e-6]
    found = debrief_dive(along(plan, corners), plan)
    fast = the(found, "fast-ascent")
    assert fast.severity == "caution"
    assert (fast.values["rate_m_min"], fast.values["planned_m_min"]) == (pytest.approx(18, abs=0.1), pytest.approx(9.0))
    assert fast.values["from_m"] == pytest.approx(60, abs=3.5)
    assert fast.values["to_m"] == pytest.approx(first.depth_m, abs=3.5)
    assert codes(found) == ["fast-ascent"]


def test_a_change_of_gas_missed():
    plan = planned()
    breathed = dived_as_planned(plan, BEGAN).breathed
    found = debrief_dive(along(plan, way(plan), (breathed[0], breathed[2])), plan)
    missed = the(found, "gas-switch")
    assert (missed.severity, missed.depth_m, missed.values["planned"]) == ("caution", 21.0, "50 %")
    assert not {"deeper", "late-bottom", "fast-ascent", "missed-stop", "longer"} & set(codes(found))
    assert found.applied.name == "left stage (50 %) lost"
    assert not found.applied.met


def test_a_gas_taken_up_too_deep():
    """50 % at 30 m: 0.5 · (1.01325 + 30 · 0.1005) bar is 2.01; the limit 1.6."""
    plan = planned()
    breathed = dived_as_planned(plan, BEGAN).breathed
    early = replace(breathed[1], run_time_min=20.0 + 30.0 / 9.0)
    found = debrief_dive(along(plan, way(plan), (breathed[0], early, breathed[2])), plan)
    rich = the(found, "ppo2-high")
    assert rich.severity == "caution"
    assert rich.values["ppo2_bar"] == pytest.approx(0.5 * (1.01325 + 30.0 * 0.1005), abs=0.1)
    change = the(found, "gas-switch")
    assert (change.severity, change.values["depth_m"]) == ("note", pytest.approx(30.0, abs=0.1))


def test_surfaced_with_a_stop_missed():
    """From the 9 m stop straight up; six more minutes are recorded at the surface."""
    plan = planned()
    last = plan.schedule.stops[-1]
    corners = [(t, d) for t, d in way(plan) if t <= last.arrive_min]
    up = corners[-1][0] + 6.0 / 9.0
    found = debrief_dive(along(plan, [*corners, (up, 0.0), (up + 6.0, 0.0)]), plan)
    missed = the(found, "missed-stop")
    assert (missed.severity, missed.depth_m) == ("caution", 6.0)
    assert missed.values["planned_min"] == pytest.approx(last.leave_min - last.arrive_min)
    above = the(found, "above-ceiling")
    assert above.depth_m == 0.0
    assert above.values["above_m"] > 3.0
    assert "The dive ends so." in above.message
    assert the(found, "gf-surface").values["gf_percent"] > 100.0
    assert notices(found)[0].startswith("The surface was reached over GF high, with stops left to do: follow your")
    assert not any("stops left" in line for line in notices(debrief_dive(dived_as_planned(plan, BEGAN), plan)))
    assert "above-m-value" in codes(found)
    assert found.surfaced_min == pytest.approx(up)


def test_off_the_loop_is_held_against_the_bailout_sheet():
    """At the end of the bottom off the loop and up the bailout's way: its stops are met."""
    plan = planned("marigold-loop")
    bailout = plan.bailouts[0]
    base = dived_as_planned(plan, BEGAN)
    deep, shallow = (next(i for i, c in enumerate(base.cylinders) if c.name == name) for name in
                     ("deep bailout", "shallow bailout"))  # fmt: skip
    corners = [(t, d) for t, d in way(plan) if t <= bailout.leaves_at_min]
    corners += [(leg.end_min, leg.end_m) for leg in bailout.legs]
    change = next(s.run_time_min for s in bailout.switches if s.source.mix == EAN50)
    breathed = [b for b in base.breathed if b.run_time_min < bailout.leaves_at_min]
    breathed += [GasBreathed(bailout.leaves_at_min, deep), GasBreathed(change, shallow)]
    found = debrief_dive(along(plan, corners, tuple(breathed)), plan)
    assert (found.applied.kind, found.applied.met) == ("bailout", True)
    off = [finding for finding in found.findings if finding.code == "off-the-loop"]
    assert [one.severity for one in off] == ["caution", "note"]
    assert off[0].run_time_min == pytest.approx(bailout.leaves_at_min)


def test_where_no_sheet_covers_the_dive_it_says_so():
    plan = planned()
    corners = [(0, 0), (4, 75), (40, 75), (42, 60), *((t + 40, d) for t, d in way(plan) if t > 20)]
    found = debrief_dive(along(plan, corners, later(plan, 20, 40)), plan)
    assert (found.applied.name, found.applied.kind) == ("", "none")
    assert "no sheet of this plan covers that" in sheet_words(found)[0]


def test_a_record_that_ends_on_the_way_up_says_so_and_judges_no_further():
    plan = planned()
    found = debrief_dive(along(plan, [(t, d) for t, d in way(plan) if t <= 39.0]), plan)
    assert codes(found) == ["record-ends"]
    assert the(found, "record-ends").depth_m == pytest.approx(9.0)


def test_begun_as_an_earlier_dive_left_the_diver():
    """The same dive an hour before: at every stop that is held as planned the model asks for more."""
    plan = planned()
    dive = dived_as_planned(plan, BEGAN)
    before = residual(dive, plan.dive.model.coefficients)
    found = debrief_dive(dive, plan, before)
    assert found.from_log
    assert found.gf_surface > found.planned_gf_surface + 0.1
    assert "short-stop" in codes(found)


def test_what_cannot_be_true_is_refused():
    dive = dived_as_planned(planned(), BEGAN)
    with pytest.raises(DiveFileError, match="breathes from cylinder 10"):
        debrief_dive(replace(dive, breathed=(GasBreathed(0.0, 9),)), planned())


# --- Gas and RMV ------------------------------------------------------------------------------------------------------


def square(pressures, size_l=24.0, mix="air", at_m=30.0, bottom_min=25.0):
    """A dive on one gas: down in 1.5 min, up at 9 m/min to 5 m, 3 min there, the surface; a pressure at each corner."""
    up = bottom_min + (at_m - 5.0) / 9.0
    times = (0.0, 1.5, bottom_min, up, up + 3.0, up + 3.0 + 5.0 / 9.0)
    return Dived(
        began=BEGAN,
        profile=Profile(times, (0.0, at_m, at_m, 5.0, 5.0, 0.0), pressure_bar=(tuple(pressures),) if pressures else ()),
        cylinders=(CylinderCarried("twins", Mix.parse(mix), size_l),),
        breathed=(GasBreathed(0.0, 0),),
    )


def air_plan(**more):
    given = tables(30, 25, "air", gf=(95, 95), site={"temperature": 12}, **more)
    given["cylinders"] = [
        {"name": "twins", "gas": "air", "size": "24 L", "pressure": "230 bar", "use": "bottom"}
    ]  # fmt: skip
    return plan_team(parse_dive(given)).members[0].plan


def test_rmv_by_hand():
    """From 1.5 to 25 min at 30 m: 23.5 min at 1.01325 + 3 = 4.01325 bar are 94.31 bar·min. 170 to 90 bar of air in 24 L
    at 12 °C, as real gas; as an ideal one it would be 24 · 80 / 94.31 = 20.36 L/min."""
    plan = air_plan()
    found = debrief_dive(square([180.0, 170.0, 90.0, 84.0, 81.0, 80.5]), plan)
    (bottom,) = (leg for leg in found.rates.legs if leg.part == "bottom")
    air = Mix.parse("air")
    litres = free_litres(air, 24.0, 170.0, 12.0) - free_litres(air, 24.0, 90.0, 12.0)
    assert bottom.minutes == pytest.approx(23.5, abs=0.1)
    assert bottom.rmv == pytest.approx(litres / (23.5 * 4.01325), rel=0.01)
    assert bottom.rmv == pytest.approx(20.36, rel=0.05)
    # A bar is 24 L, about: 24 / 94.31 = 0.254 L/min.
    assert bottom.one_bar == pytest.approx(24.0 / 94.31, rel=0.05)


def test_ambient_pressure_over_a_span_by_hand():
    """Down to 30 m in 1.5 min: the mean is 1.01325 + 1.5 bar."""
    assert bar_minutes(square([]), 0.0, 1.5) == pytest.approx(1.5 * 2.51325)
    assert bar_minutes(square([]), 0.0, 2.5) == pytest.approx(1.5 * 2.51325 + 4.01325)


def test_what_the_suit_took_is_no_breath():
    """10 L for a bar of descent: 30 m is 3 bar, 30 L. Nothing else is taken on a dive of no breath at all."""
    plan = air_plan(gas={"drysuit": 6, "wing": 4})
    air, full = Mix.parse("air"), 200.0
    left = free_litres(air, 24.0, full, 12.0) - 30.0
    bars = np.interp(left, [free_litres(air, 24.0, bar, 12.0) for bar in (190.0, 200.0)], [190.0, 200.0])
    found = debrief_dive(square([full, float(bars), float(bars), float(bars), float(bars), float(bars)]), plan)
    for leg in found.rates.legs:
        assert leg.litres == pytest.approx(0.0, abs=1.5), leg  # 30 m is reached, to a metre, a little earlier


def recorded(plan: Plan) -> Dived:
    """A dive dived as planned, and recorded."""
    return replace(dived_as_planned(plan, BEGAN), notes="")


def test_pressures_that_are_the_plans_are_no_evidence():
    found = debrief_dive(dived_as_planned(planned(), BEGAN), planned())
    assert found.rates.offers == ()
    assert any("say nothing of the diver" in said for said in found.rates.not_known)


def test_rmv_as_planned_is_the_plans():
    plan = planned()
    offers = {offer.key: offer for offer in debrief_dive(recorded(plan), plan).rates.offers}
    assert offers["rmv_bottom"].rate == pytest.approx(plan.dive.diver.rmv_bottom, rel=0.01)
    assert offers["rmv_deco"].rate == pytest.approx(plan.dive.diver.rmv_deco, rel=0.01)
    loop = planned("marigold-loop")
    (oxygen,) = debrief_dive(recorded(loop), loop).rates.offers
    assert (oxygen.key, oxygen.table) == ("metabolic_oxygen", "loop")
    assert oxygen.rate == pytest.approx(loop.dive.loop.metabolic_oxygen, rel=0.01)


def test_the_estimate_is_not_moved_by_one_bad_stretch():
    """A free flow of 30 bar in the middle of the bottom: the median of the stretches stays, the spread says it."""
    plan = air_plan()
    up = 25.0 + 25.0 / 9.0
    times = [0.0, 1.5, *range(2, 26), up, up + 3.0, up + 3.0 + 5.0 / 9.0]
    depths = [0.0, 30.0, *[30.0] * 24, 5.0, 5.0, 0.0]
    steady = [200.0 - 3.4 * at - (30.0 if at >= 13 else 0.0) for at in times]
    dive = replace(square([]), profile=Profile(tuple(times), tuple(depths), pressure_bar=(tuple(steady),)))
    (offer,) = (one for one in debrief_dive(dive, plan).rates.offers if one.key == "rmv_bottom")
    # 3.4 bar a minute of 24 L at 4.01325 bar: 20.3 L/min as an ideal gas.
    assert offer.rate == pytest.approx(24 * 3.4 / 4.01325, rel=0.06)
    assert offer.highest > 1.5 * offer.rate
    assert offer.stretches >= 3


def test_what_is_pasted_is_read_by_the_dive_file():
    plan = planned()
    found = debrief_dive(recorded(plan), plan)
    lines = offer_lines(found)
    assert lines[0] == "[diver]"
    text = "\n".join(['units = "metric"', *lines, "[[levels]]", "depth = 20", "leave_at = 20", *TWINS])
    read = parse_dive(tomllib.loads(text))
    assert read.diver.rmv_bottom == pytest.approx(18.0, abs=0.1)
    loop = planned("marigold-loop")
    lines = offer_lines(debrief_dive(recorded(loop), loop))
    assert lines[0] == "[loop]"
    assert float(lines[1].split("=")[1].split("#")[0]) == pytest.approx(0.035)  # cubic feet: 0.991 / 28.3168


def test_what_is_not_recorded_is_said_and_not_guessed():
    plan = planned()
    bare = along(plan, way(plan))
    found = debrief_dive(replace(bare, cylinders=tuple(replace(c, size_l=None) for c in bare.cylinders)), plan)
    assert found.rates.offers == ()
    assert all(one.used_l is None for one in found.gas)
    said = " ".join([*found.not_recorded, *found.rates.not_known])
    assert "pressure of twin set" in said
    assert "size of twin set" in said
    loop = planned("marigold-loop")
    assert any("ppO2" in line for line in debrief_dive(dived_as_planned(loop, BEGAN), loop).not_recorded)


def test_gas_used_beyond_the_plan_and_into_the_reserve():
    """230 to 40 bar of a twin set that was planned to come back with more, and has 50 for a reserve."""
    plan = planned()
    base = dived_as_planned(plan, BEGAN)
    twins = replace(base.cylinders[0], start_bar=230.0, end_bar=40.0)
    dive = replace(
        base, cylinders=(twins, *base.cylinders[1:]), profile=replace(base.profile, pressure_bar=())
    )  # fmt: skip
    found = debrief_dive(dive, plan)
    assert set(codes(found)) == {"gas-reserve", "gas-used"}
    assert the(found, "gas-reserve").severity == "caution"
    used = free_litres(TRIMIX, 30.0, 230.0, 9.0) - free_litres(TRIMIX, 30.0, 40.0, 9.0)
    assert the(found, "gas-used").values["used_l"] == pytest.approx(used)


# --- Whatever was dived -----------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dives())
def test_whatever_was_dived_is_debriefed(dive):
    """Without an exception, in words, and as JSON without NaN."""
    for name in ("marigold-trimix", "marigold-loop"):
        found = debrief_dive(dive, planned(name))
        json.dumps(debrief_as_data(found), allow_nan=False)
        assert all(finding.message for finding in found.findings)
        assert len(mark_rows(found)) == len(found.marks)
        assert sheet_words(found)
        render_debrief(found)


def test_the_data_has_every_moment_that_the_plan_names():
    plan, dive = member("marigold-team", 1)
    data = debrief_as_data(debrief_dive(dive, plan))
    assert data["diver"] == dive.diver
    arrivals = [mark for mark in data["marks"] if mark["what"] == "arrive"]
    assert [mark["depth_m"] for mark in arrivals] == sorted({s.depth_m for s in plan.schedule.stops}, reverse=True)
    track = data["track"]
    assert len({len(column) for column in track.values()}) == 1
    assert track["depth_m"][0] == 0.0
