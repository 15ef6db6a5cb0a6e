"""Many dives of one layout in one kernel call, over all cores.

A layout (`leadline.plan.schedule.lay_out`) is a dive as the kernel takes it: its sources, where they change, the site.
Dives that share it differ in numbers alone. Each is swum by the same compiled code as a single plan, and is the same to
the last bit, whatever the number of threads. What is asked of a dive is added up from its legs while they are at hand,
so that nothing of a dive is kept but its figures.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

from leadline.dive_file.schema import Dive
from leadline.plan import oxygen
from leadline.plan.oxygen import OxygenLimits, mean_otu_rate, mean_share_rate, straight_to
from leadline.plan.schedule import MOST_LEGS, Layout
from leadline.tissue import kernel

Array = NDArray[Any]

_njit: Any = njit  # its stubs leave out the options
_OVER_ALL_CORES = _njit(parallel=True, nogil=True, cache=kernel.KEPT)
entry, inner, parallel = (
    kernel.along_with(one, kernel.__file__, oxygen.__file__) for one in (kernel.entry, kernel.inner, _OVER_ALL_CORES)
)
"""Compile a function of many dives: one that makes arrays, one that must not, and one that spreads over all cores."""

FIGURES = np.dtype(
    [
        ("fault", "i8"),  # kernel.FINE where the dive can be dived
        ("run_time_min", "f8"),
        ("tts_min", "f8"),  # from the end of the last level
        ("stops_min", "f8"),  # at stops of the last ascent
        ("first_stop_m", "f8"),  # the deepest of them; -1: none
        ("gf_surface", "f8"),  # on surfacing; 1 is the M-value
        ("leading", "i8"),  # compartment, 1 to 16, that has it
        ("cns_percent", "f8"),  # of this dive alone
        ("otu", "f8"),
        ("highest_ppo2_bar", "f8"),
        ("loop_min", "f8"),  # on the loop
        ("loop_descents_bar", "f8"),  # the sum of all descents on the loop ...
        ("descents_bar", "f8"),  # ... and of all
        ("levels_bar", "f8"),  # the sum of ambient pressures of the levels on the loop, which a flush fills it at
    ]
)
"""What came of one dive."""

SINGLE = OxygenLimits(*(cast(Any, np.array(each)) for each in oxygen.SINGLE))
"""Compiled code finds its place in arrays sooner than in tuples."""

_NUMBERS = np.dtype(
    [
        (name, "f8")
        for name in (
            "gf_low", "gf_high", "descent", "ascent", "between_stops", "to_surface", "switch_hold_min", "setpoint_bar",
            "rmv_bottom", "rmv_deco",
        )
    ]
)  # fmt: skip

ONE_AT_A_TIME = threading.Lock()
"""A parallel region may not be entered from two Python threads at once: not every threading layer bears it."""


@dataclass(frozen=True)
class Varied:
    """What differs between dives that share a layout. Arrays by dive; None: as in the dive file."""

    depth_m: Array | None = None
    """[dives, levels]"""
    leave_at_min: Array | None = None
    """[dives, levels]; need not be whole minutes."""
    gf_low: Array | None = None
    """0 to 1."""
    gf_high: Array | None = None
    descent: Array | None = None
    """[m/min]"""
    ascent: Array | None = None
    between_stops: Array | None = None
    to_surface: Array | None = None
    switch_hold_min: Array | None = None
    setpoint_bar: Array | None = None
    """In place of the loop's (high) setpoint."""
    rmv_bottom: Array | None = None
    """[L/min]"""
    rmv_deco: Array | None = None


@dataclass(frozen=True)
class BatchResult:
    """What came of many dives."""

    figures: Array
    """[dives] of FIGURES."""
    stop_min: Array
    """Minutes at each depth of the stop grid on the last ascent. [dives, stop depths]"""
    stop_depths_m: Array
    breathed_l: Array
    """Breathed on open circuit from each of the layout's sources. [dives, sources, free litres]"""

    def __len__(self) -> int:
        """How many dives."""
        return len(self.figures)


def simulate_many(dive: Dive, layout: Layout, varied: Varied, dives: int) -> BatchResult:
    """Many dives of the layout of `dive`. ValueError for an array of another length than `dives`."""
    rules, numbers, found = laid_out(dive, layout, varied, dives)
    with ONE_AT_A_TIME:
        _swim_all(
            4 * get_num_threads(), *numbers, layout.start, layout.levels, layout.ways, layout.source_rows, rules,
            layout.comps, found.figures, found.stop_min, found.breathed_l,
        )  # fmt: skip
    return found


