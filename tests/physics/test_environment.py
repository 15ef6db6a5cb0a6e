"""Pressure and depth, there and back, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.physics.environment import SEA_LEVEL_BAR, Environment, surface_pressure

altitudes = st.floats(min_value=-500.0, max_value=11_000.0)
waters = st.sampled_from(["en13319", "sea", "fresh", 1013.0])


def test_sea_level() -> None:
    assert surface_pressure(0.0) == SEA_LEVEL_BAR
    assert Environment.at() == Environment()


@given(altitudes, waters, st.floats(min_value=0.0, max_value=300.0))
def test_depth_undoes_pressure(altitude_m: float, water: str | float, depth_m: float) -> None:
    where = Environment.at(altitude_m, water)
    assert where.depth(where.pressure(depth_m)) == pytest.approx(depth_m, abs=1e-9)


@given(altitudes, altitudes)
def test_pressure_falls_with_altitude(one_m: float, other_m: float) -> None:
    low, high = sorted((one_m, other_m))
    assert surface_pressure(low) >= surface_pressure(high)


def test_heavier_water_presses_harder() -> None:
    pressures = [Environment.at(water=water).pressure(40.0) for water in ("fresh", "en13319", "sea")]
    assert pressures == sorted(pressures)
    assert len(set(pressures)) == 3


def test_above_the_surface_is_negative() -> None:
    assert Environment().depth(0.9) < 0.0


@pytest.mark.parametrize("altitude_m", [-501.0, 11_001.0, math.inf, math.nan])
def test_altitudes_outside_the_troposphere_are_refused(altitude_m: float) -> None:
    with pytest.raises(ValueError, match=r"outside -500 to 11000 m"):
        surface_pressure(altitude_m)
