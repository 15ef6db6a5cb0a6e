"""The moments that a plan names (levels left, stops, changes of gas, the surface), and when they came in a dive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from leadline.logbook.dived import Dived
from leadline.logbook.retrace import surfaced_min
from leadline.physics.mix import Mix
from leadline.plan.gases import Source
from leadline.plan.planned import Plan
from leadline.plan.schedule import Stop

Array = NDArray[Any]

ABOVE_STOP_M = 1.0
"""So far above a stop a diver still holds it; below it, half the step of the grid (common practice)."""
AT_STOP_M = 0.5
"""A stop is reached and left as near as this, if it ever was."""
AT_STOP_MIN = 0.1
"""In so much time from there on it is where the diver is nearest."""
GAS_MIN = 0.1
"""A gas taken up so soon after a moment is that of the moment."""
BOTTOM_SHARE, BOTTOM_M = 0.1, 3.0
"""A level goes on until the diver is up by this share of its depth, or by so much, or half way to what comes next."""
STEADY_MIN = 2.0
"""So much before that is what says how deep the level was, and from where the ascent began."""
LEVELS_APART_M = 3.0
"""Levels nearer to each other cannot be told apart where they are held to a metre: the first ends as planned."""
GRID_MIN = 1.0 / 30.0
"""Moments are looked for every two seconds."""
MIX_O2, MIX_HE = 0.015, 0.03
"""A gas analysed so near to the planned one is the planned one (common practice)."""
SETPOINT_BAR = 0.05

What = Literal["leave", "arrive", "switch", "surface"]


@dataclass(frozen=True)
class Moment:
    """A run time and what was there."""

    run_time_min: float
    depth_m: float
    source: Source
    tts_min: float | None = None


@dataclass(frozen=True)
class Mark:
    """A moment that the plan names."""

    what: What
    depth_m: float
    """As planned."""
    planned: Moment
    dived: Moment | None
    """None: it never came."""


@dataclass(frozen=True)
class Held:
    """A planned stop, all that is done there, and how it was held."""

    depth_m: float
    planned_arrive_min: float
    planned_leave_min: float
    arrive_min: float | None
    leave_min: float | None
    minutes: float
    """At the stop's depth, in all."""
    last_ascent: bool

    @property
    def planned_minutes(self) -> float:
        """From arrival to departure."""
        return self.planned_leave_min - self.planned_arrive_min


@dataclass(frozen=True)
class LevelDived:
    """A planned level and how it was dived."""

    depth_m: float
    """As planned."""
    leave_at_min: float
    """As planned, with a stop at the level's own depth."""
    arrive_min: float
    left_min: float
    deepest_m: float
    """Of the dive, while it was bound for or at this level."""
    stop_min: float
    """Of the planned time, what is a stop at the level's own depth."""


@dataclass(frozen=True)
class Change:
    """A change of gas or setpoint as dived."""

    run_time_min: float
    depth_m: float
    source: Source


@dataclass(frozen=True)
class DepthLine:
    """A profile at even times, to look for moments in."""

    run_time_min: Array = field(repr=False)
    depth_m: Array = field(repr=False)

    def depth(self, run_time_min: float) -> float:
        """Depth at a run time. [m]"""
        return float(np.interp(run_time_min, self.run_time_min, self.depth_m))

    def first(self, where: Array, after_min: float, until_min: float = math.inf) -> float | None:
        """The first time within a span at which something holds, if there is one."""
        found = self.run_time_min[where & (self.run_time_min >= after_min) & (self.run_time_min <= until_min)]
        return float(found[0]) if len(found) else None

    def last(self, where: Array, after_min: float, until_min: float) -> float | None:
        """The last time within a span at which something holds, if there is one."""
        found = self.run_time_min[where & (self.run_time_min >= after_min) & (self.run_time_min <= until_min)]
        return float(found[-1]) if len(found) else None


def line_of(dived: Dived) -> DepthLine:
    """A dive's profile at even times."""
    profile = dived.profile
    count = max(2, math.ceil(dived.run_time_min / GRID_MIN) + 1)
    times = np.linspace(0.0, dived.run_time_min, count)
    return DepthLine(times, np.interp(times, profile.run_time_min, profile.depth_m))


# --- Levels -----------------------------------------------------------------------------------------------------------


