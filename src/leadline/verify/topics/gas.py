"""What is breathed: density, depth limits, equivalent depths, the gas in a loop."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from leadline.physics import mix
from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.plan import breathing
from leadline.plan.gases import Source as Breathed
from leadline.verify.check import Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Gas"
ONE_BAR = Environment(surface_bar=1.0)
FEET_OF_SEA_WATER = Environment(surface_bar=1.0, bar_per_m=1.0 / 33.0)
"""In atmospheres and feet of sea water, as the NOAA manual's equations are."""


def series() -> Iterator[Series]:
    """Density, limits and equivalents."""
    yield from _density()
    yield from _depths()
    yield from _loop()
    air = load("atmosphere")["oxygen_of_air"]
    yield Series(
        TOPIC, "Oxygen of air", "", "%", 3, "equal", 0.05, "0.03 % less is the convention of Bühlmann's tables",
        source_of(air), (Point("air", air["percent"], lambda: 100.0 * mix.AIR_O2),), finer=0,
    )  # fmt: skip


def _density() -> Iterator[Series]:
    pure = load("gas")["density_0C_1atm_g_per_l"]
    yield Series(
        TOPIC, "Density at 0 °C and 1 atmosphere", "", "g/L", 4, "equal", 0.0, "the same figures", source_of(pure),
        tuple(
            Point(name, pure[gas], partial(mix.DENSITY_G_L.__getitem__, gas))
            for gas, name in (("o2", "oxygen"), ("n2", "nitrogen"), ("he", "helium"))
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Density of air", "", "g/L", 3, "equal", 0.006,
        "a diver's nitrogen leaves out 0.93 % of argon: 0.005 g/L", source_of(pure),
        (Point("air", pure["air"], lambda: Mix.parse("air").density(1.01325)),),
    )  # fmt: skip
    limits = load("gas")["published_density"]
    yield Series(
        TOPIC, "Density limits", "", "g/L", 1, "equal", 0.0, "the same figures", source_of(limits),
        (
            Point("recommended", limits["recommended_g_l"], lambda: breathing.DENSITY_RECOMMENDED_G_L),
            Point("maximum", limits["maximum_g_l"], lambda: breathing.DENSITY_LIMIT_G_L),
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Mixes of \"about 6 g/L\"", "mix and depth", "g/L", 1, "equal", 0.6, "\"about\", read as a tenth",
        source_of(limits),
        tuple(
            Point(f"{label} at {metres} m", 6.0, partial(_density_at_depth, label, metres))
            for label, metres in limits["about_6_g_l"]
        ),
    )  # fmt: skip
    reached = load("breathing")["air_density_depth"]
    yield Series(
        TOPIC, "Where air reaches the limits", "depth, m", "g/L", 1, "equal", 0.1,
        "whole metres, one of which is 0.13 g/L", source_of(reached),
        tuple(
            Point(f"{metres}", g_l, partial(_density_at_depth, "air", metres))
            for g_l, metres in zip(reached["density_g_l"], reached["depth_m"], strict=True)
        ),
    )  # fmt: skip


def _depths() -> Iterator[Series]:
    table = load("gas")["oxygen_depth"]
    limits = (
        ("1.4 bar", "mod_1_4_m", 1.4, Environment()),
        ("1.6 bar", "mod_1_6_m", 1.6, Environment()),
        ("1.6 bar, surface of 1 bar", "mod_1_6_m_one_bar", 1.6, ONE_BAR),
    )
    yield Series(
        TOPIC, "Depth limits (MOD)", "% oxygen", "m", 0, "equal", 0.0, "whole metres, rounded down", source_of(table),
        tuple(
            Point(label, metres, partial(_mod, label, bar, where), name)
            for name, key, bar, where in limits
            for label, metres in table[key].items()
        ),
        finer=0,
    )  # fmt: skip
    air = load("breathing")["equivalent_air_depth"]
    yield Series(
        TOPIC, "Equivalent air depth", "% oxygen at fsw", "fsw", 2, "equal", 0.04,
        "air is 79 % nitrogen there, 79.02 % here: up to 0.03 fsw", source_of(air),
        tuple(
            Point(f"{percent} at {fsw}", ead, partial(_ead, percent, fsw))
            for percent, fsw, ead in zip(air["oxygen_percent"], air["depth_fsw"], air["ead_fsw"], strict=True)
        ),
    )  # fmt: skip
    narcotic = load("breathing")["narcosis"]
    yield Series(
        TOPIC, "Equivalent narcotic depth", "18/45 at 60 m", "m", 3, "equal", 0.001, "the digits written",
        source_of(narcotic),
        (
            Point("oxygen counted", narcotic["end_m"], lambda: Mix.parse("18/45").end(60.0, ONE_BAR)),
            Point(
                "nitrogen alone",
                narcotic["end_nitrogen_m"],
                lambda: Mix.parse("18/45").end(60.0, ONE_BAR, oxygen_narcotic=False),
            ),
        ),
        finer=0,
    )  # fmt: skip


def _loop() -> Iterator[Series]:
    closed, semi = load("breathing")["loop"], load("breathing")["semi_closed"]
    yield Series(
        TOPIC, "ppO2 on a loop", "bar", "bar", 5, "equal", 1e-5, "the digits written", source_of(closed),
        tuple(
            Point(f"{bar:g}", ppo2_bar, partial(_ppo2, bar, 1.3))
            for bar, ppo2_bar in zip(closed["ambient_bar"], closed["ppo2_bar"], strict=True)
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "ppO2 on a semi-closed loop", "bar", "bar", 5, "equal", 1e-5, "the digits written", source_of(semi),
        (
            Point(
                f"{semi['ambient_bar']:g}",
                semi["ppo2_bar"],
                partial(_ppo2, semi["ambient_bar"], None, semi["metabolised_bar"]),
            ),
        ),
        finer=0,
    )  # fmt: skip


def _density_at_depth(label: str, depth_m: float) -> float:
    return Mix.parse(label).density(Environment().pressure(depth_m))


def _mod(label: str, ppo2_bar: float, where: Environment) -> float:
    # A whole metre but for rounding stays one.
    return math.floor(Mix.parse(label).mod(ppo2_bar, where) + 1e-9)


def _ead(percent: float, fsw: float) -> float:
    return Mix(percent / 100.0).ead(fsw, FEET_OF_SEA_WATER)


def _ppo2(bar: float, setpoint_bar: float | None, metabolised_bar: float = 0.0) -> float:
    return Breathed(Mix.parse("18/45"), setpoint_bar, metabolised_bar).ppo2(bar)
