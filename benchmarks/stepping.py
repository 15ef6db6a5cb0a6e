"""The planning compiled by Numba: in plain loops, minute by minute, as plain.c has it, and with what makes it quick.

Each gain is a switch, so that its worth can be measured and its stops be held to those of the plain loops. Open circuit
and one level only: what every dive can be planned with is `leadline.tissue.kernel`. Tensions are [32], nitrogen first.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from benchmarks.dives import Array, Dives, Planned, Site
from leadline.tissue import kernel
from leadline.tissue.kernel import (
    CLOSE,
    COMPARTMENTS,
    FINE,
    KEPT,
    LEFT_TOO_EARLY,
    NEVER_CLEARS,
    STUCK_AFTER_MIN,
    WATER_VAPOUR,
    along_with,
    entry,
)

_njit: Any = njit
_INSIDE = {"cache": KEPT, "no_cpython_wrapper": True, "no_cfunc_wrapper": True, "forceinline": True, "_nrt": False}
_entry, _inline = (along_with(one, kernel.__file__) for one in (entry, _njit(**_INSIDE)))
"""Inner functions make no arrays, so that they need not count who holds one."""

TENSIONS = 2 * COMPARTMENTS
MOST_MINUTES = 128
"""Whole minutes whose fading is in a table."""
SERIES = tuple(1.0 / math.factorial(n) for n in range(14))
"""Of exp(x). Down to x = -0.46, a minute of the fastest compartment, so many terms are exact to rounding."""


class Gains(NamedTuple):
    """What makes the planning quick."""

    fixed_steps: bool = False
    """The constants of a step of the stop grid at one rate are worked out once, and both gases loaded in one loop."""
    side_by_side: bool = False
    """All compartments are asked at once, without a branch between them."""
    own_exp: bool = False
    """What fades in a fraction of a minute by a series, in whole minutes from a table."""
    jumped: bool = False
    """Whole minutes at a stop are jumped over: the compartment that holds the diver is asked by itself."""


LADDER = (
    ("plain loops, minute by minute", Gains()),
    ("+ constants of a step worked out once", Gains(True)),
    ("+ compartments asked side by side", Gains(True, True)),
    ("+ exponentials by table and series", Gains(True, True, True)),
    ("+ whole minutes jumped over", Gains(True, True, True, True)),
)
"""Each on top of the ones before."""


class Tables(NamedTuple):
    """What is worked out once for all dives."""

    whole: Array
    """What is left of a difference after whole minutes. [minutes, 32]"""
    steps: Array
    """Of a step from a stop depth to the next, by kind of rate: what counts of p, of the start and of the slope of
    inspired gas. [3, stop depths, 3, 32]"""
    fading: Array
    """Scratch. [32]"""


class Stepping:
    """Plans dives of a site with some of the gains."""

    def __init__(self, site: Site, gains: Gains = Gains()) -> None:  # noqa: B008
        """Compiles it."""
        self.site, self.gains = site, gains
        self.plan(Dives(*np.full((4, 1), 0.5)))

    def plan(self, dives: Dives) -> Planned:
        """Plan dives, one after the other."""
        found = Planned.empty(len(dives), len(self.site.stop_m))
        _many(self.site, self.gains, *vars(dives).values(), *vars(found).values())
        return found


@_inline
def _ambient(site: Site, depth_m: float) -> float:
    return site.surface_bar + site.bar_per_m * depth_m


@_inline
def _gas_at(site: Site, depth_m: float) -> int:
    found = 0
    for i in range(len(site.from_m)):
        if site.from_m[i] >= depth_m - CLOSE:
            found = i
    return found


@_inline
def _inspired(site: Site, bar: float, gas: int) -> tuple[float, float]:
    """Of nitrogen and helium. [bar]"""
    inert = (bar - WATER_VAPOUR) * (1.0 - site.o2[gas])
    return inert * (1.0 - site.he_share[gas]), inert * site.he_share[gas]


# --- Loading ----------------------------------------------------------------------------------------------------------


@_inline
def _fade(site: Site, tables: Tables, minutes: float) -> None:
    """What is left of a difference after some minutes, by table and series."""
    n = min(int(minutes), MOST_MINUTES - 1)
    part = minutes - n
    if part > 1.0:
        for c in range(TENSIONS):
            tables.fading[c] = math.exp(-site.rate[c] * minutes)
        return
    for c in range(TENSIONS):
        x = -site.rate[c] * part
        term = SERIES[13]
        for i in range(12, -1, -1):
            term = term * x + SERIES[i]
        tables.fading[c] = term * tables.whole[n, c]


@_inline
def _stay(site: Site, gains: Gains, tables: Tables, tissue: Array, bar: float, minutes: float, gas: int) -> None:
    """Haldane's equation."""
    n2, he = _inspired(site, bar, gas)
    if minutes == 1.0:
        for c in range(COMPARTMENTS):
            d = c + COMPARTMENTS
            tissue[c] += (n2 - tissue[c]) * site.minute[c]
            tissue[d] += (he - tissue[d]) * site.minute[d]
    elif gains.own_exp:
        _fade(site, tables, minutes)
        for c in range(COMPARTMENTS):
            d = c + COMPARTMENTS
            tissue[c] = n2 + (tissue[c] - n2) * tables.fading[c]
            tissue[d] = he + (tissue[d] - he) * tables.fading[d]
    else:
        for c in range(COMPARTMENTS):
            d = c + COMPARTMENTS
            tissue[c] += (n2 - tissue[c]) * -math.expm1(-site.rate[c] * minutes)
            tissue[d] += (he - tissue[d]) * -math.expm1(-site.rate[d] * minutes)


