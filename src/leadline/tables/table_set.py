"""A table set: a dive at other depths and bottom times, each planned whole, with its no-stop limits and repetitive
dives.

Every number of it is that of a plan, but for `SecondDive.minutes`, which is the least of several.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import DiveFileError, Problem, expect, key_path
from leadline.dive_file.schema import Cylinder, Dive, Level, Previous
from leadline.dive_file.team import divers
from leadline.physics.mix import Mix
from leadline.plan.breathing import hard_density_g_l
from leadline.plan.day import plan_day
from leadline.plan.gases import MINIMUM_PPO2_BAR, ROUNDING_BAR
from leadline.plan.planned import Plan
from leadline.plan.schedule import Held, dive_schedule, lay_out, no_stop_limit
from leadline.plan.team import Team, plan_team
from leadline.solve.bottom import bottom_time, shortest, with_bottom
from leadline.solve.verdict import BrokenLimit, of_team, refusal
from leadline.tissue.kernel import CLOSE
from leadline.units import SYSTEMS, SystemName

MOST_DIVES = 96
"""Depths times bottom times: each is a slate."""
MOST_NO_STOP_MIN = 240
"""A longer no-stop limit is given as this: gas and oxygen end such a dive."""
NDL_DEPTHS: dict[SystemName, tuple[int, ...]] = {
    "metric": tuple(range(9, 43, 3)),
    "imperial": tuple(range(30, 141, 10)),
}
"""Where the dive file names none. [m, ft]"""
SECOND_DEPTHS: dict[SystemName, tuple[int, ...]] = {"metric": (12, 18, 24, 30), "imperial": (40, 60, 80, 100)}
_AROUND = (-2, -1, 0, 1, 2)
_TIME_STEP_MIN = 5
_JUST_ABOVE_M = 0.01
"""So far above the depth where a setpoint takes over it has not yet."""

Told = Callable[[int, int, str], None]
"""Is told how many dives are planned, of how many, and what is planned next."""


@dataclass(frozen=True)
class Cell:
    """The dive at one depth and bottom time."""

    depth_m: float
    minutes: int
    """Bottom time: the run time at which the deepest level is left."""
    dive: Dive
    team: Team | None
    """Its plan, of one diver or several; None where it cannot be planned."""
    limits: tuple[BrokenLimit, ...]
    """What it breaks; why it cannot be planned."""
    asked_more: tuple[tuple[float, int], ...] = ()
    """Neighbours, not deeper and not longer, whose own stops are not all met by this one's: [m, min]."""
    low_to_m: float | None = None
    """Dives from the next shallower depth down to here are on a loop's low setpoint, and the stops do not suffice."""

    @property
    def state(self) -> Literal["go", "no-go", "refused"]:
        """Refused: it cannot be planned."""
        if self.team is None:
            return "refused"
        return "no-go" if self.team.no_go else "go"

    def plan_of(self, diver: str) -> Plan | None:
        """The plan of a diver."""
        members = self.team.members if self.team is not None else ()
        return next((member.plan for member in members if member.name == diver), None)


@dataclass(frozen=True)
class NoStop:
    """A no-stop limit: whole minutes of bottom time, descent included, or why there is none."""

    minutes: int | None
    why: str = ""


@dataclass(frozen=True)
class NoStopLimits:
    """The no-stop limits of one gas, by depth. In a team those of the diver with the shortest."""

    name: str
    carried: bool
    limits: tuple[NoStop, ...]


@dataclass(frozen=True)
class SecondDive:
    """No-stop limits of a dive after the dives of the set, by those dives and by surface interval."""

    depth_m: float
    rested: NoStop
    own: tuple[tuple[int | None, ...], ...]
    """[cells, surface intervals] of that very dive after that very dive; None where the first cannot be planned, or
    the second cannot be dived at all. [min]"""
    minutes: tuple[tuple[int | None, ...], ...]
    """The same, as they may be entered from between: the least of all first dives that are not deeper and not longer,
    of all surface intervals that are not shorter, and of a rested diver. [min]"""


