"""The debrief on paper and as a picture: where the lines go, and what is said."""

import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path

import pytest

from leadline.dive_file import read_dive
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.debrief.against_plan import debrief_dive
from leadline.logbook.dived import Profile
from leadline.plan.team import plan_team
from leadline.sheets.debrief import HEIGHT_MM, WIDTH_MM, debrief_format, draw_debrief, page, picture, write_debrief
from tests.sheets.paper import text_of, without_blanks

EXAMPLES = Path(__file__).parents[2] / "examples"
BEGAN = datetime(2026, 5, 31, 10, 20)


@lru_cache
def found(name="marigold-trimix", deeper=False):
    plan = plan_team(read_dive(EXAMPLES / f"{name}.toml")).members[0].plan
    dive = replace(dived_as_planned(plan, BEGAN, "Ann"), notes="")
    if deeper:
        depths = tuple(depth + 4.0 if depth == 60.0 else depth for depth in dive.profile.depth_m)
        dive = replace(dive, profile=Profile(dive.profile.run_time_min, depths))
    return debrief_dive(dive, plan)


def read(one, folder):
    """The text of the page, without blanks."""
    write_debrief(one, folder / "dive.pdf")
    return without_blanks(text_of(folder / "dive.pdf"))


def test_plan_and_dive_lie_over_each_other():
    """Dived exactly: every corner of the plan is a point of the dive, in millimetres."""
    data = picture(found())
    dived = {tuple(point) for point in data["dived"]}
    assert {tuple(point) for point in data["planned"]} <= dived
    # 60 m of 63.6 shown; leaving at 20 min of the whole run time.
    end = found().plan.schedule.run_time_min
    assert [round(WIDTH_MM * 20 / end, 3), round(HEIGHT_MM / 1.06, 3)] in data["dived"]
    assert data["numbers"] == []


def test_a_finding_is_numbered_where_it_was():
    one = found(deeper=True)
    data = picture(one)
    deeper = next(i for i, finding in enumerate(one.findings, 1) if finding.code == "deeper")
    number = next(n for n in data["numbers"] if n["text"] == f"{deeper}")
    assert number["at"][1] == pytest.approx(HEIGHT_MM * 64.0 / (64.0 * 1.06), abs=0.02)
    for n in data["numbers"]:
        assert 0.0 <= n["left"] <= WIDTH_MM
        assert 0.0 <= n["top"] <= HEIGHT_MM
    places = [(n["left"], n["top"]) for n in data["numbers"]]
    assert len(set(places)) == len(places)


def test_lines_are_told_apart_without_colour():
    """The plan is dashed and thin over a wide grey dive, the template says; no colour is named in it."""
    template = (Path(__file__).parents[2] / "src/leadline/sheets/templates/debrief.typ").read_text()
    assert "#let plan-stroke = (paint: black, thickness: 0.9pt, dash:" in template
    assert "#let dive-stroke = (paint: luma(" in template
    assert "rgb" not in template
    assert not {"red", "blue", "green"} & set(template.replace(",", " ").split())


def test_the_page_says_it_all(tmp_path):
    one = found(deeper=True)
    text = read(one, tmp_path)
    said = [
        "Marigold, keel, Ann",
        "64 m deep: 4 m deeper than the planned 60 m.",
        "Which sheet applied",
        "planned left",
    ]
    said += [row["name"] for row in page(one)["marks"]]
    said += ["Planning aid, not training.", "Cross-check with an independent source."]
    for words in said:
        assert "".join(words.split()) in text, words


def test_the_page_follows_the_units_of_the_dive_file(tmp_path):
    text = read(found("marigold-loop"), tmp_path)
    for words in ("leave150ft", "plannedleftpsi", "metabolic_oxygen=0.035", "Divedasplanned:nodeviationfound."):
        assert words in text
    assert "bar" not in text.replace("highestppO2", "").replace("1.30bar", "")


def test_the_svg_says_what_is_drawn():
    svg = draw_debrief(found(deeper=True), "svg").decode()
    root = ElementTree.fromstring(svg)
    title, description = (root.find(f"{{http://www.w3.org/2000/svg}}{tag}") for tag in ("title", "desc"))
    assert title.text == "Marigold, keel, Ann"
    assert "64 m deep" in description.text


def test_png_and_other_endings(tmp_path):
    write_debrief(found(), tmp_path / "dive.png")
    assert (tmp_path / "dive.png").read_bytes().startswith(b"\x89PNG")
    assert debrief_format(Path("x.PDF")) == "pdf"
    with pytest.raises(ValueError, match=r"end it with \.pdf"):
        debrief_format(Path("x.txt"))
    with pytest.raises(ValueError, match=r"x\.txt"):
        write_debrief(found(), tmp_path / "x.txt")
    assert not (tmp_path / "x.txt").exists()


def test_the_same_debrief_gives_the_same_bytes():
    assert draw_debrief(found(), "pdf") == draw_debrief(found(), "pdf")
