"""The compiled kernel: tissue loading, ceilings, and the whole search for the stops.

Plain loops, compiled by Numba and cached between runs. The same functions serve one plan and many. Everything is
metres, minutes and bar; `tissue` is always an array [2, 16] of tensions, nitrogen first, helium second.

Who is who:
    comps    the compartments: one `Compartments`, from `leadline.tissue.loading.compartments`
    sources  what can be breathed: an array of SOURCE
    way      which source is breathed at which depth: rows of WAY, deepest first
    rules    the site, the gradient factors, the rates and the stop grid: one `Rules`
    room     the same compartments, with room to work in: one `Room` a thread, made by whoever Python calls
    diver    where the diver is now: an array of one DIVER, changed in place; functions work on `d = diver[0]`
    legs     what the diver has done so far: rows of LEG, `d.legs` of them filled
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, Protocol, TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from leadline.physics.mix import WATER_VAPOUR_BAR

Array = NDArray[Any]
F = TypeVar("F", bound=Callable[..., Any])


class Compile(Protocol):
    """A decorator that keeps the signature it is given."""

    def __call__(self, function: F) -> F:
        """Compile a function."""


_njit: Any = njit  # its stubs leave out the wrapper options


def _is_kept() -> bool:
    """Whether there is a folder to keep compiled code in: beside this module, or in the user's cache."""
    try:
        _njit(cache=True)(_is_kept)
    except RuntimeError:  # "no locator available": neither can be written
        return False
    return True


KEPT = _is_kept()
"""Without a folder to keep it in, the kernel is compiled anew in every process."""
# No division here is by zero; to check each would keep loops from becoming vector instructions.
_PLAIN = {"cache": KEPT, "error_model": "numpy"}
entry = cast(Compile, _njit(**_PLAIN))
"""Compiles a function that Python calls: it keeps the arrays alive that the others work on, and makes new ones."""
# References counted between threads cost more than all the arithmetic: what is inside an entry counts none.
_INSIDE = _PLAIN | {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False}
inner = cast(Compile, _njit(**_INSIDE))
"""Compiles a function that only the kernel calls. It can make no array, and must return none to an entry: that would
count it as one reference too many and free it."""
hot = cast(Compile, _njit(**_INSIDE, forceinline=True))
"""The same, put where it is called."""


def along_with(compiler: Compile, *sources: str) -> Compile:
    """A compiler whose kept code is thrown away when any of these files has changed as well: their code is compiled
    into it, and numba asks only for the file that a function stands in."""
    stamp = hashlib.sha256(b"".join(Path(source).read_bytes() for source in sources)).hexdigest()

    def compile_(function: F) -> F:
        compiled: Any = compiler(function)
        if KEPT:
            kept = compiled._cache._cache_file
            kept._source_stamp = (kept._source_stamp, stamp)
        return cast(F, compiled)

    return compile_


WATER_VAPOUR = WATER_VAPOUR_BAR
COMPARTMENTS = 16
CLOSE = 1e-6
"""Depths [m] and times [min] nearer than this are the same."""
STUCK_AFTER_MIN = 2880.0
"""An ascent that takes longer than two days never ends: some stop cannot clear on the gas breathed there."""
NDL_CAP_MIN = 999
MOST_WAY = 64
"""Legs of a direct way up or down: it changes source at most once for every cylinder."""
MOST_DOUBLINGS = 40
"""Of the minutes that a share is worked out for: a million years."""
STAYED, TRAVELLED = 0, 1
OXYGEN = 0.9
"""A source of at least this oxygen fraction, breathed on open circuit, is what oxygen breaks interrupt."""

DESCENT, LEVEL, ASCENT, STOP = 0, 1, 2, 3
"""What a leg is."""

FINE, NEVER_CLEARS, TOO_MANY_LEGS, LEFT_TOO_EARLY = 0, 1, 2, 3
"""How a simulation ended (`diver.fault`)."""

SOURCE = np.dtype([("o2", "f8"), ("he_share", "f8"), ("setpoint_bar", "f8"), ("metabolised_bar", "f8")])
"""A gas on open circuit (setpoint 0), or a diluent on the loop at a setpoint. `he_share`: helium in the inert gas.
`metabolised_bar` is over 0 on a semi-closed loop: oxygen the diver uses, per litre of fresh gas at depth."""

WAY = np.dtype([("from_depth_m", "f8"), ("source", "i8")])
"""From this depth upwards, until a later row takes over, this source is breathed."""

LEVEL_ROW = np.dtype(
    [
        ("depth_m", "f8"),
        ("leave_at_min", "f8"),
        ("source", "i8"),  # breathed at the level
        ("to_first", "i8"),  # the rows of `ways` that hold on the way to the level ...
        ("to_end", "i8"),
        ("up_first", "i8"),  # ... and on an ascent to the surface from it
        ("up_end", "i8"),
    ]
)

LEG = np.dtype(
    [
        ("start_min", "f8"),
        ("end_min", "f8"),
        ("start_m", "f8"),
        ("end_m", "f8"),
        ("source", "i8"),
        ("kind", "i8"),  # DESCENT, LEVEL, ASCENT or STOP
        ("level", "i8"),  # index of the level the diver was last bound for
        ("gf", "f8"),  # the gradient factor in force, 0 to 1
        ("first_stop_m", "f8"),  # where the line of gradient factors is anchored; -1 before the first stop
    ]
)

DIVER = np.dtype(
    [
        ("depth_m", "f8"),
        ("run_time_min", "f8"),
        ("source", "i8"),  # breathed last
        ("first_stop_m", "f8"),  # -1 before the first stop
        ("oxygen_since_min", "f8"),
        ("break_until_min", "f8"),
        ("legs", "i8"),
        ("level", "i8"),
        ("fault", "i8"),
    ]
)

POINT = np.dtype(
    [
        ("run_time_min", "f8"),
        ("depth_m", "f8"),
        ("source", "i8"),
        ("kind", "i8"),
        ("level", "i8"),
        ("ceiling_m", "f8"),
        ("ndl_min", "i8"),
        ("tts_min", "f8"),
        ("gf_now", "f8"),  # 1 is the M-value
        ("gf_surface", "f8"),
        ("leading", "i8"),  # compartment, 1 to 16
        ("ppo2_bar", "f8"),
        ("first_stop_m", "f8"),
    ]
)

CASE = np.dtype(
    [
        ("from_point", "i8"),  # the points of the track at which it may begin; -1: it is a whole dive of its own
        ("to_point", "i8"),
        ("track", "i8"),  # of the diver whose way up it is
        ("mate_first", "i8"),  # the rows of `mates` who come up together
        ("mate_end", "i8"),
        ("level_first", "i8"),  # the rows of `levels` of a whole dive
        ("level_end", "i8"),
        ("way_first", "i8"),  # the rows of `ways` that hold from where it begins; none: those of the level
        ("way_end", "i8"),
        ("sorting_out_min", "f8"),  # spent at depth before the ascent
        ("rate", "f8"),  # of the planned ascent rates
        ("heavy_min", "f8"),  # first minutes from where it begins in which more is breathed ...
        ("heavier_l_min", "f8"),  # ... by so much
        ("stressed_min", "f8"),  # the least minutes from there of stressed RMV
        ("break_source", "i8"),  # breathed in oxygen breaks; -1: no breaks
        ("gf_low", "f8"),
        ("gf_high", "f8"),
        ("held_first", "i8"),  # the rows of `held` that hold
        ("held_end", "i8"),
        # What is found:
        ("fault", "i8"),
        ("point", "i8"),  # from which the way home is longest
        ("leg_first", "i8"),
        ("leg_end", "i8"),
        ("most_gas_point", "i8"),  # from which it takes the largest share of some source
        ("most_gas_leg_first", "i8"),
        ("most_gas_leg_end", "i8"),
    ]
)
"""One thing that goes wrong, and what comes of it."""

