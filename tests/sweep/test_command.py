"""`leadline sweep` as a user meets it: real processes, stopped and killed, and what they say."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest
from rich.console import Console

from leadline.dive_file.reader import read_file
from leadline.sweep.parts import Summed
from leadline.sweep.run import Done, chunks_of, read_sweep, run_sweep, worth_processes
from leadline.terminal.sweep import how_far, lasting, progress, show_done
from tests.sweep.sweeps import AIR, axis, rows_in
from tests.test_cli import COMMAND, leadline_command

SMALL = AIR + "[sweep]\n" + axis("levels.1.depth", "[30, 40]") + axis("levels.1.leave_at", "[1, 20]")
LONG = (
    AIR
    + "[sweep]\ncontingencies = true\n"
    + axis("diver.rmv_bottom", "from = 15\nto = 24.8\nstep = 0.2")
    + axis("levels.1.depth", "[30, 33, 36]")
)
"""Some seconds of work, in fifteen parts."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "long.toml").write_text(LONG, encoding="utf-8")
    return tmp_path


def words(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("name", ["r.parquet", "r.csv", "R.CSV"])
def test_a_sweep(folder: Path, name: str):
    done = leadline_command("sweep", "small.toml", "-o", name, cwd=folder)
    assert done.returncode == 0
    said = words(done.stdout)
    assert said.startswith("Marigold, foredeck: 4 dives Planned 4 in ")
    # At 20 m/min neither depth is reached within a minute.
    assert "2 of 4 rows cannot be dived, each with the reason in its column refused. The first: [[levels]]" in said
    assert "A planning aid, not training" in said
    assert said.rstrip().endswith(name)
    assert len(rows_in(folder / name)) == 4 if name != "R.CSV" else (folder / name).exists()
    assert sorted(path.name for path in folder.iterdir()) == sorted([name, "long.toml", "small.toml"])


def test_a_sweep_that_is_done(folder: Path):
    leadline_command("sweep", "small.toml", cwd=folder)
    again = leadline_command("sweep", "small.toml", cwd=folder)
    assert again.returncode == 0
    assert "nothing was planned anew" in again.stdout
    assert again.stdout.rstrip().endswith("sweep.parquet")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            ["small.toml", "-o", "r.xlsx"],
            "leadline: r.xlsx is no name for a sweep's result; end it with .parquet or .csv",
        ),
        (["small.toml", "-o", "nowhere/r.csv"], "nowhere: is no folder; make it first, or name another with -o"),
        (["nowhere.toml"], "nowhere.toml: cannot be read: no such file or directory"),
        (["plain.toml"], "plain.toml: [[sweep.axes]]: is missing; say what to vary"),
        (["wrong.toml"], "wrong.toml: [[sweep.axes]] 1, key: 'levels.1.dpth' is not in a dive file; did you mean"),
        (["small.toml", "--workers", "here"], "--workers: 'here' is no address of a scheduler"),
    ],
)
def test_bad_input(folder: Path, arguments: list[str], said: str):
    (folder / "plain.toml").write_text(AIR, encoding="utf-8")
    (folder / "wrong.toml").write_text(SMALL.replace("1.depth", "1.dpth"), encoding="utf-8")
    before = sorted(path.name for path in folder.iterdir())
    done = leadline_command("sweep", *arguments, cwd=folder)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.splitlines()[-1].startswith(said)  # after a word on compiling, maybe
    assert "Traceback" not in done.stderr
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.skipif(os.name == "nt", reason="there are no such signals")
@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGINT])
def test_stopped_in_mid_run_and_gone_on_with(folder: Path, sent: signal.Signals):
    sweep = read_sweep(read_file(folder / "long.toml"))
    assert len(chunks_of(sweep)) == 15
    assert not worth_processes(sweep)
    run_sweep(sweep, folder / "whole.parquet")
    parts = folder / "r.parquet.parts"

    def finished() -> list[str]:
        return sorted(path.name for path in parts.glob("[0-9]*.parquet"))

    with subprocess.Popen(
        [*COMMAND, "sweep", "long.toml", "-o", "r.parquet"], cwd=folder, stderr=subprocess.PIPE, text=True
    ) as running:
        until = time.monotonic() + 120.0
        while len(finished()) < 2 and time.monotonic() < until:
            time.sleep(0.02)
        running.send_signal(sent)
        _, errors = running.communicate(timeout=60)
    there = finished()
    assert 2 <= len(there) < 15, errors
    assert not (folder / "r.parquet").exists()
    if sent == signal.SIGINT:
        assert running.returncode == 130
        assert re.search(
            r"^leadline: stopped\. \d+ of 150 dives are finished, in r\.parquet\.parts; the same command goes on$",
            errors, re.MULTILINE,
        )  # fmt: skip
    stamps = {name: (parts / name).stat().st_mtime_ns for name in there}
    assert [row["dive"] for row in rows_in(parts)] == [row["dive"] for row in rows_in(folder / "whole.parquet")][
        : len(rows_in(parts))
    ]
    assert all((parts / name).stat().st_mtime_ns == stamp for name, stamp in stamps.items())
    done = leadline_command("sweep", "long.toml", "-o", "r.parquet", cwd=folder)
    assert done.returncode == 0
    assert "were finished before" in done.stdout
    assert (folder / "r.parquet").read_bytes() == (folder / "whole.parquet").read_bytes()
    assert not parts.exists()


