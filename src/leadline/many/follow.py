"""Many dives that come up by a written slate, whatever was really dived.

The diver keeps to the stops of the slate as a careful one does: each is kept for the time that the slate gives it, from
arriving there to leaving, and is not left before the run time on the slate. So who is late stays late, and who is early
waits. Gas is changed where the slate has it; a switch that takes longer than the stop holds the diver there, on the new
gas. A stop deeper than the diver has been is left out. Between levels the way up is worked out as it is dived.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import get_num_threads, prange
from numpy.typing import NDArray

from leadline.dive_file.schema import Dive
from leadline.many import batch
from leadline.many.batch import BatchResult, Varied
from leadline.plan.schedule import MOST_LEGS, Layout, Leg
from leadline.tissue import kernel

Array = NDArray[Any]
_entry, _inner, _parallel = (
    kernel.along_with(one, batch.__file__) for one in (batch.entry, batch.inner, batch.parallel)
)

SLATE_ROW = np.dtype(
    [
        ("depth_m", "f8"),
        ("minutes", "f8"),  # that it is kept
        ("leave_at_min", "f8"),  # run time before which it is not left
        ("source", "i8"),
        # 1 where it is the first stop, or after it; 0 for the hold of a gas switch before it; -1 for the safety stop of
        # an ascent that needs none
        ("deco", "i8"),
    ]
)
"""A stop of a slate."""


@dataclass(frozen=True)
class Followed:
    """What came of many dives by a slate."""

    swum: BatchResult
    gf_highest: Array
    """The highest gradient factor anywhere on the way up from the last level; 1 is the M-value. [dives]"""


def slate_rows(legs: Sequence[Leg], layout: Layout, left_at_min: float) -> Array:
    """The stops of the last ascent, which begins at a run time, as rows of SLATE_ROW."""
    up = [leg for leg in legs if leg.start_min >= left_at_min - kernel.CLOSE]
    rows = []
    anchored = False
    direct = len(layout.rules.held) == 0 and not any(leg.after_first_stop for leg in up)
    for leg in up:
        source = layout.sources.index(leg.source)
        if leg.kind == "stop":
            rows.append((leg.end_m, leg.minutes, leg.end_min, source, -1 if direct else int(leg.after_first_stop)))
        elif leg.after_first_stop and not anchored:  # the first stop, which is left on arrival
            rows.append((leg.start_m, 0.0, 0.0, source, 1))
        anchored |= leg.after_first_stop
    return np.array(rows, dtype=SLATE_ROW)


def follow_many(dive: Dive, layout: Layout, slate: Array, varied: Varied, dives: int) -> Followed:
    """Many dives of the layout of `dive`, which come up by a slate of SLATE_ROWs. ValueError for an array of another
    length than `dives`."""
    rules, numbers, swum = batch.laid_out(dive, layout, varied, dives)
    gf_highest = np.zeros(dives)
    with batch.ONE_AT_A_TIME:
        _follow_all(
            4 * get_num_threads(), *numbers, layout.start, layout.levels, layout.ways, slate, layout.source_rows, rules,
            layout.comps, swum.figures, swum.stop_min, swum.breathed_l, gf_highest,
        )  # fmt: skip
    return Followed(swum, gf_highest)


@_parallel
def _follow_all(
    parts: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array, levels: Array,
    ways: Array, slate: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    figures: Array, stop_min: Array, breathed_l: Array, gf_highest: Array,
) -> None:  # fmt: skip
    """Every dive, over all cores: the work in so many parts."""
    dives = len(numbers)
    for part in prange(parts):
        _follow_some(
            part * dives // parts, (part + 1) * dives // parts, numbers, depth_m, leave_at_min, planned_bar, start,
            levels, ways, slate, sources, rules, comps, figures, stop_min, breathed_l, gf_highest,
        )  # fmt: skip


@_entry
def _follow_some(
    first: int, end: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array,
    levels: Array, ways: Array, slate: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    figures: Array, stop_min: Array, breathed_l: Array, gf_highest: Array,
) -> None:  # fmt: skip
    """The dives from `first` to before `end`, one after the other, in room of their own."""
    _follow_each(
        first, end, numbers, depth_m, leave_at_min, planned_bar, start, levels.copy(), ways, slate, sources,
        sources.copy(), rules, kernel.room_for(comps), np.empty(start.shape), np.zeros(MOST_LEGS, kernel.LEG),
        figures, stop_min, breathed_l, gf_highest,
    )  # fmt: skip


@_inner
def _follow_each(
    first: int, end: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array,
    levels: Array, ways: Array, slate: Array, planned: Array, sources: Array, rules: kernel.Rules, room: kernel.Room,
    tissue: Array, legs: Array, figures: Array, stop_min: Array, breathed_l: Array, gf_highest: Array,
) -> None:  # fmt: skip
    diver = room.diver
    for i in range(first, end):
        own = batch.own_dive(
            numbers[i], depth_m[i], leave_at_min[i], planned_bar, start, levels, planned, sources, rules, tissue
        )
        kernel.simulate_to_last(tissue, levels, ways, sources, own, room, legs)
        left = diver[0].legs
        if diver[0].fault == kernel.FINE:
            last = levels[len(levels) - 1]
            gf_highest[i] = _come_up(diver, tissue, slate, ways[last.up_first : last.up_end], sources, own, room, legs)
        figures[i].fault = diver[0].fault
        if diver[0].fault == kernel.FINE:
            n = diver[0].legs
            batch.add_up(legs[:n], left, tissue, sources, own, room, figures[i], stop_min[i])
            batch.add_up_gas(legs[:n], numbers[i], sources, own, figures[i], breathed_l[i])


@_inner
def _come_up(
    diver: Array, tissue: Array, slate: Array, way: Array, sources: Array, rules: kernel.Rules,
    room: kernel.Room, legs: Array,
) -> float:  # fmt: skip
    """From the last level to the surface by the slate. Returns the highest gradient factor on the way."""
    d = diver[0]
    row, highest = 0, -9.0
    if len(slate) == 0 or d.depth_m > d.first_stop_m + kernel.CLOSE:
        d.first_stop_m = -1.0
    while d.depth_m > kernel.CLOSE and d.fault == kernel.FINE:
        source = kernel.source_at(way, d.depth_m)
        not_before_min = d.run_time_min
        if len(slate) > 0 and slate[0].deco >= 0:  # a direct ascent changes gas in passing, as the plan's does
            not_before_min = kernel.take_up(diver, source, sources, rules)
        while row < len(slate) and slate[row].depth_m > d.depth_m + kernel.CLOSE:
            row += 1
        while row < len(slate) and slate[row].depth_m >= d.depth_m - kernel.CLOSE:
            if slate[row].deco == 1 and d.first_stop_m < 0.0:
                d.first_stop_m = d.depth_m
            until_min = max(slate[row].leave_at_min, d.run_time_min + slate[row].minutes)
            _stop(diver, tissue, until_min, slate[row].source, sources, rules, room, legs)
            source = slate[row].source
            row += 1
        _stop(diver, tissue, not_before_min, source, sources, rules, room, legs)
        here = d.depth_m
        highest = max(highest, _gf_now(tissue, here, rules, room))
        next_m = kernel.next_stop_depth(here, 0.0, rules)
        rate = rules.ascent if d.first_stop_m < 0.0 else rules.between_stops
        if next_m < kernel.CLOSE and here <= rules.stop_depths_m[1] + kernel.CLOSE:
            rate = rules.to_surface
        gf = kernel.line_gf(next_m, d.first_stop_m, rules)
        kernel.move(diver, tissue, next_m, rate, gf, way, sources, rules, room, legs)
        highest = max(highest, _gf_now(tissue, next_m, rules, room))
    return highest


@_inner
def _stop(
    diver: Array, tissue: Array, until_min: float, source: int, sources: Array, rules: kernel.Rules,
    room: kernel.Room, legs: Array,
) -> None:  # fmt: skip
    """Stop here until a run time, if it is still to come."""
    d = diver[0]
    if until_min > d.run_time_min + kernel.CLOSE:
        gf = kernel.line_gf(d.depth_m, d.first_stop_m, rules)
        kernel.stay(diver, tissue, until_min, source, kernel.STOP, gf, sources, rules, room, legs)


@_inner
def _gf_now(tissue: Array, depth_m: float, rules: kernel.Rules, room: kernel.Room) -> float:
    """The highest gradient factor of any compartment at a depth."""
    bar, highest = kernel.ambient(depth_m, rules), -9.0
    for c in range(kernel.COMPARTMENTS):
        highest = max(highest, kernel.gradient_factor(tissue, c, bar, room))
    return highest
