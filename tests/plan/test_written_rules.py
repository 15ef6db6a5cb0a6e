"""Where the written rules of docs/method.md decide between two numbers: each by hand, or by the independent planner."""

from __future__ import annotations

import numpy as np
import pytest

from leadline.app.charts import tissue_percent
from leadline.dive_file import parse_dive
from leadline.plan.breathing import breathed, mod_shown
from leadline.plan.gases import ANY_DEPTH_M, bailout_way, stretches
from leadline.plan.line import anchor_m, holding_compartments
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.schedule import Schedule, dive_schedule, lay_out
from leadline.plan.supply import cylinder_use
from leadline.show.plan_data import as_data
from leadline.tissue import kernel
from tests.dives import Tables, cylinder, looped, tables
from tests.reference_model import Reference


def planned(given: Tables) -> Plan:
    return plan_dive(parse_dive(given))


def scheduled(given: Tables) -> Schedule:
    dive = parse_dive(given)
    return dive_schedule(dive, lay_out(dive))


def dived(levels: list[tuple[float, float]], *cylinders: Tables, **more: object) -> Tables:
    given = tables(0, 0, cylinders=list(cylinders), **more)
    return given | {"levels": [{"depth": depth, "leave_at": leave} for depth, leave in levels]}


# --- The gas of a level -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("depth", "limit", "gases", "breathed_there"),
    [
        (37, 1.3, ("24", "28"), "24 %"),  # 0.28 · 4.713 = 1.320: over 1.31
        (36, 1.3, ("24", "28"), "28 %"),  # 0.28 · 4.613 = 1.292
        (33, 1.4, ("28", "33"), "28 %"),  # 0.33 · 4.313 = 1.423: over 1.41
        (40, 1.4, ("21", "28"), "28 %"),  # 0.28 · 5.013 = 1.404: depth tables round it away
    ],
)
def test_a_levels_gas_is_within_its_limit_as_depth_tables_round(depth, limit, gases, breathed_there):
    given = dived([(depth, 20)], *(cylinder(gas, "bottom") for gas in gases), limits={"ppo2_bottom": limit})
    (stretch,) = stretches(parse_dive(given))
    assert stretch.at.name == breathed_there


# --- RMV --------------------------------------------------------------------------------------------------------------


def test_a_descent_after_a_stop_is_breathed_at_the_bottom_rmv():
    """60 m to 25 min, 21 m to 60, then down to 24 m: 3 m at 20 m/min are 0.15 min at 22.5 m, 3.26325 bar."""
    given = dived([(60, 25), (12, 70), (15, 80)], cylinder("18/45", "bottom", size="50 L"),
                  diver={"rmv_bottom": 22, "rmv_deco": 15})  # fmt: skip
    dive = parse_dive(given)
    found = scheduled(given)
    again = next(leg for leg in found.legs if leg.kind == "descent" and leg.start_m > 0.0)
    assert any(leg.kind == "stop" for leg in found.legs[: found.legs.index(again)])
    assert (again.start_m, again.end_m) == (12.0, 15.0)
    (use,), _ = cylinder_use(dive, found.legs)
    drawn = next(leg for leg in use.legs if leg.start_min == again.start_min)
    assert drawn.litres == pytest.approx(22.0 * (1.01325 + 1.35) * 0.15, rel=1e-12)


# --- A level off the grid ---------------------------------------------------------------------------------------------


def steps(way) -> list[tuple[float | None, str]]:
    return [(None if s.from_depth_m == ANY_DEPTH_M else s.from_depth_m, s.source.name) for s in way]


def test_a_gas_usable_from_below_a_level_is_taken_up_where_the_level_is_left():
    """40 % is within 1.63 bar at 30 m: 0.4 · 4.013 = 1.605. Whether the dive was ever that deep changes nothing."""
    for before in ([], [(45, 10)]):
        given = dived([*before, (28, 60)], cylinder("21/35", "bottom", size="50 L"), cylinder("40", "deco"))
        assert steps(stretches(parse_dive(given))[-1].up) == [(None, "21/35"), (30.0, "40 %")]
        (switch,) = [s for s in scheduled(given).switches if s.source.name == "40 %"]
        assert (switch.depth_m, switch.run_time_min) == (28.0, 60.0)
    loop = looped(28, 60, "18/45", setpoint=1.3)
    loop["cylinders"] = [cylinder("21/35", "bailout"), cylinder("40", "bailout")]
    assert steps(bailout_way(parse_dive(loop))) == [(None, "21/35"), (30.0, "40 %")]


