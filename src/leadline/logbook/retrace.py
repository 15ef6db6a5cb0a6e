"""The plan's model run over a dive as it was dived: tissues, oxygen, ceiling, and the way home from every moment.

Between two samples depth is taken to change steadily, and so is ppO2 where it was recorded; over such a piece tissue
loading is exact. A recorded ppO2 is what the loop held, whatever its setpoint. After surfacing, air is breathed.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.schema import Dive, Site
from leadline.logbook.dived import Dived, Profile
from leadline.physics.environment import Environment
from leadline.physics.mix import WATER_VAPOUR_BAR
from leadline.plan import gases
from leadline.plan.gases import Source, Way
from leadline.plan.oxygen import Before, Oxygen, at_surface, carried, exposed, leg_rates, mean_rates
from leadline.plan.schedule import AIR, at_rest, lay_out, source_rows, starting_tissue, way_rows
from leadline.tissue import kernel
from leadline.tissue.coefficients import SetName
from leadline.tissue.loading import Residual, compartments

Array = NDArray[Any]

LOOKS_APART_MIN = 0.1
"""Ceiling and way home are looked at no more often: a recording of a second a sample says no more of them."""
MOST_LOOKS = 4000
"""On a very long dive they are looked at less often."""
SURFACED_M = 1.0
"""What is recorded shallower than this at the end of a dive is of a diver at the surface (common practice)."""
NEAR_M = 0.01
LEGS_HOME = 512
"""Room for the legs of a way home."""
GAP_MIN = 1.0
"""Where readings of ppO2 are missing for longer, the setpoint is breathed."""


@dataclass(frozen=True)
class Piece:
    """A straight piece of a profile on one source. `ppo2_bar`: as recorded at its ends, on the loop."""

    start_min: float
    end_min: float
    start_m: float
    end_m: float
    source: Source
    ppo2_bar: tuple[float, float] | None

    def ppo2(self, share: float, where: Environment) -> float:
        """ppO2 breathed at a share of its time. [bar]"""
        bar = where.pressure(self.start_m + share * (self.end_m - self.start_m))
        if self.ppo2_bar is None:
            return self.source.ppo2(bar)
        first, last = self.ppo2_bar
        return min(first + share * (last - first), bar - WATER_VAPOUR_BAR)


@dataclass(frozen=True)
class Loaded:
    """Tissues and oxygen at the ends of the pieces of a dive: arrays of one length."""

    run_time_min: Array
    depth_m: Array
    ppo2_bar: Array
    """Breathed up to then."""
    tensions_bar: Array
    """[n, 2, 16], nitrogen first."""
    cns_percent: Array
    """Taken in this dive by then."""
    otu: Array
    day_share: Array
    """Of NOAA's 24-hour limits."""
    sources: tuple[Source, ...]
    """Breathed from then on; one fewer."""
    before: Before
    """What the dive began with."""

    @property
    def oxygen(self) -> Oxygen:
        """Oxygen exposure at the end."""
        return exposed(
            float(self.cns_percent[-1]), float(self.otu[-1]), float(self.day_share[-1]), float(self.ppo2_bar.max()),
            float(self.run_time_min[-1]), self.before,
        )  # fmt: skip

    @property
    def left(self) -> Residual:
        """What is left in the diver at the end."""
        found = self.oxygen
        return Residual(_tuples(self.tensions_bar[-1]), found.cns_percent, found.doses)


