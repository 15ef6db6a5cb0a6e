"""Schedules as rows: a contingency begins where the plan is left, and says what is changed to there."""

from __future__ import annotations

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.contingency import Contingency
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.rows import Row, breathed_then, contingency_rows, givings, planned_rows
from leadline.plan.team import plan_team
from tests.dives import Tables, cylinder, looped, tables

OPEN = tables(60, 20, "18/45", ("50", "oxygen"))
CLOSED = looped(60, 20, "18/45", setpoint=1.3) | {
    "cylinders": [cylinder("18/45", "bailout"), cylinder("50", "bailout")]
}


def planned(given: Tables) -> Plan:
    return plan_dive(parse_dive(given))


def the(found: Plan, kind: str) -> Contingency:
    return next(contingency for contingency in found.contingencies if contingency.kind == kind)


def test_a_whole_dive_has_tts_from_its_last_level_on() -> None:
    found = planned(OPEN)
    longer = the(found, "longer")
    rows = contingency_rows(found, longer)
    level = next(row for row in rows if row.kind == "level")
    assert level.leave_min == 25.0
    assert level.tts_min == longer.run_time_min - 25.0
    assert rows[-1].kind == "surface"
    assert rows[-1].leave_min == longer.run_time_min
    assert [row.tts_min for row in rows if row.leave_min < 25.0] == [None] * sum(row.leave_min < 25.0 for row in rows)


def test_two_levels_have_tts_only_from_the_last_on() -> None:
    found = planned(tables(40, 20) | {"levels": [{"depth": 40, "leave_at": 15}, {"depth": 20, "leave_at": 40}]})
    rows = contingency_rows(found, the(found, "slow ascent"))
    first, second = (row for row in rows if row.kind == "level")
    assert first.tts_min is None
    assert second.tts_min == the(found, "slow ascent").run_time_min - 40.0


def test_off_the_loop_the_first_row_is_a_change() -> None:
    found = planned(CLOSED)
    rows = contingency_rows(found, the(found, "bailout"))
    assert rows[0].changed
    assert rows[0].source.mix.label == "18/45"
    assert (rows[0].depth_m, rows[0].arrive_min) == (60.0, the(found, "bailout").leaves_at_min)


def test_a_gas_found_empty_leaves_the_diver_on_what_he_breathes() -> None:
    """Nothing is changed to: the change was not possible."""
    found = planned(OPEN)
    empty = the(found, "gas found empty")
    first = contingency_rows(found, empty)[0]
    assert first.source.mix.label == "18/45"
    assert not first.changed


def test_no_way_up_has_no_rows() -> None:
    found = planned(looped(60, 20, "18/45", setpoint=1.3))
    assert contingency_rows(found, the(found, "bailout")) == ()


def pressures_bar(found: Plan, row: Row) -> tuple[float, ...]:
    """What is left, on leaving a row, in the cylinders breathed from there."""
    return tuple(use.bar_at(row.leave_min) for use in breathed_then(found.supply, row))


def test_pressures_are_those_of_what_is_breathed() -> None:
    found = planned(OPEN)
    bars = {row.source.mix.label: pressures_bar(found, row) for row in planned_rows(found) if row.kind != "surface"}
    supply = {use.mix.label: use for use in found.supply}
    assert set(bars) == {"18/45", "50", "oxygen"}
    for label, left in bars.items():  # the last row of each gas, after which nothing of it is breathed at a stop
        assert left == (pytest.approx(supply[label].left_bar, abs=1.0),)
    loop = planned(CLOSED)
    assert [pressures_bar(loop, row) for row in planned_rows(loop)] == [()] * len(planned_rows(loop))


def test_twins_apart_have_a_pressure_each() -> None:
    carried = [cylinder("air", "bottom", name="left"), cylinder("air", "bottom", name="right", pressure="150 bar")]
    found = planned(tables(30, 20) | {"cylinders": carried})
    level = next(row for row in planned_rows(found) if row.kind == "level")
    left, right = pressures_bar(found, level)
    assert 150.0 > right > 0.0
    assert 200.0 > left > right


def test_the_first_row_is_what_is_breathed_from_the_surface():
    """15/55 with 32 % to travel on: begun on 32 %, at 0 m and 0 min. A loop begins at its low setpoint."""
    travel = tables(60, 20, "15/55") | {"cylinders": [cylinder("15/55", "bottom"), cylinder("32", "travel")]}
    low = looped(60, 20, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=20)
    low["cylinders"] = [cylinder("18/45", "bailout"), cylinder("50", "bailout")]
    for given, name in ((travel, "32 %"), (low, "loop 0.7"), (OPEN, "18/45")):
        found = planned(given)
        for rows in (planned_rows(found), contingency_rows(found, the(found, "longer"))):
            first = rows[0]
            assert (first.kind, first.depth_m, first.leave_min, first.source.name) == ("start", 0.0, 0.0, name)
            assert not first.changed


def test_a_descent_aborted_goes_up_on_what_it_came_down_on():
    """10/70 carries no life in the shallows (0.16 bar from 5.9 m on): whoever turns back at once is on 32 % all the way
    from where it was changed."""
    given = tables(60, 20, "10/70") | {"cylinders": [cylinder("10/70", "bottom"), cylinder("32", "travel")]}
    found = planned(given)
    for leg in the(found, "aborted descent").legs:
        assert leg.source.ppo2(1.01325 + 0.1 * min(leg.start_m, leg.end_m)) >= 0.16 - 1e-9