MATE = np.dtype(
    [
        ("track", "i8"),
        ("level_first", "i8"),  # the rows of `levels` of his own dive: their ways up hold
        ("own_way", "i8"),  # 1: he may breathe nothing else there, 0: he goes on with what he breathes
        ("gf_low", "f8"),
        ("gf_high", "f8"),
        ("break_source", "i8"),
        # What is found:
        ("leg_first", "i8"),
        ("leg_end", "i8"),
        ("most_gas_leg_first", "i8"),
        ("most_gas_leg_end", "i8"),
    ]
)
"""A mate in a case: he comes up on common stops, on his own breath and by his own gradient factors."""
MOST_HELD = 256
"""Depths at which a team waits: no stop grid has more on one ascent."""


class Compartments(NamedTuple):
    """The sixteen compartments as arrays [2, 16], nitrogen first, helium second."""

    rate: Array  # ln 2 / half-time, 1/min
    a: Array  # bar
    b: Array
    mean: Array  # 1 / rate, min
    minute: Array  # what one minute at constant depth brings of a difference: 1 - exp(-rate)


class Room(NamedTuple):
    """The compartments, with room to work in. It is written to: every thread has its own (`room_for`)."""

    rate: Array
    a: Array
    b: Array
    mean: Array
    minute: Array
    stayed: Array  # what the minutes last stayed bring of a difference ...
    travelled: Array  # ... and last travelled,
    of_min: Array  # [2] which are these minutes
    diver: Array  # one who dives
    trial: Array  # [2, 16] tensions tried out by `ascend` and `ndl`
    looked: Array  # ... by `look`
    direct: Array  # ... and by `direct_is_fine`, with
    direct_diver: Array  # whom it sends up
    direct_legs: Array  # and what they do


class Rules(NamedTuple):
    """The site and how the diver goes up and down in it."""

    surface_bar: float
    bar_per_m: float
    gf_low: float  # 0 to 1
    gf_high: float
    descent: float  # m/min
    ascent: float  # to the first stop
    between_stops: float
    to_surface: float  # from the last stop
    switch_hold_min: float
    safety_min: float  # at the last stop, needed or not, at least; 0: no safety stop
    oxygen_on_min: float  # 0: no oxygen breaks
    oxygen_off_min: float
    break_source: int
    stop_depths_m: Array  # the surface first, then the stop grid downwards
    held: Array  # [n, 2] depths, and the run times before which they are not left on the last ascent


# --- Gas: what reaches the tissues ------------------------------------------------------------------------------------


@hot
def ambient(depth_m: float, rules: Rules) -> float:
    """Ambient pressure. [bar]"""
    return rules.surface_bar + rules.bar_per_m * depth_m


@hot
def oxygen_fraction(bar: float, source: Any) -> float:
    """Oxygen breathed on open circuit, or on a semi-closed loop in balance: fresh gas brings what is metabolised and
    what is vented, (P·fO2 - m) / (P - m)."""
    m = source.metabolised_bar
    if m == 0.0:
        return source.o2
    return max(0.0, (bar * source.o2 - m) / (bar - m)) if bar > m else 0.0


@hot
def ppo2(bar: float, source: Any) -> float:
    """Oxygen partial pressure breathed: Dalton's on open circuit, the loop's below water vapour. [bar]"""
    if source.setpoint_bar == 0.0:
        return bar * oxygen_fraction(bar, source)
    dry = bar - WATER_VAPOUR
    return min(dry, max(source.setpoint_bar, source.o2 * dry))


@hot
def inspired_inert(bar: float, source: Any) -> float:
    """Inspired inert gas, nitrogen and helium together. [bar]"""
    dry = bar - WATER_VAPOUR
    if source.setpoint_bar == 0.0:
        return dry * (1.0 - oxygen_fraction(bar, source))
    return dry - ppo2(bar, source)


@hot
def copy_tissue(source: Array, target: Array) -> None:
    """Copy tensions. (A loop: it compiles in a fraction of the time of a slice assignment.)"""
    for c in range(source.shape[1]):
        target[0, c] = source[0, c]
        target[1, c] = source[1, c]


# --- Loading ----------------------------------------------------------------------------------------------------------


@entry
def room_for(comps: Compartments) -> Room:
    """Room to work in for one thread."""
    tissues = np.empty((5, 2, COMPARTMENTS))
    divers = np.zeros(2, DIVER)
    return Room(
        comps.rate, comps.a, comps.b, comps.mean, comps.minute, tissues[0], tissues[1], np.zeros(2), divers[:1],
        tissues[2], tissues[3], tissues[4], divers[1:], np.zeros(MOST_WAY, LEG),
    )  # fmt: skip


@hot
def share_of_small(x: float) -> float:
    """1 - exp(-x) for x from 0 to 0.5 by its series, to the last digit or two.

    Plain arithmetic is compiled to vector instructions, and has the same bits on every machine; a library's exponential
    is neither.
    """
    s = 1.0 - x * (1.0 / 15.0)
    s = 1.0 - x * (1.0 / 14.0) * s
    s = 1.0 - x * (1.0 / 13.0) * s
    s = 1.0 - x * (1.0 / 12.0) * s
    s = 1.0 - x * (1.0 / 11.0) * s
    s = 1.0 - x * (1.0 / 10.0) * s
    s = 1.0 - x * (1.0 / 9.0) * s
    s = 1.0 - x * (1.0 / 8.0) * s
    s = 1.0 - x * (1.0 / 7.0) * s
    s = 1.0 - x * (1.0 / 6.0) * s
    s = 1.0 - x * (1.0 / 5.0) * s
    s = 1.0 - x * (1.0 / 4.0) * s
    s = 1.0 - x * (1.0 / 3.0) * s
    s = 1.0 - x * (1.0 / 2.0) * s
    return x * s


@inner
def work_out(minutes: float, rate: Array, share: Array) -> None:
    """What minutes bring of a difference: 1 - exp(-rate·minutes).

    The minutes are halved until the fastest compartment (helium's first) is within the series, and the share doubled
    back: 1 - exp(-2x) = s·(2 - s).
    """
    doublings = 0
    while minutes * rate[1, 0] > 0.5 and doublings < MOST_DOUBLINGS:
        minutes *= 0.5
        doublings += 1
    for c in range(rate.shape[1]):
        share[0, c] = share_of_small(rate[0, c] * minutes)
        share[1, c] = share_of_small(rate[1, c] * minutes)
    for _ in range(doublings):
        for c in range(rate.shape[1]):
            share[0, c] *= 2.0 - share[0, c]
            share[1, c] *= 2.0 - share[1, c]


@hot
def load_at_depth(tissue: Array, bar: float, minutes: float, source: Any, room: Room) -> None:
    """Haldane's equation: `minutes` at a constant ambient pressure."""
    if minutes <= 0.0:
        return
    if room.of_min[STAYED] != minutes:
        room.of_min[STAYED] = minutes
        work_out(minutes, room.rate, room.stayed)
    inert = inspired_inert(bar, source)
    n2, he = inert * (1.0 - source.he_share), inert * source.he_share
    share = room.stayed
    for c in range(tissue.shape[1]):
        tissue[0, c] += (n2 - tissue[0, c]) * share[0, c]
        tissue[1, c] += (he - tissue[1, c]) * share[1, c]


@hot
def load_linear(tissue: Array, start_bar: float, end_bar: float, minutes: float, source: Any, room: Room) -> None:
    """Schreiner's equation: a steady change of ambient pressure in which inspired gas changes linearly.

    With E = 1 - exp(-kt): p = p0 + (inspired - p0)·E + slope·(t - E/k).
    """
    if room.of_min[TRAVELLED] != minutes:
        room.of_min[TRAVELLED] = minutes
        work_out(minutes, room.rate, room.travelled)
    inert = inspired_inert(start_bar, source)
    slope = (inspired_inert(end_bar, source) - inert) / minutes
    he_share, n2_share = source.he_share, 1.0 - source.he_share
    n2, he, n2_slope, he_slope = inert * n2_share, inert * he_share, slope * n2_share, slope * he_share
    share, mean = room.travelled, room.mean
    for c in range(tissue.shape[1]):
        tissue[0, c] += (n2 - tissue[0, c]) * share[0, c] + n2_slope * (minutes - share[0, c] * mean[0, c])
        tissue[1, c] += (he - tissue[1, c]) * share[1, c] + he_slope * (minutes - share[1, c] * mean[1, c])