@_inline
def _schreiner(tension: float, start: float, slope: float, k: float, minutes: float, left: float) -> float:
    return start + slope * (minutes - 1.0 / k) - (start - tension - slope / k) * left


@_inline
def _travel(
    site: Site, gains: Gains, tables: Tables, tissue: Array, start_m: float, end_m: float, minutes: float, gas: int
) -> None:
    """Schreiner's equation."""
    if minutes <= 0.0:
        return
    start = (_ambient(site, start_m) - WATER_VAPOUR) * (1.0 - site.o2[gas])
    slope = ((_ambient(site, end_m) - WATER_VAPOUR) * (1.0 - site.o2[gas]) - start) / minutes
    n2, he = 1.0 - site.he_share[gas], site.he_share[gas]
    if gains.own_exp:
        _fade(site, tables, minutes)
    else:
        for c in range(TENSIONS):
            tables.fading[c] = math.exp(-site.rate[c] * minutes)
    for c in range(COMPARTMENTS):
        d = c + COMPARTMENTS
        tissue[c] = _schreiner(tissue[c], start * n2, slope * n2, site.rate[c], minutes, tables.fading[c])
        tissue[d] = _schreiner(tissue[d], start * he, slope * he, site.rate[d], minutes, tables.fading[d])


@_inline
def _step(site: Site, step: Array, tissue: Array, start_m: float, end_m: float, minutes: float, gas: int) -> None:
    """Schreiner's equation over a step of the grid."""
    start = (_ambient(site, start_m) - WATER_VAPOUR) * (1.0 - site.o2[gas])
    slope = ((_ambient(site, end_m) - WATER_VAPOUR) * (1.0 - site.o2[gas]) - start) / minutes
    n2_start, n2_slope = start * (1.0 - site.he_share[gas]), slope * (1.0 - site.he_share[gas])
    he_start, he_slope = start * site.he_share[gas], slope * site.he_share[gas]
    for c in range(COMPARTMENTS):
        d = c + COMPARTMENTS
        tissue[c] = tissue[c] * step[0, c] + (n2_start * step[1, c] + n2_slope * step[2, c])
        tissue[d] = tissue[d] * step[0, d] + (he_start * step[1, d] + he_slope * step[2, d])


# --- Ceilings ---------------------------------------------------------------------------------------------------------


@_inline
def _is_over(site: Site, c: int, n2: float, he: float, bar: float, gf: float) -> float:
    """Over 0 where compartment `c`, with so much nitrogen and helium, does not tolerate an ambient pressure."""
    p = n2 + he
    a = site.a[c] * n2 + site.a[c + COMPARTMENTS] * he
    b = site.b[c] * n2 + site.b[c + COMPARTMENTS] * he
    return (p * p * b - gf * a * b) - bar * p * (gf * p + (1.0 - gf) * b)


