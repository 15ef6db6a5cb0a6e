"""The way down, the levels, the stops and gas switches on the way up; NDL, TTS and ceiling at every point.

This module lays a dive out for the kernel (`leadline.tissue.kernel`) and reads what comes back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.errors import DiveFileError, Problem, key_path
from leadline.dive_file.schema import Dive, Previous, Site
from leadline.dive_file.team import divers
from leadline.physics.environment import surface_pressure
from leadline.physics.mix import Mix
from leadline.plan import gases
from leadline.plan.gases import Source, Step, Stretch, Way
from leadline.tissue import kernel
from leadline.tissue.coefficients import SetName
from leadline.tissue.loading import compartments, saturated
from leadline.units import SYSTEMS

Array = NDArray[Any]

MOST_LEGS = 2048
AIR, OXYGEN = Mix.parse("air"), Mix.parse("oxygen")
"""Breathed at the surface."""
Held = Sequence[tuple[float, float]]
"""Depths [m] that are not left before a run time [min]."""

_KINDS = {kernel.DESCENT: "descent", kernel.LEVEL: "level", kernel.ASCENT: "ascent", kernel.STOP: "stop"}


@dataclass(frozen=True)
class Leg:
    """A straight piece of the dive: one source, a steady change of depth or none."""

    kind: str
    start_min: float
    end_min: float
    start_m: float
    end_m: float
    source: Source
    level: int
    """Index of the level it belongs to, or was bound for."""
    after_first_stop: bool

    @property
    def minutes(self) -> float:
        """How long it takes."""
        return self.end_min - self.start_min


@dataclass(frozen=True)
class Stop:
    """A stop as it is written on a slate. It is left on a whole minute of run time."""

    depth_m: float
    arrive_min: float
    leave_min: float
    source: Source

    @property
    def minutes(self) -> int:
        """Whole minutes at the stop, a begun one counted."""
        return math.ceil(self.leave_min - self.arrive_min - 1e-6)


@dataclass(frozen=True)
class Switch:
    """A change of gas or of setpoint."""

    depth_m: float
    run_time_min: float
    source: Source


@dataclass(frozen=True)
class Track:
    """What a dive computer would show at every whole minute, and before and after every change of what the diver does.

    `points` is an array of `kernel.POINT` and `tensions_bar` [points, 2, 16], nitrogen first.
    """

    points: Array = field(repr=False, compare=False)  # what follows from the legs need not be compared
    tensions_bar: Array = field(repr=False, compare=False)
    sources: tuple[Source, ...]

    def __len__(self) -> int:
        """How many points."""
        return len(self.points)

    def at(self, run_time_min: float) -> Any:
        """The last point at or before a run time: a record of `kernel.POINT`."""
        i = int(np.searchsorted(self.points["run_time_min"], run_time_min + 1e-6, side="right")) - 1
        return self.points[max(i, 0)]


@dataclass(frozen=True)
class Schedule:
    """A dive from the surface to the surface."""

    legs: tuple[Leg, ...]
    stops: tuple[Stop, ...]
    switches: tuple[Switch, ...]
    run_time_min: float
    tts_min: float
    """From the end of the last level to the surface."""
    ndl_min: int
    """The longest bottom time at the deepest level without a stop, capped at kernel.NDL_CAP_MIN."""
    track: Track

    def __repr__(self) -> str:
        """What it is, in a line."""
        stops = ", ".join(f"{stop.depth_m:g} m {stop.minutes} min" for stop in self.stops) or "none"
        return f"<Schedule: run time {math.ceil(self.run_time_min - 1e-6)} min, stops {stops}>"

    @cached_property
    def first_stop_m(self) -> float | None:
        """The deepest stop, those between levels included, if there is one. [m]"""
        return max((stop.depth_m for stop in self.stops), default=None)


@dataclass(frozen=True)
class Layout:
    """A dive as the kernel takes it."""

    rules: kernel.Rules
    comps: kernel.Compartments
    levels: Array
    ways: Array
    sources: tuple[Source, ...]
    source_rows: Array
    start: Array


def dive_schedule(dive: Dive, layout: Layout, source: str = "dive") -> Schedule:
    """The schedule of a dive. DiveFileError (naming the file as `source`) if it cannot be dived as written."""
    return _read(dive, layout, *_simulate(dive, layout, source))


def _read(dive: Dive, layout: Layout, rows: Array, left: int) -> Schedule:
    """What the kernel found, as a schedule."""
    legs = read_legs(rows, layout.sources)
    run_time_min = float(rows[-1]["end_min"])
    return Schedule(
        legs=legs,
        stops=read_stops(legs),
        switches=read_switches(legs),
        run_time_min=run_time_min,
        tts_min=run_time_min - dive.levels[-1].leave_at,
        ndl_min=no_stop_limit(dive, layout),
        track=_track(layout, rows, left),
    )


def run_time(dive: Dive, held: Held = ()) -> float:
    """The run time of a dive, and nothing else of it [min]. DiveFileError if it cannot be dived as written."""
    rows, _ = _simulate(dive, lay_out(dive, held=held), "dive")
    return float(rows[-1]["end_min"])


def legs_of(dive: Dive, held: Held = ()) -> tuple[Leg, ...]:
    """The legs of a dive, and nothing else of it. DiveFileError if it cannot be dived as written."""
    layout = lay_out(dive, held=held)
    return read_legs(_simulate(dive, layout, "dive")[0], layout.sources)


def common_stops(team: Sequence[Dive], held: Held = ()) -> Held:
    """The depths [m] of the last ascent with the run time [min] at which a whole team leaves them, each diver on his
    own gas and gradient factors; those `held` already are kept. DiveFileError where a dive cannot be dived as written.

    From the deepest up: whoever would leave a stop earlier than the others waits there, and what that does to the
    shallower stops is found anew. So nobody leaves a stop before his own rules allow it, and none is longer than the
    diver who needs most time there makes it.
    """
    layouts = [lay_out(dive) for dive in team]
    until = dict(held)
    while True:
        array = np.array(list(until.items()), dtype=float).reshape(-1, 2)
        stops_m: set[float] = set()
        leaves = []
        for dive, layout in zip(team, layouts, strict=True):
            rows, left = _simulate(dive, replace(layout, rules=layout.rules._replace(held=array)), "dive")
            stops_m.update(rows[left:][rows[left:]["kind"] == kernel.STOP]["end_m"].tolist())
            # The last leg that ends at a depth is the stop there, or the ascent that passes it.
            leaves.append(dict(zip(rows[left:]["end_m"].tolist(), rows[left:]["end_min"].tolist(), strict=True)))
        depths_m = sorted(stops_m, reverse=True)
        left_min = np.array([[one.get(depth_m, -math.inf) for depth_m in depths_m] for one in leaves])
        until_min = np.array([until.get(depth_m, -1.0) for depth_m in depths_m])
        held_at = kernel.wait_for_all(left_min, np.ones(len(depths_m)), until_min)
        if held_at < 0:
            return tuple(until.items())
        until[depths_m[held_at]] = float(until_min[held_at])


def starting_tissue(dive: Dive) -> Array:
    """Tissues at the start of a dive: at rest, or as the dives before it have left them. [2, 16, bar]"""
    if not dive.previous:
        return at_rest(dive.site, dive.model.coefficients)
    surface_bar = dive.site.environment.surface_bar
    return _left_by(dive.previous[-1], surface_bar, dive.model.coefficients).copy()


def at_rest(site: Site, coefficients: SetName) -> Array:
    """Tissues of a diver at a site who has not dived: saturated there, or where he came from and on the site's air
    since (Haldane). The way up counts as no time, at once. [2, 16, bar]"""
    surface_bar = site.environment.surface_bar
    if site.acclimatised is None or site.came_from_m is None:
        return saturated(surface_bar)
    tissue = saturated(surface_pressure(site.came_from_m))
    kernel.load_constant(
        tissue, surface_bar, site.acclimatised, source_rows([Source(AIR)])[0], compartments(coefficients)
    )
    return tissue


@lru_cache(maxsize=64)
def _left_by(earlier: Previous, surface_bar: float, coefficients: SetName) -> Array:
    """What a dive, begun as the ones before it left the tissues, and the surface interval after it leave in them."""
    tissue = np.array(earlier.left.tensions_bar) if earlier.left is not None else planned_before(earlier).tissue.copy()
    bar = interval_bar(earlier, surface_bar)
    for gas, minutes in ((OXYGEN, earlier.oxygen), (AIR, earlier.surface_interval - earlier.oxygen)):
        kernel.load_constant(tissue, bar, minutes, source_rows([Source(gas)])[0], compartments(coefficients))
    return tissue


@dataclass(frozen=True)
class PlannedBefore:
    """A planned earlier dive as its diver dives it."""

    dive: Dive
    schedule: Schedule
    tissue: Array = field(repr=False, compare=False)
    """At its end. [2, 16, bar]"""


@lru_cache(maxsize=64)
def planned_before(earlier: Previous) -> PlannedBefore:
    """A planned earlier dive, worked out once for tissues, oxygen and flying. DiveFileError if it cannot be dived."""
    dive, held = as_dived(earlier)
    layout = lay_out(dive, earlier.name, held)
    tissue = layout.start.copy()
    rows, left = _simulate(dive, layout, earlier.name, tissue)
    return PlannedBefore(dive, _read(dive, layout, rows, left), tissue)


def interval_bar(earlier: Previous, surface_bar: float) -> float:
    """The air pressure of the surface interval after a dive, before one at a surface pressure [bar]: that of the lower
    of the two sites, as tissues are freed least there. [bar]"""
    return max(surface_bar, surface_pressure(earlier.altitude_m))


def as_dived(earlier: Previous) -> tuple[Dive, Held]:
    """A planned earlier dive as its diver dives it: alone, or on the common stops of its team.

    A dive file without a team is the dive of every diver that names it.
    """
    dive = earlier.dive
    if not dive.team:
        before = tuple(one.dived_by(earlier.diver) for one in dive.previous) if earlier.diver else dive.previous
        return dive.model_copy(update={"previous": before}), ()
    named = dict(divers(dive))
    return named[earlier.diver], common_stops(list(named.values())) if len(named) > 1 else ()


def _simulate(dive: Dive, layout: Layout, source: str, tissue: Array | None = None) -> tuple[Array, int]:
    """The legs of a dive as rows, and which is the first of the last ascent. `tissue`, given as it is at the start, is
    left as it is at the end."""
    tissue = tissue if tissue is not None else layout.start.copy()
    rows = np.zeros(MOST_LEGS, kernel.LEG)
    n, left, fault, level, at_min = kernel.simulate(
        tissue, layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps, rows
    )
    if fault != kernel.FINE:
        raise DiveFileError(source, [_fault(dive, fault, level, at_min)])
    return rows[:n], left


def lay_out(dive: Dive, source: str = "dive", held: Held = ()) -> Layout:
    """A dive as arrays for the kernel; `held` are stops of the last ascent that are not left before a run time.

    DiveFileError (naming the file as `source`) if some depth has no breathable gas.
    """
    found = gases.stretches(dive, source)
    bailout = gases.bailout_way(dive) if dive.loop is not None else ()
    break_gas = gases.break_source(dive, source)
    sources = distinct(found, bailout, [break_gas] if break_gas is not None else [])
    where, rates, breaks = dive.site.environment, dive.rates, dive.stops.oxygen_breaks
    low, high = dive.model.gradient_factors
    stop_depths_m = np.array(dive.stops.depths_m(dive.deepest_m))
    rules = kernel.Rules(
        surface_bar=where.surface_bar,
        bar_per_m=where.bar_per_m,
        gf_low=low / 100.0,
        gf_high=high / 100.0,
        descent=rates.descent,
        ascent=rates.ascent,
        between_stops=rates.between_stops if rates.between_stops is not None else rates.ascent,
        to_surface=rates.to_surface if rates.to_surface is not None else rates.ascent,
        switch_hold_min=dive.stops.gas_switch,
        safety_min=dive.stops.safety,
        oxygen_on_min=breaks.on if breaks is not None and break_gas is not None else 0.0,
        oxygen_off_min=breaks.off if breaks is not None else 0.0,
        break_source=sources.index(break_gas) if break_gas is not None else -1,
        stop_depths_m=stop_depths_m,
        held=np.array(held, dtype=float).reshape(-1, 2),
    )
    levels, ways = level_rows(dive, found, sources, 0)
    return Layout(
        rules=rules,
        comps=compartments(dive.model.coefficients),
        levels=levels,
        ways=ways,
        sources=sources,
        source_rows=source_rows(sources),
        start=starting_tissue(dive),
    )


def level_rows(dive: Dive, found: Sequence[Stretch], sources: Sequence[Source], filled: int) -> tuple[Array, Array]:
    """The levels of a dive as rows of `kernel.LEVEL_ROW`, and their ways as rows of `kernel.WAY`.

    The ways go behind `filled` others.
    """
    levels = np.zeros(len(dive.levels), kernel.LEVEL_ROW)
    ways: list[Array] = []
    for i, (level, stretch) in enumerate(zip(dive.levels, found, strict=True)):
        to, up = way_rows(stretch.to, sources), way_rows(stretch.up, sources)
        middle, end = filled + len(to), filled + len(to) + len(up)
        levels[i] = (level.depth, level.leave_at, sources.index(stretch.at), filled, middle, middle, end)
        ways += [to, up]
        filled = end
    return levels, np.concatenate(ways)


def read_legs(rows: Array, sources: Sequence[Source]) -> tuple[Leg, ...]:
    """The kernel's legs as records."""
    return tuple(
        Leg(
            kind=_KINDS[kind],
            start_min=start_min,
            end_min=end_min,
            start_m=start_m,
            end_m=end_m,
            source=sources[source],
            level=level,
            after_first_stop=first_stop_m >= 0.0,
        )
        for start_min, end_min, start_m, end_m, source, kind, level, _, first_stop_m in rows.tolist()
    )