def laid_out(
    dive: Dive, layout: Layout, varied: Varied, dives: int
) -> tuple[kernel.Rules, tuple[Array, Array, Array, float], BatchResult]:
    """What many dives of a layout begin with: rules with a stop grid as deep as the deepest of them; their numbers,
    depths and times by level, and the setpoint planned; and room for what comes of them."""
    numbers = numbers_of(dive, layout, varied, dives)
    depth_m = by_level(varied.depth_m, layout.levels["depth_m"], dives)
    leave_at_min = by_level(varied.leave_at_min, layout.levels["leave_at_min"], dives)
    rules = layout.rules
    if varied.depth_m is not None and dives > 0:
        grid_m = dive.stops.depths_m(max(dive.deepest_m, float(depth_m.max())))
        rules = rules._replace(stop_depths_m=np.array(grid_m))
    planned_bar = dive.loop.setpoint if dive.loop is not None else 0.0
    found = BatchResult(
        figures=np.zeros(dives, FIGURES),
        stop_min=np.zeros((dives, len(rules.stop_depths_m))),
        stop_depths_m=rules.stop_depths_m,
        breathed_l=np.zeros((dives, len(layout.sources))),
    )
    return rules, (numbers, depth_m, leave_at_min, planned_bar), found


def numbers_of(dive: Dive, layout: Layout, varied: Varied, dives: int) -> Array:
    """The numbers of every dive: those given, else the layout's."""
    rules = layout.rules
    numbers = np.zeros(dives, _NUMBERS)
    for name in _NUMBERS.names or ():
        given = getattr(varied, name)
        if given is not None:
            if np.shape(given) != (dives,):
                raise ValueError(f"{name} has shape {np.shape(given)}; it must be ({dives},)")
            numbers[name] = given
        elif name == "setpoint_bar":
            numbers[name] = dive.loop.setpoint if dive.loop is not None else 0.0
        else:
            numbers[name] = getattr(rules, name) if hasattr(rules, name) else getattr(dive.diver, name)
    return numbers


def by_level(given: Array | None, planned: Array, dives: int) -> Array:
    """A number of every level of every dive [dives, levels]: those given, else the layout's."""
    if given is None:
        return np.tile(planned, (dives, 1))
    if np.shape(given) != (dives, len(planned)):
        raise ValueError(f"an array by dive and level has shape {np.shape(given)}; it must be {(dives, len(planned))}")
    return np.ascontiguousarray(given, dtype=float)


@entry
def _swim_some(
    first: int, end: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array,
    levels: Array, ways: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    figures: Array, stop_min: Array, breathed_l: Array,
) -> None:  # fmt: skip
    """Swim the dives from `first` to before `end`, one after the other, in room of their own."""
    _swim_each(
        first, end, numbers, depth_m, leave_at_min, planned_bar, start, levels.copy(), ways, sources, sources.copy(),
        rules, kernel.room_for(comps), np.empty(start.shape), np.zeros(MOST_LEGS, kernel.LEG),
        figures, stop_min, breathed_l,
    )  # fmt: skip


@inner
def _swim_each(
    first: int, end: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array,
    levels: Array, ways: Array, planned: Array, sources: Array, rules: kernel.Rules, room: kernel.Room,
    tissue: Array, legs: Array, figures: Array, stop_min: Array, breathed_l: Array,
) -> None:  # fmt: skip
    for i in range(first, end):
        own = own_dive(
            numbers[i], depth_m[i], leave_at_min[i], planned_bar, start, levels, planned, sources, rules, tissue
        )
        n, left, fault, _, _ = kernel.simulate_in(tissue, levels, ways, sources, own, room, legs)
        figures[i].fault = fault
        if fault == kernel.FINE:
            add_up(legs[:n], left, tissue, sources, own, room, figures[i], stop_min[i])
            add_up_gas(legs[:n], numbers[i], sources, own, figures[i], breathed_l[i])


@inner
def own_dive(
    number: Any, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array, levels: Array, planned: Array,
    sources: Array, rules: kernel.Rules, tissue: Array,
) -> kernel.Rules:  # fmt: skip
    """Put a dive's own numbers into `levels` and `sources`, and its tissues at the start. Returns its rules."""
    kernel.copy_tissue(start, tissue)
    for level in range(len(levels)):
        levels[level].depth_m = depth_m[level]
        levels[level].leave_at_min = leave_at_min[level]
    for source in range(len(sources)):
        if planned[source].setpoint_bar > 0.0 and planned[source].setpoint_bar == planned_bar:
            sources[source].setpoint_bar = number.setpoint_bar
    return kernel.Rules(
        rules.surface_bar, rules.bar_per_m, number.gf_low, number.gf_high, number.descent, number.ascent,
        number.between_stops, number.to_surface, number.switch_hold_min, rules.safety_min,
        rules.oxygen_on_min, rules.oxygen_off_min, rules.break_source, rules.stop_depths_m, rules.held,
    )  # fmt: skip


