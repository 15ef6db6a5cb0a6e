"""Settings that hardly anybody uses are said with the usual range, and the documentation has the same ranges."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.dive_file.schema import Limits
from leadline.plan.practice import MOST_RUN_TIME_MIN, USUAL, judge
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.team import plan_team
from leadline.sheets.content import said_to
from tests.dives import cylinder, sentence, tables

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))


def said(given):
    """Key and message of everything unusual in a dive file."""
    dive = parse_dive(given)
    return {str(f.values["key"]): sentence(f, dive.units) for f in judge(dive, dive_schedule(dive, lay_out(dive)))}


def full(**more):
    return [cylinder("air", "bottom") | more]


# The settings of the fault that passed without a word, and their like.
UNUSUAL = {
    "rmv_bottom = 2": ({"diver": {"rmv_bottom": 2}}, "[diver] rmv_bottom", "is 2 L/min; usual is 8 L/min to 40 L/min"),
    "rmv_deco = 45": ({"diver": {"rmv_deco": 45}}, "[diver] rmv_deco", "is 45 L/min"),
    "rmv_stressed = 90": ({"diver": {"rmv_stressed": 90}}, "[diver] rmv_stressed", "is 90 L/min"),
    "sorting_out = 0": ({"diver": {"sorting_out": 0}}, "[diver] sorting_out", "is 0 min; usual is at least 1 min"),
    "ascent = 30": ({"rates": {"ascent": 30}}, "[rates] ascent", "is 30 m/min; usual is at most 10 m/min"),
    "between_stops = 12": ({"rates": {"between_stops": 12}}, "[rates] between_stops", "is 12 m/min"),
    "to_surface = 15": ({"rates": {"to_surface": 15}}, "[rates] to_surface", "is 15 m/min"),
    "GF 100": (
        {"model": {"gradient_factors": [100, 100]}}, "[model] gradient_factors", "GF high 100 %; usual is at most 90",
    ),
    "reserve = 0": (
        {"cylinders": full(reserve=0)}, "[[cylinders]] reserve", "is bottom air 0 bar; usual is at least 20 bar",
    ),
    "end_caution = 350": ({"limits": {"end_caution": 350}}, "[limits] end_caution", "is 350 m; usual is at most 30 m"),
    "cns_no_go = never": ({"limits": {"cns_no_go": "never"}}, "[limits] cns_no_go", "is never; usual is at most 100 %"),
    "ppo2_bottom = 1.6": ({"limits": {"ppo2_bottom": 1.6}}, "[limits] ppo2_bottom", "is 1.6 bar; usual is at most 1.4"),
    "density_caution = 9": (
        {"limits": {"density_caution": 9}}, "[limits] density_caution", "is 9 g/L; usual is at most 5.2 g/L"
    ),
    "300 L": ({"cylinders": full(size=300)}, "[[cylinders]] size", "is bottom air 300 L; usual is at most 50 L"),
    "450 bar": ({"cylinders": full(pressure=450)}, "[[cylinders]] pressure", "is bottom air 450 bar"),
    "24 h at 10 m": (
        {"levels": [{"depth": 10, "leave_at": 1440}]}, "[[levels]] leave_at", "usual is at most 360 min",
    ),
    "110 m": (
        {"levels": [{"depth": 110, "leave_at": 10}], "cylinders": [cylinder("10/70", "bottom"),
         cylinder("50", "travel"), cylinder("21/35", "travel")]},
        "[[levels]] depth", "is 110 m; usual is at most 100 m",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("more", "key", "words"), UNUSUAL.values(), ids=list(UNUSUAL))
def test_what_nobody_does_is_said_with_what_is_usual(more, key, words):
    found = said(tables(30, 20) | more)
    assert list(found) == [key]
    assert words in found[key]


def test_a_habit_in_feet_is_said_in_a_metric_file_and_is_none_in_an_imperial_one():
    imperial = tables(100, 20, units="imperial", rates={"ascent": 30})
    imperial["cylinders"][0]["pressure"] = "200 bar"
    assert said(imperial) == {}
    assert "66 ft/min; usual is at most 33 ft/min" in said(imperial | {"rates": {"ascent": 66}})["[rates] ascent"]


def test_ordinary_settings_are_not_spoken_of():
    """Round numbers at the ends of what is usual, in both systems of units."""
    diver = {"rmv_bottom": 40, "rmv_deco": 8, "rmv_stressed": 75, "sorting_out": 1}
    rates = {"ascent": 10, "between_stops": 3, "to_surface": 1}
    cylinders = [cylinder("air", "bottom", reserve=20) | {"size": 40, "pressure": 300}]
    assert said(tables(30, 20, gf=(90, 90), diver=diver, rates=rates) | {"cylinders": cylinders}) == {}
    cylinders = [cylinder("air", "bottom", reserve=300) | {"size": 130, "working_pressure": 3442, "pressure": 3442}]
    imperial = tables(100, 20, units="imperial", diver={"rmv_bottom": 1.4, "rmv_deco": 0.3}, rates={"ascent": 33})
    assert said(imperial | {"cylinders": cylinders}) == {}


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.name for path in EXAMPLES])
def test_the_examples_draw_no_such_caution(path):
    team = plan_team(read_dive(path))
    assert [sentence(f) for f in team.findings if f.code in ("setting-unusual", "not-acclimatised")] == []


def test_a_limit_is_held_to_its_default():
    defaults = Limits.model_validate({}, context={"units": "metric"})
    for usual in (one for one in USUAL if one.key.startswith("[limits]")):
        key = usual.key.removeprefix("[limits] ")
        value = getattr(defaults, key)
        value = getattr(defaults, key.removesuffix("_no_go")) if value is None else value  # which stands in for it
        assert usual.text("metric").startswith(f"at most {value:g}")


def test_a_team_is_told_once_and_on_every_briefing():
    given = tables(30, 20, rates={"ascent": 18}, team=[{"name": "Ann"}, {"name": "Ben", "gradient_factors": [30, 95]}])
    team = plan_team(parse_dive(given))
    messages = [sentence(f) for f in team.findings if f.code == "setting-unusual"]
    assert len(messages) == 2
    assert sorted(message.split(":")[0] for message in messages) == ["Ben", "Everyone"]
    for member, count in zip(team.members, (1, 2), strict=True):
        assert sum(f.code == "setting-unusual" for f in said_to(team, member)) == count


# --- Refused ----------------------------------------------------------------------------------------------------------


def refused(given):
    with pytest.raises(DiveFileError) as error:
        parse_dive(given)
    return [(problem.key, problem.message) for problem in error.value.problems]


def test_stressed_is_never_less_than_at_rest():
    (key, message), *others = refused(tables(30, 20, diver={"rmv_bottom": 20, "rmv_stressed": 1}))
    assert key == "[diver] rmv_stressed"
    assert not others
    assert "1 L/min is less than rmv_bottom, 20 L/min" in message
    # rmv_bottom is 20 L/min if not given
    assert refused(tables(30, 20, diver={"rmv_stressed": 19}))[0][0] == "[diver] rmv_stressed"
    parse_dive(tables(30, 20, diver={"rmv_stressed": 20}))


def test_stressed_of_a_team_counts_what_a_diver_takes_from_the_file():
    team = [{"name": "Ann"}, {"name": "Ben", "rmv_bottom": 28}]
    (key, message), *others = refused(tables(30, 20, diver={"rmv_stressed": 25}, team=team))
    assert (key, others) == ("[diver] rmv_stressed", [])
    assert "of Ben" in message
    team[1]["rmv_stressed"] = 22
    assert refused(tables(30, 20, diver={"rmv_stressed": 25}, team=team))[0][0] == "[[team]] 2, rmv_stressed"
    team[1]["rmv_stressed"] = 50
    parse_dive(tables(30, 20, diver={"rmv_stressed": 25}, team=team))


# --- The documentation ------------------------------------------------------------------------------------------------


def test_the_page_has_the_ranges_of_the_code():
    page = (ROOT / "docs" / "dive-file.md").read_text(encoding="utf-8")
    part = page[page.index("## What is usual") :]
    part = part[: part.find("\n## ", 3)]
    rows = re.findall(r"^\| `(.+?)` \| (.+?) \| (.+?) \|$", part, re.MULTILINE)
    run_time = ("run time", *[f"at most {MOST_RUN_TIME_MIN:g} min"] * 2)
    assert rows == [*((one.key, one.text("metric"), one.text("imperial")) for one in USUAL), run_time]
