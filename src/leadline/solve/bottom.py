"""The longest bottom time and the deepest depth: what binds, and what stands behind it."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Literal

from leadline.dive_file.records import changed
from leadline.dive_file.schema import Dive
from leadline.solve.verdict import Bound, BrokenLimit, Told, Tried, Verdict, always, halved, nearest_miss
from leadline.units import SYSTEMS

BEHIND = 3
"""Limits that are sought behind the binding one."""
BEYOND_MIN = 60
"""How far past the longest bottom time those are sought."""
BEYOND_DEPTHS: dict[str, int] = {"metric": 30, "imperial": 100}
"""How far past the deepest depth, in metres or feet."""
MOST_MIN = 600
"""The longest bottom time that is looked at."""
MOST_M = 350.0
REFUSED_IN_A_ROW = 3
"""After so many dives in a row that cannot be planned at all, no further limit would show up behind them."""


def with_bottom(dive: Dive, depth_m: float, leave_at_min: float) -> Dive:
    """A dive whose deepest levels are at another depth, the first of them left at another run time.

    Later levels keep their durations: they are left as much later or earlier.
    """
    deepest_m = dive.deepest_m
    first = [level.depth for level in dive.levels].index(deepest_m)
    shift_min = leave_at_min - dive.levels[first].leave_at
    levels = tuple(
        changed(
            level,
            depth=depth_m if level.depth == deepest_m else level.depth,
            leave_at=level.leave_at + (shift_min if i >= first else 0.0),
        )
        for i, level in enumerate(dive.levels)
    )
    return dive.model_copy(update={"levels": levels})


def bottom_time(dive: Dive) -> int:
    """Run time at which the first of the deepest levels is left. [min]"""
    return round(next(level.leave_at for level in dive.levels if level.depth == dive.deepest_m))


def shortest(dive: Dive) -> int:
    """The first whole minute after the first of the deepest levels is reached: the shortest bottom time. [min]"""
    depth_m, run_time_min = 0.0, 0.0
    for level in dive.levels:
        rate = dive.rates.descent if level.depth >= depth_m else dive.rates.ascent
        run_time_min += abs(level.depth - depth_m) / rate
        if level.depth == dive.deepest_m:
            break
        depth_m, run_time_min = level.depth, max(level.leave_at, run_time_min)
    return math.floor(run_time_min + 1e-6) + 1


@dataclass(frozen=True)
class Reach:
    """The longest bottom time or the deepest depth."""

    sought: Literal["time", "depth"]
    dive: Dive
    """As the answer has it; the dive file's own if there is none."""
    given: int
    """What the dive file says. [min, or whole metres or feet]"""
    given_holds: bool | None
    """None: not looked at."""
    looked_from: int
    looked_to: int
    best: int | None
    """The longest or deepest that holds while the next fails."""
    verdict: Verdict | None
    """Of the answer."""
    binding: tuple[Bound, ...]
    """What the next minute, metre or foot breaks."""
    behind: tuple[Bound, ...]
    gaps: tuple[int, ...]
    """Values below the best that were looked at and do not hold."""
    nearest: str
    """Where there is no answer: the depth or time that would hold, in one sentence."""
    nearest_miss: str
    """Where there is no answer: what fails by least of what was looked at, in one sentence."""
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether there is an answer."""
        return self.best is not None


class Bottoms(Tried):
    """Dives of one dive file with other depths and bottom times, each planned once."""

    def __init__(
        self,
        dive: Dive,
        source: str = "dive",
        told: Told | None = None,
        known: Mapping[Hashable, Verdict] | None = None,
    ) -> None:
        """`source` names the dive file; `told` hears what is being tried; `known` are verdicts of the same dive."""
        super().__init__(source, told)
        self.dive = dive
        self.verdicts.update(known or {})

    def at(self, depth_m: float, minutes: int) -> Verdict:
        """The verdict on a depth [m] and a bottom time [min]."""
        said = f"{SYSTEMS[self.dive.units].at(depth_m)}, {minutes} min"
        return self((round(depth_m, 4), minutes), lambda: with_bottom(self.dive, depth_m, minutes), said)

    def shortest(self, depth_m: float) -> int:
        """The shortest bottom time at a depth. [min]"""
        return shortest(with_bottom(self.dive, depth_m, bottom_time(self.dive)))


def longest(dive: Dive, source: str = "dive", told: Told | None = None, tried: Bottoms | None = None) -> Reach:
    """The longest bottom time at the dive's depth, in whole minutes.

    From the dive file's own bottom time minute by minute: down to the first that holds, or up as long as it holds and
    on, until three more limits have shown up or for BEYOND_MIN minutes.
    """
    tried = tried if tried is not None else Bottoms(dive, source, told)
    depth_m, low = dive.deepest_m, shortest(dive)
    given = bottom_time(dive)
    found = _reach(lambda minutes: tried.at(depth_m, minutes), max(given, low), low, MOST_MIN, BEYOND_MIN)
    nearest, complete = "", found.complete
    if found.best is None and complete:
        try:
            nearest = _deepest_short_dive(tried, low)
        except KeyboardInterrupt:
            complete = False
    return _answer("time", dive, found, given, nearest, complete, lambda m: with_bottom(dive, depth_m, m))


def deepest(dive: Dive, source: str = "dive", told: Told | None = None, tried: Bottoms | None = None) -> Reach:
    """The deepest depth for the dive's bottom time, in whole metres or feet; found as `longest` is."""
    tried = tried if tried is not None else Bottoms(dive, source, told)
    unit_m, minutes = SYSTEMS[dive.units].depth_m, bottom_time(dive)
    others_m = [level.depth for level in dive.levels if level.depth < dive.deepest_m]
    low = math.ceil(max([*others_m, 0.5]) / unit_m - 1e-6)
    high, given = math.floor(MOST_M / unit_m + 1e-6), math.floor(dive.deepest_m / unit_m + 1e-6)
    start = max(given, low)
    found = _reach(lambda n: tried.at(n * unit_m, minutes), start, low, high, BEYOND_DEPTHS[dive.units])
    nearest, complete = "", found.complete
    if found.best is None and complete:
        at_depth = longest(dive, source, told, tried)
        complete = at_depth.complete
        at = SYSTEMS[dive.units].at(dive.deepest_m)
        nearest = f"At {at} the longest that holds is {at_depth.best} min." if at_depth.found else at_depth.nearest
    return _answer("depth", dive, found, given, nearest, complete, lambda n: with_bottom(dive, n * unit_m, minutes))


