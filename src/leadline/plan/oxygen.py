"""How much oxygen the diver takes: CNS, OTU, and the oxygen of a day and of several days.

CNS: the share of the NOAA single-exposure limits used up (NOAA Diving Manual, 4th ed. 2001), linear between rows.
Beside it stands the share of NOAA's limits for 24 hours, of all dives of the last 24 hours.
OTU: Hamilton's power law, ((ppO2 - 0.5) / 0.5)^(5/6) a minute (REPEX, 1988; exponent from memory of it), held to the
most of REPEX for one day, two days, and so on.
While ppO2 changes steadily both are integrals in closed form.

Whoever runs a profile that was dived adds up `mean_rates` times the minutes of its pieces, and gives the sums to
`exposed`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import accumulate
from typing import Any, NamedTuple, cast

from numba.extending import register_jitable

from leadline.dive_file.schema import NEVER, Dive, Previous
from leadline.physics.environment import Environment
from leadline.physics.mix import WATER_VAPOUR_BAR
from leadline.plan.findings import Finding
from leadline.plan.gases import GRID_TOLERANCE_BAR, Source
from leadline.plan.schedule import Leg, interval_bar, planned_before
from leadline.tissue import kernel
from leadline.tissue.loading import Dose

NOAA_PPO2_BAR = (0.60, 0.70, 0.80, 0.90, 1.00, 1.10, 1.20, 1.30, 1.40, 1.50, 1.60)
NOAA_SINGLE_MIN = (720.0, 570.0, 450.0, 360.0, 300.0, 240.0, 210.0, 180.0, 150.0, 120.0, 45.0)
NOAA_DAY_MIN = (720.0, 570.0, 450.0, 360.0, 300.0, 270.0, 240.0, 210.0, 180.0, 180.0, 150.0)
"""In 24 hours, all dives together."""
CNS_HALF_LIFE_MIN = 90.0
"""At the surface."""
DAY_MIN = 1440.0
REPEX_OTU = (850.0, 1400.0, 1860.0, 2100.0, 2300.0, 2520.0, 2660.0, 2800.0, 2970.0, 3100.0)
"""The most in one day, in two, in three ..."""
REPEX_LATER_OTU = 300.0
"""The same from the eleventh day on, for each day: what can be repeated day after day."""

SLICE_BAR = 0.02
"""Over so much depth the ppO2 of a semi-closed loop is taken to change steadily."""
NEAR_BAR = 1e-6
"""Over less than this an integral is the rate at the middle: the difference of two sums would be lost in rounding."""
_compilable = cast("kernel.Compile", register_jitable)
"""Python here, and compiled where compiled code calls it: one formula for a dive and for many."""


@dataclass(frozen=True)
class Days:
    """Oxygen of the last days, each 24 hours, up to the end of a dive."""

    days: int
    otu: float
    most_otu: float
    """REPEX."""


@dataclass(frozen=True)
class Oxygen:
    """Oxygen exposure at the end of a dive, with what the dives before it have left."""

    cns_percent: float
    otu: float
    """Of the last 24 hours."""
    highest_ppo2_bar: float
    doses: tuple[Dose, ...] = ()
    """Those of the dives before, and last its own, 0 min ago."""

    @property
    def day_percent(self) -> float:
        """Share of NOAA's 24-hour limits taken in the last 24 hours. [%]"""
        return 100.0 * sum(dose.day_share for dose in self.doses if dose.ago_min < DAY_MIN)

    @property
    def windows(self) -> tuple[Days, ...]:
        """The last 24 hours, and every number of days back that takes in a dose more. A dose belongs where it ended."""
        reached = sorted({1, *(int(dose.ago_min // DAY_MIN) + 1 for dose in self.doses)})
        return tuple(
            Days(days, sum(dose.otu for dose in self.doses if dose.ago_min < days * DAY_MIN), most_otu(days))
            for days in reached
        )


@dataclass(frozen=True)
class Before:
    """What the dives before a dive have left of oxygen at its start."""

    cns_percent: float = 0.0
    doses: tuple[Dose, ...] = ()

    @property
    def otu(self) -> float:
        """Of the last 24 hours."""
        return sum(dose.otu for dose in self.doses if dose.ago_min < DAY_MIN)


class OxygenLimits(NamedTuple):
    """How long each ppO2 may be breathed: straight lines between corners."""

    ppo2_bar: tuple[float, ...]
    minutes: tuple[float, ...]
    taken: tuple[float, ...] = ()
    """Share taken by each corner while ppO2 rises a bar a minute."""


def limits(minutes: tuple[float, ...]) -> OxygenLimits:
    """From the rows of NOAA_PPO2_BAR. The first row holds from 0.5 bar on. The grid's tolerance above the last counts
    as the last (oxygen at 6 m or 20 ft); from there its slope goes on, to one minute."""
    *_, before, last = NOAA_PPO2_BAR
    slope = (minutes[-1] - minutes[-2]) / (last - before)
    tolerated = last + GRID_TOLERANCE_BAR
    lines = OxygenLimits(
        (0.5, *NOAA_PPO2_BAR, tolerated, tolerated + (1.0 - minutes[-1]) / slope),
        (minutes[0], *minutes, minutes[-1], 1.0),
    )
    parts = (_taken_on_line(lines.ppo2_bar[i], i, lines) for i in range(1, len(lines.ppo2_bar)))
    return lines._replace(taken=tuple(accumulate(parts, initial=0.0)))


@_compilable
def _limit(ppo2_bar: float, given: OxygenLimits) -> float:
    if ppo2_bar <= given.ppo2_bar[0]:
        return math.inf
    for i in range(1, len(given.ppo2_bar)):
        if ppo2_bar <= given.ppo2_bar[i]:
            return _on_line(ppo2_bar, i, given)
    return given.minutes[-1]


@_compilable
def _on_line(ppo2_bar: float, i: int, given: OxygenLimits) -> float:
    """The limit on the line that ends at a corner. [min]"""
    low, high = given.ppo2_bar[i - 1], given.ppo2_bar[i]
    return given.minutes[i - 1] + (ppo2_bar - low) / (high - low) * (given.minutes[i] - given.minutes[i - 1])


@_compilable
def _taken(ppo2_bar: float, given: OxygenLimits) -> float:
    """Share of a limit taken while ppO2 rises from nothing, a bar a minute."""
    if ppo2_bar <= given.ppo2_bar[0]:
        return 0.0
    for i in range(1, len(given.ppo2_bar)):
        if ppo2_bar <= given.ppo2_bar[i]:
            return given.taken[i - 1] + _taken_on_line(ppo2_bar, i, given)
    return given.taken[-1] + (ppo2_bar - given.ppo2_bar[-1]) / given.minutes[-1]


@_compilable
def _taken_on_line(ppo2_bar: float, i: int, given: OxygenLimits) -> float:
    """The same from the corner before: the integral of 1 / (L + s·p) over p is ln(1 + s·p / L) / s."""
    minutes = given.minutes[i - 1]
    change = _on_line(ppo2_bar, i, given) / minutes - 1.0
    return (ppo2_bar - given.ppo2_bar[i - 1]) / minutes * (math.log1p(change) / change if change != 0.0 else 1.0)


SINGLE, DAY = limits(NOAA_SINGLE_MIN), limits(NOAA_DAY_MIN)


def exposure_limit(ppo2_bar: float) -> float:
    """The NOAA single-exposure limit; infinite up to 0.5 bar. [min]"""
    return _limit(ppo2_bar, SINGLE)


def day_limit(ppo2_bar: float) -> float:
    """The NOAA limit for 24 hours. [min]"""
    return _limit(ppo2_bar, DAY)


def cns_rate(ppo2_bar: float) -> float:
    """CNS share a minute. [1/min]"""
    return 1.0 / exposure_limit(ppo2_bar)


def day_rate(ppo2_bar: float) -> float:
    """Share of the 24-hour limits a minute. [1/min]"""
    return 1.0 / day_limit(ppo2_bar)


@_compilable
def mean_share_rate(first_bar: float, last_bar: float, given: OxygenLimits) -> float:
    """Share of a limit a minute while ppO2 goes steadily from one value to another. [1/min]"""
    if abs(last_bar - first_bar) < NEAR_BAR:
        return 1.0 / _limit(0.5 * (first_bar + last_bar), given)
    return (_taken(last_bar, given) - _taken(first_bar, given)) / (last_bar - first_bar)


@_compilable
def otu_rate(ppo2_bar: float) -> float:
    """Oxygen toxicity units a minute."""
    return float(((ppo2_bar - 0.5) / 0.5) ** (5.0 / 6.0)) if ppo2_bar > 0.5 else 0.0


@_compilable
def mean_otu_rate(first_bar: float, last_bar: float) -> float:
    """OTU a minute while ppO2 goes steadily from one value to another: the integral of the power law, 3/11 of the
    difference of x^(11/6) with x = (ppO2 - 0.5) / 0.5, by that of ppO2."""
    if abs(last_bar - first_bar) < NEAR_BAR:
        return otu_rate(0.5 * (first_bar + last_bar))
    first, last = max(0.0, (first_bar - 0.5) / 0.5), max(0.0, (last_bar - 0.5) / 0.5)
    return float(3.0 / 11.0 * (last ** (11.0 / 6.0) - first ** (11.0 / 6.0)) / (last_bar - first_bar))


@_compilable
def straight_to(bar: float, end_bar: float, o2: float, setpoint_bar: float, metabolised_bar: float) -> float:
    """How far from an ambient pressure towards another ppO2 changes steadily. [bar]

    On open circuit (setpoint 0) all the way; on the loop to where the setpoint takes over or ends; on a semi-closed
    one a slice.
    """
    if metabolised_bar > 0.0:
        way_bar = end_bar - bar
        return bar + math.copysign(SLICE_BAR, way_bar) if abs(way_bar) > SLICE_BAR else end_bar
    if setpoint_bar > 0.0:
        for bend_bar in (setpoint_bar + WATER_VAPOUR_BAR, setpoint_bar / o2 + WATER_VAPOUR_BAR):
            if min(bar, end_bar) < bend_bar < max(bar, end_bar):
                end_bar = bend_bar
    return end_bar


def mean_rates(first_bar: float, last_bar: float) -> tuple[float, float, float]:
    """CNS, OTU and share of a day a minute while ppO2 goes steadily from one value to another."""
    cns, day = (mean_share_rate(first_bar, last_bar, given) for given in (SINGLE, DAY))
    return cns, mean_otu_rate(first_bar, last_bar), day


def most_otu(days: int) -> float:
    """The most OTU in a number of days together (REPEX)."""
    return REPEX_OTU[days - 1] if days <= len(REPEX_OTU) else REPEX_LATER_OTU * days


def days_running(otu: float) -> int:
    """On how many days one after the other a dose can be taken, starting rested; 0 if not even once.

    Of what can be repeated day after day there is no end: give more than REPEX_LATER_OTU.
    """
    days = 0
    while (days + 1) * otu <= most_otu(days + 1):
        days += 1
    return days


def oxygen_exposure(legs: Iterable[Leg], where: Environment, before: Before | None = None) -> Oxygen:
    """Oxygen exposure at the end of a dive; `before` is what it begins with."""
    cns, otu, day, highest, end_min = 0.0, 0.0, 0.0, 0.0, 0.0
    for leg in legs:
        bars = where.pressure(leg.start_m), where.pressure(leg.end_m)
        cns_min, otu_min, day_min = leg_rates(leg.source, *bars)
        cns += cns_min * leg.minutes
        otu += otu_min * leg.minutes
        day += day_min * leg.minutes
        highest, end_min = max(highest, *map(leg.source.ppo2, bars)), leg.end_min
    return exposed(100.0 * cns, otu, day, highest, end_min, before)


def exposed(
    cns_percent: float, otu: float, day_share: float, highest_ppo2_bar: float, run_time_min: float,
    before: Before | None = None,
) -> Oxygen:  # fmt: skip
    """Oxygen exposure at the end of a dive, of what was taken in it alone and what it began with."""
    before = before if before is not None else Before()
    doses = (*_older(before.doses, run_time_min), Dose(otu, day_share, 0.0))
    last_day = sum(dose.otu for dose in doses if dose.ago_min < DAY_MIN)
    return Oxygen(before.cns_percent + cns_percent, last_day, highest_ppo2_bar, doses)


def _older(doses: Iterable[Dose], minutes: float) -> tuple[Dose, ...]:
    return tuple(replace(dose, ago_min=dose.ago_min + minutes) for dose in doses)


@lru_cache(maxsize=8192)
def leg_rates(source: Source, start_bar: float, end_bar: float) -> tuple[float, float, float]:
    """Mean CNS, OTU and share of a day a minute on a steady way between two ambient pressures. (Contingencies share
    most legs.)"""
    first, last = source.ppo2(start_bar), source.ppo2(end_bar)
    if first == last:
        return mean_rates(first, last)
    bar, cns, otu, day = start_bar, 0.0, 0.0, 0.0
    while bar != end_bar:
        to_bar = straight_to(bar, end_bar, source.o2, source.setpoint_bar or 0.0, source.metabolised_bar)
        share = (to_bar - bar) / (end_bar - start_bar)
        rates = mean_rates(source.ppo2(bar), source.ppo2(to_bar))
        cns, otu, day = cns + share * rates[0], otu + share * rates[1], day + share * rates[2]
        bar = to_bar
    return cns, otu, day


def after_surface_interval(cns_percent: float, minutes: float) -> float:
    """CNS left after breathing air at the surface, half-life 90 min. [%]"""
    return float(cns_percent * 0.5 ** (minutes / CNS_HALF_LIFE_MIN))


def carried(dive: Dive) -> Before:
    """What the dives before a dive have left at its start.

    CNS halves every 90 min on air at the surface; oxygen breathed there counts. Doses only grow older.
    """
    return _left_by(dive.previous[-1], dive.site.environment.surface_bar) if dive.previous else Before()


@lru_cache(maxsize=64)
def _left_by(earlier: Previous, surface_bar: float) -> Before:
    """What a dive, begun as the ones before it have left the diver, and the surface interval behind it have left."""
    if earlier.left is not None:
        cns_percent, doses = earlier.left.cns_percent, earlier.left.doses
    else:
        before = planned_before(earlier)
        found = oxygen_exposure(before.schedule.legs, before.dive.site.environment, carried(before.dive))
        cns_percent, doses = found.cns_percent, found.doses
    bar = interval_bar(earlier, surface_bar)
    return at_surface(cns_percent, doses, bar, earlier.surface_interval, earlier.oxygen)


def at_surface(
    cns_percent: float, doses: tuple[Dose, ...], surface_bar: float, minutes: float, on_oxygen_min: float = 0.0
) -> Before:
    """What is left after minutes at the surface, the first of them on oxygen."""
    on_air_min = minutes - on_oxygen_min
    doses = _older(doses, minutes)
    if on_oxygen_min > 0.0:
        cns_percent += 100.0 * cns_rate(surface_bar) * on_oxygen_min
        otu, day_share = otu_rate(surface_bar) * on_oxygen_min, day_rate(surface_bar) * on_oxygen_min
        doses = (*doses, Dose(otu, day_share, on_air_min))
    return Before(after_surface_interval(cns_percent, on_air_min), doses)


def judge(dive: Dive, exposure: Oxygen) -> list[Finding]:
    """CNS and OTU against the limits of a dive: of the dive, of its day, and of the days before."""
    return [*_judge_cns(dive, exposure), *_judge_otu(dive, exposure)]


def _judge_cns(dive: Dive, exposure: Oxygen) -> Iterator[Finding]:
    limits = dive.limits
    judged = [("cns", exposure.cns_percent)]
    # Of a dive alone the day's share is never over that of the single exposure.
    if any(dose.ago_min < DAY_MIN for dose in exposure.doses[:-1]):
        judged.append(("cns-day", exposure.day_percent))
    for code, percent in judged:
        if percent <= limits.cns_caution:
            continue
        over = percent > limits.cns_no_go
        limit, key = (limits.cns_no_go, "cns_no_go") if over else (limits.cns_caution, "cns_caution")
        values = {"cns_percent": percent, "limit_percent": limit, "key": f"[limits] {key}"}
        yield Finding(code, "no-go" if over else "caution", values, grave=over or percent > 100.0)


def _judge_otu(dive: Dive, exposure: Oxygen) -> Iterator[Finding]:
    limits = dive.limits
    day, *more = exposure.windows
    if day.otu > limits.otu_caution:
        over, published = day.otu > limits.otu_no_go, day.otu > day.most_otu
        limit, key = (limits.otu_no_go, "otu_no_go") if over else (limits.otu_caution, "otu_caution")
        running = days_running(day.otu) if REPEX_LATER_OTU < day.otu <= day.most_otu else 0
        values: dict[str, Any] = {
            "otu": day.otu, "limit": limit, "key": f"[limits] {key}", "most_otu": day.most_otu,
            "days_running": float(running),
        }  # fmt: skip
        yield Finding("otu", "no-go" if over else "caution", values, grave=over or published)
    worst = max(more, key=lambda window: window.otu / window.most_otu, default=day)
    if worst.days > 1 and worst.otu > worst.most_otu:
        grave = limits.otu_no_go < NEVER
        values = {"otu": worst.otu, "limit": worst.most_otu, "days": float(worst.days), "key": "[limits] otu_no_go"}
        yield Finding("otu-days", "no-go" if grave else "caution", values, grave=True)
