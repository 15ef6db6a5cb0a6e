"""What holds the diver on the way up: the anchor of the gradient factors, and the compartment at each stop."""

from __future__ import annotations

import numpy as np

from leadline.dive_file.schema import Dive
from leadline.plan.schedule import Array, Leg, Schedule, Stop, source_rows
from leadline.tissue import kernel
from leadline.tissue.loading import compartments, weighted


def anchor_m(schedule: Schedule) -> float | None:
    """Where the line of the last ascent is anchored, its first stop by GF low; None on a direct ascent. [m]"""
    anchored_m = float(schedule.track.points[-1]["first_stop_m"])
    return anchored_m if anchored_m > 0.0 else None


def holding_compartments(dive: Dive, schedule: Schedule) -> tuple[int | None, ...]:
    """The compartment (1 to 16) that holds each stop: the one that asks for most when it could last not be left.

    None where no compartment holds it, but a switch, the whole minute or the team.
    """
    return tuple(_holds(dive, schedule, stop) for stop in schedule.stops)


def _holds(dive: Dive, schedule: Schedule, stop: Stop) -> int | None:
    points, track = schedule.track.points, schedule.track
    # It is asked on arrival and at every whole minute: last a minute before it is left.
    asked_min = max(stop.arrive_min, stop.leave_min - 1.0)
    i = int(np.searchsorted(points["run_time_min"], asked_min + kernel.CLOSE, side="right")) - 1
    after = [leg for leg in schedule.legs if leg.start_min >= stop.leave_min - kernel.CLOSE and leg.kind == "ascent"]
    to_m = _next_m(dive, stop, after[0])
    low, high = (percent / 100.0 for percent in dive.model.gradient_factors)
    anchored_m = float(points[i]["first_stop_m"])
    gf = low if anchored_m <= 0.0 or to_m >= anchored_m else high + (low - high) * to_m / anchored_m
    bar = dive.site.environment.pressure(to_m)
    tissue = track.tensions_bar[i].copy()
    held = _asks_most(tissue, gf, bar, dive)
    return held if held is not None else _asks_most(_arrived(tissue, dive, after, to_m), gf, bar, dive)


def _next_m(dive: Dive, stop: Stop, leg: Leg) -> float:
    """The next depth of the grid, or the level on the way to which the stop is."""
    level = dive.levels[leg.level]
    target_m = level.depth if stop.leave_min <= level.leave_at and stop.depth_m > level.depth else 0.0
    return max(target_m, max(m for m in dive.stops.depths_m(stop.depth_m) if m < stop.depth_m - kernel.CLOSE))


def _arrived(tissue: Array, dive: Dive, legs: list[Leg], to_m: float) -> Array:
    """Tissues on arrival, as the planned legs go there."""
    where, comps = dive.site.environment, compartments(dive.model.coefficients)
    for leg in legs:
        if leg.end_m < to_m - kernel.CLOSE:
            break
        (source,) = source_rows([leg.source])
        kernel.load_travel(tissue, where.pressure(leg.start_m), where.pressure(leg.end_m), leg.minutes, source, comps)
    return tissue


def _asks_most(tissue: Array, gf: float, bar: float, dive: Dive) -> int | None:
    """Of the compartments that do not tolerate an ambient pressure, the one that asks for most; 1 to 16."""
    a, b = weighted(tissue[0], tissue[1], compartments(dive.model.coefficients))
    tolerated = (tissue.sum(axis=0) - a * gf) / (gf / b + 1.0 - gf)
    most = int(np.argmax(tolerated))
    return most + 1 if tolerated[most] > bar + 1e-12 else None
