"""What can go wrong: the set that a careful team would write down, each as an edited dive or a way to leave the plan.

A scenario is either a whole dive of its own, the dive file edited to say what happened, or it leaves the plan at a
point of the track and comes up another way. `leadline.plan.contingency` works them out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations

from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.failures import FAILURE, Failure
from leadline.dive_file.schema import Cylinder, Dive, Level, WhatIf
from leadline.physics.mix import Mix
from leadline.plan import gases
from leadline.plan.gases import Source, Way
from leadline.plan.schedule import Held, Schedule, Stop, common_stops
from leadline.plan.supply import calm_rmv, open_circuit_cylinders, stressed_rmv
from leadline.tissue import kernel
from leadline.units import SYSTEMS

TTS_MARK_MIN = 5
"""TTS is marked this far apart before the last level is left."""


@dataclass(frozen=True)
class Mates:
    """What the mates of a diver mean to him."""

    rmv_stressed: float
    """Of the mate who breathes most. [L/min]"""
    stressed_for_min: float
    """Of the mate who is stressed longest."""
    rmv_bailout: float
    """After that, of the mate who then breathes most. [L/min]"""
    planned: tuple[tuple[Dive, Schedule], ...] = ()
    """What they dive."""
    names: tuple[str, ...] = ()
    """Who they are, in that order."""
    me: str = ""
    """Whose mates they are."""
    bailout: tuple[Cylinder, ...] = ()
    """Cylinders that they would give, named apart from the diver's own."""
    givers: Mapping[str, tuple[str, str]] = field(default_factory=dict, hash=False)
    """Whose each of them is, and its own name."""

    def of(self, name: str) -> tuple[Dive, Schedule]:
        """What a mate dives."""
        return self.planned[self.names.index(name)]

    @property
    def open_circuit(self) -> bool:
        """Whether some mate is on open circuit, with no bailout of his own."""
        return any(dive.loop is None for dive, _ in self.planned)


@dataclass(frozen=True)
class Sharing:
    """A mate out of gas, on the gas of the diver whose scenario it is."""

    name: str
    ups: tuple[Way, ...]
    """What the mate breathes on the way up from each level."""
    given: frozenset[Mix]
    """Of that, what is the diver's."""
    breaks: Source | None
    """Breathed in oxygen breaks: his own bottom gas is gone."""


@dataclass(frozen=True)
class Scenario:
    """One thing that goes wrong."""

    kind: WhatIf
    name: str
    """As it heads a sheet: "3 m deeper", "left stage (50 %) lost"."""
    dive: Dive
    """The dive file, edited to say it."""
    points: tuple[int, int] | None = None
    """The points of the track, first and behind the last, at which the plan may be left; None: a whole dive."""
    way: Way | None = None
    """What is breathed from there; None: as planned from the level."""
    sorting_out_min: float = 0.0
    rate: float = 1.0
    """Of the planned ascent rates."""
    held: Held = ()
    """Stops that are not left before a run time."""
    everyone: Callable[[Dive, Schedule], Dive] | None = field(default=None, compare=False)
    """How the dive file of every mate is edited too, where it happens to the whole team."""
    stressed: bool = False
    """Whether RMV is the stressed one, and then that of a bailout, once the plan is left."""
    mates: Mates | None = None
    """Of whom one breathes the bottom gas as well: a mate alike, where the file names none."""
    shares: Sharing | None = None
    """A mate of the team who breathes the diver's gas as well."""
    instead: Scenario | None = None
    """What is done where the gas does not last so."""
    whose: str = ""
    """The mate who comes up by the way, on the diver's cylinders, while the diver stays on the loop; empty: it is the
    diver himself."""
    one_of: str = ""
    """The mate, or the mate's cylinder, that it is of, where it is worked out for each and told of the worst."""
    given: Mapping[str, tuple[str, str]] = field(default_factory=dict, hash=False)
    """Cylinders that mates give when the diver's own are down to their reserves: whose each is, and its own name."""
    lost: str = ""
    """A cylinder that is breathed from until the plan is left, and not from there."""
    level: int | None = None
    """The level at whose end the plan is left; None: any, or a whole dive."""
    series: str = ""
    """Alike for scenarios that differ only in when the plan is left."""
    worse: bool = False
    """Whether it is left out where the plan is left at a moment that its series has already."""
    heavy_min: float = 0.0
    """First minutes from leaving the plan, or from reaching the bottom, in which more is breathed ..."""
    heavier_l_min: float = 0.0
    """... by so much. [L/min]"""
    held_at: tuple[float, float] | None = None
    """Of a delay: the run time [min] and depth [m] at which the plan would have gone on."""

    @property
    def stressed_min(self) -> float:
        """The least minutes of stressed RMV: those in which more is breathed are among them."""
        mates_min = self.mates.stressed_for_min if self.mates is not None else 0.0
        return max(self.dive.diver.stressed_for, self.heavy_min, mates_min)

    @property
    def failure(self) -> Failure:
        """Its kind, with all that goes for it."""
        return FAILURE[self.kind]

    @property
    def two_failures(self) -> bool:
        """Whether two things fail at once."""
        return self.failure.two

    @property
    def off_at_once(self) -> bool:
        """Whether a loop is left where the plan is."""
        return self.dive.loop is not None and self.failure.leaves_the_loop

    @property
    def off_the_loop(self) -> bool:
        """Whether a loop is left for open circuit, at once or on the way up."""
        way = self.way or ()
        return self.dive.loop is not None and any(step.source.circuit == "open" for step in way)


