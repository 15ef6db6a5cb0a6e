"""`leadline compare` as a user meets it."""

import json
import re

import pytest

from leadline.dive_file import parse_dive, read_dive
from leadline.plan.compare import compare_settings
from leadline.plan.rows import up
from leadline.units import SYSTEMS
from tests.dives import tables
from tests.test_cli import EXAMPLES, ROOT, leadline_command, said

MARIGOLD = ROOT / "examples" / "marigold-trimix.toml"


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_every_example(example):
    done = leadline_command("compare", str(example))
    assert done.returncode == 0, done.stderr
    for one in compare_settings(read_dive(example), example.name):
        for side in one.sides:
            assert said(side.name) in said(done.stdout)
        for row in one.rows:
            for minutes, leave in zip(row.minutes, row.leave_min, strict=True):
                if minutes is not None:
                    assert re.search(rf"\b{minutes} +{leave:.0f}\b", done.stdout)
    assert "11casesofdecompressionsicknessin198dives" in said(done.stdout)
    assert "Neithercolumnissafer" in said(done.stdout)


def test_json():
    done = leadline_command("compare", "--json", str(MARIGOLD))
    assert done.returncode == 0
    data = json.loads(done.stdout)
    [found] = compare_settings(read_dive(MARIGOLD))
    sides = data["comparisons"][0]["sides"]
    assert [side["model"] for side in sides] == [side.name for side in found.sides]
    assert [side["run_time_min"] for side in sides] == [side.run_time_min for side in found.sides]
    documented = (ROOT / "docs" / "models.md").read_text(encoding="utf-8")
    assert not [key for key in {*data, *data["comparisons"][0], *sides[0]} if f"`{key}`" not in documented]


def test_feet_and_psi_for_an_imperial_file():
    done = leadline_command("compare", str(ROOT / "examples" / "marigold-loop.toml"))
    assert "Stop ft" in done.stdout
    assert "psi" in done.stdout


def test_after_another_dive_what_is_not_counted_is_said():
    done = leadline_command("compare", str(ROOT / "examples" / "marigold-second.toml"))
    assert "noneofthebubbles" in said(done.stdout)
    assert "noneofthebubbles" not in said(leadline_command("compare", str(MARIGOLD)).stdout)


def test_bad_input(tmp_path):
    wrong = tmp_path / "dive.toml"
    wrong.write_text(MARIGOLD.read_text(encoding="utf-8") + "\n[[compare]]\nbubbles = 300\n", encoding="utf-8")
    done = leadline_command("compare", str(wrong))
    assert done.returncode == 2
    assert "[[compare]] 1, bubbles" in done.stderr
    assert not done.stdout


def test_the_examples_of_the_page_are_these():
    """docs/models.md, "What to expect": run times, first stops, GF at the surface."""
    page = (ROOT / "docs" / "models.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([\w-]+)` \|(.*)\|$", page.split("## What to expect")[1], re.MULTILINE)
    assert len(rows) == 3
    for name, cells in rows:
        dive = read_dive(ROOT / "examples" / f"{name}.toml")
        [found] = compare_settings(dive)
        system = SYSTEMS[dive.units]
        expected = [
            *(up(side.run_time_min) for side in found.sides),
            *(system.at(side.first_stop_m) for side in found.sides),
            *(f"{100 * side.gf_surface:.0f} %" for side in found.sides),
        ]
        assert [cell.strip() for cell in cells.split("|")] == expected
    [long] = compare_settings(parse_dive(tables(50, 60)))
    assert "On air to 50 m for 60 min" in page
    assert [int(up(side.run_time_min)) for side in long.sides] == [338, 218]
    assert "218 min" in page
    assert "338." in page