@entry
def load_constant(tissue: Array, bar: float, minutes: float, source: Any, comps: Compartments) -> None:
    """Haldane's equation: `minutes` at a constant ambient pressure."""
    load_at_depth(tissue, bar, minutes, source, room_for(comps))


@entry
def load_travel(
    tissue: Array, start_bar: float, end_bar: float, minutes: float, source: Any, comps: Compartments
) -> None:
    """A steady change of ambient pressure; see `load_between`."""
    load_between(tissue, start_bar, end_bar, minutes, source, room_for(comps))


@hot
def load_between(tissue: Array, start_bar: float, end_bar: float, minutes: float, source: Any, room: Room) -> None:
    """A steady change of ambient pressure, split where a loop's regime changes so that each piece is linear.

    On a semi-closed loop inspired gas bends a little with depth; an ascent goes from stop depth to stop depth, and over
    so short a piece it is taken as linear between exact ends.
    """
    if minutes <= 0.0:
        return
    if source.setpoint_bar == 0.0 or start_bar == end_bar:
        load_linear(tissue, start_bar, end_bar, minutes, source, room)
        return
    all_oxygen_bar = source.setpoint_bar + WATER_VAPOUR  # shallower: the loop is pure oxygen
    diluent_bar = source.setpoint_bar / source.o2 + WATER_VAPOUR  # deeper: the diluent alone exceeds the setpoint
    bar = start_bar
    while bar != end_bar:
        to_bar = end_bar
        for edge in (all_oxygen_bar, diluent_bar):
            if min(bar, to_bar) < edge < max(bar, to_bar):
                to_bar = edge
        part = minutes * (to_bar - bar) / (end_bar - start_bar)
        load_linear(tissue, bar, to_bar, part, source, room)
        bar = to_bar


# --- Ceilings (Baker's gradient factors on Bühlmann's line) -----------------------------------------------------------


@inner
def a_and_b(tissue: Array, c: int, comps: Compartments | Room) -> tuple[float, float]:
    """a [bar] and b of compartment `c`, weighted by its nitrogen and helium tensions."""
    n2, he = tissue[0, c], tissue[1, c]
    p = n2 + he
    if p <= 0.0:  # washed out on oxygen to the last digit: nothing to weight by
        return comps.a[0, c], comps.b[0, c]
    return (comps.a[0, c] * n2 + comps.a[1, c] * he) / p, (comps.b[0, c] * n2 + comps.b[1, c] * he) / p


@inner
def tolerated(tissue: Array, c: int, gf: float, comps: Compartments | Room) -> float:
    """The lowest ambient pressure compartment `c` tolerates: (p - a·GF) / (GF/b + 1 - GF). [bar]"""
    p = tissue[0, c] + tissue[1, c]
    a, b = a_and_b(tissue, c, comps)
    return (p - a * gf) / (gf / b + 1.0 - gf)


@inner
def gradient_factor(tissue: Array, c: int, bar: float, comps: Compartments | Room) -> float:
    """How far compartment `c` is from ambient (0) to its M-value (1) at an ambient pressure; below 0 undersaturated."""
    a, b = a_and_b(tissue, c, comps)
    return (tissue[0, c] + tissue[1, c] - bar) / (a + bar / b - bar)


@hot
def is_within(n2: float, he: float, c: int, bar: float, gf: float, comps: Compartments | Room) -> bool:
    """Whether compartment `c`, with such tensions, tolerates an ambient pressure: `tolerated` ≤ bar, multiplied out so
    that it needs no division. With A and B the weighted sums of a and b: p²B - GF·A·B ≤ bar·(GF·p² + (1 - GF)·p·B)."""
    p = n2 + he
    weighted_a = comps.a[0, c] * n2 + comps.a[1, c] * he
    weighted_b = comps.b[0, c] * n2 + comps.b[1, c] * he
    return p * p * weighted_b - gf * weighted_a * weighted_b <= bar * p * (gf * p + (1.0 - gf) * weighted_b)


@hot
def first_over(tissue: Array, bar: float, gf: float, comps: Compartments | Room, suspect: int) -> int:
    """A compartment that does not tolerate an ambient pressure, or -1. `suspect`, that held last, is asked first."""
    if suspect >= 0 and not is_within(tissue[0, suspect], tissue[1, suspect], suspect, bar, gf, comps):
        return suspect
    over = 0
    for c in range(tissue.shape[1]):  # counted, not looked for: so it needs no branches
        over += not is_within(tissue[0, c], tissue[1, c], c, bar, gf, comps)
    if over > 0:
        for c in range(COMPARTMENTS):
            if not is_within(tissue[0, c], tissue[1, c], c, bar, gf, comps):
                return c
    return -1


@hot
def all_within(tissue: Array, bar: float, gf: float, comps: Compartments | Room) -> bool:
    """Whether every compartment tolerates an ambient pressure under a gradient factor."""
    return first_over(tissue, bar, gf, comps, -1) < 0


@entry
def clears(tissue: Array, bar: float, gf: float, comps: Compartments) -> bool:
    """Whether every compartment tolerates an ambient pressure under a gradient factor."""
    return all_within(tissue, bar, gf, comps)


@entry
def ceiling_bar(tissue: Array, gf: float, comps: Compartments | Room) -> float:
    """The lowest ambient pressure that every compartment tolerates under a gradient factor. [bar]"""
    highest = -1.0
    for c in range(COMPARTMENTS):
        highest = max(highest, tolerated(tissue, c, gf, comps))
    return highest


@hot
def line_gf(depth_m: float, first_stop_m: float, rules: Rules) -> float:
    """GF low at the first stop (and before there is one), GF high at the surface, linear in depth between."""
    if first_stop_m <= 0.0 or depth_m >= first_stop_m:
        return rules.gf_low
    return rules.gf_high + (rules.gf_low - rules.gf_high) * depth_m / first_stop_m


# --- The diver moves --------------------------------------------------------------------------------------------------


@hot
def source_at(way: Array, depth_m: float) -> int:
    """The source breathed at a depth: the last row whose depth is reached."""
    found = way[0].source
    for i in range(len(way)):
        if way[i].from_depth_m >= depth_m - CLOSE:
            found = way[i].source
    return found


@hot
def breathed(diver: Array, depth_m: float, way: Array, sources: Array, rules: Rules) -> int:
    """The source breathed now, oxygen breaks included."""
    source = source_at(way, depth_m)
    if diver[0].run_time_min < diver[0].break_until_min - CLOSE and is_oxygen(sources[source]):
        source = rules.break_source
    return at_rest(diver, source, sources)


@hot
def at_rest(diver: Array, source: int, sources: Array) -> int:
    """From the first stop on a semi-closed loop is fed as at rest."""
    return resting(source, sources) if diver[0].first_stop_m >= 0.0 else source


@hot
def resting(source: int, sources: Array) -> int:
    """Of a semi-closed loop, the row of its diluent with most oxygen used; any other source as it is."""
    found = source
    if sources[source].metabolised_bar > 0.0:
        for i in range(len(sources)):
            same = sources[i].o2 == sources[source].o2 and sources[i].he_share == sources[source].he_share
            if same and sources[i].metabolised_bar > sources[found].metabolised_bar:
                found = i
    return found


@hot
def is_oxygen(source: Any) -> bool:
    """Whether oxygen breaks apply to this source."""
    return source.setpoint_bar == 0.0 and source.metabolised_bar == 0.0 and source.o2 >= OXYGEN