@dataclass(frozen=True)
class Retraced:
    """What a dive computer with the plan's rules would have shown: arrays of one length, a look each.

    Gradient factors are shares: 1 is the M-value. TTS is for leaving now, by the plan's gases and rules; NaN where
    some stop would never clear. `first_stop_m` is where the line of gradient factors hangs from; NaN without one.
    """

    loaded: Loaded
    run_time_min: Array
    depth_m: Array
    ppo2_bar: Array
    ceiling_m: Array
    """Under the gradient factor in force; 0 while a direct ascent is open."""
    m_value_ceiling_m: Array
    """Where the M-value itself is reached (GF 100); 0 if that is in the air."""
    gf_now: Array
    gf_surface: Array
    tts_min: Array
    first_stop_m: Array
    homes: tuple[Array, ...]
    """The way home from each look: rows of kernel.LEG."""
    surfaced_min: float
    """When the surface was reached for the last time, or the record ends."""

    def look(self, run_time_min: float) -> int:
        """The index of the last look at or before a run time."""
        return max(0, int(np.searchsorted(self.run_time_min, run_time_min + 1e-6, side="right")) - 1)

    def owed_min(self, run_time_min: float, depth_m: float, near_m: float) -> float:
        """Minutes of stops that the model still asks for near a depth, when it is left at a run time. [min]"""
        rows = self.homes[self.look(run_time_min)]
        there = rows[(rows["kind"] == kernel.STOP) & (np.abs(rows["end_m"] - depth_m) <= near_m)]
        return float(np.sum(there["end_min"] - there["start_min"]))


# --- Tissues and oxygen -----------------------------------------------------------------------------------------------


def residual(
    dived: Dived, coefficients: SetName, before: Sequence[tuple[Dived, float]] = (), start: Residual | None = None
) -> Residual:
    """What a dive leaves in its diver at its end.

    `before` are the dives before it, the earliest first, each with the surface interval behind it [min], on air.
    `start`: what the diver began the first of them with; rested if not given.
    """
    return _left_after(dived, coefficients, left_by(before, coefficients, dived.environment.surface_bar, start))


@lru_cache(maxsize=64)
def _left_after(dived: Dived, coefficients: SetName, start: Residual | None) -> Residual:
    """Kept, since a draft that begins after dives of the log is planned at every change."""
    return load(dived, coefficients, start).left


def left_by(
    before: Sequence[tuple[Dived, float]], coefficients: SetName, surface_bar: float, start: Residual | None = None
) -> Residual | None:
    """What earlier dives, the earliest first, each with the surface interval behind it [min], have left before a dive
    at a surface pressure [bar]. An interval is spent at the lower of the two sites. `start`, what the diver began the
    first with, is left without a dive."""
    left = start
    surfaces_bar = [*(dived.environment.surface_bar for dived, _ in before[1:]), surface_bar]
    for (dived, interval_min), next_bar in zip(before, surfaces_bar, strict=False):
        bar = max(next_bar, dived.environment.surface_bar)
        left = after_interval(_left_after(dived, coefficients, left), interval_min, bar, coefficients)
    return left


def after_interval(left: Residual, minutes: float, surface_bar: float, coefficients: SetName) -> Residual:
    """What is left after minutes at a surface pressure [bar] on air."""
    tissue = np.array(left.tensions_bar)
    kernel.load_constant(tissue, surface_bar, minutes, source_rows([Source(AIR)])[0], compartments(coefficients))
    found = at_surface(left.cns_percent, left.doses, surface_bar, minutes)
    return Residual(_tuples(tissue), found.cns_percent, found.doses)


def site_of(dived: Dived) -> Site:
    """The site of a dive. How long its diver had been there is only in the dive file kept with it, if that is of the
    same altitude and names no dives before it."""
    site = Site.model_validate({"water": dived.water, "altitude": dived.altitude_m})
    try:
        data = tomllib.loads(dived.plan.text) if dived.plan is not None else {}
        planned = Site.model_validate(data["site"], context={"units": data["units"]})
    except (KeyError, ValueError, RecursionError):
        return site
    return planned if "previous" not in data and abs(planned.altitude - site.altitude) < 1.0 else site


def rested(site: Site, coefficients: SetName) -> Residual:
    """What a diver begins with who has not dived before."""
    return Residual(_tuples(at_rest(site, coefficients)), 0.0, ())


def as_planned_start(dive: Dive) -> Residual:
    """What a planned dive begins with."""
    found = carried(dive)
    return Residual(_tuples(starting_tissue(dive)), found.cns_percent, found.doses)