@_inline
def _first_over(site: Site, gains: Gains, tissue: Array, bar: float, gf: float, suspect: int) -> int:
    """A compartment that does not tolerate an ambient pressure, or -1."""
    if suspect >= 0 and _is_over(site, suspect, tissue[suspect], tissue[suspect + COMPARTMENTS], bar, gf) > 0.0:
        return suspect
    if gains.side_by_side:
        over = 0
        for c in range(COMPARTMENTS):
            over += _is_over(site, c, tissue[c], tissue[c + COMPARTMENTS], bar, gf) > 0.0
        if over == 0:
            return -1
    for c in range(COMPARTMENTS):
        if _is_over(site, c, tissue[c], tissue[c + COMPARTMENTS], bar, gf) > 0.0:
            return c
    return -1


# --- The diver moves --------------------------------------------------------------------------------------------------


@_inline
def _next_edge(site: Site, here: float, to_m: float) -> float:
    """How far up without a change of gas. [m]"""
    next_m = to_m
    for i in range(len(site.from_m)):
        if next_m + CLOSE < site.from_m[i] < here - CLOSE:
            next_m = site.from_m[i]
    return next_m


@_inline
def _rise(
    site: Site, gains: Gains, tables: Tables, tissue: Array, here: float, to_m: float, at_min: float, rate: float
) -> float:
    """Up to a depth. Returns the run time."""
    while here != to_m:
        next_m = _next_edge(site, here, to_m)
        minutes = abs(next_m - here) / rate
        _travel(site, gains, tables, tissue, here, next_m, minutes, _gas_at(site, 0.5 * (here + next_m)))
        at_min += minutes
        here = next_m
    return at_min


@_inline
def _direct(site: Site, gains: Gains, tables: Tables, tissue: Array, depth_m: float, at_min: float, gf: float) -> float:
    """Up without a stop. Returns the run time, -1 if not all of it is within GF high."""
    last_m = site.stop_m[1]
    within = True
    if depth_m > last_m:
        at_min = _rise(site, gains, tables, tissue, depth_m, last_m, at_min, site.ascent)
        within = _first_over(site, gains, tissue, _ambient(site, last_m), gf, -1) < 0
        depth_m = last_m
    at_min = _rise(site, gains, tables, tissue, depth_m, 0.0, at_min, site.to_surface)
    return at_min if within and _first_over(site, gains, tissue, site.surface_bar, gf, -1) < 0 else -1.0


@_inline
def _minutes_held(
    site: Site, tables: Tables, tissue: Array, c: int, bar: float, gas: int, part: float, next_bar: float, gf: float
) -> int:
    """Whole minutes, after a part of one, over which the compartment that holds the diver holds on."""
    d = c + COMPARTMENTS
    n2, he = _inspired(site, bar, gas)
    n2_over = (tissue[c] - n2) * math.exp(-site.rate[c] * part)
    he_over = (tissue[d] - he) * math.exp(-site.rate[d] * part)
    n2_left, he_left = tables.whole[1, c], tables.whole[1, d]
    minutes = 0
    while minutes < MOST_MINUTES - 2 and _is_over(site, c, n2 + n2_over, he + he_over, next_bar, gf) > 0.0:
        n2_over *= n2_left
        he_over *= he_left
        minutes += 1
    return minutes


