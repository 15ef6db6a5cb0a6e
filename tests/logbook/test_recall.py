"""`leadline debrief`, and what it finds in the log: the kept plan, the diver's earlier dives."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from leadline.cli import main
from leadline.dive_file import read_dive
from leadline.dive_file.errors import DiveFileError
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.database.store import Logbook
from leadline.logbook.debrief.recall import debrief_of
from leadline.logbook.dived import KeptPlan, Profile
from leadline.plan.team import plan_team

EXAMPLES = Path(__file__).parents[2] / "examples"
MORNING = datetime(2026, 5, 31, 9, 0)


def planned(name, began=MORNING, diver="Ann", kept=True):
    """An example dived exactly."""
    file = EXAMPLES / f"{name}.toml"
    team = plan_team(read_dive(file))
    member = next((one for one in team.members if one.name == diver), team.members[0])
    dive = dived_as_planned(member.plan, began, diver)
    return replace(dive, plan=KeptPlan(file.name, file.read_text())) if kept else dive


def deeper(dive, metres=4.0):
    deepest = dive.deepest_m
    depths = tuple(depth + metres if depth == deepest else depth for depth in dive.profile.depth_m)
    return replace(dive, profile=Profile(dive.profile.run_time_min, depths))


@pytest.fixture
def log(tmp_path, monkeypatch):
    monkeypatch.setenv("LEADLINE_DATABASE", f"sqlite:///{tmp_path / 'dives.db'}")
    with Logbook.open() as book:
        yield book


def run(monkeypatch, capsys, *arguments):
    monkeypatch.setattr("sys.argv", ["leadline", "debrief", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main.run()
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_the_kept_plan_is_what_a_dive_is_held_against(log, monkeypatch, capsys):
    number = log.add(planned("marigold-trimix"))
    status, out, _ = run(monkeypatch, capsys, number)
    assert status == 0
    assert "Marigold, keel, Ann" in out
    assert "no deviation found" in out


def test_a_caution_is_exit_status_1_and_comes_first(log, monkeypatch, capsys):
    number = log.add(deeper(planned("marigold-trimix")))
    status, out, _ = run(monkeypatch, capsys, number)
    assert status == 1
    assert out.index("4 m deeper") < out.index("Which sheet applied") < out.index("Plan and dive") < out.index("Gas")


def test_json_is_json_and_the_page_is_written(log, monkeypatch, capsys, tmp_path):
    number = log.add(deeper(planned("marigold-trimix")))
    status, out, err = run(monkeypatch, capsys, number, "--json", "-o", tmp_path / "dive.pdf")
    assert status == 1
    assert json.loads(out)["findings"][0]["code"] == "deeper"
    assert "dive.pdf" in err
    assert (tmp_path / "dive.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((9,), "there is no dive 9 in the log; it has 1"),
        ((1,), "dive 1: has no plan kept with it; name one with --plan FILE"),
        ((1, "--plan", EXAMPLES / "marigold-team.toml"), "is Ann's, and the plan is for Mira, Jonne, Anke"),
        ((1, "--plan", EXAMPLES / "no-such.toml"), "cannot be read"),
        ((1, "-o", "dive.txt"), "end it with .pdf"),
    ],
)
def test_bad_input_is_exit_status_2_and_one_line(log, monkeypatch, capsys, arguments, words):
    log.add(planned("marigold-trimix", kept=False))
    status, out, err = run(monkeypatch, capsys, *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert len(err.strip().splitlines()) == 1


def test_another_plan_can_be_named(log):
    number = log.add(planned("marigold-trimix", kept=False))
    found = debrief_of(number, EXAMPLES / "marigold-trimix.toml")
    assert found.findings == ()


def test_a_kept_plan_that_is_none_is_refused(log):
    dive = replace(planned("marigold-trimix"), plan=KeptPlan("scrap.toml", "not = = TOML"))
    with pytest.raises(DiveFileError, match=r"scrap\.toml: is no dive file any more"):
        debrief_of(log.add(dive))


def test_a_team_is_debriefed_diver_by_diver(log):
    for diver in ("Mira", "Jonne"):
        found = debrief_of(log.add(planned("marigold-team", diver=diver)))
        assert found.findings == ()
    low = {"Mira": 30.0, "Jonne": 40.0}
    assert found.plan.dive.model.gradient_factors[0] == low["Jonne"]


def test_earlier_dives_of_files_that_are_not_kept_are_those_of_the_log(log):
    """marigold-second begins 3 h after marigold-trimix: with that in the log both begin alike, and as its file says."""
    log.add(planned("marigold-trimix"))
    began = MORNING + timedelta(minutes=planned("marigold-trimix").run_time_min + 180.0)
    found = debrief_of(log.add(planned("marigold-second", began.replace(microsecond=0))))
    assert found.findings == ()
    assert found.from_log
    assert "which are not kept; the log has dive 1, 3 h 00 min before: both begin so." in found.said[0]
    start = plan_team(read_dive(EXAMPLES / "marigold-second.toml")).members[0].plan
    assert found.retraced.loaded.tensions_bar[0] == pytest.approx(start.schedule.track.tensions_bar[0], abs=1e-4)


def test_without_any_in_the_log_it_says_that_both_begin_rested(log):
    found = debrief_of(log.add(planned("marigold-second")))
    assert "the log has none before this one: plan and dive are run from rest" in found.said[0]
    rested = (1.01325 - 0.0627) * (1.0 - 0.2098)
    assert found.retraced.loaded.tensions_bar[0, 0] == pytest.approx(np.full(16, rested))


def test_a_dive_before_that_the_plan_does_not_know_counts(log):
    """The same dive twice with an hour between: the plan begins rested, the diver did not."""
    first = planned("marigold-trimix")
    log.add(first)
    found = debrief_of(log.add(planned("marigold-trimix", MORNING + timedelta(minutes=round(first.run_time_min) + 60))))
    assert "The plan begins with a rested diver; the log has dive 1, 1 h 00 min before" in found.said[0]
    assert found.caution
    assert found.gf_surface > found.planned_gf_surface


def test_a_shorter_surface_interval_than_planned_is_a_caution(log):
    """The second dive was planned for 3 h after the first."""
    first = planned("marigold-trimix")
    log.add(first)
    ends = MORNING + timedelta(minutes=first.run_time_min)
    in_time = log.add(planned("marigold-second", ends + timedelta(minutes=180)))
    assert not any(finding.code == "surface-interval" for finding in debrief_of(in_time).findings)
    log.remove(in_time)
    found = debrief_of(log.add(planned("marigold-second", ends + timedelta(minutes=42))))
    (sooner,) = [finding for finding in found.findings if finding.code == "surface-interval"]
    assert sooner.severity == "caution"
    assert sooner.message == "Begun 42 min after dive 1, 2 h 18 min sooner than planned."
