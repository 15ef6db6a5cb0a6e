"""Contingencies: each failure planned to the surface, with what it breaks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.failures import Failure
from leadline.dive_file.schema import Dive
from leadline.physics.mix import Mix
from leadline.plan import breathing, gases
from leadline.plan.findings import Finding, as_planned
from leadline.plan.gases import Gap, Source, Stretch, Way
from leadline.plan.oxygen import Oxygen, carried, oxygen_exposure
from leadline.plan.oxygen import judge as judge_oxygen
from leadline.plan.scenarios import Mates, Scenario
from leadline.plan.schedule import (
    Array,
    Layout,
    Leg,
    Schedule,
    Stop,
    Switch,
    distinct,
    legs_of,
    level_rows,
    read_legs,
    read_stops,
    read_switches,
    source_rows,
    way_rows,
)
from leadline.plan.supply import (
    CylinderUse,
    LoopUse,
    Rmv,
    calm_rmv,
    content,
    cylinder_use,
    open_circuit_cylinders,
    planned_rmv,
    scrubber,
    short_of_gas,
    stressed_rmv,
    usable,
)
from leadline.tissue import kernel

NOT_PLANNED: Literal["not planned"] = "not planned"


@dataclass(frozen=True)
class Answers:
    """What comes of a contingency, each answered apart."""

    gas: Literal["lasts", "into the reserve", "runs out", "not planned"]
    stops: Literal["met", "not met", "not planned"]
    breathable: Literal["yes", "no", "not planned"]
    exposure: Literal["within", "over", "as the plan", "not planned"]
    """CNS, OTU, density, END and scrubber; "as the plan" where it breaks only what the plan itself breaks."""


Resort = Literal["own gas", "diluent on open circuit", "loop flushed", "mate's gas"]


@dataclass(frozen=True)
class LastResort:
    """What is left to try where nothing fit to breathe is at hand, so far as it is really there."""

    what: Resort
    gas: str
    """Label of the mix."""
    ppo2_bar: float
    """Where nothing fit begins."""
    whose: str = ""
    """The mate's name."""
    cylinder: str = ""
    over_own_limit: bool = False
    """Whether it is over the diver's own limit of ppO2, though within the hard one."""
    hypoxic_above: bool = False
    """Whether it is not fit all the way to where a fit gas is reached, or to the surface."""


@dataclass(frozen=True)
class NoGas:
    """Where a way up has nothing fit to breathe."""

    gap: Gap
    minutes: float
    """From its deep end to its shallow one, at the planned ascent rate."""
    left: tuple[LastResort, ...]


@dataclass(frozen=True)
class Handover:
    """A cylinder that a mate gives."""

    giver: str
    receiver: str
    """Empty in a contingency where it is the diver's whose it is."""
    cylinder: str
    mix: Mix
    run_time_min: float
    depth_m: float
    """Where it is taken: where the leg begins on which it is first breathed, or the stop at which it is."""
    litres: float
    """[free litres] breathed from it."""


@dataclass(frozen=True)
class MateWay:
    """A mate in a contingency of another diver: on the common stops, on his own breath and gas."""

    name: str
    legs: tuple[Leg, ...]
    """From where the plan is left; of a whole dive all."""
    supply: tuple[CylinderUse, ...]
    """Over the whole dive."""
    loop: LoopUse | None = None
    given: frozenset[Mix] = frozenset()
    """What he breathes of the other's gas."""


@dataclass(frozen=True)
class Contingency:
    """One thing that goes wrong, planned to the surface. Gas, oxygen and loop are those of the whole dive."""

    scenario: Scenario
    leaves_at_min: float | None
    """The run time at which the plan is left. None: it is a whole dive of its own."""
    depth_m: float | None
    """Where the plan is left."""
    legs: tuple[Leg, ...]
    """From there; empty if it cannot be planned to the surface."""
    stops: tuple[Stop, ...]
    switches: tuple[Switch, ...]
    run_time_min: float
    """At the surface."""
    tts_min: float
    """From leaving the plan, sorting it out included; of a whole dive, from leaving its last level."""
    supply: tuple[CylinderUse, ...]
    loop: LoopUse | None
    oxygen: Oxygen
    breathing: tuple[breathing.Breathed, ...]
    """Of a way off the loop: every gas over the depths it may be breathed at from where the loop is left."""
    findings: tuple[Finding, ...]
    """A no-go is one of its own: whether it is the plan's, `leadline.plan.causes` says."""
    handovers: tuple[Handover, ...] = ()
    """In the order of the dive."""
    mates: tuple[MateWay, ...] = ()
    """Of a team, the others."""
    no_gas: NoGas | None = None
    over: tuple[str, ...] = ()
    """Codes of the exposure that is over its limit, other than in the plan."""
    answers: Answers = Answers(NOT_PLANNED, NOT_PLANNED, NOT_PLANNED, NOT_PLANNED)

    def __repr__(self) -> str:
        """What it is, in a line."""
        return f"<Contingency {self.name!r}: gas {self.answers.gas}, stops {self.answers.stops}>"

    @property
    def kind(self) -> str:
        """What goes wrong, in the trade's words."""
        return self.scenario.kind

    @property
    def failure(self) -> Failure:
        """Its kind, with all that goes for it."""
        return self.scenario.failure

    @property
    def is_bailout(self) -> bool:
        """Whether it is the plain bailout, which every loop dive has from each of its levels."""
        return self.kind == "bailout"

    @property
    def name(self) -> str:
        """As it heads a sheet."""
        return self.scenario.name

    @property
    def left_at(self) -> tuple[float, float] | None:
        """The run time [min] and depth [m] at which the plan is left, also by a delay; None where nothing of it is
        dived as planned."""
        if self.leaves_at_min is None or self.depth_m is None:
            return self.scenario.held_at
        return self.leaves_at_min, self.depth_m

    @property
    def holds(self) -> bool:
        """Whether it comes to the surface with every stop met, on gas that is fit to breathe and lasts."""
        return bool(self.legs) and not any(finding.severity == "no-go" for finding in self.findings)

    @property
    def least(self) -> CylinderUse | None:
        """The cylinder that is missing most, or else has the least left: of those breathed from, if there are any."""
        every = [use for use in self.supply if use.used_l > 1e-6]
        used = [use for use in every if use.missing_l > 1e-6] or [use for use in self.breathed if use.used_l > 1e-6]
        used = used or every
        return min(used, key=lambda use: (-use.missing_l if use.missing_l > 1e-6 else 0.0, use.left_bar), default=None)

    @property
    def breathed(self) -> tuple[CylinderUse, ...]:
        """The cylinders that are breathed from on open circuit, or could be."""
        names = {cylinder.name for cylinder in open_circuit_cylinders(self.scenario.dive)}
        return tuple(use for use in self.supply if use.name in names)