def levels_dived(plan: Plan, line: DepthLine) -> tuple[LevelDived, ...]:
    """Every planned level, as it was dived."""
    levels, rates = plan.dive.levels, plan.dive.rates
    found: list[LevelDived] = []
    begin_min = 0.0
    for i, level in enumerate(levels):
        following = levels[i + 1].depth if i + 1 < len(levels) else None
        arrive_min = _arrival(line, level.depth, begin_min)
        if following is not None and abs(following - level.depth) < LEVELS_APART_M:
            left_min = min(max(level.leave_at, arrive_min), float(line.run_time_min[-1]))  # one level, for all to see
        elif following is not None and following > level.depth:
            middle_m = 0.5 * (level.depth + following)
            crossed = line.first(line.depth_m >= middle_m, arrive_min)
            left_min = _began(line, crossed, arrive_min, (middle_m - level.depth) / rates.descent, 1.0)
        else:
            reached_m = min(level.depth, _deepest(line, begin_min, math.inf))
            edge_m = reached_m - _give(plan, i, reached_m)
            if following is None:
                crossed = line.last(line.depth_m >= edge_m, begin_min, math.inf)
            else:
                crossed = line.first(line.depth_m < edge_m, arrive_min)
            left_min = _began(line, crossed, arrive_min, (reached_m - edge_m) / rates.ascent, -1.0)
        left_min = max(left_min, begin_min)
        deepest_m = _deepest(line, arrive_min if i and level.depth < levels[i - 1].depth else begin_min, left_min)
        found.append(
            LevelDived(
                level.depth, _left_at(plan, i), arrive_min, left_min, deepest_m, _left_at(plan, i) - level.leave_at
            )
        )
        begin_min = left_min
    return tuple(found)


def _left_at(plan: Plan, i: int) -> float:
    """When a level is planned to be left, with the stops at its own depth. [min]"""
    level = plan.dive.levels[i]
    return max(
        [level.leave_at, *(last.leave_min for first, last in _at_one_depth(plan) if is_at_level(plan, first, i))]
    )


def is_at_level(plan: Plan, stop: Stop, i: int) -> bool:
    """Whether a stop is nothing but more of a level."""
    level = plan.dive.levels[i]
    return abs(stop.depth_m - level.depth) < 1e-6 and abs(stop.arrive_min - level.leave_at) < 1e-6


def _give(plan: Plan, i: int, depth_m: float) -> float:
    """How far up from a level a diver may be and still be at it. [m]"""
    levels = plan.dive.levels
    if i + 1 < len(levels):
        next_m = levels[i + 1].depth
    else:
        left_at = levels[-1].leave_at - 1e-6
        ahead = (stop.depth_m for stop in plan.schedule.stops if stop.arrive_min >= left_at)
        next_m = next((stop_m for stop_m in ahead if stop_m < levels[-1].depth - 1e-6), 0.0)
    half_way_m = 0.5 * (levels[i].depth - next_m)
    return min(max(BOTTOM_M, BOTTOM_SHARE * depth_m), half_way_m if half_way_m > 0.0 else math.inf, 0.5 * depth_m)


def _arrival(line: DepthLine, depth_m: float, begin_min: float) -> float:
    """When a level is first reached, to a metre; if it never is, when the diver was nearest to it. [min]"""
    there = line.depth_m >= depth_m - 1.0 if line.depth(begin_min) < depth_m else line.depth_m <= depth_m + 1.0
    found = line.first(there, begin_min)
    if found is not None:
        return found
    left = line.run_time_min >= begin_min
    return float(line.run_time_min[left][np.argmin(np.abs(line.depth_m[left] - depth_m))])


def _deepest(line: DepthLine, from_min: float, to_min: float) -> float:
    within = (line.run_time_min >= from_min - 1e-9) & (line.run_time_min <= to_min + 1e-9)
    return float(line.depth_m[within].max()) if within.any() else line.depth(from_min)


def _began(line: DepthLine, crossed: float | None, arrive_min: float, travel_min: float, sign: float) -> float:
    """When the way began that crossed an edge: where the depth held before it was left. [min]

    `sign` is 1 on the way down, -1 on the way up.
    """
    if crossed is None:
        return float(line.run_time_min[-1])
    from_min = max(min(arrive_min, crossed), crossed - travel_min - STEADY_MIN)
    before = (line.run_time_min >= from_min) & (line.run_time_min <= max(from_min, crossed - travel_min))
    held_m = float(np.median(line.depth_m[before])) if before.any() else line.depth(crossed)
    near_m = held_m + sign * AT_STOP_M
    still = line.depth_m * sign <= near_m * sign
    began = line.last(still, from_min, crossed)
    if began is None or began >= crossed:
        return crossed
    # Back along the way to the depth that was held.
    gone_m, way_m = (line.depth(began) - held_m) * sign, (line.depth(crossed) - line.depth(began)) * sign
    if gone_m <= 0.0 or way_m <= 0.0:
        return began
    return max(from_min, began - gone_m * (crossed - began) / way_m)


# --- Stops ------------------------------------------------------------------------------------------------------------


