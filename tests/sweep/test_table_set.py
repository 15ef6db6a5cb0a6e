"""Table sets: every cell against a file of its own, read and planned apart, and against the independent planner, as is
what is on the safe side."""

from __future__ import annotations

import copy
import itertools
from pathlib import Path
from typing import Any

import pytest

from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.dive_file.schema import Dive
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.team import plan_team
from leadline.sheets.table_set import book
from leadline.tables.data import table_set_as_data
from leadline.tables.table_set import (
    MOST_DIVES,
    MOST_NO_STOP_MIN,
    NDL_DEPTHS,
    SECOND_DEPTHS,
    Cell,
    TableSet,
    axes,
    on_open_circuit,
    plan_table_set,
    stop_minutes,
)
from leadline.units import FOOT_M
from tests.dives import UNHELD, looped, tables
from tests.reference_model import Loop, Reference
from tests.sheets import paper
from tests.sheets.paper import LOOP

KEEL = {**paper.KEEL, "stops": UNHELD}
"""The independent planner holds no switch of gas."""
CLOSE = 1e-6
DEEP_TIMES = {"depths": {"from": 51, "to": 60, "step": 3}, "times": [10, 15, 20, 25]}


def a_set(given: dict[str, Any], **written: Any) -> TableSet:
    """Without no-stop limits and second dives, unless they are asked for."""
    return plan_table_set(parse_dive({**given, "tables": {"parts": ["times"], **written}}))


def with_bottom(given: dict[str, Any], depth: float, minutes: int) -> dict[str, Any]:
    """The same file of one level with another depth and time written in it."""
    return {**given, "levels": [{**given["levels"][0], "depth": depth, "leave_at": minutes}]}


@pytest.fixture(scope="module")
def keel() -> TableSet:
    return a_set(
        KEEL,
        parts=["times", "repetitive", "ndl"],
        second_depths=[12, 21],
        surface_intervals=[20, 60, 180],
        **DEEP_TIMES,
    )


@pytest.fixture(scope="module")
def loop() -> TableSet:
    return a_set(LOOP, depths=[130, 150, 170], times=[25, 35])


# --- Cells ------------------------------------------------------------------------------------------------------------


def test_the_cells_stand_by_depth_and_then_by_time(keel: TableSet) -> None:
    assert [(cell.depth_m, cell.minutes) for cell in keel.cells] == list(
        itertools.product([51.0, 54.0, 57.0, 60.0], [10, 15, 20, 25])
    )
    assert [[cell.depth_m for cell in row] for row in keel.rows] == [[depth] * 4 for depth in (51.0, 54.0, 57.0, 60.0)]


def test_every_cell_is_the_plan_of_a_file_of_its_own(keel: TableSet, loop: TableSet) -> None:
    states = set()
    for found, given, unit_m in ((keel, KEEL, 1.0), (loop, LOOP, FOOT_M)):
        for cell in found.cells:
            apart = plan_dive(parse_dive(with_bottom(given, round(cell.depth_m / unit_m), cell.minutes)))
            [member] = cell.team.members if cell.team is not None else []
            assert member.plan.schedule.stops == apart.schedule.stops
            assert member.plan.schedule.run_time_min == apart.schedule.run_time_min
            assert member.plan.supply == apart.supply
            assert member.plan.oxygen == apart.oxygen
            assert member.plan.findings == apart.findings
            assert (cell.state == "no-go") == apart.no_go == bool(cell.limits)
            states.add(cell.state)
    assert states == {"go", "no-go"}