def contingencies(
    dive: Dive,
    layout: Layout,
    schedule: Schedule,
    supply: Sequence[CylinderUse],
    found: Sequence[Scenario],
    planned: Sequence[Finding] = (),
    mates: Mates | None = None,
) -> tuple[Contingency, ...]:
    """Plan every scenario. Of kinds of which only the worst is told, keep that.

    `supply` and `planned` are the use of cylinders and the findings of the planned dive; `mates` may have gas to give.
    """
    work = _Work(dive, schedule, mates, tuple(f for f in planned if f.grave or f.code == "end"))
    ways: list[tuple[Scenario, list[Stretch], str]] = []
    for scenario in found:
        try:
            stretches = [] if scenario.points is not None else gases.stretches(scenario.dive, wrong=True)
            ways.append((scenario, stretches, ""))
        except DiveFileError as error:
            ways.append((scenario, [], error.problems[0].message))
    ways = [(_own_first(schedule, scenario), stretches, refused) for scenario, stretches, refused in ways]
    unfit = {k: gap for k, (scenario, _, _) in enumerate(ways) if (gap := _gap(dive, schedule, scenario)) is not None}
    runs = _run(
        dive, layout, schedule, supply,
        [(s, st) for k, (s, st, refused) in enumerate(ways) if not refused and k not in unfit], mates,
    )  # fmt: skip
    made: list[Contingency] = []

    def worked_out(scenario: Scenario, run: _Run) -> Contingency:
        """As the kernel ran it; from the worst of many moments with the diver's own gas first."""
        if scenario.points is not None and run.point >= 0:
            there = _own_first(schedule, replace(scenario, points=(run.point, run.point + 1)))
            if there.way != scenario.way:
                ((run, _),) = _run(dive, layout, schedule, supply, [(there, [])], mates)
                scenario = there
        found = work.planned(scenario, run)
        if found.holds or scenario.instead is None or run.point < 0:
            return found
        other = replace(scenario.instead, name=scenario.name, points=(run.point, run.point + 1), level=scenario.level)
        ((run, _),) = _run(dive, layout, schedule, supply, [(other, [])], mates)
        instead = work.planned(other, run)
        return min(found, instead, key=lambda one: (not one.holds, not one.legs, _missing(one)))

    for k, (scenario, _, refused) in enumerate(ways):
        if refused:
            made.append(work.refused(scenario, refused))
            continue
        if k in unfit:
            assert scenario.points is not None
            made.append(work.without_gas(scenario, scenario.points[0], unfit[k]))
            continue
        longest, most_gas = next(runs)
        if not (scenario.worse and _is_told(made, scenario, schedule, longest)):
            worst = (
                replace(scenario, name=f"{scenario.name}, where the ascent is longest") if scenario.worse else scenario
            )
            made.append(worked_out(worst if scenario.level is None else scenario, longest))
        if most_gas is not None and most_gas.fault == kernel.FINE and not _is_told(made, scenario, schedule, most_gas):
            name = f"{scenario.name}, where it takes most gas"
            made.append(worked_out(replace(scenario, name=name), most_gas))
    return _in_run_time_order(_only_the_worst(_that_are_missed(made)))


def ways_up(
    dive: Dive, layout: Layout, schedule: Schedule, supply: Sequence[CylinderUse], found: Sequence[Scenario],
    mates: Mates | None = None,
) -> Iterator[tuple[float, float]]:  # fmt: skip
    """Run time at which each scenario leaves the plan at one moment, and TTS then, where there is a way up: as
    `contingencies` would plan it. [min]"""
    own_first = [_own_first(schedule, scenario) for scenario in found]
    fit = [(scenario, list[Stretch]()) for scenario in own_first if _gap(dive, schedule, scenario) is None]
    for run, _ in _run(dive, layout, schedule, supply, fit, mates):
        if run.fault == kernel.FINE and run.legs:
            at_min = float(schedule.track.points[run.point]["run_time_min"])
            yield at_min, run.legs[-1].end_min - at_min


def _missing(found: Contingency) -> float:
    """What is missing of all gas. [free litres]"""
    supplies = (found.supply, *(mate.supply for mate in found.mates))
    return sum(use.missing_l for supply in supplies for use in supply)


def _is_told(made: Sequence[Contingency], scenario: Scenario, schedule: Schedule, run: _Run) -> bool:
    """Whether the series of a scenario has been planned from where a run leaves the plan."""
    if not scenario.series or run.point < 0:
        return False
    point = schedule.track.points[run.point]
    at_min, depth_m = float(point["run_time_min"]), float(point["depth_m"])
    return any(
        c.scenario.series == scenario.series and c.leaves_at_min == at_min and c.depth_m == depth_m for c in made
    )


