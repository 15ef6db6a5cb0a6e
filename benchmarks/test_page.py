"""From an edit on the page to everything ready to send: `python -m pytest benchmarks` prints the figures.

What the server does between a keystroke and its answer: the draft is edited, read and planned with its contingencies,
and every table, picture and read-out is made anew. Nothing here can fail on time.
"""

import json
import pickle
from pathlib import Path
from typing import Any

import pytest

from leadline.app import charts, tables
from leadline.app.draft import Draft
from leadline.app.planner import PlannedTeam, plan_text

EXAMPLES = Path(__file__).parents[1] / "examples"
DIVES = ("marigold-trimix", "marigold-loop", "marigold-team")
TEXTS = {name: (EXAMPLES / f"{name}.toml").read_text() for name in DIVES}


def edited(text: str, minutes: int) -> str:
    """The draft with another bottom time, as a field writes it."""
    return Draft(text).with_value(("levels", 0, "leave_at"), minutes).text


def passed_on(planned: PlannedTeam) -> PlannedTeam:
    """Through the pipe from the planning process."""
    found: PlannedTeam = pickle.loads(pickle.dumps(planned))
    return found


def to_send(planned: PlannedTeam) -> int:
    """Everything that the page shows of the first diver. [characters]"""
    assert planned.team is not None
    team, plan = planned.team, planned.team.members[0].plan
    made = (
        tables.verdict(team), tables.figures(plan), tables.findings(team.findings), tables.schedule(plan),
        tables.gas(plan), tables.turning(plan), tables.breathing(plan), tables.contingencies(plan),
        charts.dive_chart(plan), charts.tissue_chart(plan), charts.cursor_points(plan),
    )  # fmt: skip
    return len(json.dumps(made))


@pytest.mark.parametrize("name", DIVES)
def test_an_edit(benchmark: Any, name: str) -> None:
    """The whole way."""
    minutes = iter(range(15, 1_000_000))

    def change() -> int:
        return to_send(passed_on(plan_text(edited(TEXTS[name], 15 + next(minutes) % 10))))

    assert benchmark(change) > 10_000


@pytest.mark.parametrize("name", DIVES)
def test_the_plan_of_an_edit(benchmark: Any, name: str) -> None:
    """Of that, in the planning process."""
    assert benchmark(plan_text, TEXTS[name]).team is not None


@pytest.mark.parametrize("name", DIVES)
def test_what_is_made_of_a_plan(benchmark: Any, name: str) -> None:
    """Of that, tables, pictures and read-outs."""
    planned = plan_text(TEXTS[name])
    assert benchmark(to_send, planned) > 10_000