def load(
    dived: Dived, coefficients: SetName, start: Residual | None = None, moments: Iterable[float] = ()
) -> Loaded:  # fmt: skip
    """Tissues and oxygen over a dive, at every sample, change of gas and other moment asked for [min].

    `start`: what the diver began it with; rested if not given.
    """
    where, comps = dived.environment, compartments(coefficients)
    tissue = np.array((start if start is not None else rested(site_of(dived), coefficients)).tensions_bar)
    pieces = straight_pieces(dived, moments)
    rows = {piece.source: source_rows([piece.source])[0] for piece in pieces}
    # On open circuit without oxygen, what is breathed is inert but for the water vapour.
    inert = {source: np.array([(0.0, source.mix.he_share, 0.0, 0.0)], dtype=kernel.SOURCE)[0] for source in rows}
    tensions = np.zeros((len(pieces) + 1, *tissue.shape))
    ppo2_bar = np.zeros(len(pieces) + 1)
    taken = np.zeros((len(pieces) + 1, 3))
    tensions[0], ppo2_bar[0] = tissue, pieces[0].ppo2(0.0, where)
    for i, piece in enumerate(pieces, 1):
        minutes = piece.end_min - piece.start_min
        bars = where.pressure(piece.start_m), where.pressure(piece.end_m)
        first, last = piece.ppo2(0.0, where), piece.ppo2(1.0, where)
        if piece.ppo2_bar is None:
            kernel.load_travel(tissue, *bars, minutes, rows[piece.source], comps)
            rates = leg_rates(piece.source, *bars)
        else:
            rates = mean_rates(first, last)
            kernel.load_travel(tissue, bars[0] - first, bars[1] - last, minutes, inert[piece.source], comps)
        tensions[i], ppo2_bar[i] = tissue, max(first, last)
        taken[i] = [rate * minutes for rate in rates]
    taken = np.cumsum(taken, axis=0)
    return Loaded(
        run_time_min=np.array([pieces[0].start_min, *(piece.end_min for piece in pieces)]),
        depth_m=np.array([pieces[0].start_m, *(piece.end_m for piece in pieces)]),
        ppo2_bar=ppo2_bar,
        tensions_bar=tensions,
        cns_percent=100.0 * taken[:, 0],
        otu=taken[:, 1],
        day_share=taken[:, 2],
        sources=tuple(piece.source for piece in pieces),
        before=Before(start.cns_percent, start.doses) if start is not None else Before(),
    )


def straight_pieces(dived: Dived, moments: Iterable[float] = ()) -> list[Piece]:
    """A dive in straight pieces, each on one source, cut at moments [min] too."""
    profile, end_min = dived.profile, dived.run_time_min
    surfaced = surfaced_min(profile)
    changes = [change.run_time_min for change in dived.breathed]
    wanted = {at for at in (*changes, *moments, surfaced) if 0.0 < at < end_min}
    times = np.array(sorted({*profile.run_time_min, *wanted}))
    depths = np.interp(times, profile.run_time_min, profile.depth_m).tolist()
    sources = [Source(dived.cylinders[change.cylinder].mix, change.setpoint_bar) for change in dived.breathed]
    breathed = np.searchsorted(changes, times, side="right") - 1
    read = _readings(profile, times)
    found = []
    for i, (start, end) in enumerate(pairwise(times.tolist())):
        source = sources[breathed[i]] if start < surfaced else Source(AIR)
        ppo2 = read[i] if source.circuit == "closed" else None
        found.append(Piece(start, end, depths[i], depths[i + 1], source, ppo2))
    return found


