"""What the reader makes of a dive file; and that any bytes whatever are a dive or a refusal in words."""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.dive_file import Cylinder, Dive, DiveFileError, Loop, divers, parse_dive, read_dive
from leadline.dive_file.schema import Contingencies, GasRules, Solve, TeamDiver
from leadline.physics.mix import Mix
from leadline.units import CUBIC_FOOT_L, FOOT_M, PSI_BAR, RatedCubicFeet
from tests.dive_file.files import AIR_DIVE, LEVEL, LOOP_DIVE, METRIC, TWIN, read

IMPERIAL_DIVE = """
units = "imperial"
title = " Gull Stack "
[[levels]]
depth = 150
leave_at = "35 min"
[[cylinders]]
name = "bailout"
gas = "50 %"
size = 80
working_pressure = 3000
pressure = "200 BAR"
use = "bottom"
[loop]
diluent = "21/25"
setpoint = 1
"""
TEAM_DIVE = (
    AIR_DIVE
    + """
[gas]
turn = "thirds"
drysuit = 6
[contingencies]
deeper = [3, "20 ft"]
leave_out = ["delay"]
[solve]
gases = ["18/45", 32]
[[solve.cylinders]]
size = 12
pressure = 230
[[team]]
name = "Ann"
gradient_factors = [30, 70]
[[team.cylinders]]
name = "back"
gas = "air"
size = "80 cuft"
working_pressure = "3000 psi"
pressure = 200
use = "bottom"
[[team]]
name = "Bo"
[team.loop]
diluent = "21/25"
setpoint = 1.3
"""
)


def test_a_metric_file(tmp_path: Path) -> None:
    dive = read(AIR_DIVE, tmp_path)
    assert (dive.title, dive.units) == ("Untitled dive", "metric")
    assert [(level.depth, level.leave_at, level.gas) for level in dive.levels] == [(45.0, 20.0, None)]
    (twin,) = dive.cylinders
    assert (twin.name, twin.gas, twin.use) == ("twin", Mix.parse("air"), "bottom")
    assert (twin.water_l, twin.pressure) == (24, 230)
    assert dive.loop is None
    assert dive.deepest_m == 45.0


def test_an_imperial_file_is_metric_once_read(tmp_path: Path) -> None:
    dive = read(IMPERIAL_DIVE, tmp_path)
    assert dive.title == "Gull Stack"
    assert dive.levels[0].depth == pytest.approx(150 * FOOT_M)
    assert dive.levels[0].leave_at == 35.0
    (bailout,) = dive.cylinders
    assert bailout.gas == Mix.parse("50")
    assert bailout.size == RatedCubicFeet(80.0)
    assert bailout.working_pressure == pytest.approx(3000 * PSI_BAR)
    assert bailout.pressure == 200.0
    assert 10.5 < bailout.water_l < 11.7
    assert dive.loop is not None
    assert dive.loop.setpoint == 1.0


def test_defaults_are_round_in_the_units_of_the_file(tmp_path: Path) -> None:
    metric, imperial = read(AIR_DIVE, tmp_path), read(IMPERIAL_DIVE, tmp_path)
    assert (metric.stops.step, imperial.stops.step) == (3.0, pytest.approx(10 * FOOT_M))
    assert (metric.rates.ascent, imperial.rates.ascent) == (9.0, pytest.approx(30 * FOOT_M))
    assert (metric.diver.rmv_bottom, imperial.diver.rmv_bottom) == (20.0, pytest.approx(0.7 * CUBIC_FOOT_L))
    assert (metric.limits.end_caution, imperial.limits.end_caution) == (30.0, pytest.approx(100 * FOOT_M))
    assert metric.model.gradient_factors == (40.0, 80.0)


def test_a_byte_order_mark_and_dos_line_ends_do_no_harm(tmp_path: Path) -> None:
    assert read("\ufeff" + AIR_DIVE.replace("\n", "\r\n"), tmp_path) == read(AIR_DIVE, tmp_path)


def test_a_path_as_text(tmp_path: Path) -> None:
    read(AIR_DIVE, tmp_path)
    assert read_dive(str(tmp_path / "dive.toml")) == parse_dive(tomllib.loads(AIR_DIVE))


