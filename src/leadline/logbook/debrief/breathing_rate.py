"""How much the diver really breathed: RMV by part of the dive, from cylinder pressures, as real gas.

RMV is what was taken from the cylinders, in free litres, over ambient pressure times minutes. Where a plan says what
drysuit and wing take from the same gas, that is taken off; else it is part of the RMV.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from leadline.logbook.debrief.marks import Change
from leadline.logbook.dived import CylinderCarried, Dived
from leadline.physics.mix import Mix
from leadline.physics.real_gas import MAX_BAR, free_litres
from leadline.units import SYSTEMS, SystemName

MOST_METABOLIC_L_MIN = 3.5
"""What leaves an oxygen cylinder faster is not breathed: hard work takes some 3 L/min (common practice, no source)."""
SHORTEST_MIN = 3.0
"""RMV is compared from stretch to stretch of at least this length: over less, the gauge says more than the diver."""
LEAST_BAR = 5.0
"""A stretch in which the gauge falls by less is joined to its neighbour."""
FEWEST = 3
"""From this many stretches on their median is the estimate, which one bad stretch cannot move."""
MOSTLY = 0.2
"""Where a gas has only a first and a last pressure, all of it counts for the bottom, or the stops, if so much at most
of its bar·min was in the other."""
READING_MIN = 1.0
"""A pressure counts for moments this near to its reading."""

Part = Literal["descent", "bottom", "ascent", "stops", "whole dive"]


@dataclass(frozen=True)
class Span:
    """A part of the dive on one gas."""

    part: Part
    start_min: float
    end_min: float


@dataclass(frozen=True)
class LegRmv:
    """RMV over a part of the dive, from the cylinders of one gas."""

    part: Part
    cylinders: tuple[str, ...]
    mix: Mix
    minutes: float
    mean_bar: float
    """Ambient pressure."""
    litres: float
    """Free litres breathed."""
    bar_l: float
    """What a bar on the gauge is. [free litres]"""
    stretches: tuple[float, ...]
    """RMV of every stretch of it that is long enough. [L/min]"""

    @property
    def rmv(self) -> float:
        """RMV. [L/min]"""
        return self.litres / (self.mean_bar * self.minutes)

    @property
    def one_bar(self) -> float:
        """What a bar read wrong changes of it. [L/min]"""
        return self.bar_l / (self.mean_bar * self.minutes)


@dataclass(frozen=True)
class Offer:
    """A rate to plan with. [L/min]"""

    key: str
    """In the dive file: "rmv_bottom", "rmv_deco" or "metabolic_oxygen"."""
    rate: float
    lowest: float
    highest: float
    minutes: float
    """That it rests on."""
    stretches: int
    one_bar: float
    """What a bar read wrong changes of it; five bar, five times as much."""
    planned: float

    @property
    def table(self) -> str:
        """Where it goes in the dive file."""
        return "loop" if self.key == "metabolic_oxygen" else "diver"

    def line(self, units: SystemName) -> str:
        """As it is pasted into a dive file."""
        system = SYSTEMS[units]
        decimals = {"metric": 1, "imperial": 2}[units] + (self.key == "metabolic_oxygen")

        def shown(rate: float) -> str:
            return f"{rate / system.flow_l:.{decimals}f}"

        spread = f", {shown(self.lowest)} to {shown(self.highest)}" if self.stretches > 1 else ""
        return f"{self.key} = {shown(self.rate)} # over {self.minutes:.0f} min{spread}"


@dataclass(frozen=True)
class BreathingRates:
    """What the diver breathed, and what cannot be said of it."""

    legs: tuple[LegRmv, ...]
    offers: tuple[Offer, ...]
    not_known: tuple[str, ...]
    """In words, one for each gas or cylinder."""


# --- Pressures --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Gauge:
    """The pressure of a cylinder over the dive, as far as it was recorded."""

    cylinder: CylinderCarried
    run_time_min: tuple[float, ...]
    bar: tuple[float, ...]

    def at(self, run_time_min: float) -> float | None:
        """The pressure at a run time; None too far from any reading. [bar]"""
        if not self.run_time_min:
            return None
        if min(abs(run_time_min - at) for at in self._around(run_time_min)) > READING_MIN:
            return None
        return float(np.interp(run_time_min, self.run_time_min, self.bar))

    def _around(self, run_time_min: float) -> tuple[float, ...]:
        i = int(np.searchsorted(self.run_time_min, run_time_min))
        return self.run_time_min[max(0, i - 1) : i + 1]

    @property
    def first(self) -> float | None:
        """At the start: as noted, or else as first read. [bar]"""
        noted = self.cylinder.start_bar
        return noted if noted is not None else self.bar[0] if self.bar else None

    @property
    def last(self) -> float | None:
        """At the end: as noted, or else as last read. [bar]"""
        noted = self.cylinder.end_bar
        return noted if noted is not None else self.bar[-1] if self.bar else None

    def litres(self, bar: float, celsius: float) -> float:
        """What it holds at a pressure. [free litres]"""
        assert self.cylinder.size_l is not None
        return free_litres(self.cylinder.mix, self.cylinder.size_l, min(bar, MAX_BAR), celsius)


def gauge_of(dived: Dived, index: int) -> Gauge:
    """What was recorded of a cylinder's pressure."""
    column = dived.profile.pressure_bar[index] if dived.profile.pressure_bar else ()
    read = [(at, bar) for at, bar in zip(dived.profile.run_time_min, column, strict=False) if bar is not None]
    return Gauge(dived.cylinders[index], tuple(at for at, _ in read), tuple(bar for _, bar in read))


