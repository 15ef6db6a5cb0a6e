"""Every factor of units against pint, whose definitions are those of NIST SP 811."""

import pint
import pytest

from leadline import units

REGISTRY = pint.UnitRegistry()


def metric(amount: str, unit: str) -> float:
    return float(REGISTRY(amount).to(unit).magnitude)


@pytest.mark.parametrize(
    ("factor", "amount", "unit"),
    [
        (units.FOOT_M, "1 foot", "metre"),
        (units.PSI_BAR, "1 psi", "bar"),
        (units.CUBIC_FOOT_L, "1 foot ** 3", "litre"),
        (units.ATMOSPHERE_BAR, "1 atmosphere", "bar"),
    ],
)
def test_factors(factor: float, amount: str, unit: str) -> None:
    # NIST SP 811 (2008), appendix B. All are exact by definition, the psi in its parts (pound, gravity,
    # inch): what is left is the rounding of a double.
    assert factor == pytest.approx(metric(amount, unit), rel=1e-14)


def test_free_cubic_foot_is_a_cubic_foot_at_one_atmosphere() -> None:
    # Boyle's law: as much gas as a cubic foot at one atmosphere fills at 1 bar.
    cubic_foot_bar = REGISTRY("1 foot ** 3 * atmosphere").to("litre * bar").magnitude
    assert pytest.approx(cubic_foot_bar, rel=1e-14) == units.FREE_CUBIC_FOOT_L


@pytest.mark.parametrize(
    ("text", "kind", "amount", "unit"),
    [
        ("130 ft", "depth", "130 foot", "metre"),
        ("6000 ft", "altitude", "6000 foot", "metre"),
        ("30 ft/min", "rate", "30 foot / minute", "metre / minute"),
        ("3000 psi", "pressure", "3000 psi", "bar"),
        ("0.75 cuft/min", "gas flow", "0.75 foot ** 3 / minute", "litre / minute"),
        ("0.2 cuft", "volume", "0.2 foot ** 3", "litre"),
        ("1.5 h", "time", "1.5 hour", "minute"),
        ("1025 kg/m³", "density", "1025 kilogram / metre ** 3", "kilogram / metre ** 3"),
    ],
)
def test_parsed_quantities(text: str, kind: units.Kind, amount: str, unit: str) -> None:
    assert units.parse(text, kind, "metric") == pytest.approx(metric(amount, unit), rel=1e-14)


@pytest.mark.parametrize("fahrenheit", [-40.0, 32.0, 50.0, 70.0, 98.6])
def test_fahrenheit(fahrenheit: float) -> None:
    celsius = REGISTRY.Quantity(fahrenheit, "degF").to("degC").magnitude
    # pint goes by way of kelvin: a rounding of 1e-13 K is its own.
    assert units.parse(fahrenheit, "temperature", "imperial") == pytest.approx(celsius, abs=1e-12)


def test_shown_units_use_the_same_factors() -> None:
    metric_system = units.METRIC
    assert metric_system.depth_m == metric_system.pressure_bar == 1.0
    assert metric_system.gas_l == metric_system.flow_l == 1.0
    imperial = units.IMPERIAL
    assert imperial.depth_m == pytest.approx(metric("1 foot", "metre"), rel=1e-14)
    assert imperial.pressure_bar == pytest.approx(metric("1 psi", "bar"), rel=1e-14)
    assert imperial.flow_l == pytest.approx(metric("1 foot ** 3", "litre"), rel=1e-14)
    assert imperial.gas_l == pytest.approx(REGISTRY("1 foot ** 3 * atmosphere").to("litre * bar").magnitude, rel=1e-14)