def all_scenarios(dive: Dive, schedule: Schedule, mates: Mates | None = None) -> tuple[Scenario, ...]:
    """What can go wrong on a dive, as far as its dive file does not leave it out. `mates`: of a team's diver."""
    mates = mates if mates is not None else as_mates(dive)
    found = [
        *_deeper_or_longer(dive, schedule),
        *_delays(dive, schedule),
        *_lost_gases(dive, schedule),
        *_lost_bottom_cylinders(dive, schedule),
        *_loop_fails(dive, schedule, mates),
        *_ascents(dive, schedule),
        *_more_breathed(dive, schedule, mates),
    ]
    kept = [scenario for scenario in found if scenario.kind not in dive.contingencies.leave_out]
    return tuple(_together(scenario, mates) for scenario in kept) if mates.planned else tuple(kept)


def as_mates(*mates: Dive) -> Mates:
    """Mates who breathe as these divers do."""
    return Mates(
        rmv_stressed=max(map(stressed_rmv, mates)),
        stressed_for_min=max(mate.diver.stressed_for for mate in mates),
        rmv_bailout=max(map(calm_rmv, mates)),
    )


def _together(scenario: Scenario, mates: Mates) -> Scenario:
    """A whole dive waits at the stops of the others. Where the plan is left, `leadline.plan.contingency` sees to it."""
    if scenario.points is not None:
        return scenario
    others = [scenario.everyone(dive, plan) if scenario.everyone else dive for dive, plan in mates.planned]
    try:
        return replace(scenario, held=common_stops([scenario.dive, *others], scenario.held))
    except DiveFileError:  # some mate cannot dive it so: that is said of the mate
        return scenario


def minimum_gas_scenarios(dive: Dive, schedule: Schedule, mates: Mates | None = None) -> tuple[Scenario, ...]:
    """On open circuit, from the end of every level: two stressed divers on the bottom gas."""
    if dive.loop is not None:
        return ()
    mates = mates if mates is not None else as_mates(dive)
    found = []
    for level in range(len(dive.levels)):
        end = _end_of_level(schedule, level)
        if end is not None:
            found += [
                replace(one, name=f"level {level + 1}", points=(end, end + 1), one_of="")
                for one in _mate_out_of_gas(dive, schedule, mates)
            ]
    return tuple(found)


def marked_min(schedule: Schedule) -> tuple[float, ...]:
    """Run times at which TTS is marked on paper: where a level before the last is left, and at the last level's end and
    before it. [min]"""
    levels = [leg for leg in schedule.legs if leg.kind == "level"]
    marks = [leg.end_min for leg in levels[:-1]][-2:]
    if levels:
        last = levels[-1]
        before = (last.end_min - i * TTS_MARK_MIN for i in (2, 1, 0))
        marks += [at_min for at_min in before if at_min == last.end_min or at_min >= last.start_min - 1e-6]
    return tuple(dict.fromkeys(marks))


