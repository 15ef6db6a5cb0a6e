"""How much oxygen the diver takes: CNS and OTU.

CNS: the share of the NOAA single-exposure limits used up (NOAA Diving Manual, 4th ed. 2001), linear between rows.
OTU: Hamilton's power law, ((ppO2 - 0.5) / 0.5)^(5/6) a minute (REPEX, 1988; exponent from memory of it).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from leadline.brief.schema import Dive, Previous
from leadline.physics.environment import Environment
from leadline.plan.findings import Finding
from leadline.plan.gases import GRID_TOLERANCE_BAR, Source
from leadline.plan.schedule import Leg, as_dived, lay_out, schedule

NOAA_PPO2_BAR = (0.60, 0.70, 0.80, 0.90, 1.00, 1.10, 1.20, 1.30, 1.40, 1.50, 1.60)
NOAA_SINGLE_MIN = (720.0, 570.0, 450.0, 360.0, 300.0, 240.0, 210.0, 180.0, 150.0, 120.0, 45.0)
CNS_HALF_LIFE_MIN = 90.0
"""At the surface."""
DAY_MIN = 1440.0
OTU_CAUTION, OTU_NO_GO = 300.0, 850.0
"""REPEX: a daily dose that can be kept up for days, and the most for a single day."""

_SLICE_BAR = 0.02


@dataclass(frozen=True)
class Oxygen:
    """Oxygen exposure of one dive."""

    cns_percent: float
    otu: float
    highest_ppo2_bar: float


def exposure_limit(ppo2_bar: float) -> float:
    """The NOAA single-exposure limit. [min]

    Linear between the rows; infinite up to 0.5 bar; from 0.5 to 0.6 bar that of 0.6 bar. The grid's tolerance above
    1.6 bar counts as 1.6 (oxygen at 6 m or 20 ft); from there the last row's slope goes on, to at least one minute.
    """
    if NOAA_PPO2_BAR[-1] < ppo2_bar:
        ppo2_bar = max(NOAA_PPO2_BAR[-1], ppo2_bar - GRID_TOLERANCE_BAR)
    if ppo2_bar <= 0.5:
        return math.inf
    if ppo2_bar <= NOAA_PPO2_BAR[0]:
        return NOAA_SINGLE_MIN[0]
    i = next((i for i, row in enumerate(NOAA_PPO2_BAR) if ppo2_bar <= row), len(NOAA_PPO2_BAR) - 1)
    low, high = NOAA_PPO2_BAR[i - 1], NOAA_PPO2_BAR[i]
    share = (ppo2_bar - low) / (high - low)
    return max(1.0, NOAA_SINGLE_MIN[i - 1] + share * (NOAA_SINGLE_MIN[i] - NOAA_SINGLE_MIN[i - 1]))


def cns_rate(ppo2_bar: float) -> float:
    """CNS share a minute. [1/min]"""
    return 1.0 / exposure_limit(ppo2_bar)


def otu_rate(ppo2_bar: float) -> float:
    """Oxygen toxicity units a minute."""
    return float(((ppo2_bar - 0.5) / 0.5) ** (5.0 / 6.0)) if ppo2_bar > 0.5 else 0.0


def oxygen(legs: Iterable[Leg], where: Environment, before: tuple[float, float] = (0.0, 0.0)) -> Oxygen:
    """CNS and OTU at the end of a dive; `before` are those [percent, units] at its start.

    Travel is cut into slices of at most 0.02 bar of depth, each taken at its middle.
    """
    cns, otu, highest = before[0] / 100.0, before[1], 0.0
    for leg in legs:
        cns_min, otu_min, ppo2_bar = _rates(leg.source, where.pressure(leg.start_m), where.pressure(leg.end_m))
        cns += cns_min * leg.minutes
        otu += otu_min * leg.minutes
        highest = max(highest, ppo2_bar)
    return Oxygen(100.0 * cns, otu, highest)


@lru_cache(maxsize=8192)
def _rates(source: Source, start_bar: float, end_bar: float) -> tuple[float, float, float]:
    """Mean CNS and OTU a minute over a leg, and its highest ppO2. (Contingencies share most of their legs.)"""
    first, last = source.ppo2(start_bar), source.ppo2(end_bar)
    slices = max(1, math.ceil(abs(end_bar - start_bar) / _SLICE_BAR)) if first != last else 1
    ppo2 = [source.ppo2(start_bar + (end_bar - start_bar) * (i + 0.5) / slices) for i in range(slices)]
    return sum(map(cns_rate, ppo2)) / slices, sum(map(otu_rate, ppo2)) / slices, max(first, last)


def after_surface_interval(cns_percent: float, minutes: float) -> float:
    """CNS left after breathing air at the surface, half-life 90 min. [%]"""
    return float(cns_percent * 0.5 ** (minutes / CNS_HALF_LIFE_MIN))


def carried(dive: Dive) -> tuple[float, float]:
    """CNS [percent] and OTU that the dives before a dive have left at its start.

    CNS halves every 90 min on air at the surface; oxygen breathed there counts. OTU count for a day.
    """
    if not dive.previous:
        return 0.0, 0.0
    cns_percent, doses = _left_by(dive.previous[-1], dive.site.environment.surface_bar)
    return cns_percent, sum(otu for otu, ago_min in doses if ago_min < DAY_MIN)


@lru_cache(maxsize=64)
def _left_by(earlier: Previous, surface_bar: float) -> tuple[float, tuple[tuple[float, float], ...]]:
    """CNS [percent], and OTU with how long ago they were taken [min], after a dive and the interval behind it."""
    dive, held = as_dived(earlier)
    legs = schedule(dive, lay_out(dive, earlier.file, held), earlier.file).legs
    cns, doses = 0.0, tuple[tuple[float, float], ...]()
    if dive.previous:
        cns, doses = _left_by(dive.previous[-1], dive.site.environment.surface_bar)
    taken = oxygen(legs, dive.site.environment)
    at_surface = 100.0 * cns_rate(surface_bar) * earlier.oxygen
    on_air_min = earlier.surface_interval - earlier.oxygen
    later = [(otu, ago_min + legs[-1].end_min + earlier.surface_interval) for otu, ago_min in doses]
    last = (taken.otu + otu_rate(surface_bar) * earlier.oxygen, earlier.surface_interval)
    return after_surface_interval(cns + taken.cns_percent + at_surface, on_air_min), (*later, last)


def judge(exposure: Oxygen) -> list[Finding]:
    """CNS and OTU against their limits."""
    found: list[Finding] = []
    cns, otu = exposure.cns_percent, exposure.otu
    if cns > 80.0:
        grave = cns > 100.0
        found.append(
            Finding(
                "cns",
                "no-go" if grave else "caution",
                f"CNS {math.ceil(cns - 1e-6)} % is over {'the NOAA single-exposure limit' if grave else '80 %'}.",
                {"cns_percent": cns, "limit_percent": 100.0 if grave else 80.0},
            )
        )
    if otu > OTU_CAUTION:
        grave = otu > OTU_NO_GO
        limit = OTU_NO_GO if grave else OTU_CAUTION
        found.append(
            Finding(
                "otu",
                "no-go" if grave else "caution",
                f"{math.ceil(otu - 1e-6)} OTU is over {limit:.0f}, "
                + ("the most for a single day." if grave else "what can be repeated day after day."),
                {"otu": otu, "limit": limit},
            )
        )
    return found
