"""Planning for the page: the same plan as ever, given up when it takes too long, refused in words."""

import asyncio
import pickle
import tomllib
from datetime import datetime
from pathlib import Path

import pytest

from leadline.app import planner
from leadline.app.planner import Planner, plan_text
from leadline.dive_file import parse_dive
from leadline.logbook.database.store import Logbook
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.logbook.residual import from_log
from leadline.physics.mix import Mix
from leadline.plan.team import plan_team

TRIMIX = (Path(__file__).parents[2] / "examples" / "marigold-trimix.toml").read_text()


@pytest.fixture(scope="module")
def working():
    made = Planner(workers=1, longest_s=60.0)
    made.warm_up().result()
    yield made
    made.close()


def test_the_same_plan(working):
    found = asyncio.run(working.plan(TRIMIX))
    assert found.problems == ()
    assert found.team == plan_team(parse_dive(tomllib.loads(TRIMIX)))


def test_other_units_are_the_same_dive(working):
    metric, feet = (asyncio.run(working.plan(TRIMIX, units)).team for units in (None, "imperial"))
    assert feet.dive.units == "imperial"
    assert feet.members[0].plan.schedule == metric.members[0].plan.schedule


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "missing"),
        ("units = ", "not TOML"),
        (TRIMIX.replace("60", "-60"), "above the surface"),
        ("#" * 1_100_000, "too large"),
        ("a = " + "[" * 5000 + "]" * 5000, "nested"),
    ],
)
def test_what_is_wrong_is_said(text, said):
    found = plan_text(text)
    assert found.team is None
    assert said in found.problems[0].message


def test_a_dive_of_the_log_comes_before(tmp_path):
    """A level dive of air is logged, and the next begins with a diver who is not rested: as the log says, and as the
    command plans the same file. A log that cannot be asked is said in words."""
    url = f"sqlite:///{tmp_path / 'log.db'}"
    dived = Dived(
        began=datetime(2026, 5, 31, 10, 20),
        profile=Profile((0.0, 2.0, 40.0, 43.0), (0.0, 30.0, 30.0, 0.0)),
        cylinders=(CylinderCarried("single", Mix.parse("air"), 15.0),),
        breathed=(GasBreathed(0.0, 0),),
        title="Gull Stack",
    )
    with Logbook(url) as log:
        number = log.add(dived)
    text = f"{TRIMIX}\n[[previous]]\nlog = {number}\nsurface_interval = 60\n"
    found = plan_text(text, None, url)
    assert found.problems == ()
    assert pickle.loads(pickle.dumps(found)).team == found.team
    direct = plan_team(parse_dive(tomllib.loads(text), "", from_log(url)))
    assert found.team.members[0].plan.schedule == direct.members[0].plan.schedule
    rested = plan_team(parse_dive(tomllib.loads(TRIMIX))).members[0].plan.schedule
    assert found.team.members[0].plan.schedule.run_time_min > rested.run_time_min
    [problem] = plan_text(text.replace(f"log = {number}", "log = 7"), None, url).problems
    assert "there is no dive 7 in the log" in problem.message
    [problem] = plan_text(text, None, f"sqlite:///{tmp_path}/none/log.db").problems
    assert problem.key == "[[previous]] 1, log"
    assert "there is no folder" in problem.message
    [problem] = plan_text(f'{TRIMIX}\n[[previous]]\nfile = "/etc/passwd"\nsurface_interval = 60\n', None, url).problems
    assert problem.key == "[[previous]] 1, file"


def test_what_takes_too_long_is_given_up(monkeypatch):
    monkeypatch.setattr(planner, "plan_text", slow_if_asked)
    made = Planner(workers=1, longest_s=0.5)
    try:
        found = asyncio.run(made.plan("slow"))
    finally:
        made.close()
    assert found.team is None
    assert "given up" in found.problems[0].message


def test_a_process_that_dies_is_replaced(monkeypatch):
    made = Planner(workers=1, longest_s=60.0)
    try:
        monkeypatch.setattr(planner, "plan_text", os_exit)
        found = asyncio.run(made.plan(TRIMIX))
        assert found.team is None
        assert "try again" in found.problems[0].message
        monkeypatch.undo()
        assert asyncio.run(made.plan(TRIMIX)).team is not None
    finally:
        made.close()


def test_one_slow_dive_does_not_hold_up_another(monkeypatch):
    """With one process: what has had its turn is given up for what waits, and the process is there again."""

    async def two():
        slow = asyncio.create_task(made.plan("slow"))
        while not made._running:
            await asyncio.sleep(0.05)
        return await asyncio.gather(slow, made.plan(TRIMIX))

    made = Planner(workers=1, longest_s=120.0, turn_s=0.3)
    try:
        made.warm_up().result()
        monkeypatch.setattr(planner, "plan_text", slow_if_asked)
        slow, other = asyncio.run(two())
    finally:
        made.close()
    assert "while another dive waited" in slow.problems[0].message
    assert other.team is not None


def test_what_goes_wrong_in_here_is_said_and_logged(monkeypatch, caplog):
    made = Planner(workers=1, longest_s=60.0)
    try:
        monkeypatch.setattr(planner, "plan_text", goes_wrong)
        found = asyncio.run(made.plan(TRIMIX))
    finally:
        made.close()
    assert "error of Leadline's own" in found.problems[0].message
    assert "ZeroDivisionError" in caplog.text


def test_limits_are_stopped_with_what_is_known(working):
    async def stopped():
        job = working.limits(TRIMIX)
        waits = working.limits(TRIMIX)
        while not job.tried:
            await asyncio.sleep(0.05)
        assert waits.tried is None
        waits.stop()
        assert await waits.found() is None
        before = job.tried
        while job.tried < before + 8:
            await asyncio.sleep(0.05)
        job.stop()
        return await job.found()

    found = asyncio.run(stopped())
    assert found is not None
    assert not found.complete
    assert 8 <= found.tried < 200


def slow_if_asked(text, *more):
    import time

    if text == "slow":
        time.sleep(100.0)
    return plan_text(text, *more)


def goes_wrong(*_):
    return 1 / 0


def os_exit(*_):
    import os

    os._exit(3)
