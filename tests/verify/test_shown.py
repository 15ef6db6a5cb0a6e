"""What `leadline verify` shows: terminal, JSON, a page to keep; and its exit status."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from rich.console import Console

from leadline.cautions import CAUTIONS, SHORT
from leadline.cli import main, output
from leadline.physics import mix
from leadline.sheets.verify import write_verify
from leadline.terminal.verify import show_verify
from leadline.verify import Report, as_data, verify
from leadline.verify.unchecked import UNCHECKED
from leadline.verify.words import machine_line, shown
from tests.sheets.paper import text_of, without_blanks

DATE = "2026-05-31"
MM = 72 / 25.4


def broken(self: mix.Mix, depth_m: float, where: object) -> float:
    raise ZeroDivisionError("by the engine")


@pytest.fixture(scope="module")
def right() -> Report:
    return verify()


@pytest.fixture(scope="module")
def wrong() -> Report:
    """A machine on which helium is too heavy, and EAD cannot be computed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(mix.DENSITY_G_L, "he", 0.18)
        patch.setattr(mix.Mix, "ead", broken)
        return verify()


def printed(report: Report, width: int, every: bool = False) -> str:
    console = Console(file=io.StringIO(), width=width, highlight=False, markup=False, force_terminal=False)
    show_verify(report, DATE, every, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def joined(text: str) -> str:
    return re.sub(r"\s+", "", text)


# --- The report -------------------------------------------------------------------------------------------------------


def test_all_is_right_here(right: Report) -> None:
    assert right.passed
    assert right.failures == ()
    assert sum(right.standings.values()) == right.figures > 600


def test_what_goes_wrong_is_counted(wrong: Report) -> None:
    """One density, four EADs, and END that counts nitrogen alone and so is the EAD."""
    assert not wrong.passed
    assert sorted((one.series.name, row.point.at) for one, row in wrong.failures) == [
        ("Density at 0 °C and 1 atmosphere", "helium"),
        *(("Equivalent air depth", at) for at in ("32 at 100", "32 at 60", "36 at 100", "36 at 60")),
        ("Equivalent narcotic depth", "nitrogen alone"),
    ]


# --- The terminal -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("every", [False, True])
def test_everything_is_said_and_fits(right: Report, width: int, every: bool) -> None:
    text = printed(right, width, every)
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    assert text.startswith(f"All {right.figures} check values come out right")
    for standing, count in right.standings.items():
        assert joined(f"{count} {standing}") in joined(text) or joined(f"{count} of them are {standing}") in joined(
            text
        )
    assert joined(machine_line(right.machine, DATE)) in joined(text)
    for what, why in UNCHECKED:
        assert joined(f"{what}. {why}") in joined(text)
    for caution in CAUTIONS:
        assert joined(caution) in joined(text)


def test_every_series_has_a_line(right: Report) -> None:
    lines = printed(right, 100).splitlines()
    for one in right.outcomes:
        said = rf"^  {re.escape(one.series.name)} +{len(one.rows)} of {len(one.rows)} .*{one.series.source.standing}"
        assert any(re.search(said, line) for line in lines), one.series.name


def test_every_figure_with_its_source(right: Report) -> None:
    text = printed(right, 120, every=True)
    for one in right.outcomes:
        assert joined(one.series.source.text) in joined(text)
        assert joined(one.series.why) in joined(text)
        for row in one.rows:
            published, ours = shown(one.series, row)
            assert re.search(rf"{re.escape(row.point.at)} +{re.escape(published)} +{re.escape(ours)}", text)


def test_failures_are_read_first_and_in_full(wrong: Report) -> None:
    text = printed(wrong, 100)
    lines = text.splitlines()
    assert lines[0].startswith(f" FAILED  6 of {wrong.figures} check values come out wrong on this machine.")
    assert "Do not dive what it plans." in lines[0]
    first = lines.index("Gas: Density at 0 °C and 1 atmosphere")
    assert lines[first + 1] == "  helium: Leadline 0.18 g/L, published 0.1786 g/L"
    assert lines[first + 2] == "  Allowed: exact (the same figures)."
    assert "CRC Handbook" in lines[first + 3]
    said = "% oxygen at fsw: 32 at 60: Leadline gives nothing (ZeroDivisionError: by the engine), worked out 47.05 fsw"
    assert joined(said) in joined(text)
    assert first < next(i for i, line in enumerate(lines) if line.startswith("Check "))
    assert printed(wrong, 100, every=True).count("FAILED") == 1 + 6


# --- JSON -------------------------------------------------------------------------------------------------------------


def test_json_says_all(right: Report, wrong: Report) -> None:
    for report in (right, wrong):
        text = json.dumps(as_data(report, DATE), allow_nan=False)
        data = json.loads(text)
        figures = [figure for series in data["series"] for figure in series["figures"]]
        assert data["figures"] == len(figures)
        assert data["failed"] == sum(not figure["passed"] for figure in figures)
        assert data["passed"] == (data["failed"] == 0) == report.passed
        assert sum(data["standing"].values()) == len(figures)
        assert len(data["unchecked"]) == len(UNCHECKED)
        assert (
            data["machine"]["python"] == f"{sys.version_info.major}.{sys.version_info.minor}.{sys.version_info.micro}"
        )
    assert [f["leadline"] for f in figures if f["fault"]] == [None] * 5


def test_every_key_is_documented(right: Report) -> None:
    documented = (Path(__file__).parents[2] / "docs" / "validation.md").read_text(encoding="utf-8")

    def keys(data: Any) -> set[str]:
        if isinstance(data, dict):
            return set(data) | set().union(*map(keys, data.values()))
        return set().union(*map(keys, data)) if isinstance(data, list) else set()

    assert not [key for key in keys(as_data(right, DATE)) if f"`{key}`" not in documented]


# --- The page to keep -------------------------------------------------------------------------------------------------


def test_the_page_says_all(right: Report, tmp_path: Path) -> None:
    path = tmp_path / "verify.pdf"
    write_verify(right, DATE, path)
    pages = text_of(path)
    text = without_blanks(pages)
    assert joined(f"All {right.figures} check values come out right") in without_blanks(pages[:1])
    for what, _ in UNCHECKED:
        assert joined(what) in without_blanks(pages[:2])
    assert joined(machine_line(right.machine, DATE)) in without_blanks(pages[:1])
    for one in right.outcomes:
        assert joined(one.series.name) in text
        assert joined(one.series.source.text) in text
        for row in one.rows:
            assert all(joined(figure) in text for figure in shown(one.series, row))
    for page in pages:
        assert joined(SHORT) in without_blanks([page])
    for page in PdfReader(path).pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((210 * MM, 297 * MM), abs=0.1)


def test_the_page_says_what_is_wrong_first(wrong: Report, tmp_path: Path) -> None:
    path = tmp_path / "verify.pdf"
    write_verify(wrong, DATE, path)
    text = without_blanks(text_of(path)[:1])
    for piece in ("check values come out wrong", "Leadline 0.18 g/L, published 0.1786 g/L", "by the engine"):
        assert joined(piece) in text
    assert text.index("byzero" if "byzero" in text else "bytheengine") < text.index("Inshort")


def test_nothing_half_written(right: Report, tmp_path: Path) -> None:
    folder = tmp_path / "verify.pdf"
    folder.mkdir()
    with pytest.raises(IsADirectoryError):
        write_verify(right, DATE, folder)
    assert list(tmp_path.iterdir()) == [folder]


# --- The command ------------------------------------------------------------------------------------------------------


def ran(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr("sys.argv", ["leadline", "verify", *arguments])
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert isinstance(ended.value.code, int)
    return ended.value.code


def test_exit_status(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    page = tmp_path / "verify.pdf"
    assert ran(monkeypatch, "--json", "-o", str(page)) == output.GO
    told = capsys.readouterr()
    assert json.loads(told.out)["passed"]
    assert told.err == f"{page}\n"
    assert page.read_bytes().startswith(b"%PDF")
    monkeypatch.setitem(mix.DENSITY_G_L, "he", 0.18)
    assert ran(monkeypatch) == output.ENGINE_FAULT
    assert joined("Do not dive what it plans") in joined(capsys.readouterr().out)


def test_another_ending_is_refused(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(monkeypatch, "-o", "verify.txt") == output.BAD_INPUT
    assert "verify.txt: the file name must end in .pdf" in capsys.readouterr().err
    assert not Path("verify.txt").exists()


def test_it_needs_nothing_that_only_the_tests_have() -> None:
    """They are forbidden, and all is right without them."""
    code = (
        "import sys; sys.modules.update(dict.fromkeys(['scipy', 'CoolProp', 'gsw', 'pint', 'pytest', 'hypothesis']))\n"
        "from leadline.verify import verify; sys.exit(None if verify().passed else 'wrong')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
