"""A schedule as the rows a diver reads, on paper or on a screen: levels, changes of gas, stops, the surface."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from leadline.brief.schema import OPEN_CIRCUIT_USES
from leadline.plan.contingency import Contingency
from leadline.plan.gases import Source
from leadline.plan.plan import Plan
from leadline.plan.schedule import Leg, Stop
from leadline.plan.supply import CylinderUse

Kind = Literal["level", "change", "stop", "surface"]


@dataclass(frozen=True)
class Row:
    """One line of a schedule.

    `leave_min` is a whole minute except where a gas is changed in passing and at the surface; `tts_min` is TTS then,
    and None on the way down. `changed`: the source is taken up here. `minutes` are a stop's, a begun one counted.
    """

    kind: Kind
    depth_m: float
    minutes: int | None
    arrive_min: float
    leave_min: float
    tts_min: float | None
    source: Source
    changed: bool


def planned_rows(plan: Plan) -> tuple[Row, ...]:
    """The schedule of the planned dive. TTS is what a handset would show: from a level, as if it ended the dive."""
    track = plan.schedule.track
    return rows(plan.schedule.legs, lambda at_min: float(track.at(at_min)["tts_min"]))


def bailout_rows(plan: Plan) -> tuple[Row, ...]:
    """The schedule of the worst bailout; empty without one."""
    return contingency_rows(plan, plan.bailout) if plan.bailout is not None else ()


def contingency_rows(plan: Plan, found: Contingency) -> tuple[Row, ...]:
    """The schedule of a contingency, from where it leaves the plan; empty if there is no way up.

    TTS is that of its own way up: none at a level before the last.
    """
    if not found.legs:
        return ()
    first = found.legs[0].source
    begins_min = found.leaves_at_min
    before = None
    if begins_min is None:
        begins_min = found.scenario.dive.levels[-1].leave_at
    elif any(switch.run_time_min == begins_min for switch in found.switches[:1]):
        before = next(source for source in plan.schedule.track.sources if source != first)  # whichever: it is left

    def tts_at(at_min: float) -> float | None:
        return found.run_time_min - at_min if at_min >= begins_min - 1e-6 else None

    return rows(found.legs, tts_at, before)


def pressures_bar(supply: Iterable[CylinderUse], row: Row) -> tuple[float, ...]:
    """What is left, on leaving a row, in the cylinders breathed from there; nothing on the loop. [bar]

    All of the mix; where mates give theirs, those that are drawn on by then.
    """
    if row.source.circuit != "open" or row.kind == "surface":
        return ()
    breathed = [use for use in supply if use.mix == row.source.mix and use.use in OPEN_CIRCUIT_USES and use.legs]
    drawn = [use for use in breathed if any(abs(leg.end_min - row.leave_min) < 1e-6 for leg in use.legs)]
    return tuple(use.bar_at(row.leave_min) for use in drawn or breathed)


def rows(legs: Sequence[Leg], tts_at: Callable[[float], float | None], before: Source | None = None) -> tuple[Row, ...]:
    """Every line of a schedule, in the order of the dive.

    `tts_at` gives TTS at a run time, or none; `before` is what was breathed before the first leg, if something else.
    """
    found: list[Row] = []
    for leg in legs:
        changed = before is not None and leg.source != before
        before = leg.source
        stays = leg.kind in ("level", "stop")
        if not stays and not changed:
            continue
        kind: Kind = "change" if not stays else "level" if leg.kind == "level" else "stop"
        leave_min = leg.end_min if stays else leg.start_min
        minutes = Stop(leg.end_m, leg.start_min, leg.end_min, leg.source).minutes if kind == "stop" else None
        tts_min = None if leg.kind == "descent" else tts_at(leave_min)
        found.append(Row(kind, leg.start_m, minutes, leg.start_min, leave_min, tts_min, leg.source, changed))
    end = legs[-1]
    found.append(Row("surface", 0.0, None, end.end_min, end.end_min, 0.0, end.source, False))
    return tuple(found)


def up(minutes: float) -> str:
    """Whole minutes, a begun one counted."""
    return f"{math.ceil(minutes - 1e-6)}"
