"""One view of a plan: every number and sentence is the same on terminal, page and paper.

Each example is planned, each surface laid out as its reader gets it, and every text of the tables is looked for there.
"""

from __future__ import annotations

import html
import io
import re
from itertools import chain
from pathlib import Path

import pytest
from rich.console import Console

from leadline.app import tables as page
from leadline.cautions import CAUTIONS
from leadline.dive_file import parse_dive, read_dive
from leadline.plan.rows import givings
from leadline.plan.team import Team, plan_team
from leadline.sheets.content import said_to
from leadline.sheets.write import write_sheets
from leadline.show import breathing, gas, schedule, what_ifs
from leadline.show.sentences import headline, remarks
from leadline.show.verdict import bailout_heading
from leadline.terminal.plan import render
from leadline.units import SYSTEMS
from tests.sheets.paper import text_of, without_blanks

EXAMPLES = Path(__file__).parents[2] / "examples"
NAMES = ["gull-stack-air", "marigold-trimix", "marigold-loop", "marigold-team", "feet", "short"]
FEET = {
    "units": "imperial", "title": "In feet", "levels": [{"depth": 147, "leave_at": 20}],
    "model": {"gradient_factors": [30, 70]}, "gas": {"turn": "thirds"},
    "cylinders": [
        {"name": "back gas", "gas": "21/35", "size": "80 cuft", "working_pressure": 3000, "pressure": 3000,
         "use": "bottom"},
        {"name": "other back gas", "gas": "21/35", "size": "80 cuft", "working_pressure": 3000, "pressure": 3000,
         "use": "bottom"},
        {"name": "stage", "gas": "50", "size": "40 cuft", "working_pressure": 3000, "pressure": 3000, "use": "deco"},
    ],
}  # fmt: skip
SHORT = {
    "units": "metric", "title": "Short", "levels": [{"depth": 50, "leave_at": 25}],
    "cylinders": [{"name": "twin", "gas": "21/35", "size": 10, "pressure": 150, "use": "bottom"}],
}  # fmt: skip


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    own = {"feet": FEET, "short": SHORT}
    return {
        name: plan_team(parse_dive(own[name]) if name in own else read_dive(EXAMPLES / f"{name}.toml"))
        for name in NAMES
    }


@pytest.fixture(scope="module")
def terminal(teams: dict[str, Team]) -> dict[str, str]:
    made = {}
    for name, team in teams.items():
        console = Console(file=io.StringIO(), width=400, highlight=False, markup=False, no_color=True)
        console.print(render(team), soft_wrap=False)
        assert isinstance(console.file, io.StringIO)
        made[name] = close(console.file.getvalue())
    return made


@pytest.fixture(scope="module")
def paper(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], str]:
    made = {}
    for name, team in teams.items():
        folder = tmp_path_factory.mktemp(name)
        write_sheets(team, folder)
        for member in team.members:
            own = folder / member.name if member.name else folder
            made[name, member.name] = without_blanks(
                list(chain.from_iterable(text_of(path) for path in sorted(own.glob("*.pdf"))))
            )
    return made


def close(text: str) -> str:
    """Without white space, so that what is wrapped or set apart is read alike."""
    return "".join(text.split())


def on_page(made: str) -> str:
    """A piece of the page as its reader sees it."""
    return close(html.unescape(re.sub(r"<[^>]+>", " ", made)))


def rows(table) -> list[str]:
    """Every line of a table, read across."""
    return [close("".join(line[column.key] for column in table.columns)) for line in table.lines]


@pytest.mark.parametrize("name", NAMES)
def test_every_table_is_the_same_in_the_terminal_and_on_the_page(teams, terminal, name):
    for member in teams[name].members:
        plan, system = member.plan, SYSTEMS[member.plan.dive.units]
        pieces = {
            page.schedule(plan): schedule.planned(plan),
            page.gas(plan): gas.supply_table(system, plan.supply),
            page.breathing(plan): breathing.breathing_table(plan.dive, plan.breathing),
            page.contingencies(plan): what_ifs.what_if_table(plan),
        }
        for piece, table in pieces.items():
            text = on_page(piece)
            assert table.lines
            for row in rows(table):
                assert row in text
                assert row in terminal[name]
            for note in table.notes:
                assert close(note) in text
                assert close(note) in terminal[name]
        lines = [*gas.turning_lines(plan), gas.breathing_line(plan), *breathing.oxygen_lines(plan)]
        text = on_page(page.turning(plan) + page.gas(plan) + page.breathing(plan))
        for line in lines:
            assert close(line) in text
            assert close(line) in terminal[name]
        text = on_page(page.bailouts(plan, givings(teams[name], member)))
        for bailout in plan.bailouts:
            for row in (close(bailout_heading(bailout)), *rows(schedule.of_contingency(plan, bailout))):
                assert row in text
                assert row in terminal[name]


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_of_a_table_is_on_paper(teams, paper, name):
    """Paper lays the same figures out in other orders: each is looked for beside the name that it belongs to."""
    for member in teams[name].members:
        plan, text = member.plan, paper[name, member.name]
        for line in schedule.planned(plan).lines:
            if line["stop"].isdigit():
                assert close(line["depth"] + line["stop"] + line["leave"]) in text
        for line in gas.supply_table(SYSTEMS[plan.dive.units], plan.supply).lines:
            assert close(line["name"]) in text
            assert close(line["start"] + line["used"] + line["left"]) in text
        for part in breathing.breathing_table(plan.dive, plan.breathing).lines:
            unit = SYSTEMS[plan.dive.units].depth_unit
            assert close(part["ppo2"] + part["end"] + unit + part["density"]) in text
        for turn in plan.turns:
            shown = gas.turn_shown(plan, turn)
            assert shown.turn in text
            assert shown.kept in text
        assert close(f"{schedule.ndl(plan)} min") in text
        assert close(breathing.oxygen_line(plan.oxygen)) in text
        for line in what_ifs.what_if_table(plan).lines:
            assert close(line["run"] + line["more"] + line["tts"]) in text


@pytest.mark.parametrize("name", NAMES)
def test_every_sentence_is_the_same(teams, terminal, paper, name):
    team = teams[name]
    units = team.dive.units
    assert close(headline(team.findings, units)) in terminal[name]
    found = remarks(team.findings, units)
    page_text = on_page(page.findings(found))
    for remark in found:
        assert close(remark.whole) in page_text
        assert close(remark.whole) in terminal[name]
    for member in team.members:
        for remark in remarks(said_to(team, member), units):
            assert close(remark.whole) in paper[name, member.name]
        assert all(close(line) in paper[name, member.name] for line in CAUTIONS)


@pytest.mark.parametrize("name", NAMES)
def test_other_units_need_no_other_plan(teams, name):
    """The same findings are read in either system: with its units, and none of the other's."""
    team = teams[name]
    for remark in remarks(team.findings, "metric"):
        # Contingencies and cylinders are named as the dive file is written.
        if not {"contingencies", "contingency", "longest", "sizes", "outside"} & set(remark.values):
            assert not re.search(r"\d (ft|psi|cu ft)\b", remark.message), remark
    for remark in remarks(team.findings, "imperial"):
        if remark.code in ("density", "end", "bailout-holds", "ppo2-high"):
            assert re.search(r"\d ft\b", remark.message), remark
            assert not re.search(r"\d m\b", remark.message), remark
