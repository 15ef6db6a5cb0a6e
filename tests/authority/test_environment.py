"""Air and water against the ICAO standard atmosphere and the equation of state of sea water."""

import gsw
import pytest

from leadline.physics.environment import SEA_LEVEL_BAR, Environment, bar_per_metre, surface_pressure
from tests.authority.published import ATMOSPHERE, rows

ICAO = ATMOSPHERE["icao_standard_atmosphere"]


@pytest.mark.parametrize(("altitude_m", "pressure_hpa"), rows(ICAO, "altitude_m", "pressure_hpa"))
def test_surface_pressure_is_the_icao_table(altitude_m: float, pressure_hpa: float) -> None:
    # ICAO Doc 7488. The table is written to 0.01 hPa; the last digit is from memory.
    assert surface_pressure(altitude_m) * 1000 == pytest.approx(pressure_hpa, abs=0.015)


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