@dataclass(frozen=True)
class TableSet:
    """A dive file's table set."""

    dive: Dive
    depths_m: tuple[float, ...]
    times_min: tuple[int, ...]
    cells: tuple[Cell, ...]
    """By depth, then by time."""
    ndl_depths_m: tuple[float, ...]
    no_stop: tuple[NoStopLimits, ...]
    """Empty where they are not asked for."""
    second: tuple[SecondDive, ...]
    """Empty where they are not asked for."""

    @property
    def rows(self) -> list[tuple[Cell, ...]]:
        """The cells of each depth."""
        n = len(self.times_min)
        return [self.cells[i : i + n] for i in range(0, len(self.cells), n)]

    @property
    def divers(self) -> tuple[str, ...]:
        """Their names; one empty name without a team."""
        return tuple(name for name, _ in divers(self.dive))

    @property
    def any_go(self) -> bool:
        """Whether one of its dives may be dived."""
        return any(cell.state == "go" for cell in self.cells)


def plan_table_set(dive: Dive, source: str = "dive", told: Told | None = None) -> TableSet:
    """The table set of a dive file, by its [tables]. DiveFileError, naming the file as `source`, where that cannot be.

    A depth and bottom time that cannot be planned is a cell that says why.
    """
    expect(dive, Dive, "plan_table_set", "a Dive, as read_dive gives")
    told = told if told is not None else lambda done, of, said: None
    system = SYSTEMS[dive.units]
    depths_m, times_min = axes(dive, source)
    _stands_on_something(dive, source)
    wanted = [(depth_m, minutes) for depth_m in depths_m for minutes in times_min]
    seconds_m = _second_depths(dive) if "repetitive" in dive.tables.parts else ()
    total = len(wanted) * (2 if seconds_m else 1)
    cells: list[Cell] = []
    for depth_m, minutes in wanted:
        told(len(cells), total, f"{system.at(depth_m)}, {minutes} min")
        cells.append(_cell(dive, depth_m, minutes, source))
    cells = _compared(dive, cells, len(times_min), source)
    ndl_depths_m = _ndl_depths(dive) if "ndl" in dive.tables.parts else ()
    after: list[list[list[int | None]]] = []
    for cell in cells if seconds_m else ():
        told(len(cells) + len(after), total, f"second dives after {system.at(cell.depth_m)}, {cell.minutes} min")
        after.append(_after(dive, cell, seconds_m))
    return TableSet(
        dive=dive,
        depths_m=depths_m,
        times_min=times_min,
        cells=tuple(cells),
        ndl_depths_m=ndl_depths_m,
        no_stop=tuple(_no_stop_columns(dive, ndl_depths_m)) if ndl_depths_m else (),
        second=tuple(_second_dives(dive, after, len(times_min), seconds_m)),
    )


# --- What is planned --------------------------------------------------------------------------------------------------


def axes(dive: Dive, source: str = "dive") -> tuple[tuple[float, ...], tuple[int, ...]]:
    """The depths [m] and bottom times [min] of a table set. DiveFileError if there is no such set."""
    given, system = dive.tables, SYSTEMS[dive.units]
    other_m = max((level.depth for level in dive.levels if level.depth < dive.deepest_m), default=0.0)
    if given.depths is not None:
        depths_m = given.depths
        for depth_m in depths_m:
            if depth_m <= other_m + 1e-6:
                said = (
                    f"{system.at(depth_m)} is no deeper than the level at {system.at(other_m)}, and it is the deepest "
                    "level that varies; leave it out"
                )
                raise DiveFileError(source, [Problem(key_path("tables", "depths"), said)])
    else:
        around = (dive.deepest_m + i * dive.stops.step for i in _AROUND)
        depths_m = tuple(depth_m for depth_m in around if max(0.5, other_m + 1e-6) <= depth_m <= 350.0)
    shallow = with_bottom(dive, depths_m[0], bottom_time(dive))
    if given.times is not None:
        times_min = tuple(round(minutes) for minutes in given.times)
        problems = _unreachable(with_bottom(dive, depths_m[0], times_min[0]))
        if problems:
            raise DiveFileError(source, [Problem(key_path("tables", "times"), problems[0].message)])
    else:
        offered = (bottom_time(dive) + i * _TIME_STEP_MIN for i in _AROUND)
        times_min = tuple(minutes for minutes in offered if shortest(shallow) <= minutes <= 1440)
        times_min = times_min or (bottom_time(dive),)
    if len(depths_m) * len(times_min) > MOST_DIVES:
        said = (
            f"{len(depths_m)} depths by {len(times_min)} bottom times are {len(depths_m) * len(times_min)} dives, each "
            f"with a slate; at most {MOST_DIVES} in a set: take larger steps, or make two sets"
        )
        raise DiveFileError(source, [Problem("[tables]", said)])
    return depths_m, times_min


