"""Oxygen: the NOAA limits, OTU, and the oxygen of a day and of several."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.plan import oxygen
from leadline.plan.gases import Source as Breathed
from leadline.plan.oxygen import Oxygen
from leadline.plan.schedule import Leg
from leadline.verify.check import CheckSource, Point, Series
from leadline.verify.published import Table, load, source_of

TOPIC = "Oxygen"
ON_OXYGEN = ((1.6, 15.0), (1.4, 60.0))
"""ppO2 [bar] and minutes of the worked example."""


def series() -> Iterator[Series]:
    """Limits, rates and allowances."""
    noaa, otu = load("oxygen")["noaa_cns"], load("oxygen")["otu"]
    yield _limits("NOAA limit, single exposure", "single_min", noaa)
    yield _limits("NOAA limit, 24 hours", "per_24h_min", noaa)
    between = load("exposure")["between_rows"]
    yield Series(
        TOPIC, "Between NOAA's rows", "ppO2, bar", "min", 1, "equal", 1e-6, "the digits written", source_of(between),
        tuple(
            Point(f"{bar:.2f}", minutes, partial(oxygen.exposure_limit, bar))
            for bar, minutes in zip(between["ppo2_bar"], between["minutes"], strict=True)
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "CNS of a full exposure", "ppO2, bar", "%", 1, "equal", 1e-6, "what a limit means",
        CheckSource("NOAA's rows: so many minutes are the whole of the limit", "worked out", "by definition"),
        tuple(
            Point(f"{bar:.1f}", 100.0, partial(_cns_percent, (bar, minutes)))
            for bar, minutes in zip(noaa["ppo2_bar"], noaa["single_min"], strict=True)
        ),
        finer=0,
    )  # fmt: skip
    yield from _of_dives()
    rates = list(zip(otu["ppo2_bar"], otu["otu_per_min"], strict=True))
    yield _otu("OTU a minute", 0.005, "the printed table's two decimals", otu, [r for r in rates if r[0] != 0.6])
    yield _otu(
        "OTU a minute at 0.6 bar", 0.009, "the printed table has one more in the last digit than its own law", otu,
        [r for r in rates if r[0] == 0.6],
    )  # fmt: skip
    repex = load("oxygen")["repex"]
    yield Series(
        TOPIC, "Most OTU in so many days", "days", "OTU", 0, "equal", 0.0, "the same figures", source_of(repex),
        tuple(
            Point(f"{days}", most, partial(oxygen.most_otu, days))
            for days, most in zip(repex["days"], repex["most_otu"], strict=True)
        ),
        finer=0,
    )  # fmt: skip


def _of_dives() -> Iterator[Series]:
    legs, otu, interval = (load("exposure")[name] for name in ("legs", "otu", "surface_interval"))
    yield Series(
        TOPIC, "CNS of a dive", "", "%", 3, "equal", 1e-3, "the digits written", source_of(legs),
        (
            Point("oxygen", legs["oxygen_cns_percent"], partial(_cns_percent, *ON_OXYGEN)),
            Point("32 %", legs["ean32_cns_percent"], _cns_of_nitrox),
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "OTU of a dive", "", "OTU", 3, "equal", 1e-3, "the digits written", source_of(otu),
        (Point("oxygen", otu["otu"], lambda: _taken(*ON_OXYGEN).otu),), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "CNS after a surface interval", "min", "%", 1, "equal", 1e-6, "the digits written",
        source_of(interval),
        tuple(
            Point(f"{minutes}", percent, partial(oxygen.after_surface_interval, 80.0, minutes))
            for minutes, percent in zip(interval["minutes"], interval["cns_percent"], strict=True)
        ),
        finer=0,
    )  # fmt: skip


def _limits(name: str, key: str, table: Table) -> Series:
    limit = {"single_min": oxygen.exposure_limit, "per_24h_min": oxygen.day_limit}[key]
    points = (
        Point(f"{bar:.1f}", minutes, partial(limit, bar))
        for bar, minutes in zip(table["ppo2_bar"], table[key], strict=True)
    )
    return Series(
        TOPIC, name, "ppO2, bar", "min", 0, "equal", 0.0, "the same figures", source_of(table), tuple(points), finer=0
    )


def _otu(name: str, within: float, why: str, table: Table, rates: list[tuple[float, float]]) -> Series:
    points = tuple(Point(f"{bar:.2f}", per_min, partial(oxygen.otu_rate, bar)) for bar, per_min in rates)
    return Series(TOPIC, name, "ppO2, bar", "", 2, "equal", within, why, source_of(table), points)


def _taken(*legs: tuple[float, float]) -> Oxygen:
    """Of oxygen breathed at ppO2s [bar] for minutes, from a surface of 1 bar."""
    where = Environment(surface_bar=1.0)
    pure = Breathed(Mix.parse("oxygen"))
    at = [(where.depth(bar), minutes) for bar, minutes in legs]
    return oxygen.oxygen_exposure([Leg("level", 0.0, minutes, m, m, pure, 0, False) for m, minutes in at], where)


def _cns_percent(*legs: tuple[float, float]) -> float:
    return _taken(*legs).cns_percent


def _cns_of_nitrox() -> float:
    """40 min at 30 m."""
    leg = Leg("level", 0.0, 40.0, 30.0, 30.0, Breathed(Mix.parse("32")), 0, False)
    return oxygen.oxygen_exposure([leg], Environment()).cns_percent