def _at_one_moment(scenario: Scenario) -> bool:
    """Whether a scenario leaves the plan at one moment alone."""
    return scenario.points is not None and scenario.points[1] - scenario.points[0] == 1


def _own_first(schedule: Schedule, scenario: Scenario) -> Scenario:
    """A scenario that leaves the plan at one moment, with a way whose first breaths are the diver's own: a mate's
    cylinder takes time to reach, and comes with the first change on the way up."""
    if not scenario.given or not scenario.way or scenario.points is None or not _at_one_moment(scenario):
        return scenario
    dive, depth_m = scenario.dive, float(schedule.track.points[scenario.points[0]]["depth_m"])
    carried = tuple(cylinder for cylinder in dive.cylinders if cylinder.name not in scenario.given)
    own = gases.bailout_way(dive.model_copy(update={"cylinders": carried}))
    above_m = max((d for d in dive.stops.depths_m(depth_m) if d < depth_m - 1e-6), default=0.0)
    shared = gases.source_at(scenario.way, depth_m)
    if not own or shared.circuit != "open":
        return scenario
    first, limit = gases.source_at(own, depth_m), gases.PpO2Limit.when_wrong(dive)
    lasts = all(gases.is_fit(dive, first, at_m, limit) for at_m in (depth_m, above_m))
    if not lasts or first == shared:
        return scenario
    rest = [step for step in scenario.way if step.from_depth_m < above_m - 1e-6]
    taken = [gases.Step(above_m, gases.source_at(scenario.way, above_m))] if above_m > 0.0 else []
    return replace(scenario, way=(gases.Step(gases.ANY_DEPTH_M, first), *taken, *rest))


def _gap(dive: Dive, schedule: Schedule, scenario: Scenario) -> Gap | None:
    """Where a scenario that leaves the plan at one moment, by a way of its own, has nothing fit to breathe."""
    if scenario.way is None or scenario.points is None or scenario.level is None:
        return None
    return gases.gap(scenario.dive, scenario.way, float(schedule.track.points[scenario.points[0]]["depth_m"]))


def _in_run_time_order(made: Sequence[Contingency]) -> tuple[Contingency, ...]:
    """Those of one series where the first of them is, by when the plan is left."""
    series: dict[str, list[Contingency]] = {}
    for i, contingency in enumerate(made):
        series.setdefault(contingency.scenario.series or f"{i}", []).append(contingency)
    return tuple(
        contingency
        for alike in series.values()
        for contingency in sorted(alike, key=lambda c: c.leaves_at_min if c.leaves_at_min is not None else 0.0)
    )


def _only_the_worst(made: Sequence[Contingency]) -> tuple[Contingency, ...]:
    alike: dict[tuple[str, str], list[Contingency]] = {}
    for found in made:
        of = found.scenario.one_of
        if of:
            alike.setdefault((found.kind, found.name.replace(of, "", 1)), []).append(found)
        elif found.failure.only_the_worst:
            alike.setdefault((found.kind, found.scenario.lost), []).append(found)
    worst = [max(some, key=_gravity) for some in alike.values()]
    among = [one for some in alike.values() for one in some]
    return tuple(c for c in made if all(c is not one for one in among) or any(c is one for one in worst))


def _that_are_missed(made: Sequence[Contingency]) -> list[Contingency]:
    """Without losses of a mate's cylinder that no bailout asks for: those are the bailout itself."""
    bailouts = [c for c in made if c.is_bailout]
    given = {name for c in bailouts for name in c.scenario.given}
    asked = {(one.giver, one.cylinder) for c in bailouts for one in c.handovers}
    taken = {name for c in bailouts for name, whose in c.scenario.given.items() if whose in asked}
    return [
        c for c in made
        if c.kind != "bailout lost" or not c.scenario.one_of or not bailouts or taken & (given - set(c.scenario.given))
    ]  # fmt: skip


def _gravity(contingency: Contingency) -> tuple[bool, float, float]:
    """Sort key: failed first, then largest share of a cylinder used, then longest run time."""
    share = max((use.used_l / max(use.content_l, 1e-6) for use in contingency.supply), default=math.inf)
    return not contingency.holds, share, contingency.run_time_min


# --- Running them -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Run:
    """What the kernel found."""

    fault: int
    point: int
    legs: tuple[Leg, ...]
    mates: tuple[tuple[str, tuple[Leg, ...]], ...] = ()


