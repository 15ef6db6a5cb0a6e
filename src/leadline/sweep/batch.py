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

from leadline.brief.schema import Dive
from leadline.plan.oxygen import SLICE_BAR, cns_rate, otu_rate
from leadline.plan.schedule import MOST_LEGS, Layout
from leadline.tissue import kernel
from leadline.tissue.kernel import inner

Array = NDArray[Any]

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

_NUMBERS = np.dtype(
    [
        (name, "f8")
        for name in (
            "gf_low", "gf_high", "descent", "ascent", "between_stops", "to_surface", "switch_hold_min", "setpoint_bar",
            "rmv_bottom", "rmv_deco",
        )
    ]
)  # fmt: skip

_ONE_AT_A_TIME = threading.Lock()
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
class Swum:
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


def swim_many(dive: Dive, layout: Layout, varied: Varied, dives: int) -> Swum:
    """Many dives of the layout of `dive`. ValueError for an array of another length than `dives`."""
    numbers = _numbers(dive, layout, varied, dives)
    depth_m = _by_level(varied.depth_m, layout.levels["depth_m"], dives)
    leave_at_min = _by_level(varied.leave_at_min, layout.levels["leave_at_min"], dives)
    rules = layout.rules
    if varied.depth_m is not None and dives > 0:
        grid_m = dive.stops.depths_m(max(dive.deepest_m, float(depth_m.max())))
        rules = rules._replace(stop_depths_m=np.array(grid_m))
    planned_bar = dive.loop.setpoint if dive.loop is not None else 0.0
    figures = np.zeros(dives, FIGURES)
    stop_min = np.zeros((dives, len(rules.stop_depths_m)))
    breathed_l = np.zeros((dives, len(layout.sources)))
    with _ONE_AT_A_TIME:
        _swim_all(
            4 * get_num_threads(), numbers, depth_m, leave_at_min, planned_bar, layout.start, layout.levels,
            layout.ways, layout.source_rows, rules, layout.comps, figures, stop_min, breathed_l,
        )  # fmt: skip
    return Swum(figures, stop_min, rules.stop_depths_m, breathed_l)


def _numbers(dive: Dive, layout: Layout, varied: Varied, dives: int) -> Array:
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


def _by_level(given: Array | None, planned: Array, dives: int) -> Array:
    if given is None:
        return np.tile(planned, (dives, 1))
    if np.shape(given) != (dives, len(planned)):
        raise ValueError(f"an array by dive and level has shape {np.shape(given)}; it must be {(dives, len(planned))}")
    return np.ascontiguousarray(given, dtype=float)


@inner
def _swim_some(
    first: int, end: int, numbers: Array, depth_m: Array, leave_at_min: Array, planned_bar: float, start: Array,
    levels: Array, ways: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    figures: Array, stop_min: Array, breathed_l: Array,
) -> None:  # fmt: skip
    """Swim the dives from `first` to before `end`, one after the other."""
    tissue = np.empty((2, kernel.COMPARTMENTS))
    legs = np.zeros(MOST_LEGS, kernel.LEG)
    own_levels, own_sources = levels.copy(), sources.copy()
    for i in range(first, end):
        number = numbers[i]
        kernel.copy_tissue(start, tissue)
        for level in range(len(own_levels)):
            own_levels[level].depth_m = depth_m[i, level]
            own_levels[level].leave_at_min = leave_at_min[i, level]
        for source in range(len(own_sources)):
            if sources[source].setpoint_bar > 0.0 and sources[source].setpoint_bar == planned_bar:
                own_sources[source].setpoint_bar = number.setpoint_bar
        own = kernel.Rules(
            rules.surface_bar, rules.bar_per_m, number.gf_low, number.gf_high, number.descent, number.ascent,
            number.between_stops, number.to_surface, number.switch_hold_min, rules.oxygen_on_min,
            rules.oxygen_off_min, rules.break_source, rules.stop_depths_m, rules.held,
        )  # fmt: skip
        n, left, fault, _, _ = kernel.swim(tissue, own_levels, ways, own_sources, own, comps, legs)
        figures[i].fault = fault
        if fault == kernel.FINE:
            _add_up(legs[:n], left, number, tissue, own_sources, own, comps, figures[i], stop_min[i])
            _add_up_gas(legs[:n], number, own_sources, own, figures[i], breathed_l[i])


_njit: Any = njit  # its stubs leave out the options
_parallel = cast(kernel.Compile, _njit(parallel=True, nogil=True, cache=kernel.KEPT))


@_parallel
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
def _add_up(
    legs: Array, left: int, number: Any, tissue: Array, sources: Array, rules: kernel.Rules,
    comps: kernel.Compartments, figure: Any, stop_min: Array,
) -> None:  # fmt: skip
    """Times, stops, oxygen, and the gradient factor on surfacing."""
    last = legs[len(legs) - 1]
    figure.run_time_min = last.end_min
    figure.tts_min = last.end_min - legs[left].start_min
    figure.first_stop_m = -1.0
    for i in range(len(legs)):
        leg = legs[i]
        minutes = leg.end_min - leg.start_min
        cns, otu, highest = leg_oxygen(leg, sources, rules)
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
        gf = kernel.gradient_factor(tissue, c, rules.surface_bar, comps)
        if gf > figure.gf_surface:
            figure.gf_surface, figure.leading = gf, c + 1


@inner
def leg_oxygen(leg: Any, sources: Array, rules: kernel.Rules) -> tuple[float, float, float]:
    """Mean CNS share and OTU a minute over a leg, and its highest ppO2 [bar], as `leadline.plan.oxygen` has them."""
    source = sources[leg.source]
    start_bar, end_bar = kernel.ambient(leg.start_m, rules), kernel.ambient(leg.end_m, rules)
    first, last = kernel.ppo2(start_bar, source), kernel.ppo2(end_bar, source)
    slices = 1
    if first != last:
        slices = max(1, int(np.ceil(abs(end_bar - start_bar) / SLICE_BAR)))
    cns, otu = 0.0, 0.0
    for i in range(slices):
        ppo2 = kernel.ppo2(start_bar + (end_bar - start_bar) * (i + 0.5) / slices, source)
        cns += cns_rate(ppo2)
        otu += otu_rate(ppo2)
    return cns / slices, otu / slices, max(first, last)


@inner
def _add_up_gas(legs: Array, number: Any, sources: Array, rules: kernel.Rules, figure: Any, breathed_l: Array) -> None:
    """What is breathed of each source, and what the loop and the suit are filled for; see `leadline.plan.supply`."""
    flushed = -1
    for leg in legs:
        source = sources[leg.source]
        minutes = leg.end_min - leg.start_min
        decompressing = leg.first_stop_m >= 0.0 and leg.kind != kernel.LEVEL
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
