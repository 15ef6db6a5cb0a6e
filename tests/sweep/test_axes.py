"""The axes of a sweep: what they mean, how many dives they make, and what is refused, in which words."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from leadline.physics.mix import Mix
from tests.sweep.sweeps import AIR, LOOP, axis, refusal, sweep_in

DEPTH = axis("levels.1.depth", "[30, 40]")


@pytest.mark.parametrize(
    ("key", "values", "read"),
    [
        ("levels.1.depth", '[30, "100 ft"]', (30.0, 30.48)),  # 0.3048 m a foot
        ("levels.1.leave_at", '["1.5 h", 20]', (90.0, 20.0)),
        ("model.gradient_factors", "[[30, 70], [50, 80]]", ((30.0, 70.0), (50.0, 80.0))),
        ("model.gradient_factors.low", "[30, 40]", (30.0, 40.0)),
        ("cylinders.back gas.gas", '["air", 32, "21/35"]', (Mix.parse("air"), Mix.parse("32"), Mix.parse("21/35"))),
        ("cylinders.Back Gas.size", "[12, 18]", (12.0, 18.0)),
        ("cylinders.No. 2 (11.1 L).pressure", "[180, 200]", (180.0, 200.0)),  # a point in the name
        ("cylinders.2.reserve", "[30]", (30.0,)),  # left out in the file
        ("diver.rmv_bottom", "[15]", (15.0,)),  # a table left out in the file
        ("site.altitude", '[0, "1 h"]', None),
        ("site.water", '["sea", 1010]', ("sea", 1010.0)),
        ("levels.1.depth", "from = 30\nto = 60\nstep = 10", (30.0, 40.0, 50.0, 60.0)),
        ("levels.1.depth", "from = 30\nto = 59\nstep = 10", (30.0, 40.0, 50.0)),
        ("levels.1.depth", "from = 60\nto = 30\nstep = -15", (60.0, 45.0, 30.0)),
        ("levels.1.depth", 'from = "100 ft"\nto = "120 ft"\nstep = "10 ft"', (30.48, 33.528, 36.576)),
        ("diver.rmv_bottom", "from = 1.1\nto = 1.4\nstep = 0.1", (1.1, 1.2, 1.3, 1.4)),  # 1.1 + 0.1 + 0.1 is not 1.3
        ("cylinders.back gas.gas", "from = 21\nto = 23\nstep = 1", tuple(map(Mix.parse, ("21", "22", "23")))),
    ],
)
def test_values_are_read_as_in_a_dive_file(tmp_path: Path, key: str, values: str, read: tuple[object, ...] | None):
    if read is None:
        assert "'1 h': 'h' is not a unit of altitude" in refusal(tmp_path, AIR, axis(key, values))
        return
    [found] = sweep_in(tmp_path, AIR, axis(key, values)).axes
    assert found.read == read
    assert found.name == key


def test_a_number_or_a_word(tmp_path: Path):
    turn = axis("gas.turn", '["thirds", 0.5]')
    [found] = sweep_in(tmp_path, AIR, turn, head="contingencies = true").axes
    assert found.read == ("thirds", 0.5)


def test_a_grid_has_every_combination_once(tmp_path: Path):
    sweep = sweep_in(
        tmp_path, AIR, axis("levels.1.leave_at", "[10, 20, 30]"), DEPTH, axis("diver.rmv_bottom", "[15, 20]")
    )
    assert sweep.dives == 12  # 3 x 2 x 2
    # Depth asks for a layout of its own and turns slowest; the other two keep their order.
    assert [a.name for a in sweep.axes] == ["levels.1.depth", "levels.1.leave_at", "diver.rmv_bottom"]
    chosen = list(zip(*(of_axis.tolist() for of_axis in sweep.indices(0, 12)), strict=True))
    assert chosen == [(d, t, r) for d in range(2) for t in range(3) for r in range(2)]
    assert [of_axis.tolist() for of_axis in sweep.indices(5, 7)] == [[0, 1], [2, 0], [1, 0]]


def test_together_is_a_list(tmp_path: Path):
    sweep = sweep_in(tmp_path, AIR, DEPTH, axis("levels.1.leave_at", "[10, 25]"), head="together = true")
    assert sweep.dives == 2
    assert [of_axis.tolist() for of_axis in sweep.indices(0, 2)] == [[0, 1], [0, 1]]


def test_several_keys_are_given_one_value(tmp_path: Path):
    keys = '["loop.diluent", "cylinders.diluent.gas"]'
    [found] = sweep_in(tmp_path, LOOP, axis(keys, '["15/55", "18/45"]')).axes
    assert found.name == "loop.diluent"
    tables = sweep_in(tmp_path, LOOP, axis(keys, '["15/55", "18/45"]')).tables([(found, 0)])
    assert tables["loop"]["diluent"] == tables["cylinders"][0]["gas"] == "15/55"
    assert tables["cylinders"][2]["gas"] == "18/45"


def test_the_file_stays_as_it_is(tmp_path: Path):
    sweep = sweep_in(tmp_path, AIR, axis("model.gradient_factors.high", "[90]"), DEPTH)
    changed = sweep.tables([(sweep.axes[0], 0), (sweep.axes[1], 0)])
    assert changed["levels"] == [{"depth": 30, "leave_at": 20}]
    assert changed["model"] == {"gradient_factors": [40.0, 90]}  # 40 is the default
    assert "sweep" not in changed
    assert sweep.file.tables["levels"] == [{"depth": 40, "leave_at": 20}]
    assert "model" not in sweep.file.tables


# --- What is refused --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("levels.1.dept", "'levels.1.dept' is not in a dive file; did you mean 'levels.1.depth'?"),
        ("level.1.depth", "did you mean 'levels.1.depth'?"),
        ("cylinders.back gas.sise", "did you mean 'cylinders.back gas.size'?"),
        ("cylinders.bak gas.size", "is not in this file; did you mean 'cylinders.back gas.size'?"),
        ("model.gradient_factors.hihg", "did you mean 'model.gradient_factors.high'?"),
        ("xyz", "'xyz' is no key there; known are title, units, site, model"),
        ("levels.2.depth", "is not in this file: of [[levels]] it has only 1"),
        ("cylinders.3.size", "is not in this file: of [[cylinders]] it has 1 to 2"),
        ("cylinders.wing.size", "no 'wing' in [[cylinders]]; there are 'back gas', 'No. 2 (11.1 L)'"),
        ("levels.first.depth", "count them from 1, as in levels.1"),
        ("loop.setpoint", "is not in this file: it has no [loop]; write that first"),
        ("stops.oxygen_breaks.on", "it has no [stops.oxygen_breaks]"),
        ("team.Ann.rmv_bottom", "it has no [[team]]"),
        ("levels", "is a list; say which and what of it, such as 'levels.1.depth'"),
        ("levels.1", "is a table; say which key of it, such as 'levels.1.depth'"),
        ("rates", "is a table"),
        ("rates.ascent.fast", "goes too far: 'rates.ascent' is one value"),
        ("units", "is not a number or a gas"),
        ("title", "is not a number or a gas"),
        ("cylinders.1.name", "is not a number or a gas"),
        ("model.coefficients", "is not a number or a gas"),
        ("limits.oxygen_narcotic", "is not a number or a gas"),
        ("fills.temperature", "is no part of the dive: [fills] says nothing of how it is dived"),
        ("sweep.together", "is no part of the dive"),
        ("contingencies.deeper", "write contingencies = true in [sweep]"),
        ("after.altitude", "changes nothing but the verdict, which is not asked for"),
        ("limits.tts", "changes nothing but the verdict, which is not asked for"),
        ("diver.rmv_stressed", "changes nothing but the verdict, which is not asked for"),
    ],
)
def test_an_axis_that_is_none(tmp_path: Path, key: str, words: str):
    said = refusal(tmp_path, AIR, DEPTH, axis(key, "[1]"))
    assert said.startswith("dive.toml: [[sweep.axes]] 2, key: ")
    assert words in said


@pytest.mark.parametrize(
    ("values", "where", "words"),
    [
        ("[40, 700]", "values, item 2", "for levels.1.depth: 700 is outside 0.5 to 350 m"),
        ('["50 psi"]', "values, item 1", "'psi' is not a unit of depth; use m or ft"),
        ("[true]", "values, item 1", "true is neither a number nor a gas"),
        ("[]", "values", "is empty; give at least one value"),
        ("from = 30\nto = 60", "step", "is missing beside from"),
        ("from = 30\nto = 60\nstep = 0", "step", "0 leads nowhere"),
        ("from = 30\nto = 60\nstep = -3", "step", "-3 leads away from to: from 30 to 60 it must be over 0"),
        ("from = 60\nto = 30\nstep = 3", "step", "3 leads away from to: from 60 to 30 it must be below 0"),
        ('from = 30\nto = "200 ft"\nstep = 3', "from", "must be in the same unit; they are 30, '200 ft' and 3"),
        ("from = 30\nto = nan\nstep = 3", "to", "nan is not a finite number"),
        ("from = 30\nto = inf\nstep = 3", "to", "inf is not a finite number"),
        (f"from = 30\nto = {10**400}\nstep = 3", "to", "the number is far too large"),
        ('from = "deep"\nto = 60\nstep = 3', "from", "'deep' is not a number with a unit"),
        ("from = 30\nto = 60\nstep = 3\nvalues = [3]", "from", "and values are both given"),
    ],
)
def test_values_that_are_none(tmp_path: Path, values: str, where: str, words: str):
    said = refusal(tmp_path, AIR, axis("levels.1.depth", values))
    assert said.startswith(f"dive.toml: [[sweep.axes]] 1, {where}: ")
    assert words in said


@pytest.mark.parametrize(
    ("axes", "head", "words"),
    [
        ([DEPTH, DEPTH], "", "'levels.1.depth' sets what 'levels.1.depth' sets too; leave one of them out"),
        (
            [axis("cylinders.1.size", "[1]"), axis("cylinders.back gas.size", "[1]")],
            "",
            "'cylinders.back gas.size' sets what 'cylinders.1.size' sets too",
        ),
        (
            [axis("model.gradient_factors", "[[40, 80]]"), axis("model.gradient_factors.low", "[1]")],
            "",
            "'model.gradient_factors.low' sets what 'model.gradient_factors' sets too",
        ),
        (
            [DEPTH, axis("levels.1.leave_at", "[10, 20, 30]")],
            "together = true",
            "all axes must have as many values; levels.1.depth 2, levels.1.leave_at 3",
        ),
        ([], "", "is missing; say what to vary"),
        ([axis("levels.1.leave_at", "from = 10\nto = 20\nstep = 0.5")], "", "10.5 min is not a whole minute"),
        ([axis("levels.1.depth", "from = 10\nto = 400\nstep = 10")], "", "360 is outside 0.5 to 350 m"),
    ],
)
def test_axes_that_do_not_agree(tmp_path: Path, axes: list[str], head: str, words: str):
    assert words in refusal(tmp_path, AIR, *axes, head=head)


def test_the_log_cannot_be_varied(tmp_path: Path):
    (tmp_path / "first.toml").write_text(AIR, encoding="utf-8")
    before = AIR + '[[previous]]\nfile = "first.toml"\nsurface_interval = 60\n'
    assert "not a quantity" in refusal(tmp_path, before, axis("previous.1.log", "[1, 2]"))


def test_far_too_many_dives_are_refused_by_arithmetic(tmp_path: Path):
    """Twelve axes of ten values are 10^12 dives; and numbers that no memory holds are counted all the same."""
    keys = ["depth", "leave_at"], ["descent", "ascent", "between_stops", "to_surface"]
    ten = "[10, 11, 12, 13, 14, 15, 16, 17, 18, 19]"
    axes = [axis(f"levels.1.{key}", ten) for key in keys[0]] + [axis(f"rates.{key}", ten) for key in keys[1]]
    axes += [axis(f"diver.{key}", ten) for key in ("rmv_bottom", "rmv_deco", "rmv_stressed", "sorting_out")]
    axes += [axis("site.temperature", ten), axis("site.altitude", ten)]
    began = time.monotonic()
    said = refusal(tmp_path, AIR, *axes, head="contingencies = true")
    assert "make 1,000,000,000,000 dives (10 × 10 × 10 " in said
    assert "at most 100,000,000 are planned in one sweep. Take larger steps, or fewer axes" in said
    assert "about 10^600 dives" in refusal(tmp_path, AIR, axis("levels.1.depth", "from = 0\nto = 1e300\nstep = 1e-300"))
    assert time.monotonic() - began < 5.0


def test_an_axis_too_long(tmp_path: Path):
    said = refusal(tmp_path, AIR, axis("levels.1.depth", "from = 10\nto = 30\nstep = 0.0001"))
    assert "levels.1.depth has 200,001 values; at most 100,000 fit one axis" in said