def stops_held(plan: Plan, line: DepthLine, levels: Sequence[LevelDived], surfaced: float) -> tuple[Held, ...]:
    """Every planned stop, as it was held."""
    found = []
    for first, last in _at_one_depth(plan):
        bound = _bound_for(plan, first)
        if bound > 0 and is_at_level(plan, first, bound - 1):
            continue
        from_min = levels[bound - 1].left_min if bound < len(levels) else levels[-1].left_min
        to_min = levels[bound].left_min if bound < len(levels) else surfaced
        arrive, leave, minutes = held(line, first.depth_m, *band(plan, first.depth_m), from_min, to_min)
        found.append(
            Held(
                first.depth_m,
                first.arrive_min,
                last.leave_min,
                arrive,
                leave,
                minutes,
                last_ascent=bound == len(levels),
            )
        )
    return tuple(found)


def _at_one_depth(plan: Plan) -> list[tuple[Stop, Stop]]:
    """The first and the last stop of every stay at one depth: a change of gas parts it on paper only."""
    found: list[tuple[Stop, Stop]] = []
    for stop in plan.schedule.stops:
        if found and found[-1][1].depth_m == stop.depth_m and abs(found[-1][1].leave_min - stop.arrive_min) < 1e-6:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((stop, stop))
    return found


def _bound_for(plan: Plan, stop: Stop) -> int:
    """The index of the level that a stop is on the way to; on the last ascent the number of levels."""
    return sum(level.leave_at <= stop.arrive_min + 1e-6 for level in plan.dive.levels)


def band(plan: Plan, depth_m: float) -> tuple[float, float]:
    """How far above and below a stop it is still held, and no other. [m]"""
    grid = plan.dive.stops.depths_m(max(plan.dive.deepest_m, depth_m) + 2.0 * plan.dive.stops.step)
    deeper = min((at for at in grid if at > depth_m + 1e-6), default=math.inf)
    shallower = max((at for at in grid if at < depth_m - 1e-6), default=0.0)
    above_m = min(ABOVE_STOP_M, 0.5 * (depth_m - shallower) - 0.01)
    return above_m, min(0.5 * plan.dive.stops.step, 0.5 * (deeper - depth_m))


def near_m(plan: Plan, depth_m: float) -> float:
    """What is nearer to a stop than this is nearer to no other. [m]"""
    grid = plan.dive.stops.depths_m(max(plan.dive.deepest_m, depth_m) + 2.0 * plan.dive.stops.step)
    return 0.49 * min((abs(at - depth_m) for at in grid if abs(at - depth_m) > 1e-6), default=plan.dive.stops.step)


def held(
    line: DepthLine, depth_m: float, above_m: float, below_m: float, from_min: float, to_min: float
) -> tuple[float | None, float | None, float]:
    """When a depth was reached and left within a span, and how long it was held in all. [min]"""
    span = (line.run_time_min >= from_min) & (line.run_time_min <= to_min)
    within = (line.depth_m <= depth_m + below_m) & (line.depth_m >= depth_m - above_m)
    there = within & span
    if not there.any():
        return None, None, 0.0
    close = there & (np.abs(line.depth_m - depth_m) <= AT_STOP_M)
    i = np.flatnonzero(close if close.any() else there)
    few = max(1, round(AT_STOP_MIN / GRID_MIN))
    off_m = np.abs(line.depth_m - depth_m).round(6)
    first, last = i[:few], i[-few:]
    arrive = float(line.run_time_min[first[np.argmin(off_m[first])]])
    leave = max(arrive, float(line.run_time_min[last[len(last) - 1 - np.argmin(off_m[last][::-1])]]))
    leave = max(arrive, leave - _on_the_way_min(line, leave, depth_m, depth_m - above_m))
    between = there & (line.run_time_min >= arrive) & (line.run_time_min <= leave)
    step_min = float(line.run_time_min[1] - line.run_time_min[0])
    return arrive, leave, max(0.0, (int(between.sum()) - 1) * step_min)


def _on_the_way_min(line: DepthLine, at_min: float, from_m: float, to_m: float) -> float:
    """How long a diver who is on the way up between two depths is gone from the deeper one already. [min]"""
    here_m = line.depth(at_min)
    there = line.first(line.depth_m <= to_m, at_min)
    if there is None or there <= at_min or not to_m < here_m < from_m:
        return 0.0
    return (there - at_min) * (from_m - here_m) / (here_m - to_m)


# --- Changes of gas ---------------------------------------------------------------------------------------------------


def alike(one: Mix, other: Mix) -> bool:
    """Whether a gas is the planned one, as near as fills and analyses are."""
    return abs(one.o2 - other.o2) <= MIX_O2 and abs(one.he - other.he) <= MIX_HE