def test_who_is_out_of_gas_reads_whose_gas_he_breathes():
    """Ida has lost her 21/35, and never had a 40 %: both are Oto's, and then the 50 % is her own. No row of hers says
    that she breathes what she has not got."""
    given = tables(50, 22, "21/35") | {
        "cylinders": [
            cylinder("21/35", "bottom", size="24 L", pressure="230 bar"), cylinder("50", "deco", size="11 L"),
        ],
        "team": [
            {"name": "Oto", "cylinders": [
                cylinder("21/35", "bottom", size="36 L", pressure="230 bar"), cylinder("40", "deco", size="24 L"),
            ]},
            {"name": "Ida"},
        ],
    }  # fmt: skip
    team = plan_team(parse_dive(given))
    ida = next(member for member in team.members if member.name == "Ida")
    out_of_gas = [
        one for one in givings(team, ida) if one.contingency.kind == "mate out of gas" and "Ida out of gas" in one.name
    ]
    assert out_of_gas
    for found in out_of_gas:
        rows = [row for row in found.rows if row.kind not in ("give", "take", "surface")]
        assert rows[0].changed
        assert rows[0].breathed == "Oto's 21/35"
        assert found.heading.split(". ")[1].startswith("You breathe Oto's 21/35")
        for row in rows:
            assert bool(row.whose) == (row.source.mix.label in ("21/35", "40"))
        assert rows[-1].breathed == "50 %"
        assert "your own 50 % from " in found.heading


def test_who_is_on_a_loop_divers_bailout_has_rows_for_it():
    """Piet, on open circuit, has lost all he breathes at depth: he comes up on Lena's bailout, and reads so."""
    given = looped(45, 20, "21/35", setpoint=1.3) | {
        "cylinders": [
            cylinder("21/35", "bailout", size="24 L", pressure="230 bar"), cylinder("50", "bailout", size="24 L"),
        ],
        "team": [
            {"name": "Lena"},
            {"name": "Piet", "circuit": "open", "cylinders": [cylinder("21/35", "bottom", size="36 L")]},
        ],
    }  # fmt: skip
    team = plan_team(parse_dive(given))
    lena, piet = team.members
    (own,) = [one for one in lena.plan.contingencies if one.scenario.whose == "Piet"][:1]
    (found,) = [one for one in givings(team, piet) if one.name == own.name]
    assert found.heading.split(". ")[1].startswith("You breathe Lena's 21/35, Lena's 50 % from 21 m")
    assert [row.leave_min for row in found.rows if row.kind == "stop"] == [stop.leave_min for stop in own.stops]
    assert all(row.whose == "Lena" for row in found.rows if row.kind in ("sort out", "change", "stop"))


def test_at_the_surface_the_first_breath_is_air():
    """15/50 is hypoxic at the surface, and is carried with a 50 % for the way up: nothing is missing in the water."""
    given = looped(60, 15, "15/50", setpoint=1.3) | {
        "cylinders": [
            cylinder("15/50", "bailout", size="24 L", pressure="230 bar"), cylinder("50", "bailout", size="24 L"),
        ],
        "gas": {"team_bailout": True},
        "team": [{"name": "Ann"}, {"name": "Ben"}],
    }  # fmt: skip
    team = plan_team(parse_dive(given | {"cylinders": given["cylinders"][:1]}))
    at = [finding.depth_m for finding in team.findings if finding.code == "bailout-first-breath"]
    assert 0.0 not in at


def test_a_diver_alone_has_no_mates_rows():
    given = looped(45, 20, "21/35", setpoint=1.3) | {"cylinders": [cylinder("21/35", "bailout", size="24 L")]}
    team = plan_team(parse_dive(given))
    assert givings(team, team.members[0]) == ()


def test_what_a_third_diver_gives_is_said_to_be_his():
    """Sam, on open circuit, is out of gas and on Hal's bailout; Hal has no oxygen to breathe off the loop, Joy has."""
    given = looped(45, 25, "21/35", setpoint=1.3) | {
        "gas": {"team_bailout": True},
        "team": [
            {"name": "Hal", "cylinders": [
                cylinder("21/35", "bailout", size="24 L", pressure="230 bar"), cylinder("50", "bailout", size="11 L"),
            ]},
            {"name": "Joy", "cylinders": [
                cylinder("21/35", "bailout", size="24 L", pressure="230 bar"),
                cylinder("oxygen", "bailout", size="11 L"),
            ]},
            {"name": "Sam", "circuit": "open", "cylinders": [
                cylinder("21/35", "bottom", size="36 L", pressure="230 bar"),
            ]},
        ],
    }  # fmt: skip
    team = plan_team(parse_dive(given))
    sam = team.members[2]
    on_hals = [one for one in givings(team, sam) if one.receiver == "Hal" and one.contingency.scenario.whose == "Sam"]
    assert on_hals
    carried = {m.name: {c.gas.label for c in m.plan.dive.cylinders} for m in team.members}
    taken = False
    for found in on_hals:
        for row in found.rows:
            if row.whose and row.kind not in ("take", "give"):
                assert row.source.mix.label in carried[row.whose]
            taken = taken or (row.whose == "Joy" and row.source.mix.label == "oxygen")
        assert "Hal's oxygen" not in found.heading
    assert taken
