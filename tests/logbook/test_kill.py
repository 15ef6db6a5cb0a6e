"""A log that is killed in the middle of an import has whole dives, and takes the rest."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from leadline.logbook.database.store import Duplicate, Logbook
from leadline.logbook.dived import Dived, Profile
from tests.logbook.dives import marigold

ROOT = Path(__file__).parents[2]
DIVES = 300
MINUTES = 60
ADDS = """
import sys
from leadline.logbook.database.store import Duplicate, Logbook
from tests.logbook.test_kill import dive
url, first, last, diver = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
with Logbook(url) as log:
    print("open", flush=True)
    for i in range(first, last):
        try:
            print(log.add(dive(i, diver)), flush=True)
        except Duplicate as known:
            print("known", known.number, flush=True)
"""


def dive(day: int, diver: str = "Ann") -> Dived:
    """A dive of an hour on a day, with a sample every ten seconds, no two alike."""
    one = marigold()
    count = 6 * MINUTES + 1
    times = tuple(i / 6 for i in range(count))
    depths = tuple(min(2.0 * i, 30.0 + day / 100, 2.0 * (count - 1 - i)) for i in range(count))
    pressures = tuple(220.0 - 0.1 * i for i in range(count))
    profile = Profile(times, depths, temperature_c=(9.0,) * count, pressure_bar=(pressures, ()))
    return replace(one, began=one.began + timedelta(days=day), profile=profile, diver=diver)


def adding(path: Path, first: int, last: int, diver: str = "Ann") -> subprocess.Popen[str]:
    """Another process, which adds the dives of some days."""
    command = [sys.executable, "-c", ADDS, f"sqlite:///{path}", str(first), str(last), diver]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
@pytest.mark.parametrize("after", [1, 7, 40])
def test_killed_while_adding(tmp_path: Path, after: int):
    path = tmp_path / "log.db"
    process = adding(path, 0, DIVES)
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip() == str(after):
            break
    time.sleep(0.003)  # in the middle of the next one
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=30)
    assert process.returncode == -signal.SIGKILL

    with Logbook(f"sqlite:///{path}") as log:
        found = log.entries()
        assert after <= len(found) < DIVES  # what it said is in is in, and it was not done
        assert [entry.number for entry in found] == list(range(1, len(found) + 1))
        for i, entry in enumerate(found):
            assert log.dive(entry.number).dived == dive(i)  # whole
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []

    some = min(len(found) + 5, DIVES)
    out, _ = adding(path, 0, some).communicate(timeout=120)
    known = [line for line in out.splitlines() if line.startswith("known")]
    assert known == [f"known {entry.number}" for entry in found]
    with Logbook(f"sqlite:///{path}") as log:
        assert [log.dive(entry.number).dived for entry in log.entries()] == [dive(i) for i in range(some)]


def test_two_processes_that_add_at_once_both_succeed(tmp_path: Path):
    path = tmp_path / "log.db"
    started = [adding(path, 0, 40, diver) for diver in ("Ann", "Ben")]
    for process in started:
        process.communicate(timeout=120)
        assert process.returncode == 0
    with Logbook(f"sqlite:///{path}") as log:
        assert sorted(entry.number for entry in log.entries()) == list(range(1, 81))
        for diver in ("Ann", "Ben"):
            assert [log.dive(one.number).dived for one in log.entries(diver)] == [dive(i, diver) for i in range(40)]


def test_two_processes_that_bring_in_the_same_dives_bring_in_each_once(tmp_path: Path):
    path = tmp_path / "log.db"
    started = [adding(path, 0, 30), adding(path, 0, 30)]
    said = [process.communicate(timeout=120)[0].splitlines()[1:] for process in started]
    assert [process.returncode for process in started] == [0, 0]
    new = [line for lines in said for line in lines if not line.startswith("known")]
    assert sorted(map(int, new)) == list(range(1, 31))
    assert sum(map(len, said)) == 60


def test_who_reads_does_not_wait_for_who_writes(tmp_path: Path):
    path = tmp_path / "log.db"
    with Logbook(f"sqlite:///{path}") as writer, Logbook(f"sqlite:///{path}") as reader:
        writer.add(dive(0))
        with writer._writing() as connection:
            connection.exec_driver_sql("DELETE FROM dive")
            assert len(reader.entries()) == 1
            assert reader.dive(1).dived == dive(0)
        assert reader.entries() == ()


def test_an_add_that_is_interrupted_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """As by Ctrl-C, in the middle of the rows of a dive."""
    from leadline.logbook.database import store

    def interrupted(column: object, profile: object) -> None:
        raise KeyboardInterrupt

    with Logbook(f"sqlite:///{tmp_path / 'log.db'}") as log:
        monkeypatch.setattr(store, "_filled", interrupted)
        with pytest.raises(KeyboardInterrupt):
            log.add(dive(0))
        monkeypatch.undo()
        assert (log.entries(), log.divers()) == ((), ())
        assert log.add(dive(0)) == 1
        with pytest.raises(Duplicate):
            log.add(dive(0))