def _run(
    dive: Dive, layout: Layout, schedule: Schedule, supply: Sequence[CylinderUse],
    found: Sequence[tuple[Scenario, list[Stretch]]], mates: Mates | None = None,
) -> Iterator[tuple[_Run, _Run | None]]:  # fmt: skip
    """Every scenario in one call of the kernel: from where the way home is longest, and from where it takes most gas if
    that is elsewhere."""
    own_ways: list[Way] = [scenario.way or () for scenario, _ in found]
    stretches = [stretch for _, of_one in found for stretch in of_one]
    breaks = [gases.break_source_if_any(scenario.dive) for scenario, _ in found]
    team = _team(dive, schedule, mates)
    shared = [way for scenario, _ in found if scenario.shares is not None for way in scenario.shares.ups]
    sources = tuple(
        dict.fromkeys(
            [
                *layout.sources,
                *distinct(stretches, *own_ways, *shared),
                *(b for b in breaks if b is not None),
                *(s.shares.breaks for s, _ in found if s.shares is not None and s.shares.breaks is not None),
                *(source for one in team for source in one.sources),
            ]
        )
    )
    deepest_m = max([dive.deepest_m, *(scenario.dive.deepest_m for scenario, _ in found)])
    stop_depths_m = np.array(dive.stops.depths_m(deepest_m))
    rules = layout.rules._replace(stop_depths_m=stop_depths_m, held=np.zeros((0, 2)))
    levels, ways = [layout.levels], [layout.ways]
    level_end, way_end, held = len(layout.levels), len(layout.ways), list[tuple[float, float]]()

    # Where everyone goes on as planned; who shares has rows of his own.
    as_planned_rows: dict[str, int] = {}
    for one in team:
        own_levels, rows = level_rows(one.dive, one.stretches, sources, way_end)
        as_planned_rows[one.name] = level_end
        levels.append(own_levels)
        ways.append(rows)
        level_end, way_end = level_end + len(own_levels), way_end + len(rows)
    rows_of_mates: list[tuple[Any, ...]] = []
    cases = np.zeros(len(found), kernel.CASE)
    stressed, calm, per_litre = np.zeros((3, len(found), len(sources)))
    for k, (scenario, of_one) in enumerate(found):
        case = cases[k]
        case["from_point"], case["to_point"] = scenario.points or (-1, -1)
        case["sorting_out_min"] = scenario.sorting_out_min
        case["heavy_min"], case["heavier_l_min"] = scenario.heavy_min, scenario.heavier_l_min
        case["stressed_min"] = scenario.stressed_min
        case["rate"] = scenario.rate
        case["break_source"] = sources.index(broken) if (broken := breaks[k]) is not None else -1
        case["gf_low"], case["gf_high"] = (percent / 100.0 for percent in scenario.dive.model.gradient_factors)
        case["held_first"], case["held_end"] = len(held), len(held) + len(scenario.held)
        held += scenario.held
        if of_one:
            own_levels, rows = level_rows(scenario.dive, of_one, sources, way_end)
            case["level_first"], case["level_end"] = level_end, level_end + len(own_levels)
            levels.append(own_levels)
            level_end += len(own_levels)
        else:
            rows = way_rows(scenario.way or (), sources)
            case["way_first"], case["way_end"] = way_end, way_end + len(rows)
        ways.append(rows)
        way_end += len(rows)
        case["mate_first"] = len(rows_of_mates)
        who = [i for i, one in enumerate(team) if scenario.whose and one.name == scenario.whose]
        case["track"] = who[0] if who else 0
        for track, one in enumerate(team) if scenario.points is not None else ():
            # Without a team a mate on this bailout is as the diver is, who comes up beside him.
            if track == case["track"] and (who or not scenario.whose):
                continue
            shares = scenario.shares if scenario.shares is not None and scenario.shares.name == one.name else None
            first, broken = as_planned_rows[one.name], gases.break_source_if_any(one.dive)
            if shares is not None:
                up = [replace(s, up=way) for s, way in zip(one.stretches, shares.ups, strict=True)]
                own_levels, rows = level_rows(one.dive, up, sources, way_end)
                first, broken = level_end, shares.breaks
                levels.append(own_levels)
                ways.append(rows)
                level_end, way_end = level_end + len(own_levels), way_end + len(rows)
            low, high = (percent / 100.0 for percent in one.dive.model.gradient_factors)
            break_row = sources.index(broken) if broken is not None else -1
            rows_of_mates.append((track, first, int(shares is not None), low, high, break_row, 0, 0, 0, 0))
        case["mate_end"] = len(rows_of_mates)
        if scenario.stressed:
            as_a_rule = replace(scenario, heavy_min=0.0)
            phases = (stressed, _rmv(as_a_rule, 0.0, math.inf)), (calm, _rmv(as_a_rule, 0.0, 0.0))
            for i, source in enumerate(sources):
                gives_l = _gives(scenario, source)
                # Diluent that is not listed is said to be unchecked. Of what else gives nothing, any is too much.
                if source.circuit == "open" or (source.circuit == "semi-closed" and gives_l > 0.0):
                    for phase, breaths in phases:
                        part = _semi_closed(dive) if source.circuit == "semi-closed" else 1.0
                        phase[k, i] = (breaths(_on(source)) + _lent(scenario, source, mates)) / part
                    per_litre[k, i] = 1.0 / max(gives_l, 1e-6)
    rows_of_team = np.array(rows_of_mates, dtype=kernel.MATE)
    points, tensions = _tracks(schedule, layout, team, sources)
    legs = np.zeros(512 * (len(found) + 2 * len(rows_of_mates)) + 2048, kernel.LEG)
    kernel.what_if(
        cases, rows_of_team, stressed, calm, per_litre, points, tensions,
        _spent(dive, schedule, supply, sources), layout.start, np.concatenate(levels), np.concatenate(ways),
        np.array(held, dtype=float).reshape(-1, 2), source_rows(sources), rules, layout.comps, legs,
    )  # fmt: skip

    def beside(case: Any, of: str) -> tuple[tuple[str, tuple[Leg, ...]], ...]:
        mates_rows = rows_of_team[case["mate_first"] : case["mate_end"]]
        return tuple(
            (team[one["track"]].name, read_legs(legs[one[f"{of}_first"] : one[f"{of}_end"]], sources))
            for one in mates_rows
        )

    for case in cases:
        rows = legs[case["leg_first"] : case["leg_end"]]
        most_gas = legs[case["most_gas_leg_first"] : case["most_gas_leg_end"]]
        fault, worst = int(case["fault"]), int(case["most_gas_point"])
        yield (
            _Run(fault, int(case["point"]), read_legs(rows, sources), beside(case, "leg")),
            _Run(fault, worst, read_legs(most_gas, sources), beside(case, "most_gas_leg")) if len(most_gas) else None,
        )


