"""A plan as a dive: the profile by hand, the tissues by the independent planner, the gas by arithmetic."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings

from leadline.dive_file import parse_dive
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.dived import Dived, problems
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres
from leadline.plan import plan_dive
from tests.dives import Tables, cylinder, looped, tables
from tests.plan.test_properties import DIVES
from tests.reference_model import Loop, Reference

BEGAN = datetime(2026, 5, 31, 10, 20)


def dived(given: Tables, diver: str = "") -> Dived:
    return dived_as_planned(plan_dive(parse_dive(given)), BEGAN, diver)


def test_the_profile_by_hand():
    """30 m on air for 20 min: down at 20 m/min (1.5 min), up at 9 m/min with GF 100 and without a stop (3 min 20 s)."""
    found = dived(tables(30, 20, gf=(100, 100)), "Ann")
    profile = dict(zip(found.profile.run_time_min, found.profile.depth_m, strict=True))
    assert (found.began, found.diver, found.title) == (BEGAN, "Ann", "Untitled dive")
    for run_time_min, depth_m in {0: 0, 0.5: 10, 1: 20, 1.5: 30, 10: 30, 20: 30, 21: 21, 22: 12, 23: 3}.items():
        assert profile[run_time_min] == pytest.approx(depth_m, abs=1e-9)
    assert found.run_time_min == pytest.approx(20 + 30 / 9)
    assert found.profile.depth_m[-1] == 0.0
    # Six samples a minute for 23 1/3 min, and the one at 0.
    assert len(found.profile.run_time_min) == 6 * 23 + 2 + 1
    assert max(next_ - one for one, next_ in pairwise(found.profile.run_time_min)) == pytest.approx(1 / 6)


def test_corners_between_the_ten_seconds_are_sampled():
    """Down to 31 m at 20 m/min is 1.55 min: no multiple of ten seconds, and a corner."""
    profile = dived(tables(31, 20, gf=(100, 100))).profile
    after = profile.run_time_min.index(1.55)
    assert profile.depth_m[after] == 31.0
    assert profile.run_time_min[after - 1] == 1.5
    assert profile.depth_m[after - 1] == pytest.approx(30.0)
    assert profile.run_time_min[after + 1] == pytest.approx(10 / 6)


@pytest.mark.parametrize(
    ("given", "reference"),
    [
        (tables(45, 25, "air", ("50",)), Reference([(45, 25, "air")], ("50",))),
        (
            tables(60, 20, "18/45", ("50", "oxygen"), stops={"last": 6, "gas_switch": 1}),
            Reference([(60, 20, "18/45")], ("50", "oxygen"), last=6.0, hold=1.0),
        ),
        (
            looped(60, 20, "18/45", setpoint=1.2, deco_setpoint=1.4, deco_from=20),
            Reference([(60, 20, "")], loop=Loop("18/45", 1.2, 1.4, 20.0)),
        ),
    ],
    ids=["air", "trimix", "loop"],
)
def test_samples_load_the_tissues_as_the_independent_planner_plans_them(given: Tables, reference: Reference):
    found = dived(given)
    planned = reference.swim()
    again = Reference(reference.levels, loop=reference.loop)
    assert found.run_time_min == pytest.approx(planned.run_time, abs=1e-9)
    profile = list(zip(found.profile.run_time_min, found.profile.depth_m, strict=True))
    for (start_min, start_m), (end_min, end_m) in pairwise(profile):
        breathed = [one for one in found.breathed if one.run_time_min <= start_min + 1e-9][-1]
        if again.loop is None:
            label = found.cylinders[breathed.cylinder].mix.label
        else:
            assert breathed.setpoint_bar is not None
            assert found.cylinders[breathed.cylinder].mix == Mix.parse("18/45")
            again.loop.setpoint, again.loop.deco_setpoint, label = breathed.setpoint_bar, None, ""
        again.load(start_m, end_m, end_min - start_min, label, False)
    # On the loop the independent planner cuts travel into pieces, coarser where it plans.
    close = 1e-9 if again.loop is None else 1e-4
    assert again.n2 == pytest.approx(planned.n2, abs=close)
    assert again.he == pytest.approx(planned.he, abs=close)


def test_the_switches_of_open_circuit():
    """Air to 45 m, 50 % from 21 m: (0.03 + 1.6) / 0.5 - 1.01325 is 22.5 m, the grid's 21 m."""
    found = dived(tables(45, 25, "air", ("50",)))
    first, second = found.breathed
    assert (first.run_time_min, first.cylinder, first.setpoint_bar) == (0.0, 0, None)
    assert (second.cylinder, second.setpoint_bar) == (1, None)
    assert second.run_time_min == pytest.approx(25 + (45 - 21) / 9)


