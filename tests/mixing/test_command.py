"""`leadline mix`: exit status, output, labels, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from leadline.cli import app
from leadline.dive_file import DiveFileError
from tests.sheets.paper import text_of, without_blanks

EXAMPLE = Path(__file__).parents[2] / "examples" / "marigold-fills.toml"


def leadline(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["mix", *arguments])


def changed(folder: Path, *pairs: tuple[str, str]) -> str:
    """The example, with pieces of its text replaced."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path = folder / "fills.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_example_can_be_filled_and_holds(tmp_path: Path) -> None:
    done = leadline(str(EXAMPLE), "-o", str(tmp_path / "labels.pdf"))
    assert done.exit_code == 0
    assert "All 3 cylinders can be filled." in done.stdout
    assert "The plan holds with the real gas." in done.stdout
    labels = text_of(tmp_path / "labels.pdf")
    assert len(labels) == 3
    assert "18.3/44.2" in without_blanks(labels[:1])


def test_json() -> None:
    done = leadline(str(EXAMPLE), "--json")
    assert done.exit_code == 0
    data = json.loads(done.stdout)
    assert data["good"] is True
    assert [one["cylinder"] for one in data["fills"]["cylinders"]] == ["twin set", "left stage", "right stage"]
    assert data["analysed"]["holds"] is True


def test_status_1_where_a_cylinder_cannot_be_filled(tmp_path: Path) -> None:
    done = leadline(changed(tmp_path, ("pressure = 195", "pressure = 110")))
    assert done.exit_code == 1
    assert "REFUSED" in done.stdout


def test_status_1_where_the_plan_does_not_hold(tmp_path: Path) -> None:
    done = leadline(changed(tmp_path, ("o2 = 18.3", "o2 = 24.8")))
    assert done.exit_code == 1
    assert "NO-GO" in done.stdout


def test_a_file_without_fills_is_refused() -> None:
    done = leadline(str(EXAMPLE.with_name("marigold-trimix.toml")))
    assert isinstance(done.exception, DiveFileError)
    assert done.exception.lines() == [
        "marigold-trimix.toml: [fills] sources: is missing; name the gases at hand, each a [[fills.sources]], "
        'such as gas = "oxygen"'
    ]


def test_no_labels_of_what_was_not_analysed(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    path = tmp_path / "fills.toml"
    path.write_text(text[: text.index("# What was analysed after")], encoding="utf-8")
    done = leadline(str(path), "-o", str(tmp_path / "labels.pdf"))
    assert done.exit_code == 2
    assert "nothing was analysed" in done.stderr
    assert not (tmp_path / "labels.pdf").exists()


@pytest.mark.parametrize("name", ["labels.txt", "labels"])
def test_labels_are_pdf(tmp_path: Path, name: str) -> None:
    done = leadline(str(EXAMPLE), "-o", str(tmp_path / name))
    assert done.exit_code == 2
    assert "must end in .pdf" in done.stderr