def test_a_travel_gas_good_beyond_a_level_is_breathed_down_to_it():
    """32 % is within 1.41 bar at 33 m (0.32 · 4.313 = 1.380); the level's gas is changed to on arrival at 28 m."""
    given = dived([(28, 30)], cylinder("18/45", "bottom", size="50 L"), cylinder("32", "travel"))
    found = scheduled(given)
    down, level = found.legs[:2]
    assert (down.kind, down.end_m, down.source.name) == ("descent", 28.0, "32 %")
    assert (level.kind, level.source.name) == ("level", "18/45")


@pytest.mark.parametrize("levels", [[(28, 50)], [(45, 12), (28, 50)], [(29, 40), (22, 70)]])
def test_a_level_off_the_grid_is_planned_as_the_independent_planner_has_it(levels):
    given = dived(levels, cylinder("21/35", "bottom", size="50 L"), cylinder("32", "travel"), cylinder("50", "deco"))
    found = scheduled(given)
    gf = parse_dive(given).model.gradient_factors
    other = Reference(
        [(float(depth), float(leave), "21/35") for depth, leave in levels], ("50",), travel=("32",),
        gf_low=gf[0] / 100.0, gf_high=gf[1] / 100.0,
    ).swim()  # fmt: skip
    assert [(s.depth_m, s.leave_min) for s in found.stops] == [(depth, leave) for depth, _, leave in other.stops]
    assert found.run_time_min == pytest.approx(other.run_time, abs=1e-9)


# --- Gas found empty --------------------------------------------------------------------------------------------------


def test_what_was_breathed_is_breathed_while_it_is_sorted_out():
    """At 21 m on 21/35, 50 % is found empty. 40/20 is usable there and was not taken up yet."""
    given = dived([(45, 19), (21, 45)], cylinder("21/35", "bottom", size="50 L"), cylinder("40/20", "deco"),
                  cylinder("50", "deco"), diver={"sorting_out": 2})  # fmt: skip
    found = planned(given)
    empty = next(c for c in found.contingencies if c.kind == "gas found empty" and "50 %" in c.name)
    first = empty.legs[0]
    assert (first.source.name, first.start_m, first.minutes) == ("21/35", 21.0, 2.0)
    assert "40/20" in {leg.source.name for leg in empty.legs[1:]}
    (switch,) = empty.switches
    assert (switch.source.name, switch.run_time_min) == ("40/20", 47.0)
    # The independent planner: the same dive two minutes longer at 21 m, without the 50 %.
    gf = found.dive.model.gradient_factors
    other = Reference(
        [(45.0, 19.0, "21/35"), (21.0, 47.0, "21/35")], ("40/20",), gf_low=gf[0] / 100.0, gf_high=gf[1] / 100.0
    ).swim()
    assert empty.run_time_min == pytest.approx(other.run_time, abs=1e-9)


# --- Minimum gas ------------------------------------------------------------------------------------------------------


def test_minimum_gas_is_of_the_gas_of_the_level():
    """With nothing to sort out 50 % is taken up the moment 21 m is left: none of the bottom gas is kept for it."""
    given = dived([(45, 19), (21, 45)], cylinder("21/35", "bottom", size="50 L"), cylinder("50", "deco"),
                  diver={"sorting_out": 0})  # fmt: skip
    assert {gas.mix.name for gas in planned(given).minimum_gas} == {"21/35"}


# --- The track --------------------------------------------------------------------------------------------------------


def test_the_track_has_a_point_where_the_ascent_slows_without_a_stop():
    """A direct ascent at 10 m/min to the last stop, 3 m, and at 1 m/min from there."""
    given = dived([(18, 20)], cylinder("32", "bottom"), rates={"ascent": 10, "to_surface": 1})
    found = scheduled(given)
    assert not found.stops
    points = found.track.points
    up = points[points["kind"] == kernel.ASCENT]
    assert np.any((up["depth_m"] == 3.0) & np.isclose(up["run_time_min"], 21.5))