@dataclass(frozen=True)
class _Diver:
    """One of a team, as the plan has him."""

    name: str
    dive: Dive
    schedule: Schedule
    stretches: list[Stretch]

    @property
    def sources(self) -> list[Source]:
        broken = gases.break_source_if_any(self.dive)
        return [*self.schedule.track.sources, *distinct(self.stretches), *([broken] if broken is not None else [])]


def _team(dive: Dive, schedule: Schedule, mates: Mates | None) -> list[_Diver]:
    """The divers who come up together, whose contingencies they are first."""
    every = [(mates.me if mates is not None else "", dive, schedule)]
    if mates is not None:
        every += [(name, *mates.of(name)) for name in mates.names]
    return [_Diver(name, own, planned, gases.stretches(own)) for name, own, planned in every]


def _tracks(
    schedule: Schedule, layout: Layout, team: Sequence[_Diver], sources: Sequence[Source]
) -> tuple[Array, Array]:  # fmt: skip
    """Where every diver of a team is at the points of a schedule, and the tissues then. [divers, points]"""
    own, tensions = schedule.track.points, schedule.track.tensions_bar
    every, loaded = [own], [tensions]
    for one in team[1:]:
        track = one.schedule.track
        found, found_bar = np.zeros(len(own), kernel.POINT), np.zeros(tensions.shape)
        kernel.at_points(
            own, track.points, track.tensions_bar, source_rows(track.sources), layout.rules, layout.comps, found,
            found_bar,
        )  # fmt: skip
        found["source"] = np.array([sources.index(source) for source in track.sources])[found["source"]]
        every.append(found)
        loaded.append(found_bar)
    return np.stack(every), np.stack(loaded)


def _lent(scenario: Scenario, source: Source, mates: Mates | None) -> float:
    """What a mate breathes of a source as well, as long as he is stressed. [L/min]"""
    shares = scenario.shares
    if shares is None or mates is None or source.mix not in shares.given:
        return 0.0
    return stressed_rmv(mates.of(shares.name)[0])


def _gives(scenario: Scenario, source: Source) -> float:
    """What the cylinders of a source give, as the scenario is judged: the bailout above their reserves, any other down
    to the last. Of a semi-closed loop, the diluent's. [free litres]"""
    dive = scenario.dive
    measure = content if scenario.failure.may_use_the_reserve else usable
    if source.circuit == "semi-closed":
        return sum(content(dive, c) for c in dive.cylinders if c.use == "diluent")
    return sum(measure(dive, c) for c in open_circuit_cylinders(dive) if c.gas == source.mix)


def _spent(dive: Dive, schedule: Schedule, supply: Sequence[CylinderUse], sources: Sequence[Source]) -> Array:
    """What the planned dive has taken of each source by each point of the track. [points, sources, free litres]"""
    times = schedule.track.points["run_time_min"]
    spent = np.zeros((len(times), len(sources)))
    breathed = {cylinder.name for cylinder in open_circuit_cylinders(dive)}
    for i, source in enumerate(sources):
        for use in supply:
            of_it = use.use == "diluent" if source.circuit == "semi-closed" else use.name in breathed
            if of_it and use.mix == source.mix and source.circuit != "closed":
                spent[:, i] += use.used_by(times)
    return spent


def _semi_closed(dive: Dive) -> float:
    return dive.loop.semi_closed if dive.loop is not None else 1.0


def _on(source: Source) -> Leg:
    at_rest = source.circuit == "semi-closed" and source.resting == source
    return Leg("level", 0.0, 1.0, 0.0, 0.0, source, 0, at_rest)


def calm_from(legs: Sequence[Leg], stressed_min: float) -> float:
    """The run time at which stressed breathing is over, once the plan is left with `legs`, as `kernel.calm_from` has
    it. [min]"""
    for leg in legs:
        if leg.source.mix.o2 > legs[0].source.mix.o2 + 1e-9:
            return max(leg.start_min, legs[0].start_min + stressed_min)
    return math.inf


def _rmv(scenario: Scenario, from_min: float, calm_min: float) -> Rmv:
    """RMV of a scenario: as planned until it begins, then as it has it; where it is stressed, until the run time at
    which that is over."""
    dive, mates = scenario.dive, scenario.mates
    planned, stressed, calm = planned_rmv(dive), stressed_rmv(dive), calm_rmv(dive)
    bottom = {cylinder.gas for cylinder in dive.cylinders if cylinder.use == "bottom"}
    until_min = from_min + scenario.heavy_min

    def breaths(leg: Leg) -> float:
        if leg.start_min < from_min - 1e-6:
            return planned(leg)
        if leg.source.circuit == "semi-closed":  # of fresh gas no less is counted at rest
            return max(dive.diver.rmv_bottom, dive.diver.rmv_deco if leg.after_first_stop else 0.0)
        heavier = scenario.heavier_l_min * max(0.0, min(leg.end_min, until_min) - leg.start_min) / leg.minutes
        if not scenario.stressed:
            return planned(leg) + heavier
        with_mate = mates is not None and leg.source.mix in bottom
        before = stressed + (mates.rmv_stressed if mates is not None and with_mate else 0.0)
        after = calm + (mates.rmv_bailout if mates is not None and with_mate else 0.0)
        return _easing(leg, before, after, calm_min) + heavier

    return breaths


def _stressed_from(dive: Dive, legs: Sequence[Leg], from_min: float) -> Rmv:
    """RMV of a mate out of gas: as planned until then, after that stressed, and calm, by his own legs."""
    planned, calm_min = planned_rmv(dive), calm_from(legs, dive.diver.stressed_for)

    def breaths(leg: Leg) -> float:
        if leg.start_min < from_min - 1e-6:
            return planned(leg)
        return _easing(leg, stressed_rmv(dive), calm_rmv(dive), calm_min)

    return breaths


