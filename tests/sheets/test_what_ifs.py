"""Contingencies on paper: which sheet carries which, with the plan's numbers, and marked if they do not hold."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from leadline.dive_file import parse_dive
from leadline.plan.contingency import Contingency
from leadline.plan.rows import up
from leadline.plan.team import Team, plan_team
from leadline.sheets import content, schedules, what_ifs, write_sheets
from leadline.show.outcome import in_brief, in_words
from leadline.show.what_ifs import later
from leadline.units import SYSTEMS
from tests.dives import sentence, timer
from tests.sheets.paper import KEEL, LOOP, cylinder, text_of, without_blanks

SMALL = {**KEEL, "cylinders": [cylinder("twin set", "18/45", "bottom", 15, 230), *KEEL["cylinders"][1:]]}
NAMED = {**KEEL, "contingencies": {"slate": ["two gases lost", "longer"]}}
LONG = {
    "title": "The long one",
    "units": "metric",
    "model": {"gradient_factors": [20, 70]},
    "levels": [{"depth": 75, "leave_at": 35}],
    "cylinders": [cylinder("Back gas", "16/50", "bottom", 60, 300), cylinder("Stage", "50", "deco", 40)],
}
DIVES = {"keel": KEEL, "loop": LOOP, "small": SMALL, "named": NAMED, "long": LONG}
DEFAULT = ("deeper", "longer", "deeper and longer", "lost gas", "bailout")


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    return {name: plan_team(parse_dive(given)) for name, given in DIVES.items()}


@pytest.fixture(scope="module")
def pages(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], list[str]]:
    return {
        (name, path.stem): text_of(path)
        for name, team in teams.items()
        for path in write_sheets(team, tmp_path_factory.mktemp(name))
    }


def of(teams: dict[str, Team], name: str) -> tuple[Contingency, ...]:
    return teams[name].members[0].plan.contingencies


def stops_on_paper(team: Team, found: Contingency) -> list[str]:
    """Each stop as depth, minutes and run time, straight from the contingency's stops, without blanks."""
    system = SYSTEMS[team.dive.units]
    return [f"{system.depth(stop.depth_m)}{stop.minutes}{stop.leave_min:.0f}" for stop in found.stops]


def headed(found: Contingency) -> str:
    return "".join((found.name[0].upper() + found.name[1:]).split())