def _unreachable(dive: Dive) -> list[Problem]:
    """What is wrong with the levels of a dive."""
    return [problem for problem in contradictions(dive) if problem.key.startswith("[[levels]]")]


def _stands_on_something(dive: Dive, source: str) -> None:
    """The dives before must be such as may be dived."""
    if not dive.previous or dive.previous[-1].left is not None:
        return
    before = dive.previous[-1]
    if plan_day(before.dive, before.name).no_go:
        said = "is a no-go, and a table set after it would stand on nothing; mend it first"
        raise DiveFileError(source, [Problem(key_path("previous", len(dive.previous) - 1, "file"), said)])


def _cell(dive: Dive, depth_m: float, minutes: int, source: str) -> Cell:
    made = with_bottom(dive, depth_m, minutes)
    try:
        problems = _unreachable(made)
        if problems:
            raise DiveFileError(source, problems)
        team = plan_team(made, source)
    except DiveFileError as error:
        return Cell(depth_m, minutes, made, None, (refusal(error.problems[0]),))
    return Cell(depth_m, minutes, made, team, of_team(team).limits)


# --- Whether the next deeper and longer is on the safe side -----------------------------------------------------------


def _compared(whole: Dive, cells: Sequence[Cell], columns: int, source: str) -> list[Cell]:
    """Cells, each with those neighbours that its stops do not suffice for.

    A table is entered at the next deeper depth and the next longer time: so the stops must suffice from each corner of
    what lies between. Where a setpoint takes over between two depths, also for the dives just above there.
    """
    found = []
    other_m = max((level.depth for level in whole.levels if level.depth < whole.deepest_m), default=0.0)
    for k, cell in enumerate(cells):
        i, j = divmod(k, columns)
        above_m = cells[k - columns].depth_m if i > 0 else other_m
        corners = [(i - 1, j), (i, j - 1), (i - 1, j - 1)]
        others = [cells[a * columns + b] for a, b in corners if a >= 0 and b >= 0]
        lows_m = dict.fromkeys(low_to(own) for _, own in divers(cell.dive))
        for low_to_m in (one for one in lows_m if one is not None):
            if above_m < low_to_m < cell.depth_m:
                times = [cells[k - 1].minutes] * (j > 0) + [cell.minutes]
                others += [_cell(whole, low_to_m, minutes, source) for minutes in times]
        more = tuple((one.depth_m, one.minutes) for one in others if _asks_more(one, cell))
        low_m = max((depth_m for depth_m, _ in more if depth_m in lows_m), default=None)
        found.append(Cell(cell.depth_m, cell.minutes, cell.dive, cell.team, cell.limits, more, low_m))
    return found


def _asks_more(lesser: Cell, cell: Cell) -> bool:
    """Whether a dive, brought up on another's stops, each as long as there, would have to stay longer somewhere."""
    if cell.team is None or lesser.team is None:
        return False
    for name, own in divers(lesser.dive):
        plan, alone = cell.plan_of(name), lesser.plan_of(name)
        assert plan is not None
        assert alone is not None
        if not alone.schedule.stops:
            continue
        held = stops_held(plan, cell.minutes - lesser.minutes)
        try:
            found = dive_schedule(own, lay_out(own, held=held))
        except DiveFileError:
            return True
        until, left_at = dict(held), own.levels[-1].leave_at
        if any(
            stop.leave_min > until.get(stop.depth_m, left_at) + CLOSE
            for stop in found.stops
            if stop.leave_min > left_at
        ):
            return True
    return False