def bar_minutes(dived: Dived, start_min: float, end_min: float) -> float:
    """Ambient pressure over a span of the dive, added up. [bar·min]"""
    times = np.array(dived.profile.run_time_min)
    within = times[(times > start_min) & (times < end_min)]
    at = np.array([start_min, *within, end_min])
    depths = np.interp(at, times, dived.profile.depth_m)
    where = dived.environment
    return float(np.trapezoid(where.surface_bar + where.bar_per_m * depths, at))


def descent_bar(dived: Dived, start_min: float, end_min: float) -> float:
    """All that ambient pressure rises in a span. [bar]"""
    times = np.array(dived.profile.run_time_min)
    within = times[(times > start_min) & (times < end_min)]
    at = np.array([start_min, *within, end_min])
    rises = np.diff(np.interp(at, times, dived.profile.depth_m))
    return float(dived.environment.bar_per_m * rises[rises > 0.0].sum())


# --- RMV --------------------------------------------------------------------------------------------------------------


def legs_rmv(
    dived: Dived, changes: Sequence[Change], parts: Sequence[Span], inflating: tuple[Mix | None, float], celsius: float,
    apart: Iterable[int] = (),
) -> tuple[list[LegRmv], list[str]]:  # fmt: skip
    """RMV of every part of the dive on every gas breathed on open circuit, and what is not known, in words.

    `inflating`: the gas that fills drysuit and wing, if it is known, and how much they take for a bar of descent [L].
    `apart` are cylinders that are not breathed from.
    """
    apart = set(apart)
    legs, missing = list[LegRmv](), list[str]()
    end_min = parts[-1].end_min
    for mix in dict.fromkeys(change.source.mix for change in changes if change.source.circuit == "open"):
        gauges = [gauge_of(dived, i) for i, one in enumerate(dived.cylinders) if one.mix == mix and i not in apart]
        names = ", ".join(gauge.cylinder.name for gauge in gauges)
        lacking = [gauge.cylinder.name for gauge in gauges if gauge.cylinder.size_l is None]
        if lacking:
            missing.append(f"RMV on {mix.name}: the size of {', '.join(lacking)} is not recorded")
            continue
        if any(gauge.first is None or gauge.last is None for gauge in gauges):
            missing.append(f"RMV on {mix.name}: the pressure of {names} is not recorded")
            continue
        spans = _breathing(changes, mix, parts)
        fills_l = inflating[1] if inflating[0] == mix else 0.0
        if all(gauge.run_time_min for gauge in gauges):
            for span in spans:
                leg = _over(dived, gauges, span, mix, fills_l, celsius)
                if leg is not None:
                    legs.append(leg)
                elif span.end_min - span.start_min >= 1.0:
                    missing.append(f"RMV on {mix.name} in the {span.part}: its pressures are not recorded")
            continue
        used_l = sum(g.litres(g.first or 0.0, celsius) - g.litres(g.last or 0.0, celsius) for g in gauges)
        used_l -= fills_l * descent_bar(dived, 0.0, end_min)
        legs.append(_whole(dived, gauges, spans, mix, used_l, celsius))
    return [leg for leg in legs if leg.minutes > 0.0], missing


