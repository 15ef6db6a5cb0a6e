"""The fields of the page: every key of a dive file, with its unit."""

import pytest

from leadline.app.draft import Draft
from leadline.app.fields import form_fields, is_of, problem_key, table
from leadline.app.planner import read_text
from leadline.dive_file import DiveFileError

DIVE = """units = "{units}"
[[levels]]
depth = "40 m"
leave_at = 20
[[cylinders]]
name = "twin set"
gas = "28"
size = "24 L"
pressure = "230 bar"
use = "bottom"
[[team]]
name = "Mira"
"""
BEFORE = """[[previous]]
log = 1
surface_interval = 60
"""
KEYS = [
    (), ("levels", 0), ("model",), ("site",), ("rates",), ("stops",), ("stops", "oxygen_breaks"), ("limits",),
    ("cylinders", 0), ("diver",), ("gas",), ("loop",), ("team", 0), ("contingencies",), ("after",),
    ("previous", 0), ("fills",),
    ("compare", 0), ("tables",), ("team", 0, "loop"),
]  # fmt: skip


def text_with(key, units):
    """A dive, with one before it where the key is of that, and with a row where it is of a list."""
    draft = Draft(DIVE.format(units=units) + BEFORE * (key[:1] == ("previous",)))
    made = draft.value(key) is not None or not isinstance(key[-1:] and key[-1], int)
    return draft.text if made else draft.with_row(key[:-1], {}).text


def all_asked(units):
    for key in KEYS:
        for one in form_fields(table(*(part for part in key if isinstance(part, str))), units):
            yield key, one


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_a_unit_is_that_of_the_refusal(units):
    """A number far out of bounds is refused with bounds in the unit that the label names."""
    for key, one in all_asked(units):
        if ", " not in one.label or one.name == "gradient_factors":
            continue
        value = [1e6] if one.many or one.name in ("deeper", "longer", "delay") else 1e6
        draft = Draft(text_with(key, units)).with_value((*key, one.name), value)
        with pytest.raises(DiveFileError) as refused:
            read_text(draft.text)
        [said] = [p.message for p in refused.value.problems if is_of(p.key, (*key, one.name))]
        unit = one.label.split(", ")[1]
        assert f" {unit}" in said or (unit == "cuft" and "L of water" in said), (key, one.label, said)


def test_problems_find_their_field():
    for key, one in all_asked("metric"):
        if one.name in ("title", "name", "units"):
            continue
        value = ["?!"] if one.many else "?!"
        draft = Draft(text_with(key, "metric")).with_value((*key, one.name), value)
        with pytest.raises(DiveFileError) as refused:
            read_text(draft.text)
        assert any(is_of(problem.key, (*key, one.name)) for problem in refused.value.problems), (key, one.name)
    assert not is_of("[model] gradient_factors", ("model", "coefficients"))
    assert problem_key(("levels", 1, "depth")) == "[[levels]] 2, depth"
