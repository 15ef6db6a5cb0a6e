"""Air above, and water: pressure at altitude and at depth."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from leadline import units
from leadline.physics import environment
from leadline.verify.check import Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Pressure"


def series() -> Iterator[Series]:
    """Surface pressure by altitude, and pressure by depth."""
    air = load("atmosphere")["icao_standard_atmosphere"]
    yield Series(
        TOPIC, "Surface pressure at altitude", "altitude, m", "hPa", 2, "equal", 0.015,
        "the table is printed to 0.01 hPa", source_of(air),
        tuple(
            Point(f"{altitude}", hpa, partial(_surface_hpa, altitude))
            for altitude, hpa in zip(air["altitude_m"], air["pressure_hpa"], strict=True)
        ),
    )  # fmt: skip
    depth = load("water")["pressure_at_depth"]
    yield Series(
        TOPIC, "Pressure at depth", "depth, m", "bar", 5, "equal", 1e-5, "the digits written", source_of(depth),
        tuple(
            Point(f"{metres}", bar, partial(_pressure, water, metres), {"en13319": "EN 13319"}.get(water, water))
            for water in ("en13319", "sea", "fresh")
            for metres, bar in zip(depth["depth_m"], depth[water], strict=True)
        ),
        finer=0,
    )  # fmt: skip
    sea = load("water")["sea_water"]
    yield Series(
        TOPIC, "Real sea water", "depth, m", "bar", 4, "equal", 0.0065,
        "\"sea\" is a round 1025 kg/m³: the water makes 0.3 %, gravity 0.27 %, compression 0.04 % of difference",
        source_of(sea),
        tuple(
            Point(f"{metres}", bar, partial(_gauge, metres))
            for metres, bar in zip(sea["depth_m"], sea["gauge_bar"], strict=True)
        ),
        relative=True, finer=0,
    )  # fmt: skip
    feet = load("water")["feet_of_sea_water"]
    yield Series(
        TOPIC, "33 feet of sea water", "depth, ft", "bar", 5, "equal", 0.003,
        "33 is a whole number; the sea it stands for is of 1027 kg/m³", source_of(feet),
        (Point(f"{feet['feet']}", feet["gauge_bar"], lambda: _gauge(feet["feet"] * units.FOOT_M)),),
        relative=True, finer=0,
    )  # fmt: skip


def _surface_hpa(altitude_m: float) -> float:
    return 1000.0 * environment.surface_pressure(altitude_m)


def _pressure(water: str, depth_m: float) -> float:
    return environment.Environment.at(water=water).pressure(depth_m)


def _gauge(depth_m: float) -> float:
    """Pressure over that of the surface. [bar]"""
    return _pressure("sea", depth_m) - environment.SEA_LEVEL_BAR