def _breathing(changes: Sequence[Change], mix: Mix, parts: Sequence[Span]) -> list[Span]:
    """The parts of the dive as far as a gas was breathed in them, on open circuit."""
    end_min = parts[-1].end_min
    ends = [*(change.run_time_min for change in changes[1:]), end_min]
    found = []
    for part in parts:
        for change, end in zip(changes, ends, strict=True):
            if change.source.mix == mix and change.source.circuit == "open":
                start, end = max(part.start_min, change.run_time_min), min(part.end_min, end)
                if end - start > 1e-6:
                    found.append(replace(part, start_min=start, end_min=end))
    return found


def _over(
    dived: Dived, gauges: Sequence[Gauge], span: Span, mix: Mix, fills_l: float, celsius: float
) -> LegRmv | None:  # fmt: skip
    """RMV over one span from pressures read on the way; None where they were not read."""
    first, last = _held(gauges, span.start_min, celsius), _held(gauges, span.end_min, celsius)
    if first is None or last is None:
        return None
    minutes, pressure = span.end_min - span.start_min, bar_minutes(dived, span.start_min, span.end_min)
    litres = first - last - fills_l * descent_bar(dived, span.start_min, span.end_min)
    return LegRmv(
        part=span.part,
        cylinders=tuple(gauge.cylinder.name for gauge in gauges),
        mix=mix,
        minutes=minutes,
        mean_bar=pressure / minutes,
        litres=litres,
        bar_l=_bar_l(gauges, celsius),
        stretches=tuple(_stretches(dived, gauges, span, fills_l, celsius)),
    )


def _stretches(dived: Dived, gauges: Sequence[Gauge], span: Span, fills_l: float, celsius: float) -> list[float]:
    """RMV of stretches of a span, each long enough for the gauge. [L/min]"""
    count = int((span.end_min - span.start_min) / SHORTEST_MIN)
    least_l = LEAST_BAR * _bar_l(gauges, celsius)
    found: list[float] = []
    start, held_l = span.start_min, _held(gauges, span.start_min, celsius)
    for at in np.linspace(span.start_min, span.end_min, count + 1).tolist()[1:] if count else []:
        left_l = _held(gauges, at, celsius)
        if held_l is None:
            start, held_l = at, left_l
        elif left_l is not None and held_l - left_l >= least_l:
            litres = held_l - left_l - fills_l * descent_bar(dived, start, at)
            found.append(litres / bar_minutes(dived, start, at))
            start, held_l = at, left_l
    return found


def _held(gauges: Sequence[Gauge], run_time_min: float, celsius: float) -> float | None:
    """What cylinders hold together at a run time, as read; None where one was not. [free litres]"""
    found = 0.0
    for gauge in gauges:
        bar = gauge.at(run_time_min)
        if bar is None:
            return None
        found += gauge.litres(bar, celsius)
    return found


def _bar_l(gauges: Sequence[Gauge], celsius: float) -> float:
    """What a bar on the largest of the cylinders is, near the middle of what it showed. [free litres]"""
    found = 0.0
    for gauge in gauges:
        middle = max(1.0, 0.5 * ((gauge.first or 0.0) + (gauge.last or 0.0)))
        found = max(found, gauge.litres(middle, celsius) - gauge.litres(middle - 1.0, celsius))
    return found


