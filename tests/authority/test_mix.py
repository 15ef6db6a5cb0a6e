"""Densities of mixes against equations of state, and what holds by definition."""

import pytest
from CoolProp.CoolProp import PropsSI

from leadline.physics.mix import DENSITY_G_L, Mix
from tests.authority.published import GAS

HANDBOOK = GAS["density_0C_1atm_g_per_l"]
COOLPROP = {"o2": "Oxygen", "n2": "Nitrogen", "he": "Helium"}


def test_air_is_its_own_equivalent() -> None:
    # By definition.
    air = Mix.parse("air")
    for depth in (0.0, 12.0, 40.0):
        assert air.ead(depth) == pytest.approx(depth, abs=1e-9)
        assert air.end(depth) == pytest.approx(depth, abs=1e-9)
        assert air.end(depth, oxygen_narcotic=False) == pytest.approx(depth, abs=1e-9)


def test_ppo2_by_hand() -> None:
    # Dalton's law: 18/45 at 7 bar.
    assert Mix.parse("18/45").ppo2(7.0) == pytest.approx(1.26)


def test_the_density_of_air_is_the_reference_equations() -> None:
    # By CoolProp at 0 °C and one atmosphere, with argon; the handbook has four digits.
    assert HANDBOOK["air"] == pytest.approx(PropsSI("D", "T", 273.15, "P", 101325.0, "Air"), rel=0.0007)


@pytest.mark.parametrize("gas", ["o2", "n2", "he"])
def test_densities_are_the_reference_equations(gas: str) -> None:
    # Reference equations of state by CoolProp at 0 °C and one atmosphere. Nitrogen is 1.2504 there, helium
    # 0.17848: the handbook's roundings of older values are 0.05 and 0.07 % over them.
    expected = PropsSI("D", "T", 273.15, "P", 101325.0, COOLPROP[gas])
    assert DENSITY_G_L[gas] == pytest.approx(expected, rel=0.0007)


@pytest.mark.parametrize("label", ["21/80", "60/50", "0", "0/50", "101", "110/5", "0/100", "10/100"])
def test_impossible_mixes_are_refused(label: str) -> None:
    # Dalton's law: fractions are of one whole, and a gas without oxygen is not breathed.
    with pytest.raises(ValueError, match="100 %"):
        Mix.parse(label)
