"""Feet, psi, cubic feet and degrees Fahrenheit."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from leadline import units
from leadline.verify.check import MIXED, Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Units"


def series() -> Iterator[Series]:
    """The factors between the systems of units."""
    table = load("units")["factors"]
    yield Series(
        TOPIC, "Factors", "of", "", MIXED, "equal", 1e-9, "the digits written", source_of(table),
        (
            Point("1 ft in m", table["foot_m"], lambda: _metric("1 ft", "depth")),
            Point("1 psi in bar", table["psi_bar"], lambda: _metric("1 psi", "pressure")),
            Point("1 cu ft in L", table["cubic_foot_l"], lambda: _metric("1 cuft", "volume")),
            Point("1 atmosphere in bar", table["atmosphere_bar"], lambda: units.ATMOSPHERE_BAR),
            Point("gas of 1 cu ft in L at 1 bar", table["free_cubic_foot_l"], partial(_shown_litres, 1)),
            Point("70 °F in °C", table["celsius_of_70_f"], lambda: _metric("70 °F", "temperature")),
        ),
        relative=True, finer=0,
    )  # fmt: skip


def _metric(text: str, kind: units.Kind) -> float:
    found = units.parse(text, kind, "metric")
    assert isinstance(found, float)
    return found


def _shown_litres(cubic_feet: float) -> float:
    return cubic_feet * units.IMPERIAL.gas_l