@hot
def add_leg(diver: Array, legs: Array, end_min: float, end_m: float, source: int, kind: int, gf: float) -> None:
    """Write down a leg from where the diver is, and put the diver at its end."""
    d = diver[0]
    if d.legs >= len(legs):
        d.fault = TOO_MANY_LEGS
        return
    last = d.legs - 1
    goes_on = (
        last >= 0
        and kind in (LEVEL, STOP)
        and kind == legs[last].kind
        and source == legs[last].source
        and end_m == legs[last].end_m
        and gf == legs[last].gf
    )
    if not goes_on:
        last += 1
        legs[last].start_min = d.run_time_min
        legs[last].start_m = d.depth_m
        legs[last].source = source
        legs[last].kind = kind
        legs[last].level = d.level
        legs[last].gf = gf
        legs[last].first_stop_m = d.first_stop_m
        d.legs = last + 1
    legs[last].end_min = end_min
    legs[last].end_m = end_m
    d.run_time_min = end_min
    d.depth_m = end_m


@hot
def move(
    diver: Array, tissue: Array, to_m: float, rate: float, gf: float,
    way: Array, sources: Array, rules: Rules, room: Room, legs: Array,
) -> None:  # fmt: skip
    """Travel to a depth at a rate [m/min], changing source where the way says so."""
    d = diver[0]
    down = to_m > d.depth_m
    kind = DESCENT if down else ASCENT
    while d.depth_m != to_m and d.fault == FINE:
        here = d.depth_m
        next_m = to_m
        for i in range(len(way)):
            edge = way[i].from_depth_m
            if min(here, next_m) + CLOSE < edge < max(here, next_m) - CLOSE:
                next_m = edge
        # Steps of a grid in feet differ in their last digits: rounded, they take the same minutes.
        minutes = math.floor(abs(next_m - here) * 1e9 + 0.5) / 1e9 / rate
        source = breathed(diver, 0.5 * (here + next_m), way, sources, rules)
        load_between(tissue, ambient(here, rules), ambient(next_m, rules), minutes, sources[source], room)
        add_leg(diver, legs, d.run_time_min + minutes, next_m, source, kind, gf)


@hot
def stay(
    diver: Array, tissue: Array, until_min: float, source: int, kind: int,
    gf: float, sources: Array, rules: Rules, room: Room, legs: Array,
) -> None:  # fmt: skip
    """Stay at the present depth until a run time."""
    d = diver[0]
    minutes = until_min - d.run_time_min
    if minutes <= 0.0:
        return
    load_at_depth(tissue, ambient(d.depth_m, rules), minutes, sources[source], room)
    add_leg(diver, legs, until_min, d.depth_m, source, kind, gf)


@hot
def next_whole_minute(run_time_min: float) -> float:
    """The next whole minute of run time, never the present one. [min]"""
    return math.floor(run_time_min + CLOSE) + 1.0


@hot
def next_stop_depth(depth_m: float, target_m: float, rules: Rules) -> float:
    """The next depth of the stop grid on the way up, not above the target. [m]"""
    above = 0.0
    for i in range(len(rules.stop_depths_m)):
        if rules.stop_depths_m[i] < depth_m - CLOSE:
            above = rules.stop_depths_m[i]
    return max(above, target_m)


@hot
def take_up(diver: Array, source: Any, sources: Array, rules: Rules) -> float:
    """Change to a source. Returns the run time before which the diver does not go on. [min]"""
    d = diver[0]
    if source == d.source:
        return d.run_time_min
    d.source = source
    d.oxygen_since_min = d.run_time_min
    d.break_until_min = -1.0
    of = sources[source]
    hold = rules.switch_hold_min if of.setpoint_bar == 0.0 and of.metabolised_bar == 0.0 else 0.0
    return d.run_time_min + hold


@hot
def wait(
    diver: Array, tissue: Array, holding: int, next_bar: float, next_gf: float,
    way: Array, sources: Array, rules: Rules, room: Room, legs: Array,
) -> None:  # fmt: skip
    """Wait at a stop until the next whole minute, or the first at which compartment `holding` tolerates the next stop;
    taking oxygen breaks when they are due. `holding` is -1 if none is known."""
    d = diver[0]
    source = source_at(way, d.depth_m)
    with_breaks = rules.oxygen_on_min > 0.0 and is_oxygen(sources[source])
    if with_breaks:
        if d.break_until_min > 0.0 and d.run_time_min >= d.break_until_min - CLOSE:
            d.oxygen_since_min = d.break_until_min
            d.break_until_min = -1.0
        on_oxygen = d.run_time_min - d.oxygen_since_min
        if d.break_until_min < 0.0 and on_oxygen >= rules.oxygen_on_min - CLOSE:
            d.break_until_min = d.run_time_min + rules.oxygen_off_min
    source = breathed(diver, d.depth_m, way, sources, rules)
    gf = line_gf(d.depth_m, d.first_stop_m, rules)
    until_min = next_whole_minute(d.run_time_min)
    if holding >= 0 and not with_breaks:
        bar, first_min = ambient(d.depth_m, rules), until_min - d.run_time_min
        until_min += minutes_held(tissue, holding, first_min, bar, sources[source], next_bar, next_gf, room)
    stay(diver, tissue, until_min, source, STOP, gf, sources, rules, room, legs)


@hot
def minutes_held(
    tissue: Array, c: int, first_min: float, bar: float, source: Any, next_bar: float, next_gf: float, room: Room
) -> float:
    """Whole minutes, after the first minutes at a stop, for which compartment `c` does not yet tolerate the next stop.

    No stop is shorter than what holds it longest, so the other compartments need not be followed minute by minute.
    """
    inert = inspired_inert(bar, source)
    inspired_n2, inspired_he = inert * (1.0 - source.he_share), inert * source.he_share
    n2, he = tissue[0, c], tissue[1, c]
    n2 += (inspired_n2 - n2) * share_of_small(room.rate[0, c] * first_min)
    he += (inspired_he - he) * share_of_small(room.rate[1, c] * first_min)
    minutes = 0.0
    while minutes < STUCK_AFTER_MIN and not is_within(n2, he, c, next_bar, next_gf, room):
        n2 += (inspired_n2 - n2) * room.minute[0, c]
        he += (inspired_he - he) * room.minute[1, c]
        minutes += 1.0
    return minutes


@hot
def held_until(depth_m: float, rules: Rules) -> float:
    """The run time before which a depth is not left; 0 if nothing but the ceiling holds. [min]"""
    for i in range(len(rules.held)):
        if abs(rules.held[i, 0] - depth_m) < CLOSE:
            return rules.held[i, 1]
    return 0.0


@inner
def wait_here(left_min: Array, is_stop: Array, until_min: Array) -> int:
    """The rule of common stops: the deepest stop that somebody leaves earlier than another is held for all until the
    whole minute at which the last is free to leave. Returns its index, with `until_min` set; -1 if there is none.

    `left_min` [divers, depths], the deepest first: when each leaves a depth, -inf for who has no leg that ends there.
    """
    for k in range(left_min.shape[1]):
        if not is_stop[k]:
            continue
        latest, earliest = -np.inf, np.inf
        for d in range(left_min.shape[0]):
            latest = max(latest, left_min[d, k])
            earliest = min(earliest, left_min[d, k])
        wanted = math.ceil(latest - CLOSE)
        if latest - earliest > CLOSE and until_min[k] != wanted:
            until_min[k] = wanted
            return k
    return -1


@entry
def wait_for_all(left_min: Array, is_stop: Array, until_min: Array) -> int:
    """`wait_here`, for Python."""
    return wait_here(left_min, is_stop, until_min)


@inner
def varied(rules: Rules, gf_low: float, gf_high: float, rate: float, break_source: int, held: Array) -> Rules:
    """Rules with other gradient factors, ascent rates multiplied, another gas in oxygen breaks (-1: no breaks) and
    other depths held."""
    return Rules(
        rules.surface_bar, rules.bar_per_m, gf_low, gf_high, rules.descent, rules.ascent * rate,
        rules.between_stops * rate, rules.to_surface * rate, rules.switch_hold_min, rules.safety_min,
        rules.oxygen_on_min if break_source >= 0 else 0.0, rules.oxygen_off_min, break_source,
        rules.stop_depths_m, held,
    )  # fmt: skip


