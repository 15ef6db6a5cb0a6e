"""Depth limits, equivalent depths and densities of mixes against handbooks and equations of state."""

import math

import pytest
from CoolProp.CoolProp import PropsSI

from leadline.physics.environment import Environment
from leadline.physics.mix import AIR_O2, DENSITY_G_L, Mix
from tests.authority.published import BREATHING, GAS, rows

HANDBOOK = GAS["density_0C_1atm_g_per_l"]
LIMITS = GAS["oxygen_depth"]
EAD = BREATHING["equivalent_air_depth"]
AIR_DEPTH = BREATHING["air_density_depth"]
ONE_BAR_SURFACE = Environment(surface_bar=1.0)
COOLPROP = {"o2": "Oxygen", "n2": "Nitrogen", "he": "Helium"}


@pytest.mark.parametrize(
    ("label", "limit_bar", "floor_m"),
    [(label, 1.4, depth) for label, depth in LIMITS["mod_1_4_m"].items()]
    + [(label, 1.6, depth) for label, depth in LIMITS["mod_1_6_m"].items()],
)
def test_mod_table(label: str, limit_bar: float, floor_m: int) -> None:
    # Handbook MOD tables, in whole metres rounded down, from a surface of 1.013 bar.
    assert math.floor(Mix.parse(label).mod(limit_bar)) == floor_m


@pytest.mark.parametrize(("label", "floor_m"), [("50", 22), ("80", 10), ("100", 6)])
def test_mod_table_from_a_surface_of_one_bar(label: str, floor_m: int) -> None:
    # The note of the same table: 1.6 bar, the surface rounded to 1 bar. These are whole but for rounding.
    assert math.floor(Mix.parse(label).mod(1.6, ONE_BAR_SURFACE) + 1e-9) == floor_m


@pytest.mark.parametrize(("percent", "depth_fsw", "ead_fsw"), rows(EAD, "oxygen_percent", "depth_fsw", "ead_fsw"))
def test_ead(percent: float, depth_fsw: float, ead_fsw: float) -> None:
    # The NOAA Diving Manual's equation has air as 79 % nitrogen, Leadline as 79.02 %: at most 0.03 fsw less.
    in_fsw_and_atm = Environment(surface_bar=1.0, bar_per_m=1.0 / 33.0)
    assert Mix(percent / 100).ead(depth_fsw, in_fsw_and_atm) == pytest.approx(ead_fsw, abs=0.04)


def test_air_is_its_own_equivalent() -> None:
    # By definition.
    air = Mix.parse("air")
    for depth in (0.0, 12.0, 40.0):
        assert air.ead(depth) == pytest.approx(depth, abs=1e-9)
        assert air.end(depth) == pytest.approx(depth, abs=1e-9)
        assert air.end(depth, oxygen_narcotic=False) == pytest.approx(depth, abs=1e-9)


def test_end_by_hand() -> None:
    # Dalton's law: 18/45 at 60 m where 10 m = 1 bar is at 7 bar; not helium: 3.85 bar, air at 28.5 m.
    # Nitrogen alone: 7 * 0.37 / 0.7902 = 3.2776 bar, air at 22.8 m.
    trimix = Mix.parse("18/45")
    assert trimix.end(60.0, ONE_BAR_SURFACE) == pytest.approx(28.5, abs=1e-9)
    assert trimix.end(60.0, ONE_BAR_SURFACE, oxygen_narcotic=False) == pytest.approx(22.776, abs=0.001)
    assert trimix.ppo2(7.0) == pytest.approx(1.26)


@pytest.mark.parametrize("gas", ["o2", "n2", "he"])
def test_densities_are_the_handbooks(gas: str) -> None:
    # CRC Handbook of Chemistry and Physics; the same digits.
    assert DENSITY_G_L[gas] == HANDBOOK[gas]


@pytest.mark.parametrize("gas", ["o2", "n2", "he"])
def test_densities_are_the_reference_equations(gas: str) -> None:
    # Reference equations of state by CoolProp at 0 °C and one atmosphere. Nitrogen is 1.2504 there, helium
    # 0.17848: the handbook's roundings of older values are 0.05 and 0.07 % over them.
    expected = PropsSI("D", "T", 273.15, "P", 101325.0, COOLPROP[gas])
    assert DENSITY_G_L[gas] == pytest.approx(expected, rel=0.0007)


def test_density_of_air() -> None:
    # Handbook value, with the 0.93 % of argon (1.784 g/L) that a diver's nitrogen leaves out: 0.005 g/L.
    assert Mix.parse("air").density(1.01325) == pytest.approx(HANDBOOK["air"], abs=0.006)


@pytest.mark.parametrize(("label", "depth_m"), [("32", 34.0), ("18/35", 61.0), ("air", 36.0), ("air", 40.0)])
def test_published_density_illustrations(label: str, depth_m: float) -> None:
    # Anthony & Mitchell (2016): "about 6 g/L", read as within 0.6 g/L.
    assert Mix.parse(label).density(Environment().pressure(depth_m)) == pytest.approx(6.0, abs=0.6)


@pytest.mark.parametrize(("density_g_l", "depth_m"), rows(AIR_DEPTH, "density_g_l", "depth_m"))
def test_air_reaches_the_density_limits_at_the_published_depths(density_g_l: float, depth_m: float) -> None:
    # Anthony & Mitchell (2016). The depths are whole metres, one of which is 0.13 g/L.
    assert Mix.parse("air").density(Environment().pressure(depth_m)) == pytest.approx(density_g_l, abs=0.1)


def test_air_has_the_oxygen_of_the_atmosphere() -> None:
    # Dry air is 20.946 % oxygen by volume (U.S. Standard Atmosphere, 1976): 20.98 % is within 0.05 %.
    assert pytest.approx(0.20946, abs=0.0005) == AIR_O2


@pytest.mark.parametrize("label", ["21/80", "60/50", "0", "0/50", "101", "110/5", "0/100", "10/100"])
def test_impossible_mixes_are_refused(label: str) -> None:
    # Dalton's law: fractions are of one whole, and a gas without oxygen is not breathed.
    with pytest.raises(ValueError, match="100 %"):
        Mix.parse(label)