@dataclass(frozen=True)
class _Found:
    verdicts: dict[int, Verdict]
    best: int | None
    complete: bool


def _reach(evaluate: Callable[[int], Verdict], start: int, low: int, high: int, beyond: int) -> _Found:
    """Step by step from `start`: down until something holds, then up until three limits behind the first are known."""
    verdicts: dict[int, Verdict] = {}

    def holds(value: int) -> bool:
        verdicts[value] = evaluate(value)
        return verdicts[value].holds

    best: int | None = None
    complete = True
    try:
        value = start
        while not holds(value) and value > low:
            value -= 1
        if not verdicts[value].holds:
            return _Found(verdicts, None, True)
        best = value
        refused = 0
        while value < high and value - best < beyond and refused < REFUSED_IN_A_ROW:
            value += 1
            if holds(value):
                best = value
            refused = refused + 1 if verdicts[value].refused else 0
            if len(_behind(verdicts, best)) >= BEHIND:
                break
    except KeyboardInterrupt:
        complete = False
    return _Found(verdicts, best, complete)


def _bounds(verdicts: dict[int, Verdict], best: int) -> list[Bound]:
    """Every limit broken past a value, in the order in which they are broken."""
    first: dict[BrokenLimit, int] = {}
    for value in sorted(value for value in verdicts if value > best):
        for limit in verdicts[value].limits:
            first.setdefault(limit, value)
    grouped: dict[tuple[int, tuple[str, str, str]], list[BrokenLimit]] = {}
    for limit, value in first.items():
        grouped.setdefault((value, limit.group), []).append(limit)
    return [Bound(tuple(limits), value - 1) for (value, _), limits in grouped.items()]


def _behind(verdicts: dict[int, Verdict], best: int) -> list[Bound]:
    return [bound for bound in _bounds(verdicts, best) if bound.holds_to != best]


def _answer(
    sought: Literal["time", "depth"], dive: Dive, found: _Found, given: int, nearest: str, complete: bool,
    made: Callable[[int], Dive],
) -> Reach:  # fmt: skip
    verdicts, best = found.verdicts, found.best
    binding: tuple[Bound, ...] = ()
    behind: list[Bound] = []
    gaps: tuple[int, ...] = ()
    miss = ""
    if best is not None:
        binding = tuple(bound for bound in _bounds(verdicts, best) if bound.holds_to == best)
        behind = _behind(verdicts, best)[:BEHIND]
        gaps = tuple(value for value in sorted(verdicts) if value < best and not verdicts[value].holds)
    elif verdicts:
        binding = always(verdicts[min(verdicts)])
        value = min(verdicts, key=lambda value: (verdicts[value].nearness, abs(value - given)))
        unit = "min" if sought == "time" else SYSTEMS[dive.units].depth_unit
        miss = nearest_miss(f"{value} {unit}", verdicts[value])
    return Reach(
        sought=sought,
        dive=made(best) if best is not None else dive,
        given=given,
        given_holds=verdicts[given].holds if given in verdicts else None,
        looked_from=min(verdicts, default=given),
        looked_to=max(verdicts, default=given),
        best=best,
        verdict=verdicts[best] if best is not None else None,
        binding=binding,
        behind=tuple(behind),
        gaps=gaps,
        nearest=nearest,
        nearest_miss=miss,
        complete=complete,
        tried=len(verdicts),
    )


def _deepest_short_dive(tried: Bottoms, shortest_min: int) -> str:
    """Where no bottom time holds: the deepest depth at which a shortest one does, by halving; both ends are tried."""
    dive = tried.dive
    system = SYSTEMS[dive.units]
    unit_m = system.depth_m
    others_m = [level.depth for level in dive.levels if level.depth < dive.deepest_m]

    def holds(n: int) -> bool:
        return tried.at(n * unit_m, tried.shortest(n * unit_m)).holds

    low, high = math.ceil(max([*others_m, 0.5]) / unit_m - 1e-6), math.ceil(dive.deepest_m / unit_m - 1e-6)
    if low >= high or not holds(low):
        return f"Nor does a shortest dive hold at {system.at(min(low, high) * unit_m)}."
    low = halved(holds, low, high)
    minutes = tried.shortest(low * unit_m)
    return f"The deepest at which a shortest dive holds is {system.at(low * unit_m)}, left at {minutes} min."