@inner
def ascend(
    diver: Array, tissue: Array, target_m: float, way: Array,
    sources: Array, rules: Rules, room: Room, legs: Array,
) -> None:  # fmt: skip
    """Up to a depth (0: the surface), stopping wherever the ceiling or a gas switch holds the diver.

    A stop is left when the ceiling, under the gradient factor of the next stop, is at or above the next stop, and
    arriving there is still within it. The last is held for `safety_min` at least.
    """
    d = diver[0]
    safety_m = rules.stop_depths_m[1] if d.depth_m > rules.stop_depths_m[1] + CLOSE and target_m < CLOSE else -1.0
    if d.depth_m > d.first_stop_m + CLOSE:
        d.first_stop_m = -1.0  # below the last line: it is drawn anew
    give_up_min = d.run_time_min + STUCK_AFTER_MIN
    trial = room.trial
    holding = -1  # the compartment that held the diver last
    while d.depth_m > target_m + CLOSE and d.fault == FINE:
        not_before_min = take_up(diver, source_at(way, d.depth_m), sources, rules)
        not_before_min = max(not_before_min, held_until(d.depth_m, rules))
        if abs(d.depth_m - safety_m) < CLOSE:
            not_before_min = max(not_before_min, d.run_time_min + rules.safety_min)
        next_m = next_stop_depth(d.depth_m, target_m, rules)
        here, arrived = d.depth_m, False
        while not arrived and d.fault == FINE:
            gf = line_gf(next_m, d.first_stop_m, rules)
            next_bar = ambient(next_m, rules)
            holding = first_over(tissue, next_bar, gf, room, holding)
            if holding < 0:
                if d.run_time_min >= not_before_min - CLOSE:
                    run_time_min, legs_before = d.run_time_min, d.legs
                    rate = rules.ascent if d.first_stop_m < 0.0 else rules.between_stops
                    if next_m < CLOSE and here <= rules.stop_depths_m[1] + CLOSE:
                        rate = rules.to_surface
                    copy_tissue(tissue, trial)
                    move(diver, trial, next_m, rate, gf, way, sources, rules, room, legs)
                    if all_within(trial, next_bar, gf, room):
                        copy_tissue(trial, tissue)
                        arrived = True
                        continue
                    d.depth_m, d.run_time_min, d.legs = here, run_time_min, legs_before
                else:
                    wait(diver, tissue, -1, next_bar, gf, way, sources, rules, room, legs)
                    continue
            if d.first_stop_m < 0.0:
                d.first_stop_m = here  # here is the first stop; ask again under the line
                continue
            wait(diver, tissue, holding, next_bar, gf, way, sources, rules, room, legs)
            if d.run_time_min > give_up_min:
                d.fault = NEVER_CLEARS


@inner
def go_direct(
    diver: Array, tissue: Array, safety_min: float, way: Array, sources: Array, rules: Rules, room: Room, legs: Array
) -> bool:
    """Ascend at the planned rates, as long as it is within GF high: without a stop, or with a safety stop of at least
    `safety_min` at the last stop's depth. Returns whether all of it was."""
    d = diver[0]
    last_stop_m = rules.stop_depths_m[1]
    if d.depth_m > last_stop_m:
        move(diver, tissue, last_stop_m, rules.ascent, rules.gf_high, way, sources, rules, room, legs)
        if not all_within(tissue, ambient(last_stop_m, rules), rules.gf_high, room):
            return False
        if safety_min > 0.0:
            until_min = math.ceil(d.run_time_min + safety_min - CLOSE)
            source = source_at(way, last_stop_m)
            stay(diver, tissue, until_min, source, STOP, rules.gf_high, sources, rules, room, legs)
    move(diver, tissue, 0.0, rules.to_surface, rules.gf_high, way, sources, rules, room, legs)
    return all_within(tissue, rules.surface_bar, rules.gf_high, room)


@inner
def direct_is_fine(tissue: Array, depth_m: float, way: Array, sources: Array, rules: Rules, room: Room) -> bool:
    """Whether a direct ascent from here stays within GF high. A safety stop is not counted on."""
    if not all_within(tissue, ambient(depth_m, rules), rules.gf_high, room):
        return False
    copy_tissue(tissue, room.direct)
    begin(room.direct_diver, depth_m, 0.0)
    return go_direct(room.direct_diver, room.direct, 0.0, way, sources, rules, room, room.direct_legs)


@hot
def begin(diver: Array, depth_m: float, run_time_min: float) -> None:
    """Put a diver at a depth and run time, with no stop behind them."""
    d = diver[0]
    d.depth_m = depth_m
    d.run_time_min = run_time_min
    d.source = -1
    d.first_stop_m = -1.0
    d.oxygen_since_min = 0.0
    d.break_until_min = -1.0
    d.legs = 0
    d.level = 0
    d.fault = FINE


@inner
def surface(diver: Array, tissue: Array, way: Array, sources: Array, rules: Rules, room: Room, legs: Array) -> None:
    """To the surface: directly where that stays within GF high, with a safety stop if there is to be one; with stops
    where it does not."""
    d = diver[0]
    if len(rules.held) > 0 or not direct_is_fine(tissue, d.depth_m, way, sources, rules, room):
        ascend(diver, tissue, 0.0, way, sources, rules, room, legs)
        return
    safety_min = rules.safety_min
    if safety_min > 0.0:  # a low GF high may leave no time for it: then it is left out
        copy_tissue(tissue, room.direct)
        begin(room.direct_diver, d.depth_m, d.run_time_min)
        if not go_direct(room.direct_diver, room.direct, safety_min, way, sources, rules, room, room.direct_legs):
            safety_min = 0.0
    go_direct(diver, tissue, safety_min, way, sources, rules, room, legs)


@entry
def simulate(
    tissue: Array, levels: Array, ways: Array, sources: Array, rules: Rules, comps: Compartments, legs: Array
) -> tuple[int, int, int, int, float]:
    """The whole dive: every level, then the ascent. `tissue` is left as it is at the end.

    Returns (legs filled, index of the first leg of the last ascent, fault, index of the level it happened at, run time
    there).
    """
    return simulate_in(tissue, levels, ways, sources, rules, room_for(comps), legs)


@inner
def simulate_in(
    tissue: Array, levels: Array, ways: Array, sources: Array, rules: Rules, room: Room, legs: Array
) -> tuple[int, int, int, int, float]:
    """`simulate`, in room that is at hand."""
    diver = room.diver
    i = simulate_to_last(tissue, levels, ways, sources, rules, room, legs)
    if diver[0].fault != FINE:
        return diver[0].legs, 0, diver[0].fault, i, diver[0].run_time_min
    last = levels[len(levels) - 1]
    left = diver[0].legs
    surface(diver, tissue, ways[last.up_first : last.up_end], sources, rules, room, legs)
    return diver[0].legs, left, diver[0].fault, len(levels) - 1, diver[0].run_time_min


@inner
def simulate_to_last(
    tissue: Array, levels: Array, ways: Array, sources: Array, rules: Rules, room: Room, legs: Array
) -> int:
    """Every level, up to the moment the last is left: `room.diver` is there. Returns the index of the last one, or of
    the one at which it ended (`diver.fault`)."""
    diver = room.diver
    begin(diver, 0.0, 0.0)
    # Stops are held on the last ascent only.
    between = varied(rules, rules.gf_low, rules.gf_high, 1.0, rules.break_source, rules.held[:0])
    for i in range(len(levels)):
        level = levels[i]
        diver[0].level = i
        way = ways[level.to_first : level.to_end]
        if level.depth_m > diver[0].depth_m:
            move(diver, tissue, level.depth_m, rules.descent, rules.gf_low, way, sources, rules, room, legs)
        else:
            ascend(diver, tissue, level.depth_m, way, sources, between, room, legs)
        if diver[0].run_time_min > level.leave_at_min + CLOSE and diver[0].fault == FINE:
            diver[0].fault = LEFT_TOO_EARLY
        if diver[0].fault != FINE:
            return i
        if diver[0].depth_m > diver[0].first_stop_m + CLOSE:
            diver[0].first_stop_m = -1.0
        gf = line_gf(diver[0].depth_m, diver[0].first_stop_m, rules)
        stay(diver, tissue, level.leave_at_min, level.source, LEVEL, gf, sources, rules, room, legs)
        diver[0].source = level.source
    return len(levels) - 1