@pytest.mark.parametrize("name", ["keel", "loop", "small", "long"])
def test_every_default_contingency_is_on_the_slate_with_its_numbers(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    plan = teams[name].members[0].plan
    slate = without_blanks(pages[name, "slate"])
    carried = [found for found in plan.contingencies if found.kind in DEFAULT and found.legs]
    assert len(carried) >= 4
    for found in carried:
        assert headed(found) in slate or (found.kind == "bailout" and "BAILOUT" in slate)
        for line in stops_on_paper(teams[name], found):
            assert line in slate, (found.name, line)
        longer = int(up(found.run_time_min)) - int(up(plan.schedule.run_time_min))
        if f"Runtime{up(found.run_time_min)}({longer:+d}),TTS{up(found.tts_min)}" not in slate:
            # On a page of its own: TTS and difference in the strip, run time at the surface.
            assert f"TTS{up(found.tts_min)}runtime{longer:+d}" in slate
            assert f"Surface{up(found.run_time_min)}" in slate


@pytest.mark.parametrize("name", DIVES)
def test_what_is_not_on_the_slate_is_in_the_wet_notes(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    plan = teams[name].members[0].plan
    slate, notes = without_blanks(pages[name, "slate"]), without_blanks(pages[name, "wetnotes"])
    others = [found for found in plan.contingencies if found.kind not in plan.dive.contingencies.slate]
    assert len(others) >= 5
    for found in others:
        if found.kind == "bailout":
            continue
        assert headed(found) in notes
        assert headed(found) not in slate
        for line in stops_on_paper(teams[name], found):
            assert line in notes, (found.name, line)
        for use in found.supply:
            if use.used_l > 1e-6 and use.missing_l <= 1e-6:
                system = SYSTEMS[plan.dive.units]
                assert f"{system.pressure(use.left_bar)}{system.pressure_unit}" in notes
        if found.legs and not found.holds:
            for finding in found.findings:
                if finding.severity == "no-go":
                    assert "".join(sentence(finding, plan.dive.units).split())[1:] in notes


def test_two_failures_are_on_the_slate_only_if_the_dive_file_names_them(
    pages: dict[tuple[str, str], list[str]],
) -> None:
    words = "Left stage (50 %) and right stage (oxygen) lost"
    assert words not in " ".join(pages["keel", "slate"])
    assert words in " ".join(pages["keel", "wetnotes"])
    assert words in " ".join(pages["named", "slate"])
    assert words not in " ".join(pages["named", "wetnotes"])


def test_the_slate_follows_the_order_of_the_dive_file(teams: dict[str, Team]) -> None:
    plan = teams["named"].members[0].plan
    assert [found.kind for found in what_ifs.on_the_slate(plan)] == ["two gases lost", "longer"]


@pytest.mark.parametrize("name", DIVES)
def test_what_does_not_hold_is_marked_as_often_as_it_is_there(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    """On the slate by the first thing that does not hold; on the briefing every contingency with all that comes of
    it."""
    plan = teams[name].members[0].plan
    on_slate = [found for found in what_ifs.on_the_slate(plan) if not found.holds]
    slate = without_blanks(pages[name, "slate"])
    marks = Counter("".join(in_brief(found).upper().split()) for found in on_slate)
    whole = all(len(schedules.contingency_rows(plan, found)) <= content.ROWS_IN_A_PANEL for found in on_slate)
    for mark, times in marks.items():
        assert slate.count(mark) == times if whole else slate.count(mark) >= times
    if not on_slate:
        assert not any(mark in slate for mark in ("RUNSOUTAT", "NOGAS", "STOPSNOTMET"))
    second = without_blanks(pages[name, "briefing"][1:])
    outcomes = Counter("".join("; ".join(in_words(found)).split()) for found in plan.contingencies)
    for words, times in outcomes.items():
        assert second.count(words) >= times


def test_there_is_something_to_mark_and_something_not_to(teams: dict[str, Team]) -> None:
    assert all(found.holds for found in of(teams, "keel") if found.kind in DEFAULT)
    assert [found for found in of(teams, "small") if found.kind in DEFAULT and not found.holds]
    assert [found for found in of(teams, "loop") if found.kind == "bailout lost" and not found.holds]


@pytest.mark.parametrize("name", DIVES)
def test_the_briefing_has_every_contingency_in_a_line(
    teams: dict[str, Team], pages: dict[tuple[str, str], list[str]], name: str
) -> None:
    plan = teams[name].members[0].plan
    text = without_blanks(pages[name, "briefing"][1:])
    for found in plan.contingencies:
        line = headed(found) + ("(twofailures)" if found.scenario.two_failures else "")
        if found.left_at is not None:
            at_min, depth_m = found.left_at
            line += f"{timer(at_min)}min,{SYSTEMS[plan.dive.units].at(depth_m).replace(' ', '')}"
        if found.legs:
            longer = int(up(found.run_time_min)) - int(up(plan.schedule.run_time_min))
            line += f"{up(found.run_time_min)}{longer:+d}".replace("-", "\u2212") + up(found.tts_min)
        else:
            line += "".join("; ".join(in_words(found)).split())
        assert line in text


def test_the_least_gas_is_the_one_missed_most_or_the_lowest_gauge(teams: dict[str, Team]) -> None:
    plan = teams["small"].members[0].plan
    told = {line["name"]: line["least"] for line in what_ifs.glance(plan)}
    for found in plan.contingencies:
        missing = {use.name: use.missing_l for use in found.supply if use.missing_l > 1e-6}
        least = told[what_ifs.name(found)]
        if missing:
            assert least.startswith(max(missing, key=lambda name: missing[name]))
            assert least.endswith("L short")
        else:
            lowest = min((use for use in found.supply if use.used_l > 1e-6), key=lambda use: use.left_bar)
            assert least.startswith(lowest.name)


def test_the_difference_is_that_of_the_printed_run_times() -> None:
    # 57.3 is printed as 58 and 61.7 as 62: a diver reads +4, whatever the exact difference is.
    assert later(61.7, 57.3) == "+4"
    assert later(57.3, 57.3) == "+0"
    assert later(9.7, 57.3) == "\u221248"


def test_two_panels_share_a_page_and_a_long_one_takes_several(teams: dict[str, Team]) -> None:
    keel = content.slate(teams["keel"], teams["keel"].members[0])["pages"]
    assert [len(page["panels"]) for page in keel] == [0, 2, 2, 0]
    long = content.slate(teams["long"], teams["long"].members[0])["pages"]
    for page in long:
        assert all(len(panel["rows"]) <= content.ROWS_IN_A_PANEL for panel in page["panels"])
    parts = [panel["part"] for page in long for panel in page["panels"] if panel["name"] == "3 m deeper"]
    assert parts == ["1 of 2", "2 of 2"]


def test_every_row_of_a_long_contingency_is_there_once_and_in_order(teams: dict[str, Team]) -> None:
    member = teams["long"].members[0]
    pages = content.slate(teams["long"], member)["pages"]
    for found in what_ifs.on_the_slate(member.plan):
        shown = [
            (row["depth"], row["leave"])
            for page in pages
            for panel in page["panels"]
            if panel["name"] == what_ifs.name(found)
            for row in panel["rows"]
        ]
        expected = [
            (row.depth, row.leave) for row in schedules.contingency_rows(member.plan, found) if row.kind != "surface"
        ]
        assert shown == expected


def test_a_contingency_without_a_way_up_is_in_the_notes_and_not_on_the_slate(tmp_path: Path) -> None:
    # The stops on the way to the second level take until 55.3 min: deeper or longer they take past its 57.
    given: dict[str, Any] = {
        **KEEL,
        "levels": [{"depth": 60, "leave_at": 20}, {"depth": 6, "leave_at": 57}],
    }
    team = plan_team(parse_dive(given))
    plan = team.members[0].plan
    lost = [found for found in plan.contingencies if not found.legs]
    assert "deeper" in [found.kind for found in lost]
    write_sheets(team, tmp_path)
    slate, notes = (without_blanks(text_of(tmp_path / f"{name}.pdf")) for name in ("slate", "wetnotes"))
    for found in lost:
        assert headed(found) in notes
        assert headed(found) not in slate