def _easing(leg: Leg, stressed: float, calm: float, calm_min: float) -> float:
    """Mean RMV of a leg in which stress may end, at a run time. [L/min]"""
    return stressed + (calm - stressed) * min(1.0, max(0.0, leg.end_min - calm_min) / leg.minutes)


# --- What comes of them -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Work:
    """What every contingency of a dive is worked out with."""

    dive: Dive
    schedule: Schedule
    mates: Mates | None
    broken: Sequence[Finding]
    """What the plan itself breaks."""

    @property
    def me(self) -> str:
        """Whose contingencies they are; empty without a team."""
        return self.mates.me if self.mates is not None else ""

    def of(self, name: str) -> tuple[Dive, Schedule]:
        """What one of the team dives."""
        return self.mates.of(name) if self.mates is not None and name != self.me else (self.dive, self.schedule)

    def planned(self, scenario: Scenario, run: _Run) -> Contingency:
        """A scenario as the kernel ran it."""
        own = scenario.dive
        if run.fault == kernel.LEFT_TOO_EARLY:
            return self._ends(scenario, run.point, Finding("level-missed", "caution"))
        if run.fault != kernel.FINE:
            gas = run.legs[-1].source if run.legs else None
            values = {"gas": gas.mix.label, "source": gas.name} if gas is not None else {}
            found = self._ends(scenario, run.point, Finding("stops", "no-go", values))
            return replace(found, answers=Answers(NOT_PLANNED, "not met", "yes", NOT_PLANNED))
        sharing = [way for name, way in run.mates if scenario.shares is not None and name == scenario.shares.name]
        for way in (run.legs, *sharing):
            unfit = _unfit_leg(own, way)
            if unfit is not None:
                return self.without_gas(scenario, run.point, unfit)
        legs, before = run.legs, tuple[Leg, ...]()
        leaves_at_min: float | None = None
        depth_m: float | None = None
        if scenario.points is None:
            switches = read_switches(legs)
            tts_from_min = own.levels[-1].leave_at
        else:
            point = self.schedule.track.points[run.point]
            leaves_at_min, depth_m = float(point["run_time_min"]), float(point["depth_m"])
            before = tuple(_until(self.schedule.legs, leaves_at_min))
            breathing_now = self.schedule.track.sources[int(point["source"])]
            changed = bool(legs) and not legs[0].source.is_same(breathing_now)
            first = (Switch(depth_m, leaves_at_min, legs[0].source),) if changed else ()
            switches = (*first, *read_switches(legs))
            tts_from_min = leaves_at_min
        whole = (*before, *legs)
        begins_min = leaves_at_min
        if begins_min is None:  # a whole dive: breathed as planned, but more heavily from reaching the bottom
            begins_min = next(
                (leg.start_min for leg in legs if leg.kind == "level" and leg.start_m == own.deepest_m), 0.0
            )
        lost = (scenario.lost, begins_min) if scenario.lost else None
        rmv = _rmv(scenario, begins_min, calm_from(legs, scenario.stressed_min))
        others = tuple(self._mates(scenario, run, leaves_at_min))
        lent, dived = self._lent(scenario, others), whole
        if scenario.whose:  # the diver stays on the loop, and the mate is on his gas
            on_the_loop = next(way for name, way in run.mates if name == self.me)
            lent, dived = [(leg, rmv(leg)) for leg in legs if leg.source.circuit == "open"], (*before, *on_the_loop)
        used, loop = cylinder_use(own, dived, rmv, tuple(scenario.given), lost, lent)
        run_time_min = legs[-1].end_min if legs else self.schedule.run_time_min
        judged = _held_to_the_deco_limit(own)
        breathed = (
            breathing.breathed_in_a_bailout(
                judged, scenario.way or (), legs[0].start_min, depth_m if _at_one_moment(scenario) else None
            )
            if scenario.off_the_loop
            else breathing.breathed(judged, dived)
        )
        found = Contingency(
            scenario=scenario,
            leaves_at_min=leaves_at_min,
            depth_m=depth_m,
            legs=legs,
            stops=read_stops(legs),
            switches=switches,
            run_time_min=run_time_min,
            tts_min=run_time_min - tts_from_min,
            supply=used,
            loop=loop,
            oxygen=oxygen_exposure(dived, own.site.environment, carried(own)),
            breathing=breathed,
            findings=(),
            handovers=tuple(_handovers(scenario, legs, used)),
            mates=tuple(mate for mate in others if mate.name),
        )
        beside = [mate for mate in others if mate.name != self.me]
        findings = (*_weighed(judged, found), *self._mates_short(beside), *self._mates_scrubbers(beside))
        of_gas = ("gas-short", "reserve", "mate-gas-short")
        over = [f for f in findings if f.code not in of_gas and (f.grave or f.code == "end")]
        more = tuple(dict.fromkeys(f.code for f in over if not as_planned(f, self.broken)))
        return replace(found, findings=findings, over=more, answers=self._answers(found, findings, more, bool(over)))

    def _answers(
        self, found: Contingency, findings: Sequence[Finding], own: Sequence[str], as_the_plan: bool
    ) -> Answers:
        breathed = [use for use in found.supply if use.use != "inflation"]
        short = any(use.missing_l > 1e-6 for use in breathed)
        short = short or any(finding.code == "mate-gas-short" for finding in findings)
        reserve = any(use.short_l > 1e-6 for use in breathed)
        return Answers(
            gas="runs out" if short else "into the reserve" if reserve else "lasts",
            stops="met",
            breathable="yes",
            exposure="over" if own else "as the plan" if as_the_plan else "within",
        )

    def _mates(self, scenario: Scenario, run: _Run, leaves_at_min: float | None) -> Iterator[MateWay]:
        """The others of a team: on the common stops, on the gas that they planned, or on this diver's."""
        if leaves_at_min is None:
            if scenario.everyone is not None or self.mates is None:
                return  # it happens to all: each has it among his own
            for name in self.mates.names:
                mate, _ = self.of(name)
                try:
                    legs = legs_of(mate, scenario.held)
                except DiveFileError:
                    continue
                yield MateWay(name, legs, *cylinder_use(mate, legs))
            return
        for name, legs in run.mates:
            mate, schedule = self.of(name)
            whole = (*_until(schedule.legs, leaves_at_min), *legs)
            if scenario.shares is None or scenario.shares.name != name:
                yield MateWay(name, legs, *cylinder_use(mate, whole))
                continue
            given = scenario.shares.given
            own = [leg for leg in whole if leg.start_min < leaves_at_min - 1e-6 or leg.source.mix not in given]
            rmv = _stressed_from(mate, legs, leaves_at_min)
            yield MateWay(name, legs, *cylinder_use(mate, own, rmv), given)

    def _mates_short(self, others: Sequence[MateWay]) -> Iterator[Finding]:
        """Mates' cylinders that run out while all come up together, other than by the plan. Their reserves are for
        this."""
        for mate in others:
            short = [use for use in mate.supply if use.missing_l > 1e-6]
            by_plan = {use.name for use in self._mates_planned(mate.name) if use.missing_l > 1e-6} if short else set()
            for use in (one for one in short if one.name not in by_plan):
                values = {
                    "mate": mate.name, "mates_cylinder": use.name, "gas": use.mix.label, "mix": use.mix.name,
                    "short_l": use.missing_l, "needed_l": use.used_l, "content_l": use.content_l,
                }  # fmt: skip
                yield Finding("mate-gas-short", "no-go", values, *(use.reaches(use.content_l) or (None, None)))

    def _mates_planned(self, name: str) -> tuple[CylinderUse, ...]:
        """What the planned dive takes of a mate's cylinders."""
        mate, schedule = self.of(name)
        return cylinder_use(mate, schedule.legs)[0]

    def _mates_scrubbers(self, others: Sequence[MateWay]) -> Iterator[Finding]:
        """Mates whose scrubber is over its time while all come up together: a caution, as all exposure is."""
        for mate in others:
            if mate.loop is None or mate.loop.scrubber_min is None:
                continue
            for finding in scrubber(self.of(mate.name)[0], mate.loop):
                values = {**finding.values, "cylinder": f"{mate.name}'s scrubber", "mate": mate.name}
                yield replace(finding, severity="caution", values=values)

    def _lent(self, scenario: Scenario, others: Sequence[MateWay]) -> list[tuple[Leg, float]]:
        """The legs of a mate on this diver's gas, with his RMV."""
        if scenario.shares is None:
            return []
        mate, _ = self.of(scenario.shares.name)
        (way,) = (one for one in others if one.name == scenario.shares.name)
        rmv = _stressed_from(mate, way.legs, way.legs[0].start_min)
        return [(leg, rmv(leg)) for leg in way.legs if leg.source.circuit == "open" and leg.source.mix in way.given]

    def refused(self, scenario: Scenario, said: str) -> Contingency:
        """A scenario that cannot be planned as the dive file would have it: there is no gas for it."""
        finding = Finding("no-gas", "no-go", {"refused": said})
        found = self._ends(scenario, -1, finding)
        return replace(found, answers=Answers(NOT_PLANNED, NOT_PLANNED, "no", NOT_PLANNED))

    def without_gas(self, scenario: Scenario, point: int, gap: Gap) -> Contingency:
        """A scenario whose way up has nothing fit to breathe: it ends there."""
        minutes = (gap.from_m - gap.to_m) / scenario.dive.rates.ascent  # a slow ascent's dive has its own rates
        no_gas = NoGas(gap, minutes, tuple(self._last_resorts(scenario, gap)))
        values = {"from_m": gap.from_m, "to_m": gap.to_m, "minutes": no_gas.minutes}
        finding = Finding("no-gas", "no-go", values, None, gap.from_m)
        found = self._ends(scenario, point, finding)
        return replace(found, no_gas=no_gas, answers=Answers(NOT_PLANNED, NOT_PLANNED, "no", NOT_PLANNED))

    def _last_resorts(self, scenario: Scenario, gap: Gap) -> Iterator[LastResort]:
        """What is within the hard limit of ppO2 there, over the diver's own limit or hypoxic further up: own gas, the
        diluent on open circuit if it has a second stage, the loop flushed with it, a mate's gas."""
        own, loop = scenario.dive, scenario.dive.loop
        bar, limit = own.site.environment.pressure(gap.from_m), gases.PpO2Limit.when_wrong(own)

        def is_fit(mix: Mix, depth_m: float = gap.from_m) -> bool:
            return gases.is_fit(own, Source(mix), depth_m, gases.HARD)

        def left(what: Resort, mix: Mix, whose: str = "", cylinder: str = "") -> LastResort:
            over = not limit.allows(mix.ppo2(bar))
            return LastResort(what, mix.label, mix.ppo2(bar), whose, cylinder, over, not is_fit(mix, gap.to_m))

        for cylinder in open_circuit_cylinders(own):
            if cylinder.name not in scenario.given and is_fit(cylinder.gas):
                yield left("own gas", cylinder.gas, "", cylinder.name)
        if loop is not None and any(c.use == "diluent" for c in own.cylinders) and is_fit(loop.diluent):
            if loop.diluent_second_stage:
                yield left("diluent on open circuit", loop.diluent)
            yield left("loop flushed", loop.diluent)
        for whose, (mate, _) in zip(self.mates.names, self.mates.planned, strict=True) if self.mates else ():
            for cylinder in open_circuit_cylinders(mate):
                if is_fit(cylinder.gas):
                    yield left("mate's gas", cylinder.gas, whose, cylinder.name)

    def _ends(self, scenario: Scenario, point: int, finding: Finding) -> Contingency:
        """A contingency that is not planned to the surface, and why."""
        at_min: float | None = None
        depth_m: float | None = None
        if scenario.points is not None and point >= 0:
            row = self.schedule.track.points[point]
            at_min, depth_m = float(row["run_time_min"]), float(row["depth_m"])
        depth = finding.depth_m if finding.depth_m is not None else depth_m
        return Contingency(
            scenario=scenario,
            leaves_at_min=at_min,
            depth_m=depth_m,
            legs=(),
            stops=(),
            switches=(),
            run_time_min=self.schedule.run_time_min,
            tts_min=0.0,
            supply=(),
            loop=None,
            oxygen=Oxygen(0.0, 0.0, 0.0),
            breathing=(),
            findings=(replace(finding, run_time_min=at_min, depth_m=depth),),
        )


