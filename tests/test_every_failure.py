"""Every kind of contingency goes through every surface: whoever adds one and forgets a place fails here."""

from __future__ import annotations

import html
import io
import re
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

import leadline
from leadline.app import tables as page
from leadline.dive_file import parse_dive
from leadline.dive_file.failures import FAILURE, FAILURES, Failure
from leadline.dive_file.schema import Contingencies
from leadline.ensemble.robustness import run_ensemble
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.debrief.against_plan import debrief_dive
from leadline.plan.contingency import Contingency
from leadline.plan.team import Team, plan_team
from leadline.sheets.write import write_sheets
from leadline.solve import judge_dive
from leadline.tables.table_set import plan_table_set
from leadline.terminal.plan import render
from tests.dives import cylinder, looped, sentence, tables
from tests.sheets.paper import text_of, without_blanks

ROOT = Path(__file__).parents[1]
EVERY = [failure.name for failure in FAILURES]
MORE: dict[str, Any] = {
    "contingencies": {"slate": EVERY},
    "ensemble": {"dives": 100},
    "tables": {"depths": [45], "times": [20, 25]},
}


def big(gas: str, use: str, name: str) -> dict[str, Any]:
    return cylinder(gas, use, size="24 L", pressure="230 bar") | {"name": name}


@pytest.fixture(scope="module")
def teams() -> dict[str, Team]:
    """On open circuit and on a loop: between them everything can go wrong."""
    opened = tables(45, 25, "21/35", ("50", "80")) | MORE | {
        "cylinders": [
            big("21/35", "bottom", "left"), big("21/35", "bottom", "right"), big("50", "deco", "stage"),
            big("80", "deco", "shallow stage"),
        ]
    }  # fmt: skip
    closed = (
        looped(45, 25, "21/35", setpoint=1.3)
        | MORE
        | {"cylinders": [big("21/35", "bailout", "deep bailout"), big("50", "bailout", "shallow bailout")]}
    )
    return {"open": plan_team(parse_dive(opened)), "closed": plan_team(parse_dive(closed))}


@pytest.fixture(scope="module")
def paper(teams: dict[str, Team], tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], str]:
    made = {}
    for name, team in teams.items():
        for path in write_sheets(team, tmp_path_factory.mktemp(name)):
            made[name, path.stem] = without_blanks(list(chain(text_of(path))))
    return made


def of(teams: dict[str, Team], failure: Failure) -> list[tuple[str, Contingency]]:
    return [
        (name, one)
        for name, team in teams.items()
        for one in team.members[0].plan.contingencies
        if one.kind == failure.name
    ]


def close(text: str) -> str:
    return "".join(text.split())


@pytest.mark.parametrize("failure", FAILURES, ids=lambda failure: failure.name)
def test_it_is_planned_and_shown_everywhere(teams, paper, failure):
    found = of(teams, failure)
    assert found
    for name, contingency in found:
        team, said = teams[name], close(contingency.name)
        plan = team.members[0].plan
        console = Console(file=io.StringIO(), width=300, highlight=False, markup=False)
        console.print(render(team), soft_wrap=False)
        assert isinstance(console.file, io.StringIO)
        assert said in close(console.file.getvalue())
        assert said in close(html.unescape(re.sub(r"<[^>]+>", " ", page.contingencies(plan))))
        [data] = [one for one in leadline.to_dict(plan)["contingencies"] if one["name"] == contingency.name]
        assert data["kind"] == failure.name
        assert data["two_failures"] == failure.two
        headed = close(contingency.name[0].upper() + contingency.name[1:])
        assert headed in paper[name, "briefing"]
        if contingency.name != "bailout":  # that is headed by its level
            assert headed in paper[name, "slate"]
        if failure.leaves_the_loop and plan.dive.loop is not None:
            at_min = f"{contingency.leaves_at_min:g}"
            assert close(f"Leave the loop at run time {at_min}") in paper[name, "slate"]


@pytest.mark.parametrize("failure", FAILURES, ids=lambda failure: failure.name)
def test_it_is_in_the_schema_and_the_documentation(failure):
    """And the dive file can leave it out, or put it on the slate."""
    schema = Contingencies.model_json_schema()["properties"]["leave_out"]["items"]["enum"]
    assert failure.name in schema
    line = f'| `"{failure.name}"` | {failure.line} |'
    assert line in (ROOT / "docs" / "dive-file.md").read_text(encoding="utf-8")
    assert (failure.name in Contingencies().slate) == failure.on_the_slate


@pytest.mark.parametrize("failure", FAILURES, ids=lambda failure: failure.name)
def test_it_can_be_left_out(teams, failure):
    for name, _ in of(teams, failure)[:1]:
        dive = teams[name].dive
        without = dive.model_copy(
            update={"contingencies": dive.contingencies.model_copy(update={"leave_out": (failure.name,)})}
        )
        plan = plan_team(without).members[0].plan
        assert failure.name not in {one.kind for one in plan.contingencies}
        assert any(f.code == "left-out" and failure.name in sentence(f) for f in plan.findings)


@pytest.mark.parametrize("name", ["open", "closed"])
def test_solve_ensemble_tables_and_debrief_take_them_all(teams, name):
    team = teams[name]
    plan, kinds = team.members[0].plan, {one.kind for one in team.members[0].plan.contingencies}
    verdict = judge_dive(team.dive)
    assert {limit.contingency for limit in verdict.limits} <= {"", *kinds}
    (drawn,) = run_ensemble(team.dive)
    assert {one.kind for one in drawn.what_ifs} == kinds
    cells = plan_table_set(team.dive)
    assert cells
    dived = dived_as_planned(plan, datetime(2026, 5, 31, 10, 20))
    assert debrief_dive(dived, plan).applied.kind == "plan"


def test_between_them_every_kind_is_planned(teams):
    planned = {one.kind for team in teams.values() for one in team.members[0].plan.contingencies}
    assert planned == set(EVERY) == set(FAILURE)


def test_of_one_of_which_only_the_worst_is_told_there_is_one(teams):
    for failure in FAILURES:
        if failure.only_the_worst:
            told = [one.scenario.lost for _, one in of(teams, failure)]
            assert told
            assert len(told) == len(set(told))  # of each cylinder, or pair
