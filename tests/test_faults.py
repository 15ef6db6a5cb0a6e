"""What can go wrong around Leadline: a full disk, a folder that cannot be written, a kill in the middle, an output that
nobody reads or that cannot show what is printed, another language's numbers and names."""

from __future__ import annotations

import io
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from leadline.atomic_write import write_whole
from leadline.cli import main, output
from leadline.dive_file import parse_dive, read_dive
from leadline.logbook.database.store import Logbook
from leadline.logbook.database.where import LogError
from leadline.logbook.dived import Profile
from leadline.mixing import mix
from leadline.plan.team import plan_team
from leadline.sheets import write_sheets
from leadline.sheets.label import write_labels
from tests.dives import tables
from tests.logbook.dives import marigold

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"
TRIMIX = EXAMPLES / "marigold-trimix.toml"
FILLS = EXAMPLES / "marigold-fills.toml"
NAMES = """
title = "Größe, Žluťoučký кит Ωmega 深い海 🐟 عربي"
units = "metric"
[[levels]]
depth = 30
leave_at = 20
[[cylinders]]
name = "двойка 深"
gas = "air"
size = 24
pressure = 230
use = "bottom"
[[team]]
name = "Ånn Šímová"
[[team]]
name = "ベン"
"""
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc and /dev/full are Linux's")
posix = pytest.mark.skipif(os.name == "nt", reason="no such limits and signals there")


@pytest.fixture
def command(monkeypatch):
    """Runs the command in this process, with an output of its own; gives the exit status."""

    def run(*arguments, out=None):
        monkeypatch.setattr(sys, "argv", ["leadline", *map(str, arguments)])
        monkeypatch.setattr(sys, "stdout", out)
        with pytest.raises(SystemExit) as ended:
            main.run()
        return ended.value.code

    return run


def listed(folder):
    return sorted(path.name for path in folder.iterdir())


# --- Disks ------------------------------------------------------------------------------------------------------------


@contextmanager
def no_file_over(most_bytes):
    """As a disk that is full: what goes over it cannot be written. (Python ignores the signal, and raises.)"""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@posix
def test_a_full_disk_leaves_what_was_there(tmp_path):
    path = tmp_path / "limits.png"
    path.write_bytes(b"old")
    with no_file_over(1000), pytest.raises(OSError, match="File too large") as refused:
        write_whole(path, b"new" * 1000)
    assert refused.value.filename == str(path)  # and not the file it was first written to
    assert (listed(tmp_path), path.read_bytes()) == (["limits.png"], b"old")


@posix
def test_sheets_on_a_full_disk_are_the_old_ones_or_none(tmp_path):
    team = plan_team(read_dive(TRIMIX))
    old = {path.name: path.read_bytes() for path in write_sheets(team, tmp_path / "old")}
    other = plan_team(parse_dive(tables(30, 20)))
    for folder in ("old", "none"):
        with no_file_over(20_000), pytest.raises(OSError, match="File too large") as refused:
            write_sheets(other, tmp_path / folder)
        assert Path(refused.value.filename).parent == tmp_path / folder
        assert Path(refused.value.filename).name in old
    assert {path.name: path.read_bytes() for path in (tmp_path / "old").iterdir()} == old
    assert listed(tmp_path) == ["old"]


@pytest.mark.parametrize("written", ["labels", "sheets"])
def test_a_disk_that_fails_when_it_is_to_keep_what_was_written(tmp_path, monkeypatch, written):
    """Some tell of a full disk only then."""

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    dive = read_dive(FILLS)
    analysed, team = mix(dive).analysed.analysed, plan_team(dive)

    def write():
        if written == "labels":
            write_labels(dive, analysed, tmp_path / "labels.pdf")
        else:
            write_sheets(team, tmp_path / "out")

    with pytest.raises(OSError, match="No space left on device") as refused:
        write()
    assert Path(refused.value.filename).suffix == ".pdf"
    assert not Path(refused.value.filename).name.startswith(".")
    assert listed(tmp_path) == []


@linux
@pytest.mark.parametrize("arguments", [("plan", TRIMIX), ("plan", "--json", TRIMIX), ("mix", "--json", FILLS)], ids=str)
def test_output_to_a_full_disk(command, arguments, capsys):
    with _full() as out:
        assert command(*arguments, out=out) == output.BAD_INPUT
    assert capsys.readouterr().err.splitlines()[-1] == "leadline: No space left on device"


@contextmanager
def _full():
    """A file on a full disk. What could not be written is dropped."""
    out = open("/dev/full", "w", encoding="utf-8")  # noqa: SIM115
    try:
        yield out
    finally:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, out.fileno())
        os.close(null)
        out.close()


