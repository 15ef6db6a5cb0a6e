"""Drafts of dive files: edits keep what is not touched, undo comes back to the letter."""

import tomllib
from pathlib import Path

import pytest

from leadline.app.draft import Draft, History, shown, typed

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("*.toml"))
KEEL = """# the keel
title = "Keel" # as the team calls it
units = "metric"

[[levels]]
depth = 60 # the sand
leave_at = 20

[[cylinders]]
name = "twin set"
gas = "18/45"
size = 24
pressure = 230
use = "bottom"
"""


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_edit_and_its_undoing_leave_every_letter(path):
    text = path.read_text()
    draft = Draft(text)
    changed = draft.with_value(("levels", 0, "leave_at"), 33)
    assert tomllib.loads(changed.text)["levels"][0]["leave_at"] == 33
    assert changed.text.count("#") == text.count("#")
    before = draft.value(("levels", 0, "leave_at"))
    assert changed.with_value(("levels", 0, "leave_at"), before).text == text


def test_comments_stay_where_they_are():
    changed = Draft(KEEL).with_value(("levels", 0, "depth"), 57)
    assert "depth = 57 # the sand" in changed.text
    assert changed.text.replace("57", "60") == KEEL


def test_a_table_that_is_not_there_is_made_and_a_key_taken_out():
    draft = Draft(KEEL).with_value(("site", "water"), "fresh")
    assert draft.value(("site", "water")) == "fresh"
    assert tomllib.loads(draft.text)["site"] == {"water": "fresh"}
    assert draft.with_value(("site", "water"), None).value(("site", "water")) is None
    nested = Draft(KEEL).with_value(("stops", "oxygen_breaks", "on"), 20)
    assert tomllib.loads(nested.text)["stops"]["oxygen_breaks"] == {"on": 20}
    assert Draft(KEEL).with_value(("site", "water"), None).text == KEEL


def test_rows():
    row = {"name": "stage", "gas": "50", "size": 11, "pressure": 200, "use": "deco"}
    draft = Draft(KEEL).with_row(("cylinders",), row)
    assert tomllib.loads(draft.text)["cylinders"][1] == row
    assert draft.rows(("cylinders",)) == 2
    assert tomllib.loads(draft.without_row(("cylinders",), 0).text)["cylinders"] == [row]
    assert "cylinders" not in tomllib.loads(draft.without_row(("cylinders",), 0).without_row(("cylinders",), 0).text)
    first = draft.with_row(("levels",), {"depth": 30, "leave_at": 10}, at=0)
    assert [level["depth"] for level in tomllib.loads(first.text)["levels"]] == [30, 60]
    team = Draft(KEEL).with_row(("team",), {"name": "Mira"}).with_row(("team", 0, "cylinders"), row)
    assert tomllib.loads(team.text)["team"] == [{"name": "Mira", "cylinders": [row]}]


def test_what_is_no_toml_is_said_and_nothing_is_lost():
    broken = Draft("units = ")
    assert broken.value(("units",)) is None
    with pytest.raises(ValueError, match="not TOML"):
        broken.with_value(("units",), "metric")


def test_undo_and_redo():
    history = History(Draft("a = 1"))
    for i in (2, 3):
        history = history.then(Draft(f"a = {i}"))
    assert history.then(Draft("a = 3")) is history
    assert history.undone().now == Draft("a = 2")
    assert history.undone().redone().now == Draft("a = 3")
    assert history.undone().undone().undone().now == Draft("a = 1")
    assert history.undone().then(Draft("a = 9")).redone().now == Draft("a = 9")
    assert history.redone() is history
    for i in range(500):
        history = history.then(Draft(f"b = {i}"))
    assert len(history.past) == 200


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None), ("  ", None), ("40", 40), ("4.5", 4.5), ("4.0", 4.0), ("150 ft", "150 ft"), ("18/45", "18/45"),
        ("50 %", "50 %"), ("true", True), ("40, 80", [40, 80]), ("[40, 80]", [40, 80]), ("nan", "nan"), ("inf", "inf"),
        ("1e3", 1000.0), ("slow ascent, delay", ["slow ascent", "delay"]),
        ("down 30, up 36 m", {"down": 30, "up": "36 m"}), ("up 36", {"up": 36}), ("up", "up"),
    ],
)  # fmt: skip
def test_what_is_typed(text, value):
    assert typed(text) == value
    assert type(typed(text)) is type(value)


def test_a_depth_for_each_way_stays_in_one_line():
    draft = Draft("[[cylinders]]\nuse = 'travel'\n\n[diver]\n")
    written = draft.with_value(("cylinders", 0, "switch_depth"), {"down": 30, "up": 36})
    assert "switch_depth = {down = 30, up = 36}\n" in written.text


@pytest.mark.parametrize("value", [40, 4.5, "150 ft", True, [40, 80], ["slow ascent", "delay"], {"up": "30 ft"}])
def test_what_is_shown_can_be_typed(value):
    assert typed(shown(value)) == value


@pytest.mark.parametrize("text", ["levels = 3\n", "levels = [1, 2]\n", "[levels]\ndepth = 3\n", "a = " + "[" * 3000])
def test_what_has_no_place_is_refused(text):
    """Never a draft that says something else than was meant."""
    with pytest.raises(ValueError, match=r"no place|not TOML|write it in the dive file"):
        Draft(text).with_value(("levels", 0, "depth"), 3)
    with pytest.raises(ValueError, match=r"no place|not TOML|write it in the dive file"):
        Draft(text).with_row(("levels", 0, "gases"), {"name": "x"})
    with pytest.raises(ValueError, match=r"not in this dive file|not TOML"):
        Draft(text).without_row(("levels",), 7)


def test_tables_written_in_a_line_can_be_added_to():
    draft = Draft('units = "metric"\nlevels = [{depth = 40, leave_at = 20}]\n').with_row(("levels",), {"depth": 20})
    assert tomllib.loads(draft.text) == {"units": "metric", "levels": [{"depth": 40, "leave_at": 20}, {"depth": 20}]}


def test_keystrokes_are_one_step():
    history = History(Draft("a = 1")).then(Draft("a = 2")).then(Draft("a = 25"), amends=True)
    assert history.undone().now == Draft("a = 1")
    assert History(Draft("a = 1")).then(Draft("a = 2"), amends=True).undone().now == Draft("a = 1")