def read_stops(legs: Iterable[Leg]) -> tuple[Stop, ...]:
    """The stops among legs."""
    return tuple(Stop(leg.end_m, leg.start_min, leg.end_min, leg.source) for leg in legs if leg.kind == "stop")


def read_switches(legs: Sequence[Leg]) -> tuple[Switch, ...]:
    """Every change of source between legs, at the depth and time it happens."""
    return tuple(
        Switch(leg.start_m, leg.start_min, leg.source)
        for before, leg in pairwise(legs)
        if not leg.source.is_same(before.source)
    )


def distinct(found: Iterable[Stretch], *ways: Iterable[Step] | Iterable[Source]) -> tuple[Source, ...]:
    """Every source of stretches and ways, once."""
    named = [step.source for stretch in found for way in (stretch.to, stretch.up) for step in way]
    named += [stretch.at for stretch in found]
    named += [step.source if isinstance(step, Step) else step for way in ways for step in way]
    return tuple(dict.fromkeys(one for source in named for one in (source, source.resting)))


def way_rows(way: Way, sources: Sequence[Source]) -> Array:
    """A way as rows of `kernel.WAY`."""
    return np.array([(step.from_depth_m, sources.index(step.source)) for step in way], dtype=kernel.WAY)


def source_rows(sources: Sequence[Source]) -> Array:
    """Sources as rows of `kernel.SOURCE`."""
    rows = [(s.o2, s.mix.he_share, s.setpoint_bar or 0.0, s.metabolised_bar) for s in sources]
    return np.array(rows, dtype=kernel.SOURCE)