def _held_to_the_deco_limit(dive: Dive) -> Dive:
    """When things go wrong the working limit of ppO2 gives way to the one of the ascent."""
    limits = dive.limits
    limit = max(limits.ppo2_bottom, limits.ppo2_deco)
    changed = {"ppo2_bottom": limit, "ppo2_bottom_no_go": None}
    return dive.model_copy(update={"limits": limits.model_copy(update=changed)})


def _unfit_leg(dive: Dive, legs: Sequence[Leg]) -> Gap | None:
    """The first depths at which nothing fit is breathed: a net under what the ways promise."""
    limit = gases.PpO2Limit.when_wrong(dive)
    breathed = {(leg.source, depth_m) for leg in legs for depth_m in (leg.start_m, leg.end_m)}
    if all(gases.is_fit(dive, source, depth_m, limit) for source, depth_m in breathed):
        return None
    gap: Gap | None = None
    for leg in legs:
        for deep_m, shallow_m in _steps(dive, leg):
            if not all(gases.is_fit(dive, leg.source, depth_m, limit) for depth_m in (deep_m, shallow_m)):
                gap = Gap(gap.from_m if gap is not None else deep_m, shallow_m)
            elif gap is not None and shallow_m < deep_m:  # a stop for a break from oxygen is no way out of it
                return gap if gap.to_m < gap.from_m else Gap(gap.from_m, shallow_m)
        if gap is not None and leg.kind == "descent":
            return gap
    return gap


