"""What holds of any gas: there and back, the ideal limit, the range, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.physics.mix import Mix
from leadline.physics.real_gas import (
    MAX_BAR,
    MAX_CELSIUS,
    MIN_CELSIUS,
    compressibility,
    free_litres,
    molar_density,
    pressure_at,
    pressure_of,
    water_litres,
)
from leadline.units import FREE_CUBIC_FOOT_L

AIR = Mix.parse("air")
TRIMIX = Mix.parse("18/45")


@st.composite
def mixes(draw: st.DrawFn) -> Mix:
    o2 = draw(st.floats(min_value=0.01, max_value=1.0))
    return Mix(o2, draw(st.floats(min_value=0.0, max_value=1.0)) * (1.0 - o2))


bars = st.floats(min_value=0.0, max_value=MAX_BAR)
temperatures = st.floats(min_value=MIN_CELSIUS, max_value=MAX_CELSIUS)
waters = st.floats(min_value=0.5, max_value=50.0)


@given(mixes(), waters, bars, temperatures)
def test_pressure_undoes_contents(mix: Mix, water_l: float, bar: float, celsius: float) -> None:
    litres = free_litres(mix, water_l, bar, celsius)
    assert pressure_of(mix, water_l, litres, celsius) == pytest.approx(bar, rel=1e-10)


@given(mixes(), waters, st.floats(min_value=0.0, max_value=300.0), temperatures)
def test_contents_undo_pressure(mix: Mix, water_l: float, litres_per_litre: float, celsius: float) -> None:
    litres = water_l * litres_per_litre
    bar = pressure_of(mix, water_l, litres, celsius)
    assert free_litres(mix, water_l, bar, celsius) == pytest.approx(litres, rel=1e-10)


@given(mixes(), temperatures, bars, bars)
def test_more_pressure_is_more_gas(mix: Mix, celsius: float, one_bar: float, other_bar: float) -> None:
    low, high = sorted((one_bar, other_bar))
    less, more = molar_density(mix, low, celsius), molar_density(mix, high, celsius)
    assert less <= more
    if high > low * (1.0 + 1e-9) and high > 1e-300:  # below that a density has no digits left
        assert less < more


@given(mixes(), temperatures, st.floats(min_value=1e-6, max_value=0.01))
def test_thin_gas_is_ideal(mix: Mix, celsius: float, bar: float) -> None:
    # Boyle's law: second virial coefficients are under 0.04 L/mol here, so 0.01 bar is within 2e-5 of ideal.
    assert compressibility(mix, bar, celsius) == pytest.approx(1.0, abs=2e-5)
    assert free_litres(mix, 12.0, bar, celsius) == pytest.approx(12.0 * bar, rel=2e-5)


@given(mixes(), temperatures, bars)
def test_compressibility_is_that_of_breathing_gas(mix: Mix, celsius: float, bar: float) -> None:
    z = compressibility(mix, bar, celsius)
    assert 0.84 < z < 1.4
    litres = free_litres(mix, 1.0, bar, celsius)
    assert litres * z == pytest.approx(bar, rel=1e-11)


@given(mixes(), waters, bars, temperatures)
def test_two_cylinders_hold_twice_as_much(mix: Mix, water_l: float, bar: float, celsius: float) -> None:
    one = free_litres(mix, water_l, bar, celsius)
    assert free_litres(mix, 2.0 * water_l, bar, celsius) == pytest.approx(2.0 * one)


def test_an_empty_cylinder_is_empty() -> None:
    for mix in (AIR, TRIMIX, Mix(1.0)):
        assert molar_density(mix, 0.0, 20.0) == 0.0
        assert free_litres(mix, 12.0, 0.0, 20.0) == 0.0
        assert pressure_of(mix, 12.0, 0.0, 20.0) == 0.0
        assert compressibility(mix, 0.0, 20.0) == 1.0


def test_warm_gas_presses_harder() -> None:
    litres = free_litres(AIR, 12.0, 232.0, 15.0)
    moles_as_litres_when_warm = litres * (313.15 / 288.15)  # free litres are of the gas's own temperature
    assert pressure_of(AIR, 12.0, moles_as_litres_when_warm, 40.0) > 250.0


@given(mixes(), st.floats(min_value=1.0, max_value=250.0), temperatures, temperatures)
def test_a_closed_cylinder_keeps_its_gas(mix: Mix, bar: float, celsius: float, to_celsius: float) -> None:
    there = pressure_at(mix, bar, celsius, to_celsius)
    assert molar_density(mix, there, to_celsius) == pytest.approx(molar_density(mix, bar, celsius), rel=1e-9)
    assert pressure_at(mix, there, to_celsius, celsius) == pytest.approx(bar, rel=1e-9)
    assert pressure_at(mix, bar, celsius, celsius) == pytest.approx(bar, rel=1e-9)
    if to_celsius > celsius + 1e-3:
        assert there > bar


def test_warming_thin_gas_is_ideal() -> None:
    # Gay-Lussac's law: 0.01 bar at 0 °C is 0.01 · 293.15/273.15 = 0.0107322 bar at 20 °C.
    assert pressure_at(AIR, 0.01, 0.0, 20.0) == pytest.approx(0.0107322, abs=1e-7)


def test_an_empty_cylinder_stays_empty() -> None:
    assert pressure_at(AIR, 0.0, 30.0, 4.0) == 0.0


def test_rated_cubic_feet_are_what_the_cylinder_holds() -> None:
    water_l = water_litres(77.4, 206.84)
    assert free_litres(AIR, water_l, 206.84, 21.0) == pytest.approx(77.4 * FREE_CUBIC_FOOT_L)


def test_numbers_are_plain() -> None:
    bar, celsius, water_l = np.float64(200.0), np.float64(15.0), np.float64(12.0)
    mix = Mix(np.float64(0.19), np.float64(0.41))
    for number in (
        molar_density(mix, bar, celsius),
        compressibility(mix, bar, celsius),
        free_litres(mix, water_l, bar, celsius),
        pressure_of(mix, water_l, np.float64(2000.0), celsius),
        water_litres(np.float64(80.0), bar),
    ):
        assert type(number) is float


@pytest.mark.parametrize("bar", [-0.1, 500.1, math.inf, math.nan])
def test_pressures_outside_the_range_are_refused(bar: float) -> None:
    for refused in (
        lambda: molar_density(AIR, bar, 20.0),
        lambda: compressibility(AIR, bar, 20.0),
        lambda: free_litres(AIR, 12.0, bar, 20.0),
    ):
        with pytest.raises(ValueError, match="is outside 0 to 500 bar"):
            refused()


@pytest.mark.parametrize("celsius", [-20.1, 60.1, math.inf, math.nan])
def test_temperatures_outside_the_range_are_refused(celsius: float) -> None:
    for refused in (
        lambda: molar_density(AIR, 200.0, celsius),
        lambda: free_litres(AIR, 12.0, 200.0, celsius),
        lambda: pressure_of(AIR, 12.0, 2000.0, celsius),
    ):
        with pytest.raises(ValueError, match="is outside -20 to 60 °C"):
            refused()


@pytest.mark.parametrize("water_l", [0.0, -12.0, math.inf, math.nan])
def test_a_cylinder_without_volume_is_refused(water_l: float) -> None:
    with pytest.raises(ValueError, match="water volume must be over 0 L"):
        free_litres(AIR, water_l, 200.0, 20.0)
    with pytest.raises(ValueError, match="water volume must be over 0 L"):
        pressure_of(AIR, water_l, 2000.0, 20.0)


@pytest.mark.parametrize("litres", [-1.0, 6000.0, 1e300, math.inf, math.nan])
def test_more_gas_than_a_cylinder_takes_is_refused(litres: float) -> None:
    with pytest.raises(ValueError, match="L of gas in a cylinder of 12 L is outside 0 to 500 bar"):
        pressure_of(AIR, 12.0, litres, 20.0)


@pytest.mark.parametrize("cubic_feet", [0.0, -80.0, math.inf, math.nan])
def test_a_rating_of_nothing_is_refused(cubic_feet: float) -> None:
    with pytest.raises(ValueError, match="rated capacity must be over 0 cubic feet"):
        water_litres(cubic_feet, 200.0)


@pytest.mark.parametrize("bar", [0.0, -200.0, 500.1, math.nan])
def test_a_working_pressure_outside_the_range_is_refused(bar: float) -> None:
    with pytest.raises(ValueError, match="working pressure must be over 0 and at most 500 bar"):
        water_litres(80.0, bar)