def _readings(profile: Profile, times: Array) -> list[tuple[float, float] | None]:
    """ppO2 as recorded at both ends of the spans between times; None where it was not. [bar]"""
    there = [i for i, ppo2 in enumerate(profile.ppo2_bar) if ppo2 is not None]
    found: list[tuple[float, float] | None] = [None] * (len(times) - 1)
    if not there:
        return found
    at = np.array([profile.run_time_min[i] for i in there])
    ppo2 = np.array([profile.ppo2_bar[i] for i in there], dtype=float)
    read = np.interp(times, at, ppo2).tolist()
    before = (np.searchsorted(at, 0.5 * (times[:-1] + times[1:])) - 1).tolist()
    for i, k in enumerate(before):
        if 0 <= k < len(at) - 1 and (there[k + 1] == there[k] + 1 or at[k + 1] - at[k] <= GAP_MIN):
            found[i] = (read[i], read[i + 1])
    return found


def surfaced_min(profile: Profile) -> float:
    """When the surface is reached for good: the shallowest sample within a minute of coming up; or where the record
    ends. [min]"""
    below = [i for i, depth in enumerate(profile.depth_m) if depth > SURFACED_M]
    first = below[-1] + 1 if below else len(profile.depth_m)
    if first >= len(profile.depth_m):
        return profile.run_time_min[-1]
    until = profile.run_time_min[first] + 1.0
    there = [i for i in range(first, len(profile.depth_m)) if profile.run_time_min[i] <= until]
    return profile.run_time_min[min(there, key=lambda i: profile.depth_m[i])]


def _tuples(tissue: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in tissue.tolist())


# --- What a dive computer would have shown ----------------------------------------------------------------------------


def retrace_dive(dived: Dived, dive: Dive, start: Residual | None = None, moments: Iterable[float] = ()) -> Retraced:
    """A dive run through the model, rules and gases of a planned one.

    `start`: what the diver began it with; as the plan begins if not given. `moments` [min] are looked at in any case.
    """
    moments = tuple(moments)
    loaded = load(dived, dive.model.coefficients, start if start is not None else as_planned_start(dive), moments)
    looks = _looks(loaded.run_time_min, moments)
    times, depths, tensions = loaded.run_time_min[looks], loaded.depth_m[looks], loaded.tensions_bar[looks]
    where = dived.environment
    way_home = _WayHome(dived, dive, loaded, looks)
    fresh = way_home.from_looks(np.full(len(looks), -1.0))
    lowest_stop = np.array([_first_stop(rows) for rows in fresh])
    hangs_m = _anchors(depths, lowest_stop, dive.stops.step)
    homes = way_home.from_looks(np.where(np.isnan(hangs_m), -1.0, hangs_m))

    low, high = (percent / 100.0 for percent in dive.model.gradient_factors)
    hangs = np.where(np.isnan(hangs_m), 0.0, hangs_m)
    gf = np.where(depths < hangs, high + (low - high) * depths / np.maximum(hangs, 1e-9), low)
    comps = compartments(dive.model.coefficients)
    gf_surface = gradient_factors(tensions, np.full(len(looks), where.surface_bar), comps).max(axis=1)
    at_surface_now = depths < kernel.CLOSE
    gf = np.where(at_surface_now, high, gf)
    direct = np.where(at_surface_now, gf_surface <= high + 1e-9, np.isnan(lowest_stop))

    def depth_of(bar: Array) -> Array:
        found: Array = np.maximum(0.0, (bar - where.surface_bar) / where.bar_per_m)
        return found

    return Retraced(
        loaded=loaded,
        run_time_min=times,
        depth_m=depths,
        ppo2_bar=loaded.ppo2_bar[looks],
        ceiling_m=np.where(direct, 0.0, depth_of(tolerated(tensions, gf, comps).max(axis=1))),
        m_value_ceiling_m=depth_of(tolerated(tensions, np.ones(len(looks)), comps).max(axis=1)),
        gf_now=gradient_factors(tensions, where.surface_bar + where.bar_per_m * depths, comps).max(axis=1),
        gf_surface=gf_surface,
        tts_min=np.array([_minutes(rows, at) for rows, at in zip(homes, times, strict=True)]),
        first_stop_m=hangs_m,
        homes=homes,
        surfaced_min=surfaced_min(dived.profile),
    )