def marked_bailouts(dive: Dive, schedule: Schedule, mates: Mates | None = None) -> tuple[Scenario, ...]:
    """Bailouts at the run times that are marked on paper."""
    if dive.loop is None:
        return ()
    mates = mates if mates is not None else as_mates(dive)
    bailout = _off_the_loop("bailout", "bailout", dive, schedule, mates)
    return tuple(_left_at(bailout, schedule, at_min) for at_min in marked_min(schedule))


def told_min(dive: Dive, schedule: Schedule) -> tuple[float, ...]:
    """Run times before the last level is left at which TTS is told: those that are marked on paper, and where a level
    or a stop is left. [min]"""
    end_min = dive.levels[-1].leave_at
    rows = (leg.end_min for leg in schedule.legs if leg.kind in ("level", "stop") and leg.end_min <= end_min + 1e-6)
    return tuple(sorted({*rows, *marked_min(schedule)}))


def ascents(dive: Dive, schedule: Schedule, at: Sequence[float]) -> tuple[Scenario, ...]:
    """Ascents as planned, from run times. [min]"""
    now = Scenario("aborted descent", "up as planned", dive)
    return tuple(_left_at(now, schedule, at_min) for at_min in at)


def _left_at(scenario: Scenario, schedule: Schedule, at_min: float) -> Scenario:
    """A scenario that leaves the plan at a run time [min], at a level if it can be."""
    points = schedule.track.points
    i = max(k for k in range(len(points)) if points[k]["run_time_min"] <= at_min + 1e-6)
    there = [k for k in range(i, -1, -1) if abs(points[k]["run_time_min"] - points[i]["run_time_min"]) < 1e-6]
    at_level = next((k for k in there if points[k]["kind"] == kernel.LEVEL), i)
    return replace(scenario, points=(at_level, at_level + 1), level=int(points[at_level]["level"]))


def _end_of_level(schedule: Schedule, level: int) -> int | None:
    """The point of the track at which a level is left."""
    points, there = schedule.track.points, (kernel.LEVEL, kernel.DESCENT)  # one left on arrival has no point of its own
    ends = [i for i in range(len(points)) if points[i]["kind"] in there and points[i]["level"] == level]
    return ends[-1] if ends else None


def _end_of_descent(schedule: Schedule) -> int:
    """The point of the track at which the first level is reached."""
    points = schedule.track.points
    return max(i for i in range(len(points)) if points[i]["kind"] == kernel.DESCENT and points[i]["level"] == 0)


# --- Whole dives ------------------------------------------------------------------------------------------------------