def same_source(one: Source, other: Source) -> bool:
    """Whether what is breathed is what was planned."""
    if (one.setpoint_bar is None) != (other.setpoint_bar is None) or not alike(one.mix, other.mix):
        return False
    return abs((one.setpoint_bar or 0.0) - (other.setpoint_bar or 0.0)) <= SETPOINT_BAR


def changes_dived(dived: Dived) -> tuple[Change, ...]:
    """What is breathed at the start, and every change of it up to the surface."""
    surfaced, profile = surfaced_min(dived.profile), dived.profile
    found: list[Change] = []
    for i, breathed in enumerate(dived.breathed):
        at, later = breathed.run_time_min, dived.breathed[i + 1 :]
        if at >= surfaced or (later and later[0].run_time_min <= at):
            continue
        source = Source(dived.cylinders[breathed.cylinder].mix, breathed.setpoint_bar)
        if not found or found[-1].source != source:
            found.append(Change(at, float(np.interp(at, profile.run_time_min, profile.depth_m)), source))
    return tuple(found)


def matched_changes(
    plan: Plan, dived: Sequence[Change]
) -> tuple[list[Change | None], list[Change]]:  # fmt: skip
    """For what is planned to be breathed first and every planned change the one that was made, or None; and what was
    breathed besides.

    The longest run of changes in the planned order is taken to be the plan's.
    """
    planned = [plan.schedule.legs[0].source, *(switch.source for switch in plan.schedule.switches)]
    n, m = len(planned), len(dived)
    longest = np.zeros((n + 1, m + 1), int)
    for i in range(n - 1, -1, -1):
        for j in range(m - 1, -1, -1):
            pair = 1 + longest[i + 1, j + 1] if same_source(planned[i], dived[j].source) else 0
            longest[i, j] = max(pair, longest[i + 1, j], longest[i, j + 1])
    found: list[Change | None] = [None] * n
    extra: list[Change] = []
    i = j = 0
    while i < n and j < m:
        if same_source(planned[i], dived[j].source) and longest[i, j] == 1 + longest[i + 1, j + 1]:
            found[i] = dived[j]
            i, j = i + 1, j + 1
        elif longest[i + 1, j] >= longest[i, j + 1]:
            i += 1
        else:
            extra.append(dived[j])
            j += 1
    return found, [*extra, *dived[j:]]


# --- All of them ------------------------------------------------------------------------------------------------------


def find_marks(
    plan: Plan, dived: Dived, line: DepthLine, levels: Sequence[LevelDived], stops: Sequence[Held],
    made: Sequence[Change | None],
) -> tuple[Mark, ...]:  # fmt: skip
    """Every moment that the plan names, in the order of the plan."""
    surfaced = surfaced_min(dived.profile)
    changes = changes_dived(dived)
    ends_up = line.depth(surfaced) <= 1.0

    def planned(at_min: float, depth_m: float) -> Moment:
        point = plan.schedule.track.at(at_min)
        leg = next((leg for leg in plan.schedule.legs if leg.end_min > at_min + 1e-6), plan.schedule.legs[-1])
        return Moment(at_min, depth_m, leg.source, float(point["tts_min"]))

    def there(at_min: float | None) -> Moment | None:
        if at_min is None:
            return None
        return Moment(at_min, line.depth(at_min), breathed_at(changes, at_min + GAS_MIN))

    found = [Mark("leave", one.depth_m, planned(one.leave_at_min, one.depth_m), there(one.left_min)) for one in levels]
    for stop in stops:
        found.append(
            Mark("arrive", stop.depth_m, planned(stop.planned_arrive_min, stop.depth_m), there(stop.arrive_min))
        )
        found.append(Mark("leave", stop.depth_m, planned(stop.planned_leave_min, stop.depth_m), there(stop.leave_min)))
    for switch, change in zip(plan.schedule.switches, made[1:], strict=True):
        came = Moment(change.run_time_min, change.depth_m, change.source) if change is not None else None
        found.append(Mark("switch", switch.depth_m, planned(switch.run_time_min, switch.depth_m), came))
    end = plan.schedule.run_time_min
    surface = Moment(surfaced, 0.0, breathed_at(changes, surfaced)) if ends_up else None
    found.append(Mark("surface", 0.0, planned(end, 0.0), surface))
    order = {"arrive": 0, "switch": 1, "leave": 2, "surface": 3}
    return tuple(sorted(found, key=lambda mark: (mark.planned.run_time_min, order[mark.what])))


def breathed_at(changes: Sequence[Change], run_time_min: float) -> Source:
    """What is breathed from a run time on."""
    return next(
        (change.source for change in reversed(changes) if change.run_time_min <= run_time_min + 1e-6), changes[0].source
    )


def moments_of(marks: Sequence[Mark]) -> list[float]:
    """The run times of marks in the dive."""
    return [mark.dived.run_time_min for mark in marks if mark.dived is not None]
