"""Gas on paper: pressures at every stop, minimum gas, turn pressures, who carries what."""

from __future__ import annotations

from dataclasses import replace

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.team import MatchedTurn, Team, plan_team
from leadline.sheets import gas, schedules, write_sheets
from leadline.units import IMPERIAL, METRIC, PSI_BAR, SYSTEMS
from tests.sheets.paper import KEEL, LOOP, cylinder, text_of, without_blanks

TWO_ALIKE = {
    **KEEL,
    "gas": {"turn": "thirds"},
    "cylinders": [
        cylinder("left", "18/45", "bottom", 15, 230),
        cylinder("right", "18/45", "bottom", 15, 200),
        *KEEL["cylinders"][1:],
    ],
}
DIVES = {"keel": KEEL, "loop": LOOP, "two alike": TWO_ALIKE}


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    return {name: plan_team(parse_dive(given)) for name, given in DIVES.items()}


@pytest.fixture(scope="module")
def pages(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], list[str]]:
    return {
        (name, path.stem): text_of(path)
        for name, team in teams.items()
        for path in write_sheets(team, tmp_path_factory.mktemp("gas"))
    }


@pytest.mark.parametrize("name", ["keel", "two alike"])
def test_the_slate_tells_what_the_gauge_shows_when_a_stop_is_left(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    plan = teams[name].members[0].plan
    slate = without_blanks(pages[name, "slate"][:1])
    for stop in plan.schedule.stops:
        bars = [use.bar_at(stop.leave_min) for use in plan.supply if use.mix == stop.source.mix]
        gauge = "/".join(dict.fromkeys(METRIC.pressure(bar) for bar in bars))
        line = f"{stop.depth_m:.0f}{stop.minutes}{stop.leave_min:.0f}{stop.source.name.replace(' ', '')}"
        assert line + gauge in slate or f"{line}MOD" in slate
        assert gauge in pages[name, "slate"][0].split()


def test_a_gauge_at_the_end_of_the_bottom_by_hand(teams: dict[str, Team]) -> None:
    # 20 L/min. Down: 3 min at the mean of 1.01325 and 7.01325 bar, 4.01325: 240.795 L. Then 17 min at 7.01325 bar:
    # 2384.505 L. Together 2625.3 free litres. Ideal gas would leave 230 - 2625.3 / 30 = 142.5 bar; trimix at these
    # pressures is less dense than ideal gas, 30 L at 230 bar holding some 6100 L for 6900, so that it leaves less.
    plan = teams["keel"].members[0].plan
    start, level = schedules.planned_rows(plan)[:2]
    assert (start.kind, start.depth, start.leave, start.bar) == ("start", "0", "0", "")
    twin_set = plan.supply[0]
    used_l = sum(leg.litres for leg in twin_set.legs if leg.end_min <= 20.0 + 1e-9)
    assert used_l == pytest.approx(2625.3, abs=0.1)
    assert level.bar == METRIC.pressure(twin_set.bar_at(20.0))
    assert 115 < int(level.bar) < 142.5


def test_on_the_loop_there_is_no_gauge_on_the_slate(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]
) -> None:
    plan = teams["loop"].members[0].plan
    assert not any(row.bar for row in schedules.planned_rows(plan))
    assert "psi" not in pages["loop", "slate"][0]
    assert plan.bailouts
    for bailout in plan.bailouts:
        rows = [row for row in schedules.contingency_rows(plan, bailout) if row.kind in ("level", "stop")]
        assert all(row.bar for row in rows)
        last = next(use for use in bailout.supply if use.name == "shallow bailout")
        assert rows[-1].bar == IMPERIAL.pressure(last.bar_at(bailout.stops[-1].leave_min))
    assert "psi" in pages["loop", "slate"][-1]


def test_both_of_two_gauges_are_told(teams: dict[str, Team]) -> None:
    plan = teams["two alike"].members[0].plan
    start, level = schedules.planned_rows(plan)[:2]
    assert (start.kind, start.depth, start.leave, start.bar) == ("start", "0", "0", "")
    gauges = [use.bar_at(20.0) for use in plan.supply if use.mix.name == "18/45"]
    assert gauges[0] != pytest.approx(gauges[1], abs=1.0)
    assert level.bar == "/".join(METRIC.pressure(bar) for bar in gauges)


def test_pressures_to_turn_at_are_rounded_so_that_the_diver_turns_early() -> None:
    assert [METRIC.pressure_up(bar) for bar in (87.82, 90.0, 90.01, 0.0)] == ["90", "90", "95", "0"]
    assert [IMPERIAL.pressure_up(psi * PSI_BAR) for psi in (1201.0, 1200.0, 1299.9)] == ["1300", "1200", "1300"]