@linux
@pytest.mark.parametrize(
    "arguments",
    [("sheets", TRIMIX, "-o", "{}/out"), ("mix", FILLS, "-o", "{}/labels.pdf")],
    ids=["sheets", "labels"],
)
@pytest.mark.parametrize("folder", ["/proc", "{tmp}/file"])
def test_a_folder_that_cannot_be_written(command, arguments, folder, tmp_path, capsys):
    """Root may write anywhere but here: nothing is made in /proc, and a file is no folder."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    folder = folder.format(tmp=tmp_path)
    out = io.StringIO()
    status = command(*(str(part).format(folder) for part in arguments), out=out)
    said = capsys.readouterr().err.splitlines()[-1]
    assert status == output.BAD_INPUT
    assert said.startswith(f"leadline: {folder}")
    assert ".part" not in said
    assert (listed(tmp_path), (tmp_path / "file").read_text(encoding="utf-8")) == (["file"], "mine")


KILLED = """
import os, signal, sys
from pathlib import Path
os.fsync = lambda _: os.kill(os.getpid(), signal.SIGKILL)
from leadline.atomic_write import write_whole
write_whole(Path(sys.argv[1]), b"new")
"""


@posix
def test_killed_in_the_middle_the_old_file_is_whole(tmp_path):
    path = tmp_path / "label.pdf"
    path.write_bytes(b"old")
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)])
    assert done.returncode == -signal.SIGKILL
    assert path.read_bytes() == b"old"
    write_whole(path, b"newer")
    assert path.read_bytes() == b"newer"


# --- The log ----------------------------------------------------------------------------------------------------------

ADDED = """
import sys
from dataclasses import replace
from datetime import timedelta
from leadline.logbook.database.store import Logbook
from tests.logbook.dives import marigold
begins = int(sys.argv[2])
with Logbook.open(sys.argv[1]) as log:
    for i in range(12):
        log.add(replace(marigold(), began=marigold().began + timedelta(days=begins + i), title=f"dive {begins + i}"))
"""


def test_two_processes_on_one_log(tmp_path):
    """Neither loses a dive to the other, and no number is given twice. Both make the log: it is not there yet."""
    url = f"sqlite:///{tmp_path / 'log.db'}"
    running = [
        subprocess.Popen([sys.executable, "-c", ADDED, url, begins], cwd=ROOT, stderr=subprocess.PIPE, text=True)
        for begins in ("0", "100")
    ]
    assert [(one.communicate(timeout=300)[1], one.returncode) for one in running] == [("", 0), ("", 0)]
    with Logbook.open(url) as log:
        entries = log.entries()
    assert len({entry.number for entry in entries}) == 24
    assert {entry.title for entry in entries} == {f"dive {day}" for day in (*range(12), *range(100, 112))}


@posix
def test_a_log_on_a_full_disk_says_so_and_keeps_what_it_has(tmp_path):
    path = tmp_path / "log.db"
    with Logbook.open(f"sqlite:///{path}") as log:
        log.add(marigold())
    samples = 20_000
    long = replace(
        marigold(),
        began=marigold().began + timedelta(days=1),
        profile=Profile(
            tuple(i * 0.01 for i in range(samples)),
            tuple(0.0 if i in (0, samples - 1) else 9.0 for i in range(samples)),
        ),
    )
    with no_file_over(path.stat().st_size + 20_000), Logbook.open(f"sqlite:///{path}") as log:
        with pytest.raises(LogError) as refused:
            log.add(long)
        assert "disk" in str(refused.value) or "cannot be written" in str(refused.value), refused.value
    with Logbook.open(f"sqlite:///{path}") as log:
        assert [entry.number for entry in log.entries()] == [1]
        log.add(long)


def test_a_clock_that_is_set_back_between_two_dives(tmp_path):
    """A dive is when it says it was, not when it was written down: logged later, it still goes before."""
    with Logbook.open(f"sqlite:///{tmp_path / 'log.db'}") as log:
        log.add(marigold())
        log.add(replace(marigold(), began=marigold().began - timedelta(hours=5)))
        began = [entry.began for entry in log.entries()]
    assert began == sorted(began)


# --- Outputs ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [("plan", TRIMIX), ("plan", "--json", TRIMIX), ("plan", "none.toml")], ids=str)
def test_with_its_output_closed_the_exit_status_still_says_it(command, arguments, monkeypatch):
    """As `leadline plan FILE >&- 2>&-` does."""
    monkeypatch.setattr(sys, "stderr", None)
    assert command(*arguments) == (output.BAD_INPUT if "none.toml" in arguments else output.GO)
    sys.stdout.close()
    sys.stderr.close()


@posix
@pytest.mark.parametrize("arguments", [("plan", TRIMIX), ("plan", "--json", TRIMIX), ("--help",)], ids=str)
def test_output_that_nobody_reads_is_no_verdict(command, arguments):
    """1 would be a no-go, and 0 none."""
    reads, writes = os.pipe()
    os.close(reads)
    with os.fdopen(writes, "w", encoding="utf-8") as out:
        assert command(*arguments, out=out) == output.UNREAD


class Terminal(io.TextIOWrapper):
    """A terminal of an encoding; what was printed to it."""

    def __init__(self, encoding, errors="strict"):
        super().__init__(io.BytesIO(), encoding=encoding, errors=errors)

    @property
    def printed(self):
        self.flush()
        return self.buffer.getvalue().decode(self.encoding)


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_names_that_a_terminal_cannot_show(command, encoding, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    path = tmp_path / "深.toml"
    path.write_text(NAMES, encoding="utf-8")
    out = Terminal(encoding)
    assert command("plan", path, out=out) == output.GO
    text = out.printed
    assert max(map(len, text.splitlines())) <= 40
    assert ("ベン" in text) == (encoding == "utf-8")
    out = Terminal(encoding)
    assert command("plan", "--json", path, out=out) == output.GO
    data = json.loads(out.printed)
    assert [diver["name"] for diver in data["divers"]] == ["Ånn Šímová", "ベン"]
    assert data["title"] == "Größe, Žluťoučký кит Ωmega 深い海 🐟 عربي"


def test_names_of_every_script_on_paper_and_as_folders(command, tmp_path):
    path, folder = tmp_path / "深.toml", tmp_path / "出力 é"
    path.write_text(NAMES, encoding="utf-8")
    out = Terminal("utf-8")
    assert command("sheets", path, "-o", folder, out=out) == output.GO
    written = [Path(line) for line in out.printed.splitlines()]
    assert len(written) == 6
    assert {one.parent.name for one in written} == {"Ånn-Šímová", "ベン"}
    assert all(one.read_bytes().startswith(b"%PDF-") for one in written)


@posix
def test_file_names_that_are_no_text(command, tmp_path, monkeypatch):
    """On Unix a file's name is bytes."""
    errors = Terminal("utf-8", "backslashreplace")
    monkeypatch.setattr(sys, "stderr", errors)
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff.toml"))
    assert command("plan", path, out=Terminal("utf-8")) == output.BAD_INPUT
    assert r"\udcff.toml: cannot be read" in errors.printed
    path.write_bytes(FILLS.read_bytes())
    out = Terminal("utf-8")
    assert command("mix", path, "-o", path.with_suffix(".pdf"), out=out) in (output.GO, output.NO_GO)
    assert path.with_suffix(".pdf").exists()
    assert out.printed


