"""Water against the equation of state of sea water, and the check values that it has given."""

import gsw
import pytest

from leadline.physics.environment import SEA_LEVEL_BAR, Environment, bar_per_metre
from tests.authority.published import WATER, rows

SEA_WATER = WATER["sea_water"]


@pytest.mark.parametrize(("depth_m", "gauge_bar"), rows(SEA_WATER, "depth_m", "gauge_bar"))
def test_the_check_values_are_teos10s(depth_m: float, gauge_bar: float) -> None:
    # By gsw, at 45° of latitude, to the digits written.
    assert float(gsw.p_from_z(-depth_m, 45.0)) / 10.0 == pytest.approx(gauge_bar, abs=0.6e-4)


@pytest.mark.parametrize("latitude", [0.0, 45.0, 90.0])
@pytest.mark.parametrize("depth_m", [10.0, 40.0, 100.0, 150.0])
def test_depth_in_sea_water(depth_m: float, latitude: float) -> None:
    # TEOS-10 (IOC/SCOR/IAPSO 2010) by gsw, for the standard ocean of 35.17 g/kg and 0 °C, which is 1028 kg/m³
    # at the surface, and with gravity by latitude. "sea" is a round 1025 kg/m³ with one gravity: the water
    # makes 0.3 % of difference, gravity 0.27 % either way, compression to 150 m 0.04 %. Together 0.65 %.
    teos10_bar = float(gsw.p_from_z(-depth_m, latitude)) / 10.0
    sea = Environment.at(water="sea")
    assert sea.pressure(depth_m) - SEA_LEVEL_BAR == pytest.approx(teos10_bar, rel=0.0065)


@pytest.mark.parametrize("depth_m", [0.0, 50.0, 100.0])
@pytest.mark.parametrize(("salinity_g_kg", "celsius"), [(35, 20), (36, 25), (35, 10), (38.5, 14)])
def test_sea_is_as_dense_as_sea_water(depth_m: float, salinity_g_kg: float, celsius: float) -> None:
    # TEOS-10 by gsw: an ocean in the temperate summer, the tropics, a cold one, the Mediterranean. The waters
    # that people dive in differ by 0.4 % about the 1025 kg/m³ of "sea".
    density = float(gsw.rho(salinity_g_kg, celsius, depth_m))
    assert bar_per_metre("sea") == pytest.approx(bar_per_metre(density), rel=0.005)


def test_fresh_is_as_dense_as_fresh_water() -> None:
    # TEOS-10 by gsw, no salt, 4 to 20 °C: 1000 to 998.2 kg/m³.
    for celsius in (4.0, 10.0, 20.0):
        assert bar_per_metre("fresh") == pytest.approx(bar_per_metre(float(gsw.rho(0.0, celsius, 0.0))), rel=0.002)


def test_en13319_is_a_bar_in_ten_metres() -> None:
    # EN 13319:2000, 1020 kg/m³: a density between fresh and sea.
    assert Environment.at().pressure(10.0) - SEA_LEVEL_BAR == pytest.approx(1.0, abs=1e-12)
    assert bar_per_metre(1020.0) == pytest.approx(bar_per_metre("en13319"), rel=0.0005)