@entry
def no_stop_limit(
    tissue: Array, depth_m: float, source: int, to: Array, up: Array, sources: Array, rules: Rules, comps: Compartments
) -> int:
    """The longest whole-minute bottom time, descent included, at a depth without a stop, 0 to NDL_CAP_MIN. [min]"""
    room = room_for(comps)
    legs = np.zeros(MOST_WAY, LEG)
    diver = room.diver
    begin(diver, 0.0, 0.0)
    move(diver, tissue, depth_m, rules.descent, rules.gf_low, to, sources, rules, room, legs)
    # From a whole minute on, so that whole minutes more are whole minutes of bottom time.
    whole_min = math.ceil(diver[0].run_time_min - CLOSE)
    stay(diver, tissue, float(whole_min), source, LEVEL, rules.gf_low, sources, rules, room, legs)
    if not direct_is_fine(tissue, depth_m, up, sources, rules, room):
        return 0
    return min(NDL_CAP_MIN, whole_min + ndl(tissue, depth_m, source, up, sources, rules, room))


# --- Looking at a dive ------------------------------------------------------------------------------------------------


@inner
def ndl(tissue: Array, depth_m: float, source: int, way: Array, sources: Array, rules: Rules, room: Room) -> int:
    """Whole minutes more at this depth from which a direct ascent stays within GF high, 0 to NDL_CAP_MIN."""
    bar = ambient(depth_m, rules)
    if not direct_is_fine(tissue, depth_m, way, sources, rules, room):
        return 0
    trial = room.trial
    fine, over = 0, 1
    while over <= NDL_CAP_MIN:
        copy_tissue(tissue, trial)
        load_at_depth(trial, bar, float(over), sources[source], room)
        if not direct_is_fine(trial, depth_m, way, sources, rules, room):
            break
        fine, over = over, 2 * over
    over = min(over, NDL_CAP_MIN + 1)
    while over - fine > 1:
        middle = (fine + over) // 2
        copy_tissue(tissue, trial)
        load_at_depth(trial, bar, float(middle), sources[source], room)
        if direct_is_fine(trial, depth_m, way, sources, rules, room):
            fine = middle
        else:
            over = middle
    return fine


@inner
def state_in_leg(tissue: Array, leg: Any, run_time_min: float, sources: Array, rules: Rules, room: Room) -> float:
    """Load `tissue`, as it is at the start of a leg, up to a run time within it. Returns the depth there. [m]"""
    minutes = run_time_min - leg.start_min
    if leg.start_m == leg.end_m:
        if minutes > 0.0:
            load_at_depth(tissue, ambient(leg.start_m, rules), minutes, sources[leg.source], room)
        return leg.start_m
    depth_m = leg.start_m + (leg.end_m - leg.start_m) * minutes / (leg.end_min - leg.start_min)
    if run_time_min == leg.end_min:
        depth_m = leg.end_m
    load_between(tissue, ambient(leg.start_m, rules), ambient(depth_m, rules), minutes, sources[leg.source], room)
    return depth_m


@inner
def level_left(level: int, kind: int, depth_m: float, levels: Array) -> int:
    """The level whose way up holds: on the way up to a shallower level still the one before."""
    if kind in (ASCENT, STOP) and level > 0 and levels[level - 1].depth_m > levels[level].depth_m + CLOSE:
        return level - 1 if depth_m > levels[level].depth_m + CLOSE else level
    return level


@inner
def look(
    point: Any, tissue: Array, leg: Any, surfacing_min: float, levels: Array,
    ways: Array, sources: Array, rules: Rules, room: Room, scratch: Array,
) -> None:  # fmt: skip
    """Fill in what a dive computer would show at one moment. `surfacing_min` below 0: still to be worked out."""
    bar = ambient(point.depth_m, rules)
    level = levels[level_left(leg.level, leg.kind, point.depth_m, levels)]
    up = ways[level.up_first : level.up_end]
    point.source = leg.source
    point.kind = leg.kind
    point.level = leg.level
    point.first_stop_m = leg.first_stop_m
    point.ppo2_bar = ppo2(bar, sources[leg.source])
    point.ndl_min = ndl(tissue, point.depth_m, leg.source, up, sources, rules, room)
    if point.ndl_min > 0 or direct_is_fine(tissue, point.depth_m, up, sources, rules, room):
        point.ceiling_m = 0.0
    else:
        point.ceiling_m = max(0.0, (ceiling_bar(tissue, leg.gf, room) - rules.surface_bar) / rules.bar_per_m)
    point.gf_now, point.gf_surface, point.leading = -9.0, -9.0, 1
    for c in range(COMPARTMENTS):
        now = gradient_factor(tissue, c, bar, room)
        if now > point.gf_now:
            point.gf_now, point.leading = now, c + 1
        point.gf_surface = max(point.gf_surface, gradient_factor(tissue, c, rules.surface_bar, room))
    if surfacing_min < 0.0:
        diver = room.diver
        begin(diver, point.depth_m, point.run_time_min)
        diver[0].first_stop_m = leg.first_stop_m
        diver[0].source = leg.source
        diver[0].level = leg.level
        copy_tissue(tissue, room.looked)
        surface(diver, room.looked, up, sources, rules, room, scratch)
        surfacing_min = diver[0].run_time_min
    point.tts_min = surfacing_min - point.run_time_min


@inner
def goes_on_alike(leg: Any, following: Any) -> bool:
    """Whether the next leg is only more of the same, and as fast."""
    alike = leg.kind == following.kind and leg.source == following.source and leg.end_m == following.start_m
    minutes, then_min = leg.end_min - leg.start_min, following.end_min - following.start_min
    bent = (leg.end_m - leg.start_m) * then_min - (following.end_m - following.start_m) * minutes
    return alike and abs(bent) <= CLOSE * minutes * then_min


@entry
def track(
    tissue: Array, legs: Array, left: int, levels: Array, ways: Array,
    sources: Array, rules: Rules, comps: Compartments, points: Array, tensions: Array,
) -> int:  # fmt: skip
    """What a dive computer would show at every whole minute, and before and after every change of what the diver does.

    `left` is the index of the first leg of the last ascent: from there on TTS is what remains of the plan. Fills
    `points` and `tensions` [n, 2, 16]; returns how many, or -1 if they are too few.
    """
    room = room_for(comps)
    scratch = np.zeros(len(legs) + 2048, LEG)
    end_min = legs[len(legs) - 1].end_min
    trial = np.empty_like(tissue)
    n = 0
    for i in range(len(legs)):
        leg = legs[i]
        surfacing_min = end_min if i >= left else -1.0
        at_min = leg.start_min
        if i > 0 and goes_on_alike(legs[i - 1], leg):
            at_min = min(next_whole_minute(at_min), leg.end_min)
        while True:
            if leg.end_min - at_min < CLOSE:
                at_min = leg.end_min
            copy_tissue(tissue, trial)
            depth_m = state_in_leg(trial, leg, at_min, sources, rules, room)
            whole = abs(at_min - round(at_min)) < CLOSE
            if at_min < leg.end_min or whole or i == len(legs) - 1 or not goes_on_alike(leg, legs[i + 1]):
                if n >= len(points):
                    return -1
                points[n].run_time_min = at_min
                points[n].depth_m = depth_m
                look(points[n], trial, leg, surfacing_min, levels, ways, sources, rules, room, scratch)
                copy_tissue(trial, tensions[n])
                n += 1
            if at_min >= leg.end_min:
                break
            at_min = min(next_whole_minute(at_min), leg.end_min)
        copy_tissue(trial, tissue)
    return n