# --- Surroundings -----------------------------------------------------------------------------------------------------

PLANNED = "from leadline.cli.main import run; run()"
IN_A_LOCALE = "import locale; locale.setlocale(locale.LC_ALL, ''); assert f'{0.5:n}' == '0,5'; " + PLANNED


@pytest.fixture(scope="module")
def german(tmp_path_factory):
    """An environment with decimal commas."""
    folder = tmp_path_factory.mktemp("locales")
    if shutil.which("localedef") is None:
        pytest.skip("no localedef to make a locale with")
    made = subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", str(folder / "de_DE.UTF-8")], capture_output=True)
    if made.returncode:
        pytest.skip("no locale with decimal commas can be made here")
    return {"LOCPATH": str(folder), "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"}


def test_decimal_commas_of_the_surroundings_change_no_number(german, command):
    here = Terminal("utf-8")
    command("plan", "--json", TRIMIX, out=here)
    done = subprocess.run(
        [sys.executable, "-c", IN_A_LOCALE, "plan", "--json", str(TRIMIX)],
        capture_output=True, text=True, encoding="utf-8", env=os.environ | german,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout == here.printed


@posix
def test_without_a_home_folder(tmp_path):
    """Nor a folder to be in, nor a name for the user."""
    environment = {name: os.environ[name] for name in ("PATH",) if name in os.environ}
    code = f"import os, tempfile; os.chdir(tempfile.mkdtemp()); os.rmdir(os.getcwd()); {PLANNED}"
    done = subprocess.run(
        [sys.executable, "-c", code, "plan", str(TRIMIX)],
        capture_output=True, text=True, env=environment | {"HOME": str(tmp_path / "none"), "PYTHONUTF8": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert listed(tmp_path) == []


def test_every_text_is_read_and_written_as_utf8():
    """Whatever the machine's own encoding is."""
    bare = re.compile(r"\.(?:read_text|write_text)\((?!.*encoding)|\bopen\([^()]*[\"'][rwax]t?\+?[\"']\)")
    found = {
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in (ROOT / "src").rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if bare.search(line)
    }
    assert found == set()


def test_no_duration_is_measured_by_a_clock_that_can_be_set():
    """The time of day is for what is written down; how long something takes is time.monotonic's."""
    found = {
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in (ROOT / "src").rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"\btime\.time\(|\btime\.time_ns\(|\butcnow\(", line)
    }
    assert found == set()