@pytest.mark.skipif(os.name == "nt", reason="there is no such limit")
def test_a_file_system_that_takes_no_more(folder: Path):
    """The system itself refuses: files of more than 20 kB cannot be written, and a part of a thousand dives is one."""
    text = AIR + "[sweep]\n" + axis("levels.1.leave_at", "from = 5\nto = 44\nstep = 1")
    text += axis("diver.rmv_bottom", "from = 10\nto = 20\nstep = 0.1")
    (folder / "wide.toml").write_text(text, encoding="utf-8")
    limited = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)); from leadline.cli.main import run; run()"
    )
    done = subprocess.run(
        [COMMAND[0], "-c", limited, "sweep", "wide.toml"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (1, "")
    said = "File too large. Nothing is finished yet; make room, and the same command begins anew"
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(folder.glob("sweep.parquet*"))


# --- What is said on the way ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.4, "0 s"), (119.4, "119 s"), (120.0, "2 min"), (3600.0, "60 min"), (7200.0, "2 h"), (172_800.0, "2 days")],
)
def test_times_in_words(seconds: float, said: str):
    assert lasting(seconds) == said


def test_how_far_it_is():
    """Of a million, 250,000 were finished before; 50,000 in 10 s are 5,000 a second: 700,000 more take 140 s."""
    assert how_far(300_000, 1_000_000, 50_000, 10.0) == "300,000 of 1,000,000 dives, 5,000 a second, 2 min left"
    assert how_far(250_000, 1_000_000, 0, 0.0) == "250,000 of 1,000,000 dives"
    assert how_far(3, 12, 3, 2.0) == "3 of 12 dives, 1.5 a second, 6 s left"


def test_where_no_terminal_is_a_line_is_said_now_and_then():
    now = [0.0]
    out = io.StringIO()
    with progress(Console(file=out, width=60), clock=lambda: now[0]) as watch:
        watch.told(100, 1000)
        for minute in range(1, 10):
            now[0] = 20.0 * minute
            watch.told(100 + 100 * minute, 1000)
        watch.say("No workers yet.")
    # From 100 on, 100 in 20 s: the first line after 10 s, the next a minute later; the last is the end.
    assert out.getvalue().splitlines() == [
        "200 of 1,000 dives, 5.0 a second, 3 min left",
        "500 of 1,000 dives, 5.0 a second, 100 s left",
        "800 of 1,000 dives, 5.0 a second, 40 s left",
        "No workers yet.",
    ]


def test_in_a_terminal_it_is_a_bar():
    out = io.StringIO()
    with progress(Console(file=out, width=100, force_terminal=True)) as watch:
        watch.told(10, 40)
        watch.told(20, 40)
        watch.say("No workers yet.")
    assert "20 of 40 dives" in out.getvalue()
    assert "No workers yet." in out.getvalue()


def test_what_came_of_it():
    def said(done: Done) -> str:
        out = io.StringIO()
        show_done(done, "Marigold, [keel]", 20.0, Console(file=out, width=60))
        return out.getvalue()

    path = Path("a long way") / "to the result, which is longer than the terminal is wide" / "r.parquet"
    found = said(Done(path, 1000, 400, Summed(1000, 0, "")))
    assert "Marigold, [keel]: 1,000 dives" in found
    assert "Planned 400 in 20 s, 20 a second; 600 were finished before." in found
    assert "cannot be dived" not in found
    assert found.splitlines()[-1] == str(path)