@entry
def at_points(
    points: Array, of: Array, tensions: Array, sources: Array, rules: Rules, comps: Compartments, found: Array,
    found_tensions: Array,
) -> None:  # fmt: skip
    """Where a mate with a track `of` is at the run times of another's `points`, and his `tensions` then."""
    room = room_for(comps)
    k = 0
    for i in range(len(points)):
        at_min = points[i].run_time_min
        while k + 1 < len(of) and of[k + 1].run_time_min <= at_min + CLOSE:
            k += 1
        j = k
        # Of two rows of one moment, before and after a change, the one that is of the same piece of the dive.
        back = k
        while back > 0 and of[back - 1].run_time_min > at_min - CLOSE:
            back -= 1
            if of[back].kind == points[i].kind and of[back].level == points[i].level:
                j = back
        if of[k].kind == points[i].kind and of[k].level == points[i].level:
            j = k
        found[i] = of[j]
        found[i].run_time_min = at_min
        copy_tissue(tensions[j], found_tensions[i])
        minutes = at_min - of[j].run_time_min
        if minutes > CLOSE and j + 1 < len(of):
            whole_min = of[j + 1].run_time_min - of[j].run_time_min
            depth_m = of[j].depth_m + (of[j + 1].depth_m - of[j].depth_m) * minutes / whole_min
            bar, then_bar = ambient(of[j].depth_m, rules), ambient(depth_m, rules)
            load_between(found_tensions[i], bar, then_bar, minutes, sources[of[j].source], room)
            found[i].depth_m = depth_m


@inner
def leave_the_plan(
    point: Any, tissue: Array, first: int, sorting_out_min: float,
    way: Array, sources: Array, rules: Rules, room: Room, legs: Array,
) -> tuple[int, float, int]:  # fmt: skip
    """Leave the plan at a point of the track: sort it out at depth on the `first` source, then ascend with every stop
    met.

    Returns (legs filled, run time at the surface, fault).
    """
    diver = room.diver
    begin(diver, point.depth_m, point.run_time_min)
    diver[0].first_stop_m = point.first_stop_m
    diver[0].level = point.level
    take_up(diver, first, sources, rules)
    gf = line_gf(diver[0].depth_m, diver[0].first_stop_m, rules)
    source = at_rest(diver, first, sources)
    stay(diver, tissue, diver[0].run_time_min + sorting_out_min, source, LEVEL, gf, sources, rules, room, legs)
    surface(diver, tissue, way, sources, rules, room, legs)
    return diver[0].legs, diver[0].run_time_min, diver[0].fault


@inner
def calm_from(legs: Array, stressed_min: float, sources: Array) -> float:
    """The run time at which stressed breathing is over, once the plan is left with `legs`: from the first change to a
    gas richer than what is breathed at first, but not within `stressed_min`. Without such a change: never. [min]"""
    for leg in legs:
        if sources[leg.source].o2 > sources[legs[0].source].o2 + 1e-9:
            return max(leg.start_min, legs[0].start_min + stressed_min)
    return math.inf


@inner
def largest_share(
    legs: Array, case: Any, spent: Array, stressed: Array, calm: Array, per_litre: Array, sources: Array, rules: Rules,
    used: Array,
) -> float:  # fmt: skip
    """The largest share of any source that is used when legs follow on what is spent. RMV `stressed` and then `calm`
    [L/min], and `per_litre` [1/free litre], are by source. One diluent feeds a loop at work and at rest."""
    for i in range(len(used)):
        used[i] = spent[i]
    until_min = legs[0].start_min + case.heavy_min
    calm_min = calm_from(legs, case.stressed_min, sources)
    for leg in legs:
        heavy_min = max(0.0, min(leg.end_min, until_min) - leg.start_min)
        minutes = leg.end_min - leg.start_min
        calm_part = min(minutes, max(0.0, leg.end_min - calm_min))
        breaths_l = stressed[leg.source] * (minutes - calm_part) + calm[leg.source] * calm_part
        breaths_l += case.heavier_l_min * heavy_min
        used[resting(leg.source, sources)] += breaths_l * ambient(0.5 * (leg.start_m + leg.end_m), rules)
    largest = 0.0
    for i in range(len(used)):
        largest = max(largest, used[i] * per_litre[i])
    return largest


@entry
def what_if(
    cases: Array, mates: Array, stressed: Array, calm: Array, per_litre: Array, points: Array, tensions: Array,
    spent: Array, start: Array, levels: Array, ways: Array, held: Array, sources: Array, rules: Rules,
    comps: Compartments, legs: Array,
) -> None:  # fmt: skip
    """Run every case: a whole dive of its own, or the plan left at the points of the track where that is worst.

    `points` [tracks, points] and `tensions` are of the diver's own track, and of his `mates` at the same run times:
    where the plan is left, all come up on common stops. There are two worst points: the one with the longest way
    home, and the one from which the largest share of any source is used by the surface: `spent` [points, sources,
    free litres] by then, and after it RMV `stressed` and then `calm` [cases, sources, L/min]; `per_litre` [cases,
    sources] makes shares of litres. Either, among equals, is the one that is worse in the other. `held` are depths
    and run times, by case. Fills in what the cases and their mates find, and their legs one after the other. A case
    whose stops never clear from some point is at fault there.
    """
    tissue, scratch, used = np.empty((2, COMPARTMENTS)), np.zeros(2048, LEG), np.zeros(len(sources))
    depths = len(rules.stop_depths_m) + 1
    waits = np.zeros((MOST_HELD, 2)), np.zeros((len(points) + 1, depths)), np.zeros((3, depths))
    run_cases(
        cases, mates, stressed, calm, per_litre, points, tensions, spent, start, levels, ways, held, sources, rules,
        room_for(comps), legs, tissue, scratch, used, waits,
    )  # fmt: skip


@inner
def run_cases(
    cases: Array, mates: Array, stressed: Array, calm: Array, per_litre: Array, points: Array, tensions: Array,
    spent: Array, start: Array, levels: Array, ways: Array, held: Array, sources: Array, rules: Rules, room: Room,
    legs: Array, tissue: Array, scratch: Array, used: Array, waits: tuple[Array, Array, Array],
) -> None:  # fmt: skip
    """`what_if`, in room that is at hand."""
    filled = 0
    for k in range(len(cases)):
        case = cases[k]
        depths_held = held[case.held_first : case.held_end]
        own = varied(rules, case.gf_low, case.gf_high, case.rate, case.break_source, depths_held)
        team = mates[case.mate_first : case.mate_end]
        n = 0
        if case.from_point < 0:
            case.point = -1
            copy_tissue(start, tissue)
            n, _, case.fault, _, _ = simulate_in(
                tissue, levels[case.level_first : case.level_end], ways, sources, own, room, scratch
            )
            case.leg_first = filled
            filled = keep(scratch[:n], legs, filled)
            case.leg_end = filled
        else:
            most, longest, share_of_longest, tts_of_most = -1.0, -1.0, -1.0, -1.0
            for i in range(case.from_point, case.to_point):
                _, n, end_min, fault = agree(
                    i, case, team, points, tensions, tissue, levels, ways, sources, rules, room, scratch, waits
                )
                tts = end_min - points[case.track, i].run_time_min
                share = 0.0
                if n > 0:
                    share = largest_share(
                        scratch[:n], case, spent[i], stressed[k], calm[k], per_litre[k], sources, own, used
                    )
                if fault != FINE or is_worse(tts, longest, share, share_of_longest):
                    longest, share_of_longest, case.point = tts, share, i
                if fault != FINE or is_worse(share, most, tts, tts_of_most):
                    most, tts_of_most, case.most_gas_point = share, tts, i
                if fault != FINE:
                    case.fault = fault
                    break
            if case.most_gas_point != case.point:
                filled = write_down(
                    case.most_gas_point, True, case, team, points, tensions, tissue, levels, ways, sources, rules, room,
                    scratch, waits, legs, filled,
                )  # fmt: skip
            filled = write_down(
                case.point, False, case, team, points, tensions, tissue, levels, ways, sources, rules, room, scratch,
                waits, legs, filled,
            )  # fmt: skip
        if filled < 0:
            case.fault, case.leg_first, case.leg_end = TOO_MANY_LEGS, 0, 0
            case.most_gas_leg_first, case.most_gas_leg_end, filled = 0, 0, 0
            for m in range(len(team)):
                team[m].leg_first, team[m].leg_end = 0, 0
                team[m].most_gas_leg_first, team[m].most_gas_leg_end = 0, 0


