"""What a diver may write, what is refused and how, and what is shown."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.units import (
    CUBIC_FOOT_L,
    FOOT_M,
    FREE_CUBIC_FOOT_L,
    IMPERIAL,
    METRIC,
    PSI_BAR,
    SYSTEMS,
    Kind,
    RatedCubicFeet,
    SystemName,
    parse,
)


@pytest.mark.parametrize(
    ("value", "kind", "system", "expected"),
    [
        (30, "depth", "metric", 30.0),
        (30.5, "depth", "metric", 30.5),
        (100, "depth", "imperial", 100 * FOOT_M),
        ("30", "depth", "metric", 30.0),
        ("100", "depth", "imperial", 100 * FOOT_M),
        ("30 m", "depth", "imperial", 30.0),
        ("130 ft", "depth", "metric", 130 * FOOT_M),
        ("130ft", "depth", "metric", 130 * FOOT_M),
        ("130'", "depth", "metric", 130 * FOOT_M),
        ("130 FT", "depth", "metric", 130 * FOOT_M),
        ("3000 PSI", "pressure", "metric", 3000 * PSI_BAR),
        ("20 l/MIN", "gas flow", "imperial", 20.0),
        ("7 l", "volume", "metric", 7.0),
        ("10 °c", "temperature", "metric", 10.0),
        ("130 feet", "depth", "metric", 130 * FOOT_M),
        ("  18   metres ", "depth", "imperial", 18.0),
        (".5 m", "depth", "metric", 0.5),
        ("+6. m", "depth", "metric", 6.0),
        ("-2 m", "altitude", "metric", -2.0),
        ("30 fpm", "rate", "metric", 30 * FOOT_M),
        ("9 m/min", "rate", "imperial", 9.0),
        (3000, "pressure", "imperial", 3000 * PSI_BAR),
        ("232 bar", "pressure", "imperial", 232.0),
        ("11.1 l", "cylinder size", "imperial", 11.1),
        (12, "cylinder size", "metric", 12.0),
        (0.75, "gas flow", "imperial", 0.75 * CUBIC_FOOT_L),
        ("0.75 cfm", "gas flow", "metric", 0.75 * CUBIC_FOOT_L),
        ("20 L/min", "gas flow", "imperial", 20.0),
        ("45 mins", "time", "metric", 45.0),
        ("1.5 hours", "time", "metric", 90.0),
        (50, "temperature", "imperial", 10.0),
        ("-40 °F", "temperature", "metric", -40.0),
        ("4 C", "temperature", "imperial", 4.0),
        ("1025 kg/m3", "density", "imperial", 1025.0),
    ],
)
def test_parse(value: object, kind: Kind, system: SystemName, expected: float) -> None:
    parsed = parse(value, kind, system)
    assert type(parsed) is float
    assert parsed == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize(
    ("value", "system"),
    [("80 cuft", "metric"), ("80 cu ft", "imperial"), (80, "imperial"), ("80cf", "metric")],
)
def test_a_cylinder_in_cubic_feet_is_its_rated_gas(value: object, system: SystemName) -> None:
    assert parse(value, "cylinder size", system) == RatedCubicFeet(80.0)


@pytest.mark.parametrize(
    ("value", "kind", "system", "message"),
    [
        (None, "depth", "metric", 'expected a number, or text with a unit such as "20 m"'),
        (True, "depth", "imperial", 'expected a number, or text with a unit such as "20 ft"'),
        ([30], "pressure", "metric", 'expected a number, or text with a unit such as "20 bar"'),
        ("", "depth", "metric", "'' is not a number with a unit; write for example \"20 m\""),
        ("deep", "depth", "metric", "'deep' is not a number with a unit; write for example \"20 m\""),
        ("nan", "time", "metric", "'nan' is not a number with a unit; write for example \"20 min\""),
        ("30 psi", "depth", "metric", "'30 psi': 'psi' is not a unit of depth; use m or ft"),
        ("9 m", "rate", "metric", "'9 m': 'm' is not a unit of rate; use m/min or ft/min"),
        ("8 psi", "cylinder size", "metric", "'8 psi': 'psi' is not a unit of cylinder size; use L or cuft"),
        ("1e3 m", "depth", "metric", "'1e3 m': 'e3 m' is not a unit of depth; use m or ft"),
        ("20 K", "temperature", "metric", "'20 K': 'K' is not a unit of temperature; use °C or °F"),
        (math.nan, "depth", "metric", "nan is not a finite number"),
        (10**400, "depth", "metric", "the number is far too large"),
        (
            "1,5 m",
            "depth",
            "metric",
            "'1,5 m' has a comma; use a decimal point (1.5) and no comma for thousands (1500)",
        ),
        ("٣ m", "depth", "metric", "'٣ m' is not a number with a unit; write for example \"20 m\""),
        (math.inf, "depth", "metric", "inf is not a finite number"),
        ("9" * 400, "depth", "metric", f"'{'9' * 400}' is not a finite number"),
    ],
)
def test_what_is_refused_says_what_would_be_right(value: object, kind: Kind, system: SystemName, message: str) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011 (the whole message is compared)
        parse(value, kind, system)
    assert str(refused.value) == message


def test_a_number_too_long_to_write_out() -> None:
    with pytest.raises(ValueError, match=r"^the number is far too large$"):
        parse(-(10**5000), "depth", "metric")


numbers = st.floats(min_value=-1e6, max_value=1e6)


imperial_units = st.sampled_from(
    [("depth", "ft"), ("altitude", "ft"), ("rate", "ft/min"), ("pressure", "psi"), ("volume", "cuft")]
)


@given(numbers, imperial_units)
def test_imperial_and_metric_are_one_amount(number: float, kind_and_unit: tuple[Kind, str]) -> None:
    kind, unit = kind_and_unit
    inner = parse(f"{number:.9f} {unit}", kind, "metric")
    assert isinstance(inner, float)
    assert inner == parse(float(f"{number:.9f}"), kind, "imperial")
    assert parse(f"{inner:.12f}", kind, "metric") == pytest.approx(inner, rel=1e-12, abs=1e-12)


@given(numbers, st.sampled_from(["depth", "pressure", "gas flow", "volume", "time", "temperature"]))
def test_a_number_and_its_text_are_one(number: float, kind: Kind) -> None:
    for system in SYSTEMS:
        assert parse(f"{number:.9f}", kind, system) == parse(float(f"{number:.9f}"), kind, system)


@given(st.text(max_size=12), st.sampled_from(["depth", "pressure", "time", "cylinder size"]))
def test_any_text_is_a_number_or_refused(text: str, kind: Kind) -> None:
    try:
        parsed = parse(text, kind, "metric")
    except ValueError as refused:
        assert str(refused)  # noqa: PT017 (either way is right)
    else:
        assert isinstance(parsed, RatedCubicFeet) or math.isfinite(parsed)


@given(st.integers(min_value=0, max_value=5000))
def test_a_whole_number_is_shown_as_it_was_written(number: int) -> None:
    for system in (METRIC, IMPERIAL):
        depth = parse(number, "depth", system.name)
        pressure = parse(number, "pressure", system.name)
        assert isinstance(depth, float)
        assert isinstance(pressure, float)
        assert system.depth(depth) == str(number)
        assert system.pressure(pressure) == str(number)
        assert system.gas(number * system.gas_l) == str(number)


@given(st.floats(min_value=0.0, max_value=500.0))
def test_a_shown_pressure_never_promises_more(bar: float) -> None:
    for system in (METRIC, IMPERIAL):
        shown = float(system.pressure(bar)) * system.pressure_bar
        assert shown <= bar + 1e-6 * system.pressure_bar * 1.001
        assert shown > bar - system.pressure_bar


def test_shown() -> None:
    assert METRIC.depth(18.0) == "18"
    assert METRIC.depth(4.5) == "4.5"
    assert METRIC.depth(-0.01) == "0"
    assert IMPERIAL.depth(-0.01) == "0"
    assert METRIC.depth(17.96) == "18"
    assert IMPERIAL.depth(3.048) == "10"
    assert IMPERIAL.pressure(206.8427) == "2999"
    assert METRIC.gas(1234.4) == "1234"
    assert IMPERIAL.gas(77.4 * FREE_CUBIC_FOOT_L) == "77"
    assert METRIC.flow(20.0) == "20"
    assert IMPERIAL.flow(0.75 * CUBIC_FOOT_L) == "0.75"