def tolerated(tensions: Array, gf: Array, comps: kernel.Compartments) -> Array:
    """The lowest ambient pressures that tensions [n, 2, 16] tolerate under gradient factors [n]: [n, 16]. [bar]"""
    p, a, b = _weighted(tensions, comps)
    factor = gf[:, None]
    found: Array = (p - a * factor) / (factor / b + 1.0 - factor)
    return found


def gradient_factors(tensions: Array, bar: Array, comps: kernel.Compartments) -> Array:
    """How far tensions [n, 2, 16] are from ambient pressures [n] (0) to their M-values (1): [n, 16]."""
    p, a, b = _weighted(tensions, comps)
    ambient = bar[:, None]
    found: Array = (p - ambient) / (a + ambient / b - ambient)
    return found


def _weighted(tensions: Array, comps: kernel.Compartments) -> tuple[Array, Array, Array]:
    """Tensions of both gases together, and a and b weighted by them: [n, 16]. [bar]"""
    p = np.maximum(tensions.sum(axis=1), 1e-12)
    return p, (tensions * comps.a).sum(axis=1) / p, (tensions * comps.b).sum(axis=1) / p


def _looks(times: Array, moments: Sequence[float]) -> Array:
    """Indices of the times that are looked at: the first, the last, the moments, and others no nearer than allowed."""
    apart = max(LOOKS_APART_MIN, float(times[-1]) / MOST_LOOKS)
    wanted = set(moments)
    found, last = [0], float(times[0])
    for i, at in enumerate(times.tolist()[1:], 1):
        if at in wanted or i == len(times) - 1:
            found.append(i)
        if at >= last + apart - 1e-9:
            found.append(i)
            last = at
    return np.array(sorted(set(found)))


def _anchors(depths: Array, lowest_stop: Array, step_m: float) -> Array:
    """Where the line of gradient factors hangs from at each look; NaN before a first stop. [m]

    `lowest_stop` is the first stop of an ascent from each look that has none behind it; NaN where a direct ascent is
    open. Once the diver is up to it, the line hangs there, until the diver is deeper again.
    """
    near_m = 0.5 * step_m
    found = np.full(len(depths), math.nan)
    hangs_m = coming_m = math.nan
    for i, (depth_m, stop_m) in enumerate(zip(depths.tolist(), lowest_stop.tolist(), strict=True)):
        if depth_m > hangs_m + near_m:
            hangs_m = coming_m = math.nan
        if math.isnan(hangs_m):
            if depth_m <= stop_m + near_m:
                # Seen from above it, a first stop is wherever the diver is: what counts is the one that was coming up.
                hangs_m = stop_m if math.isnan(coming_m) or depth_m > stop_m + NEAR_M else coming_m
            else:
                coming_m = stop_m
        found[i] = hangs_m
    return found


def _first_stop(rows: Array) -> float:
    """Where the line of a way home hangs from; NaN without a stop. [m]"""
    stop_m = float(rows[-1]["first_stop_m"]) if len(rows) else -1.0
    return stop_m if stop_m > 0.0 else math.nan


def _minutes(rows: Array, at_min: float) -> float:
    """How long a way home takes; NaN where it never ends. [min]"""
    if len(rows) == 0:
        return 0.0
    if rows[-1]["end_m"] > kernel.CLOSE:
        return math.nan
    return float(rows[-1]["end_min"]) - at_min


