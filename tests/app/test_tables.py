"""The page's tables: what the terminal and the paper say, and every text of a dive file escaped."""

from __future__ import annotations

import io
import re
from html import unescape
from typing import Any

import pytest
from rich.console import Console

from leadline.app import tables
from leadline.dive_file import parse_dive
from leadline.plan.rows import givings
from leadline.plan.team import Team, plan_team
from leadline.sheets import content, what_ifs
from leadline.show.outcome import in_words
from leadline.terminal import show
from tests.sheets.test_bailout_pages import TWO_LEVELS
from tests.sheets.test_team_sheets import LOOPS

MARKUP = "<b>&x"


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    hostile: Any = {
        **LOOPS,
        "cylinders": [{**one, "name": f"{one['name']} {MARKUP}", "size": "3 L"} for one in LOOPS["cylinders"]],
        "team": [{"name": MARKUP}, {"name": "Jonne"}],
    }
    return {
        name: plan_team(parse_dive(given))
        for name, given in (("two", TWO_LEVELS), ("team", LOOPS), ("hostile", hostile))
    }


def rows_of(html: str) -> list[list[str]]:
    """The cells of every row, as they are read."""
    cells = (re.findall(r"<td[^>]*>(.*?)</td>", row) for row in re.findall(r"<tr>(.*?)</tr>", html))
    return [[unescape(re.sub(r"<[^>]*>", "", cell)) for cell in row] for row in cells if row]


def printed(team: Team) -> str:
    console = Console(file=io.StringIO(), width=240, highlight=False, force_terminal=False)
    show(team, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


@pytest.mark.parametrize("name", ["two", "team"])
def test_a_schedule_begins_with_what_is_breathed_at_the_surface(teams: dict[str, Team], name: str) -> None:
    """On the page, in the terminal and on every sheet."""
    team = teams[name]
    for member in team.members:
        first = rows_of(tables.schedule(member.plan))[0]
        gas = member.plan.schedule.legs[0].source.name
        assert (first[0], first[1], first[2], first[4]) == ("0", "start", "0", gas)
        for sheet in (
            content.slate(team, member)["pages"][0],
            content.wetnotes(team, member),
            content.briefing(team, member),
        ):
            row = sheet["rows"][0]
            assert (row["depth"], row["label"], row["leave"], row["gas"]) == ("0", "start", "0", gas)
    heads = re.findall(r"Schedule *\nDepth .*\n─+\n *(.*)\n", printed(team))
    assert len(heads) == len(team.members)
    assert all(head.split()[:3] == ["0", "start", "0"] for head in heads)


@pytest.mark.parametrize("name", ["two", "team"])
def test_what_comes_of_a_contingency_is_said_alike_everywhere(teams: dict[str, Team], name: str) -> None:
    team = teams[name]
    for member in team.members:
        said = ["; ".join(in_words(found)) for found in member.plan.contingencies]
        assert len(said) > 10
        page = [row[6].removesuffix(" (two failures)") for row in rows_of(tables.contingencies(member.plan))]
        assert page == said
        assert [line["verdict"] for line in what_ifs.glance(member.plan)] == said
        alone = Team(member.plan.dive, (member,), "", (), (), (), member.plan.findings)
        lines = printed(alone).split("\nWhat if ")[1].split("\nFrom: ")[0].splitlines()[2:]
        assert [re.split(r"  +", line.strip())[-1].removesuffix(" (two failures)") for line in lines] == [
            re.split(r"  +", words)[-1] for words in said
        ]


def test_a_cylinder_handed_over_is_a_row_of_who_takes_and_of_who_gives(teams: dict[str, Team]) -> None:
    """With the same words in the terminal."""
    team = teams["team"]
    text = printed(team)
    handovers = [(bailout.diver, given) for bailout in team.bailouts for given in bailout.handovers]
    assert handovers
    for taker, given in handovers:
        what = f"{given.mix.name} ({given.cylinder})"
        for diver, words in (
            (taker, f"TAKE {given.giver.upper()}'S {what}"),
            (given.giver, f"GIVE {taker.upper()} YOUR {what}"),
        ):
            member = next(member for member in team.members if member.name == diver)
            found = rows_of(tables.bailouts(member.plan, givings(team, member)))
            row = (f"{given.depth_m:.0f}", f"{int(given.run_time_min + 1e-6)}", words)
            assert row in [(row[0], row[2], row[4]) for row in found]
            assert re.search(rf" {row[0]} +(?:take|give) +{row[1]} +{re.escape(words)}", text)


def test_where_there_is_no_gas_there_are_no_rows(teams: dict[str, Team]) -> None:
    (member,) = teams["two"].members
    html = tables.bailouts(member.plan)
    deep, _, shallow = html.partition("Bailout from level 2")
    assert "NO GAS TO BREATHE FROM 70 M TO 54 M" in deep
    assert rows_of(shallow)[0][0] == "45"
    assert not rows_of(deep)


def test_names_of_divers_and_cylinders_are_escaped_in_the_verdict(teams: dict[str, Team]) -> None:
    team = teams["hostile"]
    word, why, grave = tables.verdict(team)
    assert (word, grave) == ("NO-GO", " grave")
    assert MARKUP in unescape(why)
    assert "<" not in why