def _steps(dive: Dive, leg: Leg) -> list[tuple[float, float]]:
    """The depths of a leg from one of the stop grid to the next, deepest first, whichever way it is dived. [m]"""
    shallowest_m, deepest_m = sorted((leg.start_m, leg.end_m))
    between = [depth_m for depth_m in dive.stops.depths_m(deepest_m) if shallowest_m < depth_m < deepest_m]
    return list(pairwise([deepest_m, *reversed(between), shallowest_m]))


def _weighed(dive: Dive, found: Contingency) -> Iterator[Finding]:
    """Everything to be said of a contingency. Gas is a no-go; exposure, when things go wrong, a caution."""
    scenario, loop = found.scenario, found.loop
    for use in found.supply:
        finding = _runs_out(use) if scenario.failure.may_use_the_reserve else short_of_gas(use)
        if finding is not None:
            yield finding
    exposure = [*breathing.judge(dive, found.breathing, found.legs), *judge_oxygen(dive, found.oxygen)]
    if loop is not None and loop.scrubber_min is not None:
        exposure += scrubber(dive, loop)
    for finding in exposure:
        yield replace(finding, severity="caution") if finding.severity == "no-go" else finding


def _runs_out(use: CylinderUse) -> Finding | None:
    """A cylinder that runs out; or the reserve that is breathed."""
    if use.short_l <= 1e-6:
        return None
    values = {
        "cylinder": use.name, "mix": use.mix.name, "needed_l": use.used_l, "content_l": use.content_l,
        "left_bar": use.left_bar,
    }  # fmt: skip
    if use.missing_l <= 1e-6:
        return Finding("reserve", "caution", values, *(use.reaches(use.usable_l) or (None, None)))
    values["short_l"] = use.missing_l
    return Finding("gas-short", "no-go", values, *(use.reaches(use.content_l) or (None, None)))


def _handovers(scenario: Scenario, legs: Sequence[Leg], supply: Iterable[CylinderUse]) -> Iterator[Handover]:
    """Every cylinder of the mates' that is breathed, when and where it is taken."""
    taken = []
    for use in supply:
        drawn = [part for part in use.legs if part.litres > 1e-6]
        if use.name in scenario.given and drawn:
            giver, cylinder = scenario.given[use.name]
            at_min = drawn[0].start_min
            leg = next((leg for leg in legs if leg.start_min - 1e-6 <= at_min < leg.end_min - 1e-6), legs[-1])
            if leg.start_m != leg.end_m:
                at_min = leg.start_min
            litres = sum(part.litres for part in drawn)
            taken.append(Handover(giver, scenario.whose, cylinder, use.mix, at_min, leg.start_m, litres))
    yield from sorted(taken, key=lambda handover: handover.run_time_min)


def _until(legs: Sequence[Leg], run_time_min: float) -> Iterator[Leg]:
    """The legs before a run time, the last cut off there."""
    for leg in legs:
        if leg.end_min <= run_time_min:
            yield leg
        elif leg.start_min < run_time_min:
            share = (run_time_min - leg.start_min) / leg.minutes
            yield replace(leg, end_min=run_time_min, end_m=leg.start_m + share * (leg.end_m - leg.start_m))