def _deeper_or_longer(dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    system, given = SYSTEMS[dive.units], dive.contingencies
    deeper = [depth_m for depth_m in given.deeper if depth_m > 0.0]
    longer = [minutes for minutes in given.longer if minutes > 0.0]
    for depth_m in deeper:
        edit = partial(edited, deeper_m=depth_m)
        yield Scenario("deeper", f"{system.at(depth_m)} deeper", edit(dive, schedule), everyone=edit)
    for minutes in longer:
        edit = partial(edited, longer_min=minutes)
        yield Scenario("longer", f"{minutes:.0f} min longer", edit(dive, schedule), everyone=edit)
    for depth_m in deeper:
        for minutes in longer:
            edit = partial(edited, deeper_m=depth_m, longer_min=minutes)
            name = f"{system.at(depth_m)} deeper, {minutes:.0f} min longer"
            yield Scenario("deeper and longer", name, edit(dive, schedule), everyone=edit)


def edited(
    dive: Dive, _: Schedule, deeper_m: float = 0.0, longer_min: float = 0.0, from_level: int | None = None
) -> Dive:
    """A dive with its deepest levels deeper, and longer at the first of them or at `from_level`, on the same gases."""
    deepest_m = dive.deepest_m
    later = from_level if from_level is not None else [level.depth for level in dive.levels].index(deepest_m)
    breathed = [stretch.at.mix for stretch in gases.stretches(dive)]
    levels: list[Level] = []
    depth_m = left_min = shift_min = 0.0
    for i, level in enumerate(dive.levels):
        down_m = level.depth + (deeper_m if level.depth == deepest_m else 0.0) - depth_m
        shift_min += longer_min if i == later else 0.0
        # A level that is left on arrival is still reached when it lies deeper.
        arrival_min = left_min + max(0.0, down_m) / dive.rates.descent
        shift_min = max(shift_min, math.ceil(arrival_min - 1e-6) - level.leave_at)
        depth_m, left_min = depth_m + down_m, level.leave_at + shift_min
        gas = breathed[i] if dive.loop is None else None
        levels.append(level.model_copy(update={"depth": depth_m, "leave_at": left_min, "gas": gas}))
    return dive.model_copy(update={"levels": tuple(levels)})


def _delays(dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    first = _first_stop(dive, schedule)
    for minutes in dive.contingencies.delay:
        if minutes <= 0.0:
            continue
        last = len(dive.levels) - 1
        edit = partial(edited, longer_min=minutes, from_level=last)
        name = f"{minutes:.0f} min held at the end of the bottom"
        at_the_end = dive.levels[-1].leave_at, dive.levels[-1].depth
        yield Scenario("delay", name, edit(dive, schedule), everyone=edit, held_at=at_the_end)
        if first is not None:
            at = SYSTEMS[dive.units].at(first.depth_m)
            name = f"{minutes:.0f} min held at the first stop, {at}"
            until = ((first.depth_m, first.leave_min + minutes),)
            yield Scenario("delay", name, dive, held=until, held_at=(first.leave_min, first.depth_m))


def _first_stop(dive: Dive, schedule: Schedule) -> Stop | None:
    """The first stop of the last ascent, from its arrival to when its depth is left."""
    left_min = dive.levels[-1].leave_at
    stops = [stop for stop in schedule.stops if stop.arrive_min >= left_min - 1e-6]
    there = [stop for stop in stops if stop.depth_m == stops[0].depth_m]
    return there[-1] if there else None


def _ascents(dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    yield Scenario("slow ascent", "slow ascent, half the rate", slowed(dive, schedule), rate=0.5, everyone=slowed)
    points = schedule.track.points
    down = [i for i in range(len(points)) if points[i]["kind"] == kernel.DESCENT and points[i]["level"] == 0]
    if down:
        yield Scenario("aborted descent", "descent aborted", dive, (0, down[-1] + 1))


def slowed(dive: Dive, _: Schedule) -> Dive:
    """A dive with half its ascent rates."""
    halved = {key: rate / 2.0 for key, rate in dive.rates if key != "descent" and rate is not None}
    return dive.model_copy(update={"rates": dive.rates.model_copy(update=halved)})


# --- Gas that is lost -------------------------------------------------------------------------------------------------


def without(dive: Dive, *lost: Cylinder) -> Dive:
    """A dive without some of its cylinders."""
    names = {cylinder.name for cylinder in lost}
    kept = tuple(cylinder for cylinder in dive.cylinders if cylinder.name not in names)
    carried = {cylinder.gas for cylinder in kept if cylinder.use in ("bottom", "travel", "deco")}
    levels = tuple(
        level if level.gas is None or level.gas in carried else level.model_copy(update={"gas": None})
        for level in dive.levels
    )
    stops = dive.stops
    breaks = stops.oxygen_breaks
    if breaks is not None and breaks.gas is not None and breaks.gas not in carried:
        stops = stops.model_copy(update={"oxygen_breaks": breaks.model_copy(update={"gas": None})})
    return dive.model_copy(update={"cylinders": kept, "stops": stops, "levels": levels})


def _said(*cylinders: Cylinder) -> str:
    named = (c.name if c.name == c.gas.name else f"{c.name} ({c.gas.name})" for c in cylinders)
    return " and ".join(named)


def _lost_gases(dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    """On open circuit. On a loop nothing is breathed from these until it fails."""
    if dive.loop is not None:
        return
    at, up = gases.stretches(dive)[-1].at, gases.stretches(dive)[-1].up
    taken_up = {step.source.mix for step in up[1:]}
    carried = [c for c in dive.cylinders if c.use == "deco" or (c.use == "travel" and c.gas in taken_up)]
    points, found = schedule.track.points, set[str]()
    left = _end_of_level(schedule, len(dive.levels) - 1)
    for lost in (*((cylinder,) for cylinder in carried), *combinations(carried, 2)):
        kind: WhatIf = "lost gas" if len(lost) == 1 else "two gases lost"
        rest, name = without(dive, *lost), f"{_said(*lost)} lost"
        if all(cylinder.use == "deco" for cylinder in lost):
            yield Scenario(kind, name, rest)
        elif left is not None and at in map(Source, _gases(rest)):  # a travel gas was needed on the way down
            yield Scenario(kind, name, rest, (left, left + 1), gases.way_up(rest, at.mix))
    for switch in schedule.switches:
        for cylinder in carried:
            rest = without(dive, cylinder)
            before = switch.run_time_min < dive.levels[-1].leave_at or cylinder.name in found
            if before or Source(cylinder.gas) != switch.source or at not in map(Source, _gases(rest)):
                continue
            found.add(cylinder.name)
            arrived = [i for i in range(len(points)) if points[i]["run_time_min"] <= switch.run_time_min + 1e-6]
            there = [i for i in arrived if schedule.track.sources[points[i]["source"]] != switch.source][-1]
            name = f"{_said(cylinder)} found empty at {SYSTEMS[dive.units].at(switch.depth_m)}"
            way = gases.way_up(rest, at.mix)
            yield Scenario("gas found empty", name, rest, (there, there + 1), way, dive.diver.sorting_out)


def _lost_bottom_cylinders(dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    """On open circuit, one of several cylinders of the gas of a level, lost where most has been breathed of the others
    and the way home is longest: at its end."""
    if dive.loop is not None:
        return
    for i, stretch in enumerate(gases.stretches(dive)):
        alike = [c for c in dive.cylinders if c.use == "bottom" and Source(c.gas) == stretch.at]
        end = _end_of_level(schedule, i)
        if end is None or len(alike) < 2:
            continue
        where = "the end of the bottom" if len(dive.levels) == 1 else f"the end of level {i + 1}"
        for cylinder in (one for one in alike if not one.manifold):
            yield Scenario(
                "bottom cylinder lost", f"{_said(cylinder)} lost at {where}", dive, (end, end + 1),
                sorting_out_min=dive.diver.sorting_out, lost=cylinder.name,
            )  # fmt: skip


def _gases(dive: Dive) -> list[Mix]:
    return [cylinder.gas for cylinder in open_circuit_cylinders(dive)]


# --- The loop fails ---------------------------------------------------------------------------------------------------


def _loop_fails(dive: Dive, schedule: Schedule, mates: Mates) -> Iterator[Scenario]:
    loop = dive.loop
    if loop is None:
        return
    yield from _at_every_level(_off_the_loop("bailout", "bailout", dive, schedule, mates), dive, schedule)
    for cylinder in open_circuit_cylinders(dive):
        lost = without(dive, cylinder)
        scenario = _off_the_loop("bailout lost", f"bailout without {_said(cylinder)}", lost, schedule, mates)
        yield from _worst_and_deepest(scenario, dive, schedule)
    for cylinder in mates.bailout:
        rest = tuple(other for other in mates.bailout if other is not cylinder)
        givers = {name: whose for name, whose in mates.givers.items() if name != cylinder.name}
        fewer = replace(mates, bailout=rest, givers=givers)
        name = f"bailout without {_said(cylinder)}"
        scenario = replace(_off_the_loop("bailout lost", name, dive, schedule, fewer), one_of=_said(cylinder))
        yield from _worst_and_deepest(scenario, dive, schedule)
    low = loop.low_setpoint if loop.low_setpoint is not None else dive.contingencies.low_setpoint
    if low < loop.setpoint:
        stuck = {"setpoint": low, "low_setpoint": None, "high_from": None, "low_from": None}
        stuck |= {"deco_setpoint": None, "deco_from": None}
        low_dive = dive.model_copy(update={"loop": loop.model_copy(update=stuck).burnt_to_setpoint()})
        yield Scenario("low setpoint", f"loop stuck at {low:g}", low_dive)
    semi_closed = _off_the_loop("oxygen gone", "oxygen gone, semi-closed on diluent", dive, schedule, mates)
    semi_closed = replace(semi_closed, way=gases.semi_closed_way(semi_closed.dive, semi_closed.given))
    yield from _worst_and_deepest(semi_closed, dive, schedule)
    diluent_gone = Scenario(
        "diluent gone", "diluent gone, up on the loop", dive, (0, len(schedule.track)),
        sorting_out_min=dive.diver.sorting_out,
    )  # fmt: skip
    yield from _worst_and_deepest(diluent_gone, dive, schedule)


def _at_every_level(scenario: Scenario, dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    """A scenario at the end of every level, and at any moment that is worse than those."""
    for level in range(len(dive.levels)):
        end = _end_of_level(schedule, level)
        if end is not None:
            name = f"{scenario.name}{_from_level(dive, level)}"
            yield replace(scenario, name=name, points=(end, end + 1), level=level, series=scenario.name)
    if gases.gap(scenario.dive, scenario.way or (), dive.deepest_m) is None:
        yield replace(scenario, series=scenario.name, worse=True)


def _worst_and_deepest(scenario: Scenario, dive: Dive, schedule: Schedule) -> Iterator[Scenario]:
    """A scenario at its worst moment; and at the end of the deepest level, if there are others to be worst at. Where
    something on the way up from there is not fit to breathe, that is the worst."""
    deepest = [level.depth for level in dive.levels].index(dive.deepest_m)
    end = _end_of_level(schedule, deepest)
    unfit = scenario.way is not None and gases.gap(scenario.dive, scenario.way, dive.deepest_m) is not None
    scenario = replace(scenario, series=scenario.name)
    if not unfit or end is None:
        yield scenario
    if end is not None and (unfit or len(dive.levels) > 1):
        name = f"{scenario.name}{_from_level(dive, deepest)}"
        yield replace(scenario, name=name, points=(end, end + 1), level=deepest, worse=not unfit)


def _from_level(dive: Dive, level: int) -> str:
    """Which level, where there are several: " from level 2, 45 m"."""
    return (
        f" from level {level + 1}, {SYSTEMS[dive.units].at(dive.levels[level].depth)}" if len(dive.levels) > 1 else ""
    )


def _off_the_loop(kind: WhatIf, name: str, dive: Dive, schedule: Schedule, mates: Mates) -> Scenario:
    """The loop is left, at whatever moment is worst, on the diver's own cylinders and those the mates give."""
    off = dive.model_copy(update={"cylinders": (*dive.cylinders, *mates.bailout)})
    return Scenario(
        kind, name, off, (0, len(schedule.track)), gases.bailout_way(off, mates.givers), dive.diver.sorting_out,
        stressed=True, given=mates.givers,
    )  # fmt: skip


# --- More is breathed -------------------------------------------------------------------------------------------------


def _more_breathed(dive: Dive, schedule: Schedule, mates: Mates) -> Iterator[Scenario]:
    """More than planned: by the diver, or by a mate as well. On a loop dive the mate is off the loop, on this diver's
    bailout, while the diver stays on his."""
    minutes, rmv = dive.contingencies.heavy_breathing, dive.diver.rmv_bottom
    name = f"RMV doubled for {minutes:g} min"
    if minutes > 0.0 and dive.loop is not None:
        heavy = _off_the_loop("heavy breathing", f"bailout, {name}", dive, schedule, mates)
        heavy = replace(heavy, heavy_min=minutes, heavier_l_min=max(0.0, 2.0 * rmv - stressed_rmv(dive)))
        yield from _worst_and_deepest(heavy, dive, schedule)
    elif minutes > 0.0:
        yield Scenario("heavy breathing", f"{name} at depth", dive, heavy_min=minutes, heavier_l_min=rmv)
    if dive.loop is not None and (not mates.bailout or mates.open_circuit):
        # Where all are on loops and share their bailout, each diver's own is planned on that of all.
        for scenario in _mate_on_the_bailout(dive, schedule, mates):
            yield from _worst_and_deepest(scenario, dive, schedule)
    elif dive.loop is None:
        for scenario in _mate_out_of_gas(dive, schedule, mates):
            yield from _worst_and_deepest(scenario, dive, schedule)


def _mate_on_the_bailout(dive: Dive, schedule: Schedule, mates: Mates) -> Iterator[Scenario]:
    """A mate off the loop, or out of gas, on this diver's bailout; without a team, one who is as the diver is."""
    how = "out of gas" if mates.open_circuit else "off the loop"
    if not mates.planned:
        alike = _off_the_loop("mate out of gas", f"mate {how}, on this bailout", dive, schedule, mates)
        yield replace(alike, whose="mate")
        return
    for name, (mate, planned) in zip(mates.names, mates.planned, strict=True):
        if mates.bailout and mate.loop is not None:
            continue  # his bailout is planned on that of all
        until_min = _on_bottom_gas_until(mate, planned)
        how = "out of gas" if mate.loop is None else "off the loop"
        breathes = {"diver": mate.diver, "model": mate.model}
        scenario = _off_the_loop(
            "mate out of gas", f"{name} {how}, on this bailout", dive.model_copy(update=breathes), schedule, mates
        )
        times = schedule.track.points["run_time_min"]
        moments = (0, int((times < until_min - 1e-6).sum()))  # then he is on a gas that he has
        yield replace(scenario, whose=name, one_of=name, points=moments)


def _on_bottom_gas_until(dive: Dive, schedule: Schedule) -> float:
    """The run time at which a diver on open circuit takes up a deco gas on the last ascent; never on the loop. [min]"""
    bottom = {cylinder.gas for cylinder in dive.cylinders if cylinder.use == "bottom"}
    left_min = dive.levels[-1].leave_at
    off = (leg.start_min for leg in schedule.legs if leg.start_min >= left_min - 1e-6 and leg.source.mix not in bottom)
    return next(off, math.inf) if dive.loop is None else math.inf


def _mate_out_of_gas(dive: Dive, schedule: Schedule, mates: Mates) -> Iterator[Scenario]:
    """On open circuit: two on the diver's bottom gas, until each has another; without a team the mate carries what the
    diver does."""
    scenario = Scenario(
        "mate out of gas", "mate out of gas", dive, (_end_of_descent(schedule), len(schedule.track)),
        sorting_out_min=dive.diver.sorting_out, stressed=True, mates=mates,
    )  # fmt: skip
    if not mates.planned:
        yield scenario
        return
    for name, (mate, _) in zip(mates.names, mates.planned, strict=True):
        own, both = _shared_ways(dive, mate, name)
        how = "out of gas" if mate.loop is None else "off the loop, on this gas"
        with_mate = replace(scenario, name=f"{name} {how}", mates=None, one_of=name)
        together = replace(with_mate, shares=both)
        yield replace(with_mate, shares=own, instead=together if both.ups != own.ups else None)


def _shared_ways(dive: Dive, mate: Dive, name: str) -> tuple[Sharing, Sharing]:
    """A mate who has lost his bottom gas: on the diver's until he has another of his own, or to the surface; and on
    whatever the diver breathes, until his own is richer."""
    uses = ("bottom", "travel", "deco")
    rest = [c for c in open_circuit_cylinders(mate) if mate.loop is not None or c.use != "bottom"]
    kept = {c.gas for c in rest}
    own, both = list[Way](), list[Way]()
    bottom = set[Mix]()
    for stretch in gases.stretches(dive):
        bottom.add(stretch.at.mix)
        carried = tuple(c.model_copy(update={"use": "deco"}) for c in rest)
        alone = mate.model_copy(update={"loop": None, "cylinders": carried})
        own.append(gases.way_up(alone, stretch.at.mix))
        lent = tuple(c for c in dive.cylinders if c.use in uses and c.gas not in kept)
        shared = alone.model_copy(update={"cylinders": (*carried, *lent)})
        both.append(gases.way_up(shared, stretch.at.mix))
    deco = {c.gas for c in dive.cylinders if c.use in uses} - kept
    lent = tuple(c for c in dive.cylinders if c.use == "bottom")
    broken = gases.break_source_if_any(without(mate.model_copy(update={"loop": None, "cylinders": (*rest, *lent)})))
    return (
        Sharing(name, tuple(own), frozenset(bottom), broken),
        Sharing(name, tuple(both), frozenset(bottom | deco), broken),
    )