# --- MOD --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [78, 79, 80])
def test_a_mod_does_not_grow_with_the_plan(depth):
    """16/60 in fresh water at 1.4: (1.4 / 0.16 - 1.01325) / (1000 · 9.80665 / 1e5) = 78.9 m, however deep the plan."""
    dive = parse_dive(dived([(depth, 20)], cylinder("16/60", "bottom"), cylinder("50", "travel"),
                            site={"water": "fresh"}))  # fmt: skip
    bottom = next(p for p in breathed(dive, dive_schedule(dive, lay_out(dive)).legs) if p.source.mix.he > 0.0)
    assert bottom.mod_m == pytest.approx((1.4 / 0.16 - 1.01325) / 0.0980665, abs=1e-9)


def test_a_tolerance_is_the_grids_and_not_the_plans():
    """On the way up 50 % is good to 21 m, 1.557 bar, as it is: 24 m would be 1.707."""
    found = planned(dived([(60, 20)], cylinder("18/45", "bottom", size="50 L"), cylinder("50", "deco")))
    fifty = next(p for p in found.breathing if p.on_the_way_up)
    assert (fifty.tolerated_m, fifty.tolerance_bar) == (None, 0.0)
    assert mod_shown(found.dive, fifty) == "21 (1.6)"


# --- The line of the gradient factors ---------------------------------------------------------------------------------


class Holding(Reference):
    """Which compartment said no last, by depth."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.held_by: dict[float, int] = {}

    def may_leave(self, to: float, rate: float, label: str) -> bool:
        fine = super().may_leave(to, rate, label)
        if not fine:
            self.held_by[self.depth] = self.leading
        return fine


def test_the_anchor_and_who_holds_each_stop_are_those_of_the_independent_planner():
    given = dived(
        [(60, 25)], cylinder("18/45", "bottom", size="50 L"), cylinder("50", "deco"), cylinder("oxygen", "deco")
    )
    dive, found = parse_dive(given), scheduled(given)
    gf = dive.model.gradient_factors
    other = Holding([(60.0, 25.0, "18/45")], ("50", "oxygen"), gf_low=gf[0] / 100.0, gf_high=gf[1] / 100.0)
    other.swim()
    assert anchor_m(found) == other.anchor
    assert len(found.stops) > 5
    assert holding_compartments(dive, found) == tuple(other.held_by[stop.depth_m] for stop in found.stops)


def test_rmv_is_in_the_report_leg_by_leg():
    given = dived([(60, 25)], cylinder("18/45", "bottom", size="50 L"), diver={"rmv_bottom": 22, "rmv_deco": 15})
    legs = as_data(planned(given))["schedule"]["legs"]
    assert {leg["rmv_l_min"] for leg in legs if leg["kind"] in ("descent", "level")} == {22.0}
    assert {leg["rmv_l_min"] for leg in legs if leg["kind"] == "stop"} == {15.0}
    assert [leg["start_min"] for leg in legs[1:]] == [leg["end_min"] for leg in legs[:-1]]


# --- What is said -----------------------------------------------------------------------------------------------------


def test_a_delay_says_where_it_is():
    found = planned(dived([(60, 20)], cylinder("18/45", "bottom", size="50 L"), contingencies={"delay": [5]}))
    first = found.schedule.stops[0]
    delays = [c for c in as_data(found)["contingencies"] if c["kind"] == "delay"]
    assert [(c["leaves_at_min"], c["depth_m"]) for c in delays] == [(20.0, 60.0), (first.leave_min, first.depth_m)]


def test_rated_cubic_feet_are_noted_once():
    size = {"size": "80 cuft", "working_pressure": "3000 psi", "pressure": "3000 psi"}
    cylinders = [cylinder("32", "bottom", **size), cylinder("50", "deco", **size)]
    notes = [f for f in planned(dived([(60, 20)], *cylinders, units="imperial")).findings if f.code == "rated-size"]
    assert [note.severity for note in notes] == ["note"]
    litres = planned(dived([(60, 20)], cylinder("32", "bottom", size="11.1 L"), units="imperial"))
    assert not any(f.code == "rated-size" for f in litres.findings)


def test_tissues_washed_out_on_oxygen_have_a_wait_and_a_chart():
    """Ten hours at 7 ft on a loop of pure oxygen leave nothing of the inert gas of the fast compartments: 0 / 0."""
    given = looped(7, 600, "air", setpoint=1.3) | {"units": "imperial"}
    found = planned(given)
    assert float(found.schedule.track.tensions_bar[-1].sum(axis=0).min()) == 0.0
    assert found.after[0].model_min == 0
    assert np.isfinite(tissue_percent(found)).all()
