"""`leadline log` as a user meets it."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from rich.console import Console

from leadline.cli import main
from leadline.dive_file import read_dive
from leadline.logbook.database.store import Entry, Logbook
from leadline.logbook.dived import Dived, KeptPlan
from leadline.logbook.exchange.files import write_file
from leadline.plan.team import plan_team
from leadline.terminal.log import entries_as_text, picture, progress
from leadline.units import METRIC
from tests.logbook.dives import dives, marigold
from tests.logbook.test_kill import dive as dive_of_day

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"
DIVES = 60
COMMAND = [sys.executable, "-c", "from leadline.cli.main import run; run()"]


@dataclass(frozen=True)
class Said:
    status: int
    out: str
    err: str


Run = Callable[..., Said]


@pytest.fixture
def database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    url = f"sqlite:///{tmp_path / 'log.db'}"
    monkeypatch.setenv("LEADLINE_DATABASE", url)
    return url


@pytest.fixture
def run(database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command, in this process."""
    monkeypatch.setenv("COLUMNS", "100")

    def command(*arguments: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["leadline", "log", *map(str, arguments)])
        try:
            main.run()
            status = 0
        except SystemExit as ended:
            status = int(ended.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return Said(status, said.out, said.err)

    return command


def keep(database: str, *dives: Dived) -> None:
    with Logbook(database) as log:
        for one in dives:
            log.add(one)


def kept(database: str) -> list[Dived]:
    with Logbook(database) as log:
        return [log.dive(entry.number).dived for entry in log.entries()]


# --- list and show ----------------------------------------------------------------------------------------------------


def test_an_empty_log_says_where_it_is(run: Run, tmp_path: Path):
    assert run("list") == Said(0, f"No dive in {tmp_path / 'log.db'}.\n", "")
    assert json.loads(run("list", "--json").out) == {"dives": []}


def test_the_list(run: Run, database: str):
    keep(database, marigold(), replace(dive_of_day(1, "Ben"), plan=None))
    said = run("list")
    lines = [line.split() for line in said.out.splitlines()]
    assert lines[2] == ["1", "2026-05-31", "10:20", "51", "38:00", "Ann", "plan", "Marigold,", "bow", "to", "stern"]
    assert lines[3] == ["2", "2026-06-01", "10:20", "30", "60:00", "Ben", "Marigold,", "bow", "to", "stern"]
    assert "2 dives, 1 h 38 min in the water" in said.out
    # 51 / 0.3048 is 167.3 ft.
    assert "167" in run("list", "--units", "imperial").out
    assert "Marigold" in run("list", "--diver", "Ben").out
    assert "Ann" not in run("list", "--diver", "Ben").out
    cleo = run("list", "--diver", "Cleo")
    assert (cleo.status, cleo.out) == (2, "")
    assert cleo.err == "leadline: the log has no dive of Cleo; it has those of Ann, Ben\n"


def test_a_list_fits_the_terminal_and_lists_no_empty_column():
    entry = Entry(7, datetime(2026, 5, 31, 10, 20), "Gull Stack,\x1b[2J north wall\nof Saltby", "", 30.0, 40.0, False)
    whole = entries_as_text([entry], "here", METRIC)
    assert (
        whole.splitlines()[2]
        == "   7  2026-05-31 10:20         30     40:00        Gull Stack, [2J north wall of Saltby"
    )
    assert "diver" not in whole
    narrow = entries_as_text([entry], "here", METRIC, 60).splitlines()[2]
    assert (len(narrow), whole.splitlines()[2].startswith(narrow)) == (60, True)


def test_what_is_told_on_a_terminal_and_elsewhere():
    """A bar that goes on, and lines; only the lines where nobody watches."""
    for watched in (True, False):
        screen = io.StringIO()
        with progress(Console(file=screen, force_terminal=watched, width=80)) as told:
            told.begins("many.uddf", 40)
            for _ in range(10):
                told.advances()
            told.says("many.uddf: dive 7: is broken")
        assert "many.uddf: dive 7: is broken" in screen.getvalue()
        assert ("10/40" in screen.getvalue()) == watched


@given(dives())
def test_a_picture_has_the_whole_dive_in_it(dived: Dived):
    drawn = [line.partition("|")[2].ljust(64) for line in picture(dived.profile, METRIC) if "|" in line]
    assert len(drawn) == 14
    assert all(len(line) == 64 for line in drawn)
    assert all(any(line[i] == "*" for line in drawn) for i in range(64))
    assert "*" in drawn[-1]  # the deepest
    assert "*" not in "".join(
        line for i, line in enumerate(drawn) if i < 13 * min(dived.profile.depth_m) / dived.deepest_m - 1
    )


def test_the_list_as_json(run: Run, database: str):
    keep(database, marigold())
    (one,) = json.loads(run("list", "--json").out)["dives"]
    assert one == {
        "number": 1, "began": "2026-05-31T10:20:00", "ends": "2026-05-31T10:58:00", "title": "Marigold, bow to stern",
        "diver": "Ann", "deepest_m": 51.0, "run_time_min": 38.0, "has_plan": True,
    }  # fmt: skip


def test_a_dive_is_shown(run: Run, database: str):
    """The mean depth by hand: the trapezoids between the samples are 76.5, 867, 144, 63, 121.5 and 6 m·min, in 38 min
    33.6 m."""
    keep(database, marigold())
    said = run("show", 1)
    for part in (
        "Marigold, bow to stern",
        "Dive 1, Ann: 2026-05-31 10:20 to 10:58",
        "Deepest 51 m, mean 33.6 m, run time 38:00",
        "Temperature 8.0 °C to 14.0 °C",
        "Water sea",
        "Plan: marigold.toml",
        "Visibility 12 m.",
    ):
        assert part in said.out
    rows = [line.split() for line in said.out.splitlines()]
    assert ["twins", "18/45", "24", "230", "110"] in rows
    assert ["24:00", "21", "50", "%", "deco"] in rows
    imperial = run("show", 1, "--units", "imperial").out
    assert "Deepest 167 ft, mean 110 ft" in imperial
    assert "57 °F" in imperial  # 14 °C
    assert "3335" in imperial  # 230 bar / 0.0689476


def test_the_profile_is_drawn(run: Run, database: str):
    """Down at once, along at 51 m for 17 of 38 min, to 21 m at 24 min."""
    keep(database, marigold())
    drawn = [line for line in run("show", 1).out.splitlines() if " |" in line]
    first, last = drawn[0].split("|"), drawn[-1].split("|")
    assert (first[0].strip(), last[0].strip()) == ("0", "51")
    assert first[1].startswith("*")
    assert first[1].rstrip().endswith("*")
    bottom = last[1]
    assert 3 / 38 * 64 - 2 <= len(bottom) - len(bottom.lstrip()) <= 3 / 38 * 64 + 1
    assert 20 / 38 * 64 - 1 <= len(bottom.rstrip()) <= 20 / 38 * 64 + 2
    assert set(bottom.strip()) == {"*"}
    columns = max(len(line.split("|")[1]) for line in drawn)
    assert columns == 64
    assert all(any(line.split("|")[1].ljust(64)[i] == "*" for line in drawn) for i in range(64))


def test_a_dive_as_json(run: Run, database: str):
    keep(database, marigold())
    data = json.loads(run("show", 1, "--json").out)
    assert data["cylinders"][1] == {
        "name": "deco", "gas": "50", "o2": 0.5, "he": 0.0, "size_l": 11.1, "start_bar": 200.0, "end_bar": 160.0,
    }  # fmt: skip
    assert data["breathed"][1] == {"run_time_min": 24.0, "cylinder": 1, "circuit": "open", "setpoint_bar": None}
    assert data["profile"]["depth_m"] == list(marigold().profile.depth_m)
    assert data["profile"]["temperature_c"] == [14.0, None, 8.0, None, 9.0, None, 13.5]
    assert data["profile"]["ppo2_bar"] == []
    assert data["plan"]["file"] == "marigold.toml"
    documented = (ROOT / "docs" / "log.md").read_text(encoding="utf-8")
    assert [key for key in [*data, *data["profile"], *data["cylinders"][0]] if f"`{key}`" not in documented] == []


def test_a_dive_that_is_not_there(run: Run, tmp_path: Path):
    for command in (["show", 3], ["remove", 3, "--yes"], ["export", 3, "-o", tmp_path / "a.uddf"]):
        said = run(*command)
        assert (said.status, said.out) == (2, "")
        assert said.err == f"{tmp_path / 'log.db'}: there is no dive 3 in the log; it has none yet\n"
    assert not (tmp_path / "a.uddf").exists()


# --- add --------------------------------------------------------------------------------------------------------------


def test_a_dive_is_logged_from_its_plan(run: Run, database: str):
    file = EXAMPLES / "marigold-trimix.toml"
    said = run("add", file, "--began", "2026-05-31 10:20", "--diver", "Ann")
    assert (said.status, said.out) == (0, "Dive 1: Marigold, keel, as planned, 2026-05-31 10:20\n")
    (one,) = kept(database)
    plan = plan_team(read_dive(file)).members[0].plan
    assert (one.diver, one.water, one.deepest_m) == ("Ann", "sea", 60.0)
    assert one.run_time_min == plan.schedule.run_time_min
    assert one.plan == KeptPlan("marigold-trimix.toml", file.read_text(encoding="utf-8"))
    again = run("add", file, "--began", "2026-05-31T10:21", "--diver", "Ann")
    assert again.status == 2
    assert "is in the log already, as dive 1 (2026-05-31 10:20, Marigold, keel, Ann)" in again.err


def test_a_diver_of_a_team_is_named(run: Run, database: str):
    file = EXAMPLES / "marigold-team.toml"
    for extra, words in (([], "say with --diver whose dive to log"), (["--diver", "Cleo"], "has no diver 'Cleo'")):
        said = run("add", file, "--began", "2026-05-31 10:20", *extra)
        assert (said.status, said.out) == (2, "")
        assert words in said.err
        assert "its team is Mira, Jonne, Anke" in said.err
    for name in ("Anke", "Mira"):
        assert run("add", file, "--began", "2026-05-31 10:20", "--diver", name).status == 0
    assert sorted(one.diver for one in kept(database)) == ["Anke", "Mira"]


def test_a_plan_that_is_a_no_go_is_logged_and_said(run: Run, database: str, tmp_path: Path):
    dense = tmp_path / "dense.toml"
    dense.write_text((EXAMPLES / "gull-stack-air.toml").read_text() + "\n[limits]\ndensity_no_go = 6.2\n")
    said = run("add", dense, "--began", "2026-05-31 10:20")
    assert said.status == 0
    assert "dense.toml: this plan is a no-go; it is logged as dived all the same\n" in said.err
    assert len(kept(database)) == 1


@pytest.mark.parametrize("when", ["31.5.2026", "2026-05-31", "2026-05-31 10:20+02:00", "2026-02-30 10:20"])
def test_a_time_that_is_none(run: Run, database: str, when: str):
    said = run("add", EXAMPLES / "marigold-trimix.toml", "--began", when)
    assert said.status == 2
    assert '2026-05-31 10:20"' in said.err
    assert kept(database) == []


def test_a_name_that_does_not_print(run: Run, database: str):
    for command in (["list"], ["add", EXAMPLES / "marigold-trimix.toml", "--began", "2026-05-31 10:20"]):
        said = run(*command, "--diver", "A\udcffnn")
        assert said.status == 2
        assert "letters and signs that print" in said.err


# --- import and export ------------------------------------------------------------------------------------------------


def test_out_and_in_again(run: Run, database: str, tmp_path: Path):
    dives_ = [marigold(), dive_of_day(1, "Ben"), dive_of_day(2, "")]
    keep(database, *dives_)
    file, other = tmp_path / "all.uddf", f"sqlite:///{tmp_path / 'other.db'}"
    assert run("export", "-o", file) == Said(0, f"{file}\n", "")
    said = run("import", file, "--database", other, "--diver", "Cleo")
    assert said == Said(0, "3 dives came in, 1 to 3\n", "")
    found = kept(other)
    assert [one.diver for one in found] == ["Ann", "Ben", "Cleo"]  # named where the file names none
    for one, written in zip(found, dives_, strict=True):
        assert one.began == written.began
        assert one.profile.depth_m == pytest.approx(written.profile.depth_m, abs=1e-3)
    again = run("import", file, "--database", other)
    assert again == Said(0, "No dive came in; 3 were in the log already\n", "")


def test_some_dives_go_out_in_the_order_asked(run: Run, database: str, tmp_path: Path):
    keep(database, *(dive_of_day(day) for day in range(4)))
    file, other = tmp_path / "two.uddf", f"sqlite:///{tmp_path / 'other.db'}"
    assert run("export", 3, 1, 3, "-o", file).status == 0
    assert run("import", file, "--database", other).out == "2 dives came in, 1 to 2\n"
    with Logbook(other) as log:
        assert log.dive(1).dived.began == dive_of_day(2).began
        assert log.dive(2).dived.began == dive_of_day(0).began


def test_csv_goes_out_and_in(run: Run, database: str, tmp_path: Path):
    keep(database, marigold())
    file, other = tmp_path / "one.csv", f"sqlite:///{tmp_path / 'other.db'}"
    assert run("export", 1, "-o", file).status == 0
    assert run("import", file, "--database", other).out == "1 dive came in, 1\n"
    assert kept(other)[0].profile.depth_m == pytest.approx(marigold().profile.depth_m)


def test_what_cannot_be_exported(run: Run, database: str, tmp_path: Path):
    said = run("export", "-o", tmp_path / "all.uddf")
    assert (said.status, said.err) == (2, f"leadline: there is no dive in {tmp_path / 'log.db'} to export\n")
    keep(database, marigold())
    said = run("export", 1, "-o", tmp_path / "one.txt")
    assert (said.status, said.out) == (2, "")
    assert "one.txt: is neither .uddf nor .csv" in said.err
    assert [path.name for path in tmp_path.iterdir() if path.suffix != ".db"] == []


def broken_in_the_middle(path: Path, dives: int = 5, broken: int = 3) -> None:
    """A UDDF file of some dives, one of which is 9 km deep."""
    write_file([dive_of_day(day) for day in range(dives)], path)
    parts = path.read_text(encoding="utf-8").split("<depth>")
    samples = (len(parts) - 1) // dives
    i = (broken - 1) * samples + samples // 2
    parts[i] = "9000" + parts[i][parts[i].index("<") :]
    path.write_text("<depth>".join(parts), encoding="utf-8")


def test_a_broken_dive_is_told_and_the_others_come_in(run: Run, database: str, tmp_path: Path):
    broken_in_the_middle(tmp_path / "five.uddf")
    said = run("import", tmp_path / "five.uddf")
    assert (said.status, said.out) == (1, "4 dives came in, 1 to 4; 1 is broken\n")
    (line,) = said.err.splitlines()
    assert line.startswith("five.uddf: dive 3: ")
    assert "9000" in line
    assert [one.began for one in kept(database)] == [dive_of_day(day).began for day in (0, 1, 3, 4)]


def test_a_file_that_cannot_be_read_keeps_no_other_out(run: Run, database: str, tmp_path: Path):
    write_file([marigold()], tmp_path / "good.uddf")
    said = run("import", tmp_path / "none.uddf", EXAMPLES / "marigold-team.toml", tmp_path / "good.uddf")
    assert (said.status, said.out) == (2, "1 dive came in, 1\n")
    first, second = said.err.splitlines()
    assert "none.uddf: cannot be read: no such file" in first
    assert second.startswith("marigold-team.toml: ")


def test_dives_that_come_in_keep_the_plan_given(run: Run, database: str, tmp_path: Path):
    write_file([replace(marigold(), plan=None)], tmp_path / "one.uddf")
    plan = EXAMPLES / "marigold-trimix.toml"
    bad = run("import", tmp_path / "one.uddf", "--plan", tmp_path / "one.uddf")
    assert (bad.status, bad.out) == (2, "")
    assert kept(database) == []
    assert run("import", tmp_path / "one.uddf", "--plan", plan).status == 0
    assert kept(database)[0].plan == KeptPlan("marigold-trimix.toml", plan.read_text(encoding="utf-8"))


def test_a_csv_file_without_a_time_is_given_one(run: Run, database: str, tmp_path: Path):
    file = tmp_path / "bare.csv"
    file.write_text("# cylinder: twins, air\ntime [min],depth [m]\n0,0\n2,20\n30,20\n33,0\n")
    untold = run("import", file)
    assert untold.status != 0
    assert kept(database) == []
    assert run("import", file, "--began", "2026-05-31 10:20", "--diver", "Ann").status == 0
    assert (kept(database)[0].began, kept(database)[0].diver) == (marigold().began, "Ann")


# --- plan and remove --------------------------------------------------------------------------------------------------


def test_a_plan_is_kept_afterwards(run: Run, database: str):
    keep(database, replace(marigold(), plan=None))
    plan = EXAMPLES / "marigold-trimix.toml"
    assert run("diver", 1, "Ben") == Said(0, "Dive 1 is Ben's\n", "")
    assert run("diver", 1, "  ").status == 2
    assert run("plan", 1, plan) == Said(0, "Dive 1: marigold-trimix.toml is kept as its plan\n", "")
    assert kept(database)[0].plan == KeptPlan("marigold-trimix.toml", plan.read_text(encoding="utf-8"))
    assert run("plan", 1, ROOT / "README.md").status == 2
    assert run("plan", 2, plan).status == 2


def test_removing_asks_first(run: Run, database: str, monkeypatch: pytest.MonkeyPatch):
    keep(database, marigold())
    for answer, there in (("n", True), ("y", False)):
        monkeypatch.setattr("typer.confirm", lambda question, answer=answer: answer == "y")
        assert run("remove", 1).status == 0
        assert bool(kept(database)) == there
    keep(database, marigold())
    assert run("remove", 2, "--yes").out == "Dive 2 (2026-05-31 10:20, Marigold, bow to stern, Ann) is removed\n"
    assert kept(database) == []


# --- real processes ---------------------------------------------------------------------------------------------------


def environment(database: str) -> dict[str, str]:
    return {**os.environ, "LEADLINE_DATABASE": database, "PYTHONUTF8": "1", "COLUMNS": "100"}


def begun(database: str, path: Path, some: int) -> subprocess.Popen[str]:
    """An import in a process of its own, so many dives of which are in."""
    command = [*COMMAND, "log", "import", str(path)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(database)
    )
    with Logbook(database) as log:
        until = time.monotonic() + 60.0
        while len(log.entries()) < some:
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < until
            time.sleep(0.002)
    return process


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs signals")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGINT"])
def test_an_import_that_ends_in_the_middle(database: str, tmp_path: Path, how: str):
    """Killed, or stopped with Ctrl-C: whole dives only, and the same command brings in the rest."""
    path = tmp_path / "many.uddf"
    dives_ = [dive_of_day(day) for day in range(DIVES)]
    write_file(dives_, path)
    process = begun(database, path, 10)
    process.send_signal(getattr(signal, how))
    out, err = process.communicate(timeout=60)
    with Logbook(database) as log:
        some = len(log.entries())
    assert 10 <= some < DIVES
    if how == "SIGKILL":
        assert (process.returncode, out) == (-signal.SIGKILL, "")
    else:
        assert process.returncode == 130
        assert out == f"{some} dives came in, 1 to {some}\n"
        assert err.splitlines() == [
            "leadline: interrupted; what came in is whole. The same command brings in the rest."
        ]
    command = [*COMMAND, "log", "import", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, env=environment(database), check=True)
    assert done.stdout == f"{DIVES - some} dives came in, {some + 1} to {DIVES}; {some} were in the log already\n"
    for one, written in zip(kept(database), dives_, strict=True):
        assert one.began == written.began
        assert one.profile.depth_m == pytest.approx(written.profile.depth_m, abs=1e-3)
        assert len(one.profile.run_time_min) == len(written.profile.run_time_min)


@pytest.mark.parametrize(
    "command",
    [
        "list",
        "show 1",
        "remove 1",
        "export 1 -o a.uddf",
        "plan 1 a.toml",
        "import a.uddf",
        "add a.toml --began 2026-05-31T10:20",
    ],
)
def test_every_command_takes_the_database(run: Run, tmp_path: Path, command: str):
    folder = tmp_path / "none"
    said = run(*command.split(), "--database", f"sqlite:///{folder / 'log.db'}")
    assert said == Said(2, "", f"{folder / 'log.db'}: cannot be made: there is no folder {folder}\n")