@inner
def write_down(
    i: int, most_gas: bool, case: Any, team: Array, points: Array, tensions: Array, tissue: Array, levels: Array,
    ways: Array, sources: Array, rules: Rules, room: Room, scratch: Array, waits: tuple[Array, Array, Array],
    legs: Array, filled: int,
) -> int:  # fmt: skip
    """Leave the plan at a worst point once more, for the legs of all. Returns how many there are then."""
    held_rows, _, _, _ = agree(
        i, case, team, points, tensions, tissue, levels, ways, sources, rules, room, scratch, waits
    )
    for m in range(-1, len(team)):
        n, _, _ = come_up(
            i, case, team, m, held_rows, points, tensions, tissue, levels, ways, sources, rules, room, scratch, waits
        )
        first = filled
        filled = keep(scratch[:n], legs, filled)
        if m < 0 and most_gas:
            case.most_gas_leg_first, case.most_gas_leg_end = first, filled
        elif m < 0:
            case.leg_first, case.leg_end = first, filled
        elif most_gas:
            team[m].most_gas_leg_first, team[m].most_gas_leg_end = first, filled
        else:
            team[m].leg_first, team[m].leg_end = first, filled
    return filled


@inner
def agree(
    i: int, case: Any, team: Array, points: Array, tensions: Array, tissue: Array, levels: Array, ways: Array,
    sources: Array, rules: Rules, room: Room, scratch: Array, waits: tuple[Array, Array, Array],
) -> tuple[int, int, float, int]:  # fmt: skip
    """Find the common stops of a team that leaves the plan at a point: as in a whole dive, from the deepest up whoever
    would leave a stop earlier waits for the others there.

    Returns (rows of `waits` filled, legs of the case's diver in `scratch`, run time at the surface, fault).
    """
    if len(team) == 0:
        n, end_min, fault = come_up(
            i, case, team, -1, 0, points, tensions, tissue, levels, ways, sources, rules, room, scratch, waits
        )
        return 0, n, end_min, fault
    held, left_min, depths = waits
    grid_m, at, until_min = depths[0], depths[1], depths[2]
    # The first stop may be where the plan is left, off the grid; the surface comes last.
    grid_m[0] = points[case.track, i].depth_m
    for k in range(1, len(grid_m)):
        grid_m[k] = rules.stop_depths_m[len(grid_m) - 1 - k]
        if abs(grid_m[k] - grid_m[0]) < CLOSE:
            grid_m[0] = -1.0
    found = 0
    for k in range(len(until_min)):
        until_min[k] = -1.0
    while True:
        for k in range(len(at)):
            at[k] = 0.0
            for d in range(len(team) + 1):
                left_min[d, k] = -np.inf
        n, end_min = 0, points[case.track, i].run_time_min
        for m in range(len(team) - 1, -2, -1):  # the case's diver last, for his legs
            n, end_min, fault = come_up(
                i, case, team, m, found, points, tensions, tissue, levels, ways, sources, rules, room, scratch, waits
            )
            if fault != FINE:
                return found, 0, points[case.track, i].run_time_min, fault
            for leg in scratch[:n]:
                for k in range(len(grid_m)):
                    if abs(grid_m[k] - leg.end_m) < CLOSE:
                        left_min[m + 1, k] = leg.end_min
                        if leg.kind == STOP:
                            at[k] = 1.0
        k = wait_here(left_min[: len(team) + 1], at, until_min)
        if k < 0:
            return found, n, end_min, FINE
        row = found
        for j in range(found):
            if abs(held[j, 0] - grid_m[k]) < CLOSE:
                row = j
        if row == found:
            if found >= len(held):
                return found, 0, points[case.track, i].run_time_min, TOO_MANY_LEGS
            found += 1
        held[row, 0], held[row, 1] = grid_m[k], until_min[k]


@inner
def come_up(
    i: int, case: Any, team: Array, m: int, held_rows: int, points: Array, tensions: Array, tissue: Array,
    levels: Array, ways: Array, sources: Array, rules: Rules, room: Room, legs: Array,
    waits: tuple[Array, Array, Array],
) -> tuple[int, float, int]:  # fmt: skip
    """Leave the plan at a point: the diver of the case (`m` -1) or a mate, on the stops that the team has agreed on.

    Returns (legs filled, run time at the surface, fault).
    """
    held = waits[0][:held_rows]
    if m < 0:
        point = points[case.track, i]
        copy_tissue(tensions[case.track, i], tissue)
        own = varied(rules, case.gf_low, case.gf_high, case.rate, case.break_source, held)
        way_first, way_end = way_of(case, point, levels)
        way = ways[way_first:way_end]
        first = first_of(case, point, way)
        return leave_the_plan(point, tissue, first, case.sorting_out_min, way, sources, own, room, legs)
    mate = team[m]
    point = points[mate.track, i]
    copy_tissue(tensions[mate.track, i], tissue)
    own = varied(rules, mate.gf_low, mate.gf_high, case.rate, mate.break_source, held)
    of_mate = levels[mate.level_first :]
    level = of_mate[level_left(point.level, point.kind, point.depth_m, of_mate)]
    way = ways[level.up_first : level.up_end]
    first = point.source
    if mate.own_way != 0:
        first = among(way, point)
    return leave_the_plan(point, tissue, first, case.sorting_out_min, way, sources, own, room, legs)


@inner
def among(way: Array, point: Any) -> int:
    """What is breathed when a plan is left for a way: what was breathed there, if it is among that."""
    for i in range(len(way)):
        if way[i].source == point.source:
            return point.source
    return source_at(way, point.depth_m)


@inner
def is_worse(value: float, worst: float, other: float, other_of_worst: float) -> bool:
    """Whether a value is larger than the worst, or alike (sums of legs differ in their last digits) and the other
    one is."""
    close, other_close = 1e-9 * (1.0 + abs(worst)), 1e-9 * (1.0 + abs(other_of_worst))
    return value > worst + close or (value >= worst - close and other >= other_of_worst - other_close)


@inner
def keep(found: Array, legs: Array, filled: int) -> int:
    """Write legs behind others. Returns how many there are then, -1 if they are too many."""
    if filled < 0 or filled + len(found) > len(legs):
        return -1
    for i in range(len(found)):
        legs[filled + i] = found[i]
    return filled + len(found)


@inner
def way_of(case: Any, point: Any, levels: Array) -> tuple[int, int]:
    """The rows of the way up of a case from a point, the first and the end: its own, or that of the level."""
    if case.way_end > case.way_first:
        return case.way_first, case.way_end
    level = levels[level_left(point.level, point.kind, point.depth_m, levels)]
    return level.up_first, level.up_end


@inner
def first_of(case: Any, point: Any, way: Array) -> int:
    """What a case begins on: what was breathed there, unless its own way does without it."""
    if case.way_end == case.way_first:
        return point.source
    return among(way, point)


def kept_in() -> str:
    """The folder that compiled code is kept in; empty if there is none."""
    return str(cast(Any, simulate).stats.cache_path or "")
