"""Labels, fractions and limits of mixes."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.physics.environment import Environment
from leadline.physics.mix import AIR_O2, Mix


@st.composite
def mixes(draw: st.DrawFn) -> Mix:
    o2 = draw(st.integers(min_value=1, max_value=100))
    he = draw(st.integers(min_value=0, max_value=min(99, 100 - o2)))
    return Mix(o2 / 100, he / 100)


@pytest.mark.parametrize(
    ("text", "o2", "he", "name"),
    [
        ("air", AIR_O2, 0.0, "air"),
        (" Air ", AIR_O2, 0.0, "air"),
        ("oxygen", 1.0, 0.0, "oxygen"),
        ("32", 0.32, 0.0, "32 %"),
        ("100", 1.0, 0.0, "100 %"),
        ("50 %", 0.5, 0.0, "50 %"),
        ("50%", 0.5, 0.0, "50 %"),
        ("21/0", 0.21, 0.0, "21/0"),
        ("18/45", 0.18, 0.45, "18/45"),
        ("17.5/45.25", 0.175, 0.4525, "17.5/45.25"),
    ],
)
def test_labels(text: str, o2: float, he: float, name: str) -> None:
    mix = Mix.parse(text)
    assert (mix.o2, mix.he, mix.name) == (pytest.approx(o2), pytest.approx(he), name)


@pytest.mark.parametrize(
    "text", ["", "nitrox", "% 32", "18/45 %", "32 %%", "٣٢", "18/", "/45", "18-45", "-18/45", "1e1", "18/45/37"]
)
def test_what_is_not_a_gas_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r'is not a gas; write "air", "oxygen", "32" or "18/45"'):
        Mix.parse(text)


@pytest.mark.parametrize(
    ("o2", "he"),
    [(0.0, 0.0), (-0.1, 0.0), (1.1, 0.0), (0.2, -0.1), (0.2, 1.0), (math.nan, 0.0), (0.2, math.nan)],
)
def test_fractions_no_gas_can_have(o2: float, he: float) -> None:
    with pytest.raises(ValueError, match="oxygen must be over 0 and at most 100 %"):
        Mix(o2, he)


@pytest.mark.parametrize(("label", "sum_percent"), [("100/1", "101 %"), ("21/80", "101 %"), ("60/50", "110 %")])
def test_a_refused_label_is_quoted(label: str, sum_percent: str) -> None:
    with pytest.raises(ValueError, match=f"^'{label}': .* add up to {sum_percent}"):
        Mix.parse(label)


def test_more_than_the_whole_says_how_much() -> None:
    with pytest.raises(ValueError, match="add up to 110 %"):
        Mix(0.6, 0.5)


def test_the_label_does_not_count() -> None:
    assert Mix.parse("21/0") == Mix.parse("21") == Mix(0.21, label="bottom gas")
    assert hash(Mix.parse("21/0")) == hash(Mix(0.21))
    assert Mix.parse("air") != Mix.parse("21")


@given(mixes())
def test_fractions_are_of_one_whole(mix: Mix) -> None:
    assert mix.o2 + mix.n2 + mix.he == pytest.approx(1.0, abs=1e-12)
    assert 0.0 <= mix.n2 < 1.0
    assert 0.0 <= mix.he_share <= 1.0
    assert mix.he_share * (mix.n2 + mix.he) == pytest.approx(mix.he, abs=1e-9)


@given(mixes())
def test_an_unlabelled_mix_can_be_read_back(mix: Mix) -> None:
    again = Mix.parse(mix.label)
    assert (again.o2, again.he) == (pytest.approx(mix.o2), pytest.approx(mix.he))


@given(mixes(), st.floats(min_value=0.2, max_value=2.0), st.floats(min_value=0.0, max_value=4000.0))
def test_at_its_mod_a_mix_has_the_limit(mix: Mix, limit_bar: float, altitude_m: float) -> None:
    where = Environment.at(altitude_m, "fresh")
    assert mix.ppo2(where.pressure(mix.mod(limit_bar, where))) == pytest.approx(limit_bar, rel=1e-12)


@given(mixes(), st.floats(min_value=0.0, max_value=200.0))
def test_equivalent_depths(mix: Mix, depth_m: float) -> None:
    ead, end = mix.ead(depth_m), mix.end(depth_m)
    assert ead >= 0.0
    assert 0.0 <= end <= depth_m + 1e-9
    assert mix.end(depth_m, oxygen_narcotic=False) == ead
    air_n2_bar = (1.0 - AIR_O2) * Environment().pressure(ead)
    assert air_n2_bar >= mix.n2 * Environment().pressure(depth_m) - 1e-9


@given(mixes(), st.floats(min_value=0.5, max_value=30.0))
def test_density_is_linear_in_pressure_and_lighter_with_helium(mix: Mix, bar: float) -> None:
    assert mix.density(2.0 * bar) == pytest.approx(2.0 * mix.density(bar))
    if mix.he > 0.0:
        assert mix.density(bar) < Mix(mix.o2).density(bar)