@parallel
def _swim_all(
    parts: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array, levels: Array,
    ways: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    figures: Array, stop_min: Array, breathed_l: Array,
) -> None:  # fmt: skip
    """Swim every dive, over all cores: the work in so many parts."""
    dives = len(numbers)
    for part in prange(parts):
        _swim_some(
            part * dives // parts, (part + 1) * dives // parts, numbers, depth_m, leave_at_min, planned_bar, start,
            levels, ways, sources, rules, comps, figures, stop_min, breathed_l,
        )  # fmt: skip


@inner
def add_up(
    legs: Array, left: int, tissue: Array, sources: Array, rules: kernel.Rules, room: kernel.Room,
    figure: Any, stop_min: Array,
) -> None:  # fmt: skip
    """Times, stops, oxygen, and the gradient factor on surfacing."""
    last = legs[len(legs) - 1]
    figure.run_time_min = last.end_min
    figure.tts_min = last.end_min - legs[left].start_min
    figure.first_stop_m = -1.0
    for i in range(len(legs)):
        leg = legs[i]
        minutes = leg.end_min - leg.start_min
        cns, otu, highest = _leg_oxygen(leg, sources, rules)
        figure.cns_percent += 100.0 * cns * minutes
        figure.otu += otu * minutes
        figure.highest_ppo2_bar = max(figure.highest_ppo2_bar, highest)
        if i >= left and leg.kind == kernel.STOP:
            figure.stops_min += minutes
            figure.first_stop_m = max(figure.first_stop_m, leg.end_m)
            for stop in range(len(rules.stop_depths_m)):
                if abs(rules.stop_depths_m[stop] - leg.end_m) < kernel.CLOSE:
                    stop_min[stop] += minutes
    figure.gf_surface, figure.leading = -9.0, 1
    for c in range(kernel.COMPARTMENTS):
        gf = kernel.gradient_factor(tissue, c, rules.surface_bar, room)
        if gf > figure.gf_surface:
            figure.gf_surface, figure.leading = gf, c + 1


@inner
def _leg_oxygen(leg: Any, sources: Array, rules: kernel.Rules) -> tuple[float, float, float]:
    """Mean CNS share and OTU a minute over a leg, and its highest ppO2 [bar], as `leadline.plan.oxygen` has them."""
    source = sources[leg.source]
    start_bar, end_bar = kernel.ambient(leg.start_m, rules), kernel.ambient(leg.end_m, rules)
    first, last = kernel.ppo2(start_bar, source), kernel.ppo2(end_bar, source)
    if first == last:
        return mean_share_rate(first, last, SINGLE), mean_otu_rate(first, last), first
    bar, at, cns, otu = start_bar, first, 0.0, 0.0
    while bar != end_bar:
        to_bar = straight_to(bar, end_bar, source.o2, source.setpoint_bar, source.metabolised_bar)
        then = kernel.ppo2(to_bar, source)
        share = (to_bar - bar) / (end_bar - start_bar)
        cns += share * mean_share_rate(at, then, SINGLE)
        otu += share * mean_otu_rate(at, then)
        bar, at = to_bar, then
    return cns, otu, max(first, last)


@inner
def add_up_gas(legs: Array, number: Any, sources: Array, rules: kernel.Rules, figure: Any, breathed_l: Array) -> None:
    """What is breathed of each source, and what the loop and the suit are filled for; see `leadline.plan.supply`."""
    flushed = -1
    for leg in legs:
        source = sources[leg.source]
        minutes = leg.end_min - leg.start_min
        decompressing = leg.first_stop_m >= 0.0 and leg.kind in (kernel.ASCENT, kernel.STOP)
        rmv = number.rmv_deco if decompressing else number.rmv_bottom
        litres = rmv * kernel.ambient(0.5 * (leg.start_m + leg.end_m), rules) * minutes
        down_bar = kernel.ambient(leg.end_m, rules) - kernel.ambient(leg.start_m, rules)
        if leg.end_m > leg.start_m:
            figure.descents_bar += down_bar
        if source.setpoint_bar == 0.0:
            breathed_l[leg.source] += litres
        else:
            figure.loop_min += minutes
            if leg.end_m > leg.start_m:
                figure.loop_descents_bar += down_bar
            if leg.kind == kernel.LEVEL and leg.level != flushed:
                flushed = leg.level
                figure.levels_bar += kernel.ambient(leg.start_m, rules)