def test_every_run_time_is_the_independent_planners(keel: TableSet) -> None:
    """KEEL: 18/45, 50 % and oxygen, GF 40/80, 20 and 9 m/min: what `Reference` has if nothing is said."""
    for cell in keel.cells:
        theirs = Reference([(cell.depth_m, cell.minutes, "18/45")], ("50", "oxygen")).swim()
        ours = cell.plan_of("")
        assert ours is not None
        assert ours.schedule.run_time_min == pytest.approx(theirs.run_time, abs=CLOSE)
        stops = [(stop.depth_m, stop.leave_min) for stop in ours.schedule.stops]
        assert stops == [(depth, pytest.approx(leave, abs=CLOSE)) for depth, _, leave in theirs.stops]
        # Minutes as they are printed, a begun one counted, by hand.
        assert stop_minutes(ours) == sum(-int(-(leave - arrive - CLOSE) // 1) for _, arrive, leave in theirs.stops)


def test_every_run_time_on_the_loop_is_the_independent_planners() -> None:
    found = a_set(looped(60, 30, "15/50", setpoint=1.3), depths=[54, 66], times=[20, 40])
    for cell in found.cells:
        theirs = Reference([(cell.depth_m, cell.minutes, "15/50")], loop=Loop("15/50", 1.3)).swim()
        ours = cell.plan_of("")
        assert ours is not None
        assert ours.schedule.run_time_min == pytest.approx(theirs.run_time, abs=CLOSE)


def test_a_cell_that_cannot_be_planned_says_why() -> None:
    """32 % at 45 m is at 0.32 · 5.51325 = 1.76 bar; 60 m at 20 m/min are reached at 3 min."""
    found = a_set(tables(30, 20, "32"), depths=[30, 45, 60], times=[2, 10])
    by = {(cell.depth_m, cell.minutes): cell for cell in found.cells}
    assert [by[30.0, m].state for m in (2, 10)] == ["go", "go"]
    [hyperoxic] = by[45.0, 10].limits
    assert by[45.0, 10].state == "refused"
    assert "hyperoxic: ppO2 1.76 bar" in hyperoxic.message
    [early] = by[60.0, 2].limits
    assert "2 min is before 60 m can be reached (3.0 min); give at least 3" in early.message
    assert by[60.0, 2].plan_of("") is None
    assert found.any_go


def test_the_deepest_level_varies_and_later_ones_follow() -> None:
    given = tables(0, 0, "25/25", ("50",)) | {
        "levels": [{"depth": 30, "leave_at": 10}, {"depth": 45, "leave_at": 25}, {"depth": 20, "leave_at": 60}]
    }
    found = a_set(given, depths=[42, 48], times=[20, 30])
    for cell in found.cells:
        levels = [
            {"depth": 30, "leave_at": 10},
            {"depth": cell.depth_m, "leave_at": cell.minutes},
            {"depth": 20, "leave_at": cell.minutes + 35},  # 60 - 25
        ]
        apart = plan_dive(parse_dive(given | {"levels": levels}))
        ours = cell.plan_of("")
        assert ours is not None
        assert ours.schedule.stops == apart.schedule.stops
        assert ours.schedule.run_time_min == apart.schedule.run_time_min


TEAM = tables(45, 20, "21/35", ("50",)) | {
    "team": [{"name": "Ann", "gradient_factors": [30, 70]}, {"name": "Ben"}],
}


def test_a_team_has_common_stops() -> None:
    found = a_set(TEAM, depths=[42, 45], times=[20, 25])
    for cell in found.cells:
        assert cell.team is not None
        apart = plan_team(parse_dive(with_bottom(TEAM, cell.depth_m, cell.minutes)))
        for ours, theirs in zip(cell.team.members, apart.members, strict=True):
            assert ours.plan.schedule.stops == theirs.plan.schedule.stops
            assert ours.plan.findings == theirs.plan.findings
        leaves = [[(s.depth_m, s.leave_min) for s in member.plan.schedule.stops] for member in cell.team.members]
        assert leaves[0] == leaves[1]
    assert found.divers == ("Ann", "Ben")


# --- On the safe side -------------------------------------------------------------------------------------------------


def asks_more_by_the_reference(lesser: Cell, cell: Cell) -> bool:
    """The lesser dive by the independent planner, the other's stops held, as much earlier as the bottom is left."""
    alone = Reference([(lesser.depth_m, lesser.minutes, "18/45")], ("50", "oxygen")).swim()
    if not alone.stops:
        return False
    theirs = Reference([(cell.depth_m, cell.minutes, "18/45")], ("50", "oxygen")).swim()
    held = {depth: leave - (cell.minutes - lesser.minutes) for depth, _, leave in theirs.stops}
    on_them = Reference([(lesser.depth_m, lesser.minutes, "18/45")], ("50", "oxygen"), held=held).swim()
    return any(leave > held.get(depth, -1.0) + CLOSE for depth, _, leave in on_them.stops)


def test_where_the_next_deeper_or_longer_does_not_suffice_is_the_independent_planners() -> None:
    found = a_set(KEEL, depths={"from": 45, "to": 63, "step": 3}, times={"from": 8, "to": 26, "step": 2})
    columns, marked = len(found.times_min), 0
    for k, cell in enumerate(found.cells):
        i, j = divmod(k, columns)
        corners = [(a, b) for a, b in ((i - 1, j), (i, j - 1), (i - 1, j - 1)) if a >= 0 and b >= 0]
        lesser = [found.cells[a * columns + b] for a, b in corners]
        expected = {(one.depth_m, one.minutes) for one in lesser if asks_more_by_the_reference(one, cell)}
        assert set(cell.asked_more) == expected
        marked += bool(expected)
    assert 0 < marked < len(found.cells) / 4


# --- No-stop limits ---------------------------------------------------------------------------------------------------


def test_no_stop_limits_are_the_independent_planners(keel: TableSet) -> None:
    assert keel.ndl_depths_m == tuple(float(depth) for depth in NDL_DEPTHS["metric"])
    names = [(column.name, column.carried) for column in keel.no_stop]
    assert names == [("18/45", True), ("air", False), ("32 %", False), ("36 %", False)]
    compared = 0
    for column in keel.no_stop:
        label = column.name.removesuffix(" %")
        for depth_m, limit in zip(keel.ndl_depths_m, column.limits, strict=True):
            if limit.minutes is None:
                continue
            theirs = Reference([(depth_m, 1, label)]).no_stop_limit()
            assert limit.minutes == min(MOST_NO_STOP_MIN, theirs)
            compared += 1
    assert compared > 35


def test_no_limit_where_a_gas_is_not_breathed() -> None:
    """ppO2 1.4 and the rounding of tables: 0.36 · 4.01325 is 1.44 bar at 30 m. Density: air of 1.288 g/L at one
    atmosphere (0.2098 · 1.429 + 0.7902 · 1.251) has 6.25 g/L at 39 m, 4.91325 bar. 10/70 is at 0.10 at the surface."""
    dive = parse_dive(tables(45, 20))
    assert on_open_circuit(dive, 30.0, Mix.parse("36")).why == "ppO2 over 1.4"
    assert on_open_circuit(dive, 39.0, Mix.parse("air")).why == "over 6.2 g/L"
    assert on_open_circuit(dive, 36.0, Mix.parse("air")).minutes is not None
    assert on_open_circuit(dive, 36.0, Mix.parse("10/70")).why == "hypoxic"


def test_no_stop_limits_on_the_loop_are_the_plans() -> None:
    """The plan's own limit (compared with the independent planner by the tests of the plan)."""
    found = a_set(LOOP, parts=["ndl"], ndl_depths=[100, 140], ndl_gases=[])
    assert [column.name for column in found.no_stop] == ["loop 1.3"]
    for depth, limit in zip((100, 140), found.no_stop[0].limits, strict=True):
        apart = plan_dive(parse_dive(with_bottom(LOOP, depth, 20)))
        assert limit.minutes == apart.schedule.ndl_min


LOW_AT_FIRST = {"setpoint": 1.3, "low_setpoint": 0.7, "high_from": 21}


def test_no_stop_limits_on_the_loop_may_be_entered_from_where_the_low_setpoint_holds() -> None:
    """At 20 m the loop holds 0.7 bar, and its limit is far shorter than that of 21 m on 1.3: who enters the row of 21 m
    with a dive to 20 m must not be promised more."""
    given = looped(30, 20, "21/35", **LOW_AT_FIRST)
    depths = [15, 18, 21, 24, 30]
    found = a_set(given, parts=["ndl"], ndl_depths=depths, ndl_gases=[])
    limits = [limit.minutes for limit in found.no_stop[0].limits]
    own = {
        depth: plan_dive(parse_dive(with_bottom(given, depth, 20))).schedule.ndl_min for depth in (*depths, 20, 20.9)
    }
    assert own[20] < own[21]  # the trap
    for depth in (20, 20.9):
        assert limits[2] <= own[depth]
        assert limits[3] <= own[depth]
    assert limits == sorted(limits, reverse=True)
    assert (limits[0], limits[1]) == (own[15], own[18])
    assert all(limit <= own[depth] for depth, limit in zip(depths, limits, strict=True))


def test_stops_on_the_loop_are_tried_where_the_low_setpoint_holds() -> None:
    """80 min at 20.9 m on 0.7 bar ask for longer stops than at 21 m on 1.3, and the row of 21 m says so."""
    found = a_set(looped(30, 20, "21/35", **LOW_AT_FIRST), depths=[18, 21, 24], times=[80])
    shallow, at_change, _ = found.cells
    assert shallow.asked_more == ()
    assert (20.99, 80) in at_change.asked_more
    assert all(depth_m < 21.0 for depth_m, _ in at_change.asked_more)
    # The longer of the slates of 18 and 21 m would be too short there: neither is for it.
    assert at_change.low_to_m == 20.99
    assert shallow.low_to_m is None
    also = [card["also"] for card in book(found, "")["pages"] if card["depth"] == "21" and not card["bailout"]]
    assert "Not for 20.9 m" in also[0]
    assert "20.9 m, 80 min" not in also[0]
    first = a_set(looped(30, 20, "21/35", **LOW_AT_FIRST), depths=[21, 24], times=[80]).cells[0]
    assert first.low_to_m == 20.99  # a first row is entered from above it too


def test_no_stop_limits_of_a_team_are_those_of_the_shortest() -> None:
    found = a_set(TEAM, parts=["ndl"], ndl_depths=[18, 30])
    alone = [tables(45, 20, "21/35", gf=gf) for gf in ((30, 70), (40, 80))]
    for n, column in enumerate(["21/35", "air", "32", "36"]):
        for depth_m, limit in zip((18.0, 30.0), found.no_stop[n].limits, strict=True):
            each = [on_open_circuit(parse_dive(one), depth_m, Mix.parse(column)).minutes for one in alone]
            if limit.minutes is None:
                assert None in each
            else:
                assert limit.minutes == min(one for one in each if one is not None)


# --- Second dives -----------------------------------------------------------------------------------------------------


def reference_after(cell: Cell, interval_min: float, depth_m: float) -> int:
    """The no-stop limit on air after a dive of the set and a surface interval on air, by the independent planner."""
    first = Reference([(cell.depth_m, cell.minutes, "18/45")], ("50", "oxygen")).swim()
    second = Reference([(depth_m, 1, "air")])
    second.n2, second.he = first.n2[:], first.he[:]
    second.rest(interval_min)
    return second.no_stop_limit()


def test_limits_of_second_dives_are_the_independent_planners(keel: TableSet) -> None:
    assert [one.depth_m for one in keel.second] == [12.0, 21.0]
    for one in keel.second:
        for cell, limits in zip(keel.cells, one.own, strict=True):
            for interval, limit in zip((20.0, 60.0, 180.0), limits, strict=True):
                assert limit == min(MOST_NO_STOP_MIN, reference_after(cell, interval, one.depth_m))


def test_limits_of_second_dives_are_those_of_files_that_name_the_first(tmp_path: Path, keel: TableSet) -> None:
    def written(name: str, depth: float, minutes: int, gases: list[tuple[str, str]], more: str = "") -> Path:
        lines = ['units = "metric"', more, "[[levels]]", f"depth = {depth}", f"leave_at = {minutes}"]
        for gas, use in gases:
            lines += [
                "[[cylinders]]",
                f'name = "{gas}"',
                f'gas = "{gas}"',
                "size = 24",
                "pressure = 230",
                f'use = "{use}"',
            ]
        path = tmp_path / f"{name}.toml"
        path.write_text("\n".join(lines))
        return path

    for cell in keel.cells[::5]:
        gases = [("18/45", "bottom"), ("50", "deco"), ("oxygen", "deco")]
        written("first", cell.depth_m, cell.minutes, gases, "[stops]\ngas_switch = 0")
        for k, interval in enumerate((20, 60, 180)):
            before = f'[[previous]]\nfile = "first.toml"\nsurface_interval = {interval}'
            for one in keel.second:
                second = plan_dive(read_dive(written("second", one.depth_m, 10, [("air", "bottom")], before)))
                assert one.own[keel.cells.index(cell)][k] == min(MOST_NO_STOP_MIN, second.schedule.ndl_min)


def test_what_is_printed_of_a_second_dive_is_on_the_safe_side(keel: TableSet) -> None:
    """No more than after any first dive, and after any interval, that a diver can have come from; nor than in a rested
    diver. Without that, oxygen at the stops would now and then give more after a longer first dive."""
    columns, own_more = len(keel.times_min), 0
    for one in keel.second:
        assert one.rested.minutes == Reference([(one.depth_m, 1, "air")]).no_stop_limit()
        for k, printed in enumerate(one.minutes):
            i, j = divmod(k, columns)
            for n, minutes in enumerate(printed):
                assert minutes is not None
                lesser = [
                    one.own[a * columns + b][m]
                    for a in range(i + 1)
                    for b in range(j + 1)
                    for m in range(n, len(printed))
                ]
                assert minutes == min(one.rested.minutes or 0, *(value for value in lesser if value is not None))
                own_more += one.own[k][n] != minutes
    assert own_more > 0


def test_no_second_dive_after_one_that_cannot_be_planned() -> None:
    found = a_set(tables(30, 20, "32"), parts=["repetitive"], depths=[30, 45], times=[20], second_depths=[18])
    assert [one is None for one in found.second[0].own[0]] == [False] * 7
    assert found.second[0].own[1] == (None,) * 7
    assert found.second[0].minutes[1] == (None,) * 7


def test_second_dives_of_a_team_are_those_of_the_shortest() -> None:
    asked = {"parts": ["repetitive"], "depths": [45], "times": [25], "second_depths": [15], "surface_intervals": [30]}
    together = a_set(TEAM, **asked)
    [cell] = together.cells
    alone = []
    for name, gf in (("Ann", [30, 70]), ("Ben", [40, 80])):
        one = {**TEAM, "team": [{"name": name, "gradient_factors": gf}]}
        alone.append(a_set(one, **asked).second[0].own[0][0])
    assert cell.team is not None
    assert None not in alone
    limit = together.second[0].own[0][0]
    assert limit is not None
    # Ben stays as long at the stops as Ann must: what is left in him is less than alone.
    assert min(one for one in alone if one is not None) <= limit <= max(one for one in alone if one is not None)


def test_a_set_after_another_dive_begins_with_what_that_has_left() -> None:
    second = read_dive(Path(__file__).parents[2] / "examples" / "marigold-second.toml")
    asked = second.tables.model_copy(update={"parts": ("ndl",), "depths": (33.0,), "times": (25.0,)})
    after = plan_table_set(second.model_copy(update={"tables": asked}))
    rested = plan_table_set(second.model_copy(update={"tables": asked, "previous": ()}))
    assert after.cells[0].plan_of("").schedule.stops == plan_dive(second).schedule.stops  # type: ignore[union-attr]
    shorter = [
        (one.minutes, other.minutes)
        for ours, theirs in zip(after.no_stop, rested.no_stop, strict=True)
        for one, other in zip(ours.limits, theirs.limits, strict=True)
        if one.minutes is not None and other.minutes is not None
    ]
    assert any(one != other for one, other in shorter)


# --- What is asked for ------------------------------------------------------------------------------------------------


def test_what_is_planned_where_nothing_is_said() -> None:
    assert axes(parse_dive(tables(60, 20, "18/45"))) == ((54.0, 57.0, 60.0, 63.0, 66.0), (10, 15, 20, 25, 30))
    depths_m, times_min = axes(parse_dive(tables(150, 35, units="imperial")))
    assert [depth / FOOT_M for depth in depths_m] == pytest.approx([130, 140, 150, 160, 170])
    assert times_min == (25, 30, 35, 40, 45)
    found = a_set(tables(150, 35, "21/35", units="imperial"), parts=["ndl", "repetitive"])
    assert [round(depth / FOOT_M) for depth in found.ndl_depths_m] == list(NDL_DEPTHS["imperial"])
    assert [round(one.depth_m / FOOT_M) for one in found.second] == list(SECOND_DEPTHS["imperial"])


def test_nothing_is_planned_above_the_surface_or_before_the_bottom_is_reached() -> None:
    """4 m: -2 and 1 m fall out of -2, 1, 4, 7, 10; 6 min: -4, 1 and 6 of which 1 min is past reaching 1 m (0.05)."""
    assert axes(parse_dive(tables(4, 6))) == ((1.0, 4.0, 7.0, 10.0), (1, 6, 11, 16))


def test_other_levels_bound_the_depths() -> None:
    given = tables(0, 0) | {"levels": [{"depth": 45, "leave_at": 20}, {"depth": 41, "leave_at": 30}]}
    assert axes(parse_dive(given))[0] == (42.0, 45.0, 48.0, 51.0)


@pytest.mark.parametrize(
    ("written", "key", "said"),
    [
        ({"depths": [400]}, "[tables] depths, item 1", "400 is outside 0.5 to 350 m"),
        ({"depths": [-3, 45]}, "[tables] depths, item 1", "-3 is above the surface"),
        ({"depths": []}, "[tables] depths", "is empty; write one or more"),
        ({"depths": ["deep"]}, "[tables] depths, item 1", "is not a number with a unit"),
        ({"depths": {"from": 45, "to": 60}}, "[tables.depths] step", "is missing"),
        ({"depths": {"from": 45, "to": 60, "step": 0}}, "[tables.depths] step", "0 leads nowhere; it must be above 0"),
        ({"depths": {"from": 60, "to": 45, "step": 3}}, "[tables.depths] to", "45 is before from, 60"),
        ({"depths": {"from": 45, "to": 60, "by": 3}}, "[tables.depths] by", "is not a key here"),
        ({"depths": {"from": 1, "to": 1e9, "step": 1e-3}}, "[tables] depths", "too many to print; at most 16"),
        ({"depths": {"from": 1, "to": 99, "step": 1e-320}}, "[tables] depths", "so many values are too many to print"),
        ({"depths": {"from": [1], "to": 99, "step": 1}}, "[tables.depths] from", "expected a number, or text"),
        ({"depths": {"from": 1, "to": float("inf"), "step": 1}}, "[tables.depths] to", "is not a finite number"),
        ({"depths": True}, "[tables] depths", "true is refused"),
        ({"depths": list(range(10, 40))}, "[tables] depths", "30 are too many; at most 16"),
        ({"times": [20.5]}, "[tables] times, item 1", "20.5 min is not a whole minute"),
        ({"times": {"from": 10, "to": 20, "step": 2.5}}, "[tables] times", "12.5 min is not a whole minute"),
        ({"times": [0]}, "[tables] times, item 1", "0 is outside 1 to 1440 min"),
        ({"times": [1, 2]}, "[tables] times", "1 min is before 39 m can be reached (1.9 min); give at least 2"),
        ({"times": list(range(10, 30))}, "[tables] times", "20 are too many; at most 12"),
        ({"surface_intervals": [60, -5]}, "[tables] surface_intervals, item 2", "-5 is outside 0 to 2880 min"),
        ({"parts": []}, "[tables] parts", "is empty; write one or more"),
        ({"parts": ["stop"]}, "[tables] parts, item 1", "did you mean 'stops'?"),
        ({"deths": [45]}, "[tables] deths", "did you mean 'depths'?"),
        ({"ndl_gases": ["36/80"]}, "[tables] ndl_gases, item 1", "more than the whole"),
        ({"second_gas": "nitrox"}, "[tables] second_gas", "is not a gas"),
        (
            {"depths": {"from": 18, "to": 57, "step": 3}, "times": {"from": 10, "to": 45, "step": 5}},
            "[tables]",
            "14 depths by 8 bottom times are 112 dives, each with a slate; at most 96",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words(written: dict[str, Any], key: str, said: str) -> None:
    with pytest.raises(DiveFileError) as refused:
        a_set(tables(45, 20), **written)
    assert refused.value.problems[0].key == key
    assert said in refused.value.problems[0].message
    assert MOST_DIVES == 96


def test_a_depth_no_deeper_than_another_level_is_refused() -> None:
    given = tables(0, 0) | {"levels": [{"depth": 45, "leave_at": 20}, {"depth": 21, "leave_at": 30}]}
    with pytest.raises(DiveFileError, match="21 m is no deeper than the level at 21 m"):
        a_set(given, depths=[21, 45])


def test_nothing_stands_on_a_no_go(tmp_path: Path) -> None:
    """A twin set of 5 L does not last for 45 m and 30 min."""
    body = "[[levels]]\ndepth = {}\nleave_at = {}\n[[cylinders]]\nname = 't'\ngas = 'air'\nsize = {}\n"
    body += "pressure = 200\nuse = 'bottom'\n"
    (tmp_path / "first.toml").write_text('units = "metric"\ntitle = "Gull Stack"\n' + body.format(45, 30, 5))
    before = 'units = "metric"\n[[previous]]\nfile = "first.toml"\nsurface_interval = 90\n'
    (tmp_path / "second.toml").write_text(before + body.format(20, 20, 15))
    with pytest.raises(DiveFileError, match=r"\[\[previous\]\] 1, file: is a no-go"):
        plan_table_set(read_dive(tmp_path / "second.toml"), "second.toml")


def test_lists_are_put_in_order_and_text_has_its_own_unit() -> None:
    dive = parse_dive({**tables(45, 20), "tables": {"depths": ["150 ft", 30, 30.0], "times": ["0.5 h", 20, 20]}})
    assert dive.tables.depths == (30.0, pytest.approx(45.72))
    assert dive.tables.times == (20.0, 30.0)


def test_the_last_value_is_one_that_a_step_falls_on() -> None:
    dive = parse_dive({**tables(150, 20, units="imperial"), "tables": {"depths": {"from": 100, "to": 134, "step": 10}}})
    assert dive.tables.depths is not None
    assert [depth / FOOT_M for depth in dive.tables.depths] == pytest.approx([100, 110, 120, 130])


def test_what_is_told_while_it_is_planned() -> None:
    heard: list[tuple[int, int, str]] = []
    dive = parse_dive({**tables(45, 20), "tables": {"parts": ["repetitive"], "depths": [42, 45], "times": [20]}})
    plan_table_set(dive, "dive", lambda done, of, said: heard.append((done, of, said)))
    assert [(done, of) for done, of, _ in heard] == [(0, 4), (1, 4), (2, 4), (3, 4)]
    assert heard[0][2] == "42 m, 20 min"


def test_the_same_file_gives_the_same_set() -> None:
    dive: Dive = parse_dive({**KEEL, "tables": {"depths": [57, 60], "times": [20]}})
    assert table_set_as_data(plan_table_set(dive)) == table_set_as_data(plan_table_set(copy.deepcopy(dive)))


# --- As data ----------------------------------------------------------------------------------------------------------


def test_the_data_is_the_sets(keel: TableSet) -> None:
    data = table_set_as_data(keel)
    assert data["depths_m"] == [51.0, 54.0, 57.0, 60.0]
    assert len(data["cells"]) == 16
    for cell, one in zip(keel.cells, data["cells"], strict=True):
        ours = cell.plan_of("")
        assert ours is not None
        assert (one["depth_m"], one["bottom_time_min"], one["state"]) == (cell.depth_m, cell.minutes, cell.state)
        [diver] = one["divers"]
        assert diver["schedule"]["run_time_min"] == ours.schedule.run_time_min
        assert [use["used_l"] for use in diver["supply"]] == [use.used_l for use in ours.supply]
        assert "track" not in diver["schedule"]
        assert [limit["message"] for limit in one["limits"]] == [limit.message for limit in cell.limits]
    assert data["repetitive"]["second_dives"][0]["printed_min"] == [list(row) for row in keel.second[0].minutes]
    assert data["ndl"]["gases"][0]["limits"][0]["ndl_min"] == keel.no_stop[0].limits[0].minutes