def stops_held(plan: Plan, earlier_min: int) -> Held:
    """When each stop of a plan's last ascent is left, so many minutes earlier: [m, min]."""
    left_at = plan.dive.levels[-1].leave_at
    leaves = {stop.depth_m: stop.leave_min - earlier_min for stop in plan.schedule.stops if stop.leave_min > left_at}
    return tuple(leaves.items())


# --- No-stop limits ---------------------------------------------------------------------------------------------------


def _ndl_depths(dive: Dive) -> tuple[float, ...]:
    return dive.tables.ndl_depths or _in_metres(dive, NDL_DEPTHS[dive.units])


def _second_depths(dive: Dive) -> tuple[float, ...]:
    return dive.tables.second_depths or _in_metres(dive, SECOND_DEPTHS[dive.units])


def _in_metres(dive: Dive, depths: Iterable[int]) -> tuple[float, ...]:
    return tuple(depth * SYSTEMS[dive.units].depth_m for depth in depths)


def _no_stop_columns(dive: Dive, depths_m: Sequence[float]) -> Iterable[NoStopLimits]:
    """The loop, the bottom gases carried, then the gases of choice."""
    loops = [own for _, own in divers(dive) if own.loop is not None]
    if loops:
        names = dict.fromkeys(f"loop {own.loop.setpoint:g}" for own in loops if own.loop is not None)
        limits = tuple(_least(_on_the_loop(own, depth_m) for own in loops) for depth_m in depths_m)
        yield NoStopLimits(" or ".join(names), True, limits)
    carried = [c.gas for _, own in divers(dive) if own.loop is None for c in own.cylinders if c.use == "bottom"]
    for gas in dict.fromkeys([*carried, *dive.tables.ndl_gases]):
        limits = tuple(on_open_circuit(dive, depth_m, gas) for depth_m in depths_m)
        yield NoStopLimits(gas.name, gas in carried, limits)


def _on_the_loop(dive: Dive, depth_m: float) -> NoStop:
    """The no-stop limit of one diver at a depth [m] on the loop, as it may be entered from shallower depths.

    Just above the depth where the setpoint takes over, the low one still holds and the limit may be shorter.
    """
    own, low_to_m = _no_stop(_at(dive, depth_m)), low_to(dive)
    if own.minutes is None or low_to_m is None or low_to_m > depth_m:
        return own
    shallow = _no_stop(_at(dive, low_to_m)).minutes
    return own if shallow is None else NoStop(min(own.minutes, shallow))


def low_to(dive: Dive) -> float | None:
    """The greatest depth of a level at which a loop still holds its low setpoint; None without one. [m]"""
    if dive.loop is None or dive.loop.high_from is None or dive.loop.high_from <= 2.0 * _JUST_ABOVE_M:
        return None
    return dive.loop.high_from - _JUST_ABOVE_M


def on_open_circuit(dive: Dive, depth_m: float, gas: Mix, after: Previous | None = None) -> NoStop:
    """The no-stop limit at a depth [m] on one gas alone, by the rules of a dive: of its diver with the shortest.

    `after` is the dive before, in place of those of the dive file.
    """
    carried = {"name": gas.label, "gas": gas, "size": 12.0, "pressure": 200.0, "use": "bottom"}
    alone = dive.model_copy(
        update={
            "loop": None,
            "cylinders": (Cylinder.model_validate(carried),),
            "stops": dive.stops.model_copy(update={"oxygen_breaks": None}),
            "team": tuple(
                one.model_copy(update={"circuit": None, "loop": None, "cylinders": None}) for one in dive.team
            ),
            **({"previous": (after,)} if after is not None else {}),
        }
    )
    return _least(_no_stop(_at(own, depth_m)) for _, own in divers(alone))


def _at(dive: Dive, depth_m: float) -> Dive:
    """A dive to one depth. How long does not matter to its no-stop limit."""
    return dive.model_copy(update={"levels": (Level.model_construct(depth=depth_m, leave_at=1440.0, gas=None),)})