def _whole(
    dived: Dived, gauges: Sequence[Gauge], spans: Sequence[Span], mix: Mix, litres: float, celsius: float
) -> LegRmv:  # fmt: skip
    """RMV over all that a gas was breathed, where only its first and last pressures are known."""
    minutes = sum(span.end_min - span.start_min for span in spans)
    pressure = sum(bar_minutes(dived, span.start_min, span.end_min) for span in spans)
    before = sum(bar_minutes(dived, one.start_min, one.end_min) for one in spans if one.part != "stops")
    part: Part = "whole dive"
    if pressure > 0.0 and not MOSTLY < before / pressure < 1.0 - MOSTLY:
        part = "stops" if before <= MOSTLY * pressure else "bottom"
    mean_bar = pressure / minutes if minutes else math.nan
    names = tuple(gauge.cylinder.name for gauge in gauges)
    return LegRmv(part, names, mix, minutes, mean_bar, litres, _bar_l(gauges, celsius), ())


# --- What to plan with ------------------------------------------------------------------------------------------------


def offers(legs: Sequence[LegRmv], planned: dict[str, float]) -> list[Offer]:
    """RMV to plan with: until the first stop, and from there on. `planned`: those of the plan, by key. [L/min]

    The median of the stretches, where there are enough of them; else all of it together.
    """
    found = []
    for key, parts in (("rmv_bottom", ("descent", "bottom", "ascent")), ("rmv_deco", ("stops",))):
        of_it = [leg for leg in legs if leg.part in parts]
        minutes = sum(leg.minutes for leg in of_it)
        pressure = sum(leg.mean_bar * leg.minutes for leg in of_it)
        if minutes < SHORTEST_MIN or pressure <= 0.0:
            continue
        rate = sum(leg.litres for leg in of_it) / pressure
        stretches = [rmv for leg in of_it for rmv in leg.stretches]
        if len(stretches) >= FEWEST:
            rate = statistics.median(stretches)
        one_bar = math.hypot(*(leg.bar_l for leg in of_it)) / pressure
        if rate <= 0.0:
            continue
        found.append(
            Offer(
                key, rate, min([rate, *stretches]), max([rate, *stretches]), minutes, len(stretches), one_bar,
                planned[key],
            )
        )  # fmt: skip
    return found


def metabolic_oxygen(
    dived: Dived, index: int | None, loop: Sequence[tuple[float, float]], celsius: float, planned: float
) -> tuple[Offer | None, str]:  # fmt: skip
    """What the loop took of its oxygen cylinder, for every minute on it; or why that is not known, in words.

    `loop` are the spans on the loop [min].
    """
    minutes = sum(end - start for start, end in loop)
    if minutes < SHORTEST_MIN:
        return None, ""
    if index is None:
        return None, "Metabolic oxygen: no oxygen cylinder is recorded"
    gauge = gauge_of(dived, index)
    if gauge.cylinder.size_l is None:
        return None, f"Metabolic oxygen: the size of {gauge.cylinder.name} is not recorded"
    first, last = gauge.first, gauge.last
    if first is None or last is None:
        return None, f"Metabolic oxygen: the pressure of {gauge.cylinder.name} is not recorded"
    litres = gauge.litres(first, celsius) - gauge.litres(last, celsius)
    if litres <= 0.0:
        return None, f"Metabolic oxygen: the pressure of {gauge.cylinder.name} did not fall"
    rate, one_bar = litres / minutes, _bar_l([gauge], celsius) / minutes
    if rate > MOST_METABOLIC_L_MIN:
        said = f"Metabolic oxygen: {rate:.1f} L/min left {gauge.cylinder.name}, more than a diver uses"
        return None, f"{said} ({MOST_METABOLIC_L_MIN:g} at most): flushes, a leak or a wrong pressure"
    return Offer("metabolic_oxygen", rate, rate, rate, minutes, 1, one_bar, planned), ""
