"""Which of the plan's sheets would have applied to a dive as it was dived, and whether its stops were met."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from leadline.dive_file.schema import Level
from leadline.logbook.debrief.marks import GRID_MIN, Change, DepthLine, LevelDived, alike, band, held
from leadline.plan.contingency import Contingency
from leadline.plan.planned import Plan
from leadline.plan.schedule import Stop
from leadline.units import SYSTEMS

DEPTH_M = 1.0
"""A level is held as near as this (common practice): less is no deviation."""
TIME_MIN = 0.5
"""So near to a time on the slate is on time: it is read in whole minutes."""
LOST_AFTER_MIN = 2.0
"""A gas that was not taken up in so much time at or above its depth was lost, or as good as."""


@dataclass(frozen=True)
class SheetStop:
    """A stop of the sheet, and how long the dive was held there."""

    depth_m: float
    asked_min: float
    held_min: float

    @property
    def met(self) -> bool:
        """Whether it was held long enough."""
        return self.held_min >= self.asked_min - TIME_MIN


@dataclass(frozen=True)
class Applied:
    """The sheet that would have applied."""

    happened: str
    """In words."""
    name: str
    """As it heads the sheet; "the plan" itself; or empty: none covers the dive."""
    kind: str
    on_the_slate: bool
    slate_name: str
    """Where it is not on the slate, the sheet there that covers the dive too; or empty."""
    run_time_min: float | None
    """Of the sheet, at the surface."""
    stops: tuple[SheetStop, ...]

    @property
    def met(self) -> bool:
        """Whether every stop of the sheet was."""
        return all(stop.met for stop in self.stops)


def applied_sheet(
    plan: Plan, line: DepthLine, levels: Sequence[LevelDived], changes: Sequence[Change], surfaced: float
) -> Applied:
    """The smallest planned sheet that covers how deep and how long the dive was, and what was lost of its gas."""
    system = SYSTEMS[plan.dive.units]
    last = levels[-1]
    deepest_m = max(level.deepest_m for level in levels)
    happened = f"{system.at(deepest_m)} deep, the bottom left at {last.left_min:.0f} min"
    off = next((c for c in changes if plan.dive.loop is not None and c.source.circuit == "open"), None)
    lost = _never_breathed(plan, line, last.left_min, surfaced, changes) if off is None else ()
    if off is not None:
        happened += f", the loop left at {off.run_time_min:.0f} min"
    if lost:
        happened += f", {' and '.join(lost)} never breathed"
    found = _of_the_plan(plan, levels, off, lost)
    from_min = off.run_time_min if off is not None else last.left_min
    if found is None:
        return Applied(happened, "", "none", False, "", None, ())
    slated = [one.name for one in _longer_or_deeper(plan, levels) if _is_on_the_slate(plan, one.kind)]
    if isinstance(found, Contingency):
        name, kind, run_time_min, stops = found.name, found.kind, found.run_time_min, found.stops
        from_plan = found.scenario.dive.levels[-1].leave_at if found.leaves_at_min is None else found.leaves_at_min
        level_m = found.scenario.dive.levels[-1].depth if found.leaves_at_min is None else None
    else:
        name, kind, run_time_min, stops = "the plan", "plan", plan.schedule.run_time_min, plan.schedule.stops
        from_plan, level_m = plan.dive.levels[-1].leave_at, plan.dive.levels[-1].depth
    # A stop at the level's own depth is nothing but more of the level.
    asked = _minutes(stop for stop in stops if stop.arrive_min >= from_plan - 1e-6 and stop.depth_m != level_m)
    return Applied(
        happened=happened,
        name=name,
        kind=kind,
        on_the_slate=_is_on_the_slate(plan, kind),
        slate_name="" if _is_on_the_slate(plan, kind) or off is not None or lost else next(iter(slated), ""),
        run_time_min=run_time_min,
        stops=tuple(
            SheetStop(depth_m, minutes, held(line, depth_m, *band(plan, depth_m), from_min, surfaced)[2])
            for depth_m, minutes in asked.items()
        ),
    )


def _of_the_plan(
    plan: Plan, levels: Sequence[LevelDived], off: Change | None, lost: Sequence[str]
) -> Plan | Contingency | None:
    """The plan, if it covers the dive; else the contingency that ends first of those that do; None without one."""
    if off is not None:
        # It begins with the minutes of sorting it out, at depth.
        if not _covers(plan.dive.levels, levels, plan.dive.diver.sorting_out):
            return None
        later = (b for b in plan.bailouts if b.legs and b.leaves_at_min is not None)
        return next((b for b in later if (b.leaves_at_min or 0.0) >= off.run_time_min - TIME_MIN), plan.longest_bailout)
    within = _covers(plan.dive.levels, levels)
    if lost:
        kept = {cylinder.name for cylinder in plan.dive.cylinders} - set(lost)
        fitting = [
            found
            for found in plan.contingencies
            if found.failure.covers == "lost gas"
            and found.legs
            and {cylinder.name for cylinder in found.scenario.dive.cylinders} == kept
        ]
        return next(iter(fitting), None) if within else None
    if within:
        return plan
    return next(iter(_longer_or_deeper(plan, levels)), None)


def _longer_or_deeper(plan: Plan, levels: Sequence[LevelDived]) -> list[Contingency]:
    """The contingencies that cover how deep and how long a dive was: what ends first, and is on the slate, first."""
    fitting = [
        found
        for found in plan.contingencies
        if found.failure.covers == "another dive"
        and found.leaves_at_min is None
        and found.legs
        and _covers(found.scenario.dive.levels, levels)
    ]
    return sorted(fitting, key=lambda found: (round(found.run_time_min, 3), not _is_on_the_slate(plan, found.kind)))


def _is_on_the_slate(plan: Plan, kind: str) -> bool:
    return kind == "plan" or kind in plan.dive.contingencies.slate


def _covers(planned: Sequence[Level], levels: Sequence[LevelDived], more_min: float = 0.0) -> bool:
    """Whether levels were dived no deeper and left no later than planned, or so much later."""
    return all(
        dived.deepest_m <= level.depth + DEPTH_M
        and dived.left_min <= level.leave_at + dived.stop_min + more_min + TIME_MIN
        for level, dived in zip(planned, levels, strict=True)
    )


def _never_breathed(
    plan: Plan, line: DepthLine, left_min: float, surfaced: float, changes: Sequence[Change]
) -> tuple[str, ...]:  # fmt: skip
    """Cylinders that the plan breathes from on open circuit and nobody did, though there was the time to."""
    breathed = [change.source.mix for change in changes if change.source.circuit == "open"]
    missed = set()
    for switch in plan.schedule.switches:
        there = line.depth_m <= switch.depth_m + 0.5 * plan.dive.stops.step
        spent_min = GRID_MIN * int((there & (line.run_time_min >= left_min) & (line.run_time_min < surfaced)).sum())
        known = any(alike(switch.source.mix, mix) for mix in breathed)
        if switch.source.circuit == "open" and not known and spent_min > LOST_AFTER_MIN:
            missed.add(switch.source.mix)
    return tuple(use.name for use in plan.supply if use.mix in missed and use.used_l > 0.0 and use.use != "inflation")


def _minutes(stops: Iterable[Stop]) -> dict[float, float]:
    """Minutes of stops by depth."""
    found: dict[float, float] = {}
    for stop in stops:
        found[stop.depth_m] = found.get(stop.depth_m, 0.0) + stop.leave_min - stop.arrive_min
    return found
