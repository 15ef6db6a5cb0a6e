"""The public interface: every name is there when it is asked for, says what it wants, and its examples run."""

import doctest
import html
import importlib
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import leadline
from leadline.show.sentences import headline

ROOT = Path(__file__).parents[1]
VERBS = [name for name in leadline.__all__ if name.islower()]


@pytest.mark.parametrize("name", leadline.__all__)
def test_every_name_is_there_and_its_examples_run(name, monkeypatch):
    monkeypatch.chdir(ROOT)
    found = getattr(leadline, name)
    tests = doctest.DocTestFinder(recurse=False).find(found, name, globs={})
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS)
    for test in tests:
        runner.run(test)
    assert runner.failures == 0
    assert inspect.getdoc(found)
    assert name in dir(leadline)


@pytest.mark.parametrize("name", ["plan_dive", "plan_team", "plan_day", "run_ensemble", "plan_table_set", "to_dict"])
def test_what_is_wanted_is_said(name):
    with pytest.raises(TypeError, match=rf"^{name} wants .* not str$"):
        getattr(leadline, name)("x")


def test_more_that_is_wanted(tmp_path):
    dive = leadline.read_dive(ROOT / "examples" / "gull-stack-air.toml")
    with pytest.raises(TypeError, match="solve_for wants a Dive"):
        leadline.solve_for("time", "x")
    with pytest.raises(ValueError, match="time, depth, mix, deco, cylinders, gas, interval, not 'luck'"):
        leadline.solve_for("luck", dive)
    with pytest.raises(TypeError, match="write_sheets wants a Team"):
        leadline.write_sheets(dive, tmp_path)
    with pytest.raises(TypeError, match="to_dataframe wants a Plan"):
        leadline.to_dataframe(dive)
    with pytest.raises(AttributeError, match="no attribute 'plan_it'"):
        leadline.plan_it  # noqa: B018


def test_nothing_is_imported_before_it_is_asked_for():
    """A package keeps its name: no function hides it."""
    code = "import sys, leadline; print('numba' in sys.modules, 'pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == (
        "False False\n"
    )
    for module in ("leadline.plan.schedule", "leadline.solve", "leadline.plan.oxygen"):
        assert inspect.ismodule(importlib.import_module(module))


def test_no_module_is_named_as_a_function_in_it():
    for path in (ROOT / "src" / "leadline").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert f"\ndef {path.stem}(" not in text, path
        assert f"\nclass {path.stem}(" not in text, path


def test_a_plan_is_a_line():
    plan = leadline.plan_dive(leadline.read_dive(ROOT / "examples" / "marigold-trimix.toml"))
    for found in (plan, plan.schedule, *plan.contingencies):
        assert len(repr(found)) < 200
        assert "\n" not in repr(found)


def test_data_is_what_the_command_prints():
    dive = leadline.read_dive(ROOT / "examples" / "marigold-trimix.toml")
    team = leadline.plan_team(dive)
    assert leadline.to_dict(team)["divers"][0]["plan"] == leadline.to_dict(team.members[0].plan)
    own = leadline.to_dict(team.members[0].plan)
    assert leadline.to_dict(leadline.plan_day(dive)) == own | {"day": None}


def test_a_notebook_shows_verdict_profile_and_schedule():
    plan = leadline.plan_dive(leadline.read_dive(ROOT / "examples" / "marigold-trimix.toml"))
    shown = plan._repr_html_()
    assert headline(plan.findings, "metric") in html.unescape(shown)
    assert shown.count("<polyline") == 2
    rows = [re.findall(r"<td>(.*?)</td>", row) for row in re.findall(r"<tr>(.*?)</tr>", shown)]
    for stop in plan.schedule.stops:
        assert [f"{stop.depth_m:g}", f"{stop.minutes}", f"{stop.leave_min:g}"] in [row[:3] for row in rows]
    assert "not training" in shown
