"""`leadline tables`, as it is run."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from rich.console import Console

from leadline.dive_file import read_dive
from leadline.tables.data import table_set_as_data
from leadline.tables.table_set import plan_table_set
from leadline.terminal.table_set import SILENT_S, progress
from tests.test_cli import COMMAND, ROOT, every_key, leadline_command

EXAMPLE = ROOT / "examples" / "gull-stack-tables.toml"
FILES = ["slates.pdf", "slates-a4.pdf", "tables.pdf"]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """The example with a set of four, and one of them without a gas to breathe: 25/25 at 60 m is at 1.76 bar."""
    text = EXAMPLE.read_text(encoding="utf-8").split("[tables]")[0]
    path = tmp_path / "small.toml"
    path.write_text(text + "[tables]\ndepths = [39, 60]\ntimes = [15, 35]\nsecond_depths = 18\n", encoding="utf-8")
    return path


def test_the_example_has_its_slates_and_tables(tmp_path: Path) -> None:
    done = leadline_command("tables", str(EXAMPLE), "-o", str(tmp_path / "out"))
    assert done.returncode == 0
    assert done.stdout.split() == [str(tmp_path / "out" / name) for name in FILES]
    found = plan_table_set(read_dive(EXAMPLE))
    bad = sum(cell.state == "no-go" for cell in found.cells)
    assert 0 < bad < len(found.cells)
    assert done.stderr.strip() == f"Of {len(found.cells)}, {bad} dives are a NO-GO: their cells and slates say why."
    assert len(PdfReader(tmp_path / "out" / "slates.pdf").pages) >= len(found.cells)


def test_the_data_is_the_sets_and_is_documented(small: Path) -> None:
    done = leadline_command("tables", str(small), "--json", cwd=small.parent)
    assert done.returncode == 0
    data = json.loads(done.stdout, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
    assert data == json.loads(json.dumps(table_set_as_data(plan_table_set(read_dive(small)))))
    assert [cell["state"] for cell in data["cells"]] == ["go", "no-go", "refused", "refused"]
    assert "hyperoxic: ppO2 1.76 bar" in data["cells"][2]["limits"][0]["message"]
    page = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
    assert not [key for key in every_key(data) if f"`{key}`" not in page]
    assert [path.name for path in small.parent.iterdir()] == ["small.toml"]  # no PDFs where none are asked for


def test_data_and_paper_in_one_run(small: Path) -> None:
    done = leadline_command("tables", str(small), "--json", "-o", "out", cwd=small.parent)
    assert json.loads(done.stdout)["title"] == "Gull Stack, east wall"
    assert "tables.pdf" in done.stderr
    assert sorted(path.name for path in (small.parent / "out").iterdir()) == sorted(FILES)


def test_the_folder_is_tables_if_none_is_given(small: Path) -> None:
    assert leadline_command("tables", str(small), cwd=small.parent).returncode == 0
    assert sorted(path.name for path in (small.parent / "tables").iterdir()) == sorted(FILES)


def test_a_set_of_no_gos_alone_ends_with_1(small: Path) -> None:
    small.write_text(small.read_text().replace("[39, 60]", "[60]"))
    done = leadline_command("tables", str(small), "-o", str(small.parent / "out"))
    assert done.returncode == 1
    assert "Of 2, 2 dives cannot be planned: their cells and slates say why." in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[39, 60]", '"deep"', "small.toml: [tables] depths: 'deep' is not a number with a unit"),
        (
            "[15, 35]",
            "[1, 35]",
            "small.toml: [tables] times: 1 min is before 39 m can be reached (1.9 min); give at least 2",
        ),
        (
            "[39, 60]\ntimes = [15, 35]",
            "{ from = 12, to = 45, step = 3 }\ntimes = { from = 10, to = 50, step = 5 }",
            "small.toml: [tables]: 12 depths by 9 bottom times are 108 dives, each with a slate; at most 96",
        ),
    ],
)
def test_what_is_refused_leaves_nothing_behind(small: Path, old: str, new: str, said: str) -> None:
    text = small.read_text()
    assert old in text
    small.write_text(text.replace(old, new))
    done = leadline_command("tables", str(small), "-o", str(small.parent / "out"))
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stdout == ""
    assert not (small.parent / "out").exists()


def test_a_folder_that_cannot_be_is_said_in_words(small: Path) -> None:
    (small.parent / "out").write_text("in the way")
    done = leadline_command("tables", str(small), "-o", str(small.parent / "out"))
    assert done.returncode == 2
    assert done.stderr.startswith("leadline: ")
    assert "Traceback" not in done.stderr
    assert (small.parent / "out").read_text() == "in the way"


def test_what_is_stopped_leaves_no_file(small: Path) -> None:
    """A large set of a team takes far longer than the time until it is stopped."""
    text = small.read_text().replace("depths = [39, 60]\ntimes = [15, 35]", "depths = { from = 30, to = 45, step = 1 }")
    team = "".join(f'[[team]]\nname = "{name}"\n' for name in ("Ann", "Ben", "Cleo"))
    small.write_text(text.replace("[tables]", f"{team}[tables]\ntimes = [15, 20, 25, 30, 35, 40]"))
    out = small.parent / "out"
    running = subprocess.Popen([*COMMAND, "tables", str(small), "-o", str(out)], stderr=subprocess.PIPE, text=True)
    time.sleep(4.0)
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert running.returncode == 130
    assert "Traceback" not in said
    assert not out.exists()


# --- Progress ---------------------------------------------------------------------------------------------------------


def clock(*seconds: float) -> Iterator[float]:
    yield from seconds


def told_of(terminal: bool, *seconds: float) -> str:
    shown = io.StringIO()
    ticks = clock(*seconds)
    now: Any = lambda: next(ticks)  # noqa: E731
    with progress(Console(file=shown, force_terminal=terminal, width=80), now) as told:
        for done in range(len(seconds) - 1):
            told(done, 4, f"{done} of them")
    return shown.getvalue()


def test_progress_is_shown_once_it_takes_long() -> None:
    """A third of the time is gone for 1 of 4: three times 2 s are left."""
    assert "left" not in told_of(True, 0.0, 0.1, SILENT_S - 0.1)
    said = told_of(True, 0.0, 1.0, 2.0)
    assert "25 %, about 6 s left: 1 of them (Ctrl-C stops)" in said


def test_nothing_is_shown_where_there_is_no_terminal() -> None:
    assert told_of(False, 0.0, 10.0, 20.0) == ""