@pytest.mark.parametrize("name", ["keel", "two alike"])
def test_minimum_gas_and_turn_are_on_every_sheet(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    plan = teams[name].members[0].plan
    slate = without_blanks(pages[name, "slate"][:1])
    notes, briefing = without_blanks(pages[name, "wetnotes"]), without_blanks(pages[name, "briefing"][1:])
    assert plan.turns
    for turn in plan.turns:
        kept, turned = METRIC.pressure_up(turn.kept_bar), METRIC.pressure_up(turn.turn_bar)
        cylinder_name = "".join(turn.cylinder.split())
        assert f"{cylinder_name}minimum{kept}turn{turned}bar" in slate
        assert f"{cylinder_name}18/45{kept}{turned}{turn.rule.replace(' ', '')}" in notes
        assert f"{cylinder_name}18/45{kept}{turned}{turn.rule.replace(' ', '')}" in briefing
    for minimum in plan.minimum_gas:
        litres = -int(-minimum.litres // 1)
        assert f"{litres}Lruntime20,60mthenextgas,21m" in notes
        assert f"{litres}Lruntime20,60mthenextgas,21m" in briefing


def test_the_teams_turn_pressure_is_taken_where_it_is_higher(teams: dict[str, Team]) -> None:
    team = teams["keel"]
    member = team.members[0]
    own_bar = member.plan.turns[0].turn_bar
    higher = replace(team, turns=(MatchedTurn("", "twin set", own_bar + 20.0),))
    lower = replace(team, turns=(MatchedTurn("", "twin set", own_bar - 20.0),))
    [line] = gas.turn_list(higher, member)
    assert (line["turn"], line["whose"]) == (METRIC.pressure_up(own_bar + 20.0), "the team's")
    [line] = gas.turn_list(lower, member)
    assert (line["turn"], line["whose"]) == (METRIC.pressure_up(own_bar), "own")


def test_the_wet_notes_tell_every_gauge_on_the_way(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]
) -> None:
    notes = without_blanks(pages["two alike", "wetnotes"])
    plan = teams["two alike"].members[0].plan
    left, right = (use for use in plan.supply if use.mix.name == "18/45")
    assert f"602018/45left{METRIC.pressure(left.bar_at(20))},right{METRIC.pressure(right.bar_at(20))}" in notes
    on_the_loop = without_blanks(pages["loop", "wetnotes"])
    diluent, oxygen = teams["loop"].members[0].plan.supply[:2]
    for stop in teams["loop"].members[0].plan.schedule.stops:
        gauges = f"diluent{IMPERIAL.pressure(diluent.bar_at(stop.leave_min))},oxygen"
        assert gauges + IMPERIAL.pressure(oxygen.bar_at(stop.leave_min)) in on_the_loop


def test_a_warm_fill_is_told_as_it_will_read_in_the_water(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]
) -> None:
    briefing = pages["loop", "briefing"][1]
    assert "inwaterpsi" in without_blanks([briefing])
    plan = teams["loop"].members[0].plan
    for carried, use in zip(plan.dive.cylinders, plan.supply, strict=True):
        fill, cooled = IMPERIAL.pressure(carried.pressure), IMPERIAL.pressure(use.start_bar)
        assert int(cooled) < int(fill)
        size = "3 L" if carried.use in ("diluent", "oxygen") else "80 cu ft at 3000 psi"
        assert f"{carried.name} {carried.gas.name} {size} {fill} {cooled} " in briefing
    assert "in water" not in " ".join(pages["keel", "briefing"])


def test_drysuit_and_flushes_are_told_where_they_are_planned(pages: dict[tuple[str, str], list[str]]) -> None:
    said = "Drysuit 0.3 cu ft, kept filled on the way down; loop flushed 2 times at each level."
    assert said in pages["loop", "briefing"][1]
    assert said in " ".join(pages["loop", "wetnotes"])
    assert "flushed" not in " ".join(pages["keel", "briefing"])


def test_every_cylinder_is_carried_by_somebody(teams: dict[str, Team], pages: dict[tuple[str, str], list[str]]) -> None:
    for name, team in teams.items():
        system = SYSTEMS[team.dive.units]
        text = " ".join(pages[name, "briefing"][1:])
        for use in team.members[0].plan.supply:
            assert f"{use.name} {use.mix.name} " in text
            assert f" {system.gas(use.content_l)} " in text