class _WayHome:
    """The way to the surface from every look, leaving now."""

    def __init__(self, dived: Dived, dive: Dive, loaded: Loaded, looks: Array) -> None:
        layout = lay_out(dive)
        break_source = layout.sources[layout.rules.break_source] if layout.rules.oxygen_on_min > 0.0 else None
        sources = through_breaks([*loaded.sources, loaded.sources[-1]], break_source)
        breathed = [sources[i] for i in looks.tolist()]
        times = loaded.run_time_min[looks].tolist()
        cases = [(source, level_at(dive, at)) for source, at in zip(breathed, times, strict=True)]
        ways_up = {case: way_up(dive, *case) for case in dict.fromkeys(cases)}
        found = [ways_up[case] for case in cases]
        ways = list(dict.fromkeys(found))
        every = tuple(dict.fromkeys([*layout.sources, *breathed, *(step.source for way in ways for step in way)]))
        self.levels = np.zeros(len(ways), kernel.LEVEL_ROW)
        rows = [way_rows(way, every) for way in ways]
        end = 0
        for level, way in zip(self.levels, rows, strict=True):
            level["up_first"], level["up_end"] = end, end + len(way)
            end += len(way)
        self.ways = np.concatenate(rows)
        self.sources = source_rows(every)
        deepest_m = max(dive.deepest_m, dived.deepest_m)
        where = dived.environment
        self.rules = layout.rules._replace(
            stop_depths_m=np.array(dive.stops.depths_m(deepest_m)), held=np.zeros((0, 2)),
            surface_bar=where.surface_bar, bar_per_m=where.bar_per_m,
        )  # fmt: skip
        self.comps = layout.comps
        self.tensions = np.ascontiguousarray(loaded.tensions_bar[looks])
        self.points = np.zeros(len(looks), kernel.POINT)
        self.points["run_time_min"] = times
        self.points["depth_m"] = loaded.depth_m[looks]
        self.points["source"] = [every.index(source) for source in breathed]
        self.points["kind"] = kernel.LEVEL
        self.points["level"] = [ways.index(way) for way in found]

    def from_looks(self, first_stop_m: Array) -> tuple[Array, ...]:
        """Rows of kernel.LEG for each look; `first_stop_m` is where the line hangs from already, or -1."""
        self.points["first_stop_m"] = first_stop_m
        found: list[Array] = []
        at_once = 200
        for first in range(0, len(self.points), at_once):
            count = min(at_once, len(self.points) - first)
            cases = np.zeros(count, kernel.CASE)
            cases["from_point"] = first + np.arange(count)
            cases["to_point"] = cases["from_point"] + 1
            cases["rate"] = 1.0
            cases["break_source"] = self.rules.break_source
            cases["gf_low"], cases["gf_high"] = self.rules.gf_low, self.rules.gf_high
            none = np.zeros((count, len(self.sources)))
            legs = np.zeros(count * LEGS_HOME, kernel.LEG)
            kernel.what_if(
                cases, np.zeros(0, kernel.MATE), none, none, none, self.points[None], self.tensions[None],
                np.zeros((len(self.points), len(self.sources))), self.tensions[0], self.levels, self.ways,
                np.zeros((0, 2)), self.sources, self.rules, self.comps, legs,
            )  # fmt: skip
            found += [legs[case["leg_first"] : case["leg_end"]].copy() for case in cases]
        return tuple(found)


def through_breaks(sources: Sequence[Source], break_source: Source | None) -> list[Source]:
    """What a diver is on, in an oxygen break too: the oxygen that is breathed again after it, with no gas switch."""
    found: list[Source] = []
    for source in sources:
        in_break = source == break_source and bool(found) and _is_oxygen(found[-1])
        found.append(found[-1] if in_break else source)
    return found


def _is_oxygen(source: Source) -> bool:
    return source.circuit == "open" and source.mix.o2 >= kernel.OXYGEN


def way_up(dive: Dive, breathed: Source, level: int) -> Way:
    """What is breathed on an ascent that begins now: by the plan's gases, from what is breathed. On the loop by the
    setpoints of a level, by its index."""
    if dive.loop is None:
        return gases.way_up(dive, breathed.mix)
    if breathed.circuit == "open":
        return gases.bailout_way(dive) or (gases.Step(gases.ANY_DEPTH_M, breathed),)
    return gases.stretches(dive)[level].up


def level_at(dive: Dive, run_time_min: float) -> int:
    """The index of the level that is planned for a run time; the last one from then on."""
    return min(sum(level.leave_at < run_time_min - 1e-6 for level in dive.levels), len(dive.levels) - 1)