def _no_stop(dive: Dive) -> NoStop:
    """The no-stop limit of one diver at the one level of a dive, if its gas is breathed there at all."""
    bar, limits = dive.site.environment.pressure(dive.levels[0].depth), dive.limits
    mixes = [dive.cylinders[0].gas] if dive.loop is None else []
    if any(mix.ppo2(bar) > limits.ppo2_bottom + ROUNDING_BAR for mix in mixes):
        return NoStop(None, f"ppO2 over {limits.ppo2_bottom:g}")
    try:
        layout = lay_out(dive)
    except DiveFileError:
        return NoStop(None, "hypoxic")
    source = layout.sources[int(layout.levels[0]["source"])]
    ppo2_bar = source.ppo2(bar)
    if ppo2_bar > limits.ppo2_bottom + ROUNDING_BAR:
        return NoStop(None, f"ppO2 over {limits.ppo2_bottom:g}")
    if ppo2_bar < dive.site.environment.least_ppo2(MINIMUM_PPO2_BAR):
        return NoStop(None, "hypoxic")
    hard_g_l = hard_density_g_l(dive)
    if source.inspired(bar).density(bar) > hard_g_l + 1e-9:
        return NoStop(None, f"over {hard_g_l:g} g/L")
    return NoStop(min(MOST_NO_STOP_MIN, no_stop_limit(dive, layout)))


def _least(found: Iterable[NoStop]) -> NoStop:
    """Of several divers: where one has none nobody has."""
    return min(found, key=lambda one: -1 if one.minutes is None else one.minutes)


# --- Repetitive dives -------------------------------------------------------------------------------------------------


def _after(dive: Dive, cell: Cell, depths_m: Sequence[float]) -> list[list[int | None]]:
    """The no-stop limits after one dive of the set: [second depths, surface intervals]."""
    gas, before = dive.tables.second_gas, [following(cell, minutes) for minutes in dive.tables.surface_intervals]
    if cell.team is None:
        return [[None for _ in before] for _ in depths_m]
    # What one interval leaves in the tissues is worked out once for all depths.
    by_interval = [[on_open_circuit(dive, depth_m, gas, one).minutes for depth_m in depths_m] for one in before]
    return [list(limits) for limits in zip(*by_interval, strict=True)]


def _second_dives(
    dive: Dive, after: Sequence[Sequence[Sequence[int | None]]], columns: int, depths_m: Sequence[float]
) -> Iterable[SecondDive]:
    for n, depth_m in enumerate(depths_m):
        own = tuple(tuple(of_cell[n]) for of_cell in after)
        rested = on_open_circuit(dive.model_copy(update={"previous": ()}), depth_m, dive.tables.second_gas)
        yield SecondDive(depth_m, rested, own, _on_the_safe_side(own, columns, rested.minutes))


def following(cell: Cell, interval_min: float) -> Previous:
    """A dive of the set, as the one before another."""
    name = f"{cell.depth_m:g} m, {cell.minutes} min"
    return Previous.model_validate({"file": name, "surface_interval": interval_min}).read_as(cell.dive)


def _on_the_safe_side(
    own: Sequence[Sequence[int | None]], columns: int, rested_min: int | None
) -> tuple[tuple[int | None, ...], ...]:
    """The least of all first dives that are not deeper and not longer, and of all surface intervals not shorter.

    A tissue that oxygen has cleared takes up gas in the surface interval: a longer one is not always better.
    """
    found = []
    for k, limits in enumerate(own):
        i, j = divmod(k, columns)
        lesser = [own[a * columns + b] for a in range(i + 1) for b in range(j + 1)]
        row: list[int | None] = []
        for n, limit in enumerate(limits):
            known = [value for one in lesser for value in one[n:] if value is not None]
            row.append(None if limit is None or rested_min is None else min([rested_min, *known]))
        found.append(tuple(row))
    return tuple(found)


def stop_minutes(plan: Plan) -> int:
    """All minutes at stops, as they are printed. [min]"""
    return sum(stop.minutes for stop in plan.schedule.stops)