@_inline
def _ascend(
    site: Site, gains: Gains, tables: Tables, tissue: Array, depth_m: float, at_min: float, low: float, high: float,
    arrive_min: Array, leave_min: Array, trial: Array,
) -> tuple[float, int]:  # fmt: skip
    """To the surface with every stop. Returns the run time, and what went wrong."""
    rates = (site.ascent, site.between_stops, site.to_surface)
    give_up_min, holding, first_stop_m, breathing = at_min + STUCK_AFTER_MIN, -1, -1.0, 0
    stop = len(site.stop_m) - 1
    while depth_m > CLOSE:
        not_before_min = at_min
        gas = _gas_at(site, depth_m)
        if gas != breathing:
            breathing = gas
            not_before_min += site.hold_min
        while stop > 1 and site.stop_m[stop - 1] >= depth_m - CLOSE:
            stop -= 1
        below_grid = site.stop_m[stop] < depth_m - CLOSE
        next_m = site.stop_m[stop] if below_grid else site.stop_m[stop - 1]
        bar, next_bar = _ambient(site, depth_m), _ambient(site, next_m)
        while True:
            gf = low
            if first_stop_m > 0.0 and next_m < first_stop_m:
                gf = high + (low - high) * next_m / first_stop_m
            holding = _first_over(site, gains, tissue, next_bar, gf, holding)
            held_by_gas = holding < 0 and at_min < not_before_min - CLOSE
            if holding < 0 and not held_by_gas:
                kind = 0 if first_stop_m < 0.0 else 1
                if next_m < CLOSE and depth_m <= site.stop_m[1] + CLOSE:
                    kind = 2
                for c in range(TENSIONS):
                    trial[c] = tissue[c]
                if gains.fixed_steps and depth_m == site.stop_m[stop]:
                    minutes = (depth_m - next_m) / rates[kind]
                    travel_gas = _gas_at(site, 0.5 * (depth_m + next_m))
                    _step(site, tables.steps[kind, stop], trial, depth_m, next_m, minutes, travel_gas)
                    up_min = at_min + minutes
                else:
                    up_min = _rise(site, gains, tables, trial, depth_m, next_m, at_min, rates[kind])
                if _first_over(site, gains, trial, next_bar, gf, -1) < 0:
                    for c in range(TENSIONS):
                        tissue[c] = trial[c]
                    at_min, depth_m = up_min, next_m
                    break
            if first_stop_m < 0.0 and not held_by_gas:
                first_stop_m = depth_m  # the first stop; ask again under the line
                continue
            if leave_min[stop] == 0.0:
                arrive_min[stop] = at_min
            whole_min = math.floor(at_min + CLOSE) + 1.0
            minutes = whole_min - at_min
            if abs(minutes - 1.0) < 1e-9:
                minutes = 1.0
            if gains.jumped and holding >= 0:
                more = _minutes_held(site, tables, tissue, holding, bar, gas, minutes, next_bar, gf)
                minutes += more
                whole_min += more
            _stay(site, gains, tables, tissue, bar, minutes, gas)
            at_min = whole_min
            leave_min[stop] = at_min
            if at_min > give_up_min:
                return at_min, NEVER_CLEARS
    return at_min, FINE


@_entry
def _worked_out(site: Site) -> Tables:
    """The constants of a site."""
    stops = len(site.stop_m)
    whole, steps = np.empty((MOST_MINUTES, TENSIONS)), np.zeros((3, stops, 3, TENSIONS))
    for n in range(MOST_MINUTES):
        for c in range(TENSIONS):
            whole[n, c] = math.exp(-site.rate[c] * n)
    rates = (site.ascent, site.between_stops, site.to_surface)
    for i in range(3):
        for stop in range(1, stops):
            minutes = (site.stop_m[stop] - site.stop_m[stop - 1]) / rates[i]
            for c in range(TENSIONS):
                left = math.exp(-site.rate[c] * minutes)
                steps[i, stop, 0, c] = left
                steps[i, stop, 1, c] = 1.0 - left
                steps[i, stop, 2, c] = minutes - (1.0 - left) / site.rate[c]
    return Tables(whole, steps, np.empty(TENSIONS))


@_entry
def _many(
    site: Site, gains: Gains, depths_m: Array, leave_at_min: Array, gf_low: Array, gf_high: Array,
    fault: Array, arrive_min: Array, leave_min: Array, run_time_min: Array, tensions: Array,
) -> None:  # fmt: skip
    tables = _worked_out(site)
    tissue, trial = np.empty(TENSIONS), np.empty(TENSIONS)
    for i in range(len(depths_m)):
        for c in range(TENSIONS):
            tissue[c] = site.start[c]
        depth_m, high = depths_m[i], gf_high[i]
        at_min = depth_m / site.descent
        _travel(site, gains, tables, tissue, 0.0, depth_m, at_min, 0)
        if at_min > leave_at_min[i] + CLOSE:
            fault[i] = LEFT_TOO_EARLY
        else:
            bar = _ambient(site, depth_m)
            if leave_at_min[i] > at_min:
                _stay(site, gains, tables, tissue, bar, leave_at_min[i] - at_min, 0)
                at_min = leave_at_min[i]
            surfaced_min = -1.0
            if _first_over(site, gains, tissue, bar, high, -1) < 0:
                for c in range(TENSIONS):
                    trial[c] = tissue[c]
                surfaced_min = _direct(site, gains, tables, trial, depth_m, at_min, high)
            if surfaced_min >= 0.0:
                at_min = surfaced_min
                for c in range(TENSIONS):
                    tissue[c] = trial[c]
            else:
                at_min, fault[i] = _ascend(
                    site, gains, tables, tissue, depth_m, at_min, gf_low[i], high, arrive_min[i], leave_min[i], trial
                )
        run_time_min[i] = at_min
        for c in range(TENSIONS):
            tensions[i, c] = tissue[c]