def _fault(dive: Dive, fault: int, level: int, at_min: float) -> Problem:
    system = SYSTEMS[dive.units]
    if fault == kernel.LEFT_TOO_EARLY:
        depth = f"{system.at(dive.levels[level].depth)}"
        return Problem(
            key_path("levels", level, "leave_at"),
            f"{dive.levels[level].leave_at:g} min is before the stops on the way to {depth} are done "
            f"({at_min:.1f} min); give at least {math.ceil(at_min - 1e-6)}",
        )
    if fault == kernel.NEVER_CLEARS:
        return Problem(
            "[model] gradient_factors",
            "a stop never clears on the gas breathed there: GF high is too low for that stop depth and gas; "
            "raise GF high, set [stops] last shallower, or carry a richer deco gas",
        )
    return Problem("[[levels]]", "the ascent has more legs than any dive; shorten the levels or the oxygen breaks")


def no_stop_limit(dive: Dive, layout: Layout) -> int:
    """The longest whole-minute bottom time, descent included, at the deepest level without a stop. [min]"""
    level = layout.levels[int(np.argmax(layout.levels["depth_m"]))]
    first = layout.levels[0]
    return int(
        kernel.no_stop_limit(
            layout.start.copy(),
            float(level["depth_m"]),
            int(level["source"]),
            layout.ways[first["to_first"] : first["to_end"]],
            layout.ways[level["up_first"] : level["up_end"]],
            layout.source_rows,
            layout.rules,
            layout.comps,
        )
    )


def _track(layout: Layout, rows: Array, left: int) -> Track:
    most = int(rows[-1]["end_min"]) + 3 * len(rows) + 8
    points = np.zeros(most, kernel.POINT)
    tensions = np.zeros((most, 2, kernel.COMPARTMENTS))
    # Leaving earlier than planned is not held up by holds of the plan.
    rules = layout.rules._replace(held=np.zeros((0, 2)))
    n = kernel.track(
        layout.start.copy(), rows, left, layout.levels, layout.ways, layout.source_rows, rules, layout.comps,
        points, tensions,
    )  # fmt: skip
    assert n > 0, "the track is longer than its legs allow"
    return Track(points[:n], tensions[:n], layout.sources)