def test_the_setpoints_of_a_loop():
    """0.7 down to 20 m (1 min at 20 m/min), then 1.3; the bailout is carried and not breathed."""
    tables_ = looped(40, 20, "21/35", setpoint=1.3, low_setpoint=0.7, high_from=20)
    tables_["cylinders"] = [cylinder("50", "bailout"), cylinder("21/35", "diluent"), cylinder("oxygen", "oxygen")]
    found = dived(tables_)
    assert [(one.run_time_min, one.cylinder, one.setpoint_bar) for one in found.breathed] == [
        (0.0, 1, 0.7),
        (pytest.approx(1.0), 1, 1.3),
    ]
    assert found.cylinders[0].start_bar == found.cylinders[0].end_bar == 200.0


def test_a_diluent_that_is_not_listed_is_carried_all_the_same():
    found = dived(looped(40, 20, "21/35", setpoint=1.3))
    (carried,) = found.cylinders
    assert (carried.mix, carried.size_l, carried.start_bar) == (Mix.parse("21/35"), None, None)
    assert [one.cylinder for one in found.breathed] == [0]
    assert problems(found) == []


def test_the_pressures_by_arithmetic():
    """Air at 30 m and 20 L/min, a single 24 L: 20 L/min · 4.01325 bar = 80.265 L a minute at the bottom, and on the
    way down 20 L/min · 1.5 min · 2.51325 bar = 75.3975 L."""
    given: dict[str, Any] = tables(30, 20, gf=(100, 100))
    given["cylinders"] = [cylinder("air", "bottom") | {"size": 24}]
    given["site"] = {"temperature": 15}
    found = dived(given)
    (carried,), (column,) = found.cylinders, found.profile.pressure_bar
    assert (column[0], column[-1]) == (carried.start_bar, carried.end_bar)
    assert carried.start_bar == 200.0
    at = dict(zip(found.profile.run_time_min, column, strict=True))

    def content(bar: float | None) -> float:
        assert bar is not None
        return free_litres(carried.mix, 24.0, bar, 15.0)

    assert content(200.0) - content(at[1.5]) == pytest.approx(75.3975, abs=0.05)
    assert content(at[1.5]) - content(at[20.0]) == pytest.approx(18.5 * 80.265, abs=0.05)
    assert content(at[5.0]) - content(at[6.0]) == pytest.approx(80.265, abs=0.05)


def test_two_cylinders_of_one_mix_are_drawn_on_together_and_the_first_is_named():
    given = tables(30, 20)
    given["cylinders"] = [cylinder("air", "bottom") | {"name": name} for name in ("left", "right")]
    found = dived(given)
    assert [one.cylinder for one in found.breathed] == [0]
    assert found.cylinders[0].end_bar == pytest.approx(found.cylinders[1].end_bar)


@given(DIVES)
@settings(max_examples=25)
def test_whatever_is_planned_can_be_logged(given: Tables):
    planned = plan_dive(parse_dive(given))
    found = dived_as_planned(planned, BEGAN)
    assert problems(found) == []
    assert found.run_time_min == planned.schedule.run_time_min
    assert found.deepest_m == planned.dive.deepest_m
    assert [found.cylinders[one.cylinder].mix for one in found.breathed[1:]] == [
        switch.source.mix for switch in planned.schedule.switches
    ]