def test_tables_in_memory_are_named_dive_in_errors() -> None:
    with pytest.raises(DiveFileError, match=r"^dive: units: is missing"):
        parse_dive({})


@pytest.mark.parametrize(
    ("last", "depths"),
    [("3", [0, 3, 6, 9, 12]), ("4.5", [0, 4.5, 6, 9, 12]), ("5", [0, 5, 9, 12]), ("6", [0, 6, 9, 12])],
)
def test_stop_depths(last: str, depths: list[float], tmp_path: Path) -> None:
    stops = read(AIR_DIVE + f"[stops]\nlast = {last}\n", tmp_path).stops
    assert stops.depths_m(13.0) == depths


# --- Anything at all

FRAGMENTS = st.sampled_from(
    ["nan", "-inf", "true", "-1", "0", "1e999", '""', '"x"', '"45 ft"', "[]", "{}", "[[", "]]", "]", "[", "=",
     "\n", "\0", "\x1b", "9" * 400, '"18/45"', '"60/50"', "1979-05-27", "units", "depth", "[site]", "[loop]",
     "[[levels]]", "[stops]"]
)  # fmt: skip


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A dive file with some of its words or bytes replaced, dropped, doubled or swapped."""
    text = draw(st.sampled_from([AIR_DIVE, LOOP_DIVE, IMPERIAL_DIVE, TEAM_DIVE, METRIC + LEVEL + LEVEL + TWIN + TWIN]))
    words = text.replace("\n", " \n ").split(" ")
    for _ in range(draw(st.integers(1, 4))):
        i = draw(st.integers(0, len(words) - 1))
        words[i : i + draw(st.integers(0, 2))] = draw(st.lists(FRAGMENTS | st.sampled_from(words), max_size=2))
        words = words or [""]
    content = bytearray(" ".join(words).encode())
    for _ in range(draw(st.integers(0, 2))):
        i = draw(st.integers(0, len(content)))
        content[i : i + draw(st.integers(0, 1))] = draw(st.binary(max_size=2))
    return bytes(content)


def is_a_dive_or_refused(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        try:
            dive = read(content, Path(folder))
        except DiveFileError as refused:
            assert all(problem.message for problem in refused.problems)  # noqa: PT017 (either way is right)
        else:
            assert isinstance(dive, Dive)


@given(st.binary(max_size=200))
def test_any_bytes(content: bytes) -> None:
    is_a_dive_or_refused(content)


@given(mutated())
def test_any_dive_file_gone_wrong(content: bytes) -> None:
    is_a_dive_or_refused(content)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(st.data(), values)
def test_any_value_at_any_key(data: st.DataObject, value: object) -> None:
    tables = tomllib.loads(data.draw(st.sampled_from([AIR_DIVE, LOOP_DIVE, IMPERIAL_DIVE])))
    keys = [*Dive.model_fields, "other"]
    table = data.draw(st.sampled_from([tables, tables["levels"][0], tables.setdefault("site", {})]))
    names = [*keys, *Dive.model_fields["site"].annotation.model_fields, "depth", "leave_at", "gas"]  # type: ignore[union-attr]
    table[data.draw(st.sampled_from(names))] = value
    is_a_dive_or_refused_in_memory(tables)


@given(st.data(), values)
def test_any_value_at_any_key_of_a_team(data: st.DataObject, value: object) -> None:
    """The value takes the place of any key of any table, or of a whole table."""
    tables = tomllib.loads(TEAM_DIVE)
    nested = [tables["gas"], tables["contingencies"], tables["solve"], tables["solve"]["cylinders"][0]]
    team = [*tables["team"], tables["team"][0]["cylinders"][0], tables["team"][1]["loop"]]
    table = data.draw(st.sampled_from([tables, *nested, *team]))
    models = (GasRules, Contingencies, Solve, TeamDiver, Cylinder, Loop, Dive)
    names = [name for model in models for name in model.model_fields]
    table[data.draw(st.sampled_from([*table, *names]))] = value
    is_a_dive_or_refused_in_memory(tables)


def is_a_dive_or_refused_in_memory(tables: dict[str, Any]) -> None:
    try:
        dive = parse_dive(tables)
    except DiveFileError as refused:
        assert str(refused)  # noqa: PT017 (either way is right)
    else:
        assert all(own.team == () for _, own in divers(dive))
