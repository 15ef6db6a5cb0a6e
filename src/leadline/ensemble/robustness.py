"""How robust a plan is: many dives drawn around it, and what comes of them.

Two divers are asked. One works the stops out anew for what was really dived: how much longer is it, does the gas last?
The other comes up by the slate: how near to the limit is the surface? Chances are of gas and schedule alone. Nothing
here is a chance of decompression sickness.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.lib.recfunctions import repack_fields
from numpy.typing import NDArray

from leadline.dive_file import parse_dive
from leadline.dive_file.errors import DiveFileError, Problem, expect, key_path
from leadline.dive_file.failures import Failure
from leadline.dive_file.schema import Dive
from leadline.ensemble import draws
from leadline.ensemble.draws import DrawnDive, Input
from leadline.ensemble.drivers import Driven, main_drivers
from leadline.ensemble.statistics import Chance, Spread, chance, spread
from leadline.many.batch import BatchResult, Varied, simulate_many
from leadline.many.follow import follow_many, slate_rows
from leadline.many.gas import Cylinders, cylinders_of
from leadline.physics.mix import Mix
from leadline.plan import Plan, oxygen, plan_dive
from leadline.plan.contingency import Contingency
from leadline.plan.gases import GRID_TOLERANCE_BAR
from leadline.plan.schedule import Layout, Leg, lay_out
from leadline.plan.team import Member, plan_team
from leadline.tissue import kernel
from leadline.units import SYSTEMS

Array = NDArray[Any]
Told = Callable[[str, int, int], None]
"""Hears what is being worked out, how much of it is done, and of how much. Whoever raises KeyboardInterrupt in it
gives the ensemble up."""

STAGES = ("planning", "dives", "contingencies", "drivers")
"""What is worked out, in this order, for every diver."""
AT_ONCE = 10_000
"""Dives worked out at once: what is kept of each is a dozen or two numbers, and the rest of it goes with these."""
WHAT_IFS = 200
"""Draws that are planned whole, with everything that can go wrong; of a small sample one in ten."""
KEPT = ["fault", "run_time_min", "tts_min", "gf_surface", "cns_percent", "loop_min"]
"""What is kept of the figures of each dive."""


@dataclass(frozen=True)
class CylinderChances:
    """What becomes of a cylinder."""

    name: str
    mix: Mix
    lasts: Chance
    """With its reserve intact."""
    to_empty: Chance
    """That it lasts, were its reserve breathed too."""
    left_bar: Spread
    """At the surface; 0 where more is asked than it holds."""
    reserve_bar: float


@dataclass(frozen=True)
class LimitChance:
    """How often a limit is exceeded."""

    name: str
    over: Chance


@dataclass(frozen=True)
class Ascents:
    """What came of the dives on one way of coming up.

    Spreads are of the draws that can be dived. Chances are of all, and one that cannot counts against the plan: its gas
    does not last, and it is over every limit.
    """

    refused: Chance
    """That a drawn dive cannot be dived: a level is left before the stops on the way to it are done, or a stop never
    clears."""
    run_time_min: Spread
    tts_min: Spread
    """From the end of the last level."""
    gf_surface: Spread
    """1 is the M-value."""
    gf_highest: Spread | None
    """The highest anywhere on the way up, by a slate."""
    cns_percent: Spread
    """With what the dives before have left."""
    all_last: Chance
    """That every cylinder lasts with its reserve intact."""
    all_to_empty: Chance
    cylinders: tuple[CylinderChances, ...]
    """Those that are breathed, or feed loop or suit, in some draw."""
    limits: tuple[LimitChance, ...]


@dataclass(frozen=True)
class SlateChance:
    """How often a slate is the one to take."""

    name: str
    """"the plan", the contingency's name, or "none of them"."""
    taken: Chance
    contingency: int | None = None
    """Which of the plan's contingencies it is of."""


@dataclass(frozen=True)
class WhatIfChance:
    """What becomes of one kind of contingency, were it to happen on the drawn dives."""

    kind: str
    gas_short: Chance
    """That some cylinder does not last: to the last of what it holds; of the bailout, above its reserve. Nor does any
    where the draw cannot be planned."""
    not_met: Chance
    """That it does not hold, whatever the reason."""
    cylinder: str
    """The one that runs out most often; empty if none does."""


@dataclass(frozen=True)
class EnsembleResult:
    """The ensemble of one diver's dive."""

    diver: str
    """Empty without a team."""
    plan: Plan
    inputs: tuple[Input, ...]
    dives: int
    seed: int
    recomputed: Ascents
    """The stops worked out anew for what was dived."""
    by_slate: Ascents
    """By the stops of the plan, whatever was dived."""
    by_slates: Ascents | None
    """By the slate that covers what was dived, or the longest where none does; None if there is only the plan's."""
    slates: tuple[SlateChance, ...]
    what_ifs: tuple[WhatIfChance, ...]
    """The kind whose gas fails most often first."""
    planned_whole: int
    """Draws that were planned with everything that can go wrong ..."""
    not_planned: Chance
    """... and how often that could not be done at all."""
    driven: tuple[Driven, ...]
    """Which inputs drive what comes out."""


def run_ensemble(dive: Dive, source: str = "dive", told: Told | None = None) -> tuple[EnsembleResult, ...]:
    """The ensemble of every diver, in the order of the dive file. In a team the draws of depth, time, ascent rate and
    switches are the same for all, stops worked out anew are those of each alone, and contingencies are the team's.

    Raises DiveFileError, naming the dive file as `source`, where the dive cannot be planned, or nothing is to differ.
    """
    expect(dive, Dive, "run_ensemble", "a Dive, as read_dive gives")
    told = told if told is not None else _nobody
    told("planning", 0, 1)
    team = plan_team(dive, source)
    whole = _WholeTeam(dive, team.members)
    return tuple(_of_one(i, member, whole, source, told) for i, member in enumerate(team.members))


def ready() -> None:
    """Have compiled, or loaded, what an ensemble is worked out with, before anyone waits for it."""
    cylinder = {"name": "a", "gas": "air", "size": 24, "pressure": 230, "use": "bottom"}
    dive = parse_dive({"units": "metric", "levels": [{"depth": 40, "leave_at": 20}], "cylinders": [cylinder]})
    layout, planned = lay_out(dive), plan_dive(dive)
    simulate_many(dive, layout, Varied(), 1)
    follow_many(dive, layout, slate_rows(planned.schedule.legs, layout, 20.0), Varied(), 1)


def _nobody(_: str, __: int, ___: int) -> None:
    return


def _possible(found: Sequence[Input], dive: Dive, source: str) -> None:
    """DiveFileError for a distribution that is mostly where no dive can be."""
    system = SYSTEMS[dive.units]
    problems = [
        Problem(
            key_path("ensemble", one.name),
            f"{one.in_words(system)}: most of it is where this dive cannot be; stay within {one.reach(system)}",
        )
        for one in found
        if one.possible < draws.LEAST_POSSIBLE
    ]
    if problems:
        raise DiveFileError(source, problems)


def _of_one(number: int, member: Member, whole: _WholeTeam, source: str, told: Told) -> EnsembleResult:
    planned = member.plan
    dive = on_planned_gases(planned)
    found = draws.inputs(dive)
    if not found:
        said = "keeps every input as planned, and no dive differs from the plan; let one be drawn"
        raise DiveFileError(source, [Problem("[ensemble]", said)])
    _possible(found, dive, source)
    slates = _slates(planned, dive)
    recomputed, by_slate, by_slates = _Kept(dive), _Kept(dive), _Kept(dive)
    taken = np.zeros(len(slates) + 1, dtype=int)
    layout = lay_out(dive, source)
    numbers, of = draws.generator(dive.ensemble.seed), dive.ensemble.dives
    for done in range(0, of, AT_ONCE):
        told("dives", done, of)
        count = min(AT_ONCE, of - done)
        some = draws.dived(dive, found, draws.drawn(found, numbers, count))
        varied = some.varied(dive)
        recomputed.add(layout, some, simulate_many(dive, layout, varied, count))
        own = slates[0]
        followed = follow_many(dive, own.layout, own.rows, varied, count)
        by_slate.add(own.layout, some, followed.swum, followed.gf_highest)
        covers = covered(slates, some)
        taken += np.bincount(covers, minlength=len(taken))
        if len(slates) > 1:
            longest = max(range(len(slates)), key=lambda k: slates[k].run_time_min)
            _by_the_covering(slates, np.where(covers < len(slates), covers, longest), some, by_slates)
    what_ifs, not_planned = _what_ifs(whole, number, told)
    ascents = recomputed.ascents()
    driven = main_drivers(dive, layout, slates[0].rows, found, _tightest(ascents), told)
    return EnsembleResult(
        diver=member.name,
        plan=planned,
        inputs=found,
        dives=of,
        seed=dive.ensemble.seed,
        recomputed=ascents,
        by_slate=by_slate.ascents(),
        by_slates=by_slates.ascents() if len(slates) > 1 else None,
        slates=(
            *(SlateChance(one.name, chance(int(taken[k]), of), one.contingency) for k, one in enumerate(slates)),
            SlateChance("none of them", chance(int(taken[-1]), of)),
        ),
        what_ifs=what_ifs,
        planned_whole=whole.of,
        not_planned=not_planned,
        driven=driven,
    )


def _tightest(found: Ascents) -> str | None:
    """The cylinder that lasts least often; among equals the one that comes nearest to its reserve. None without any, or
    where no dive can be dived."""
    if not found.tts_min.of:
        return None
    least = min(
        found.cylinders, key=lambda one: (one.lasts.share, one.left_bar.at(0.05).value - one.reserve_bar), default=None
    )
    return least.name if least is not None else None


def on_planned_gases(planned: Plan) -> Dive:
    """The dive of a plan, each level of open circuit on the gas that the plan has there, whatever depth is drawn."""
    dive = planned.dive
    if dive.loop is not None:
        return dive
    breathed = {leg.level: leg.source.mix for leg in planned.schedule.legs if leg.kind in ("descent", "level")}
    levels = tuple(level.model_copy(update={"gas": breathed.get(i, level.gas)}) for i, level in enumerate(dive.levels))
    return dive.model_copy(update={"levels": levels})


# --- Slates -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slate:
    """What is written down to come up by."""

    name: str
    dive: Dive
    """What it is for."""
    layout: Layout
    rows: Array
    """Of `follow.SLATE_ROW`."""
    run_time_min: float
    contingency: int | None = None


def _slates(planned: Plan, dive: Dive) -> list[Slate]:
    """The plan's slate, and those of its deeper and longer contingencies, the shortest first."""
    own = _slate("the plan", dive, planned.schedule.legs, planned.schedule.run_time_min)
    others = [
        _slate(c.name, c.scenario.dive, c.legs, c.run_time_min, i)
        for i, c in enumerate(planned.contingencies)
        if _has_a_slate(c.failure) and c.legs and c.leaves_at_min is None
    ]
    return [own, *sorted(others, key=lambda slate: slate.run_time_min)]


def _has_a_slate(failure: Failure) -> bool:
    """Whether a dive that went otherwise would be come up from by its slate."""
    return failure.on_the_slate and failure.covers == "another dive"


def _slate(
    name: str, dive: Dive, legs: Sequence[Leg], run_time_min: float, contingency: int | None = None
) -> Slate:  # fmt: skip
    layout = lay_out(dive)
    rows = slate_rows(legs, layout, dive.levels[-1].leave_at)
    return Slate(name, dive, layout, rows, run_time_min, contingency)


def covered(slates: Sequence[Slate], some: DrawnDive) -> Array:
    """The shortest slate that covers each dive: none of its levels is deeper or left later than there. Not by half a
    metre or minute either, for a slate is entered at the next deeper and longer. `len(slates)` where none does.
    [dives]"""
    found = np.full(len(some.depth_m), len(slates))
    for k in reversed(range(len(slates))):
        levels = slates[k].dive.levels
        within = some.depth_m <= np.array([level.depth for level in levels]) + 1e-6
        within &= some.leave_at_min <= np.array([level.leave_at for level in levels]) + 1e-6
        found[within.all(axis=1)] = k
    return found


def _by_the_covering(slates: Sequence[Slate], which: Array, some: DrawnDive, kept: _Kept) -> None:
    """Every dive by its own slate."""
    for k, slate in enumerate(slates):
        these = which == k
        count = int(these.sum())
        if count:
            mine = some.some(these)
            followed = follow_many(slate.dive, slate.layout, slate.rows, mine.varied(slate.dive), count)
            kept.add(slate.layout, mine, followed.swum, followed.gf_highest)


# --- What is kept of the dives ----------------------------------------------------------------------------------------


@dataclass
class _Kept:
    """What is kept of each dive, some at a time."""

    dive: Dive
    figures: list[Array] = field(default_factory=list)
    gf_highest: list[Array] = field(default_factory=list)
    left_bar: list[Array] = field(default_factory=list)
    used: list[Array] = field(default_factory=list)
    lasts: list[Array] = field(default_factory=list)
    to_empty: list[Array] = field(default_factory=list)
    too_rich: list[Array] = field(default_factory=list)
    reserve_bar: Array | None = None

    def add(self, layout: Layout, some: DrawnDive, swum: BatchResult, gf_highest: Array | None = None) -> None:
        """Keep what matters of some dives."""
        gas: Cylinders = cylinders_of(self.dive, layout, swum)
        self.figures.append(repack_fields(swum.figures[KEPT]))
        if gf_highest is not None:
            self.gf_highest.append(gf_highest)
        self.left_bar.append(gas.left_bar)
        self.used.append(np.any(gas.used_l > 1e-6, axis=0))
        self.lasts.append(gas.lasts)
        self.to_empty.append(np.asarray(gas.missing_l <= 1e-6))
        self.too_rich.append(_too_rich(self.dive, layout, some))
        self.reserve_bar = gas.reserve_bar

    def ascents(self) -> Ascents:
        """What came of all of them."""
        figures, cylinders = np.concatenate(self.figures), self.dive.cylinders
        fine = figures["fault"] == kernel.FINE
        of = len(figures)
        lasts, to_empty, left_bar = (np.concatenate(part) for part in (self.lasts, self.to_empty, self.left_bar))
        used = np.any(self.used, axis=0)
        cns = figures["cns_percent"] + oxygen.carried(self.dive).cns_percent
        assert self.reserve_bar is not None
        return Ascents(
            refused=chance(int((~fine).sum()), of),
            run_time_min=spread(figures["run_time_min"][fine], 1.0),
            tts_min=spread(figures["tts_min"][fine], 1.0),
            gf_surface=spread(figures["gf_surface"][fine], 0.01),
            gf_highest=spread(np.concatenate(self.gf_highest)[fine], 0.01) if self.gf_highest else None,
            cns_percent=spread(cns[fine], 1.0),
            all_last=chance(int((lasts.all(axis=1) & fine).sum()), of),
            all_to_empty=chance(int((to_empty.all(axis=1) & fine).sum()), of),
            cylinders=tuple(
                CylinderChances(
                    name=cylinder.name,
                    mix=cylinder.gas,
                    lasts=chance(int((lasts[:, i] & fine).sum()), of),
                    to_empty=chance(int((to_empty[:, i] & fine).sum()), of),
                    left_bar=spread(left_bar[fine, i], 0.0),
                    reserve_bar=float(self.reserve_bar[i]),
                )
                for i, cylinder in enumerate(cylinders)
                if used[i]
            ),
            limits=tuple(
                LimitChance(name, chance(int((over | ~fine).sum()), of))
                for name, over in self._limits(figures, cns, np.concatenate(self.too_rich))
            ),
        )

    def _limits(self, figures: Array, cns: Array, too_rich: Array) -> Iterator[tuple[str, Array]]:
        dive, high = self.dive, self.dive.model.gradient_factors[1]
        if self.gf_highest:
            yield f"GF at the surface over GF high, {high:g} %", figures["gf_surface"] > high / 100.0 + 1e-6
            yield "GF at the surface over the M-value", figures["gf_surface"] > 1.0
            yield "GF over the M-value anywhere on the way up", np.concatenate(self.gf_highest) > 1.0
        yield "CNS over 100 %", cns > 100.0
        yield f"ppO2 at a level over {dive.limits.ppo2_bottom:g} bar", too_rich
        for name, column, limit in (
            ("TTS", "tts_min", dive.limits.tts),
            ("run time", "run_time_min", dive.limits.run_time),
            ("time on the scrubber", "loop_min", dive.loop.scrubber if dive.loop is not None else None),
        ):
            if limit is not None:
                yield f"{name} over {limit:g} min", figures[column] > limit + 1e-6


def _too_rich(dive: Dive, layout: Layout, some: DrawnDive) -> Array:
    """Whether ppO2 at some level is over the working limit and the tolerance of the stop grid. [dives]"""
    where, over = dive.site.environment, np.zeros(len(some.depth_m), dtype=bool)
    for i, level in enumerate(layout.levels):
        source = layout.sources[int(level["source"])]
        bar = where.surface_bar + where.bar_per_m * some.depth_m[:, i]
        ppo2: Array | float
        if source.setpoint_bar is None:
            ppo2 = source.mix.o2 * bar
        else:
            planned = dive.loop is not None and source.setpoint_bar == dive.loop.setpoint
            held = some.setpoint_bar if planned and some.setpoint_bar is not None else source.setpoint_bar
            dry = bar - kernel.WATER_VAPOUR
            ppo2 = np.minimum(dry, np.maximum(held, source.mix.o2 * dry))
        over |= ppo2 > dive.limits.ppo2_bottom + GRID_TOLERANCE_BAR
    return over


# --- What if, on what was really dived --------------------------------------------------------------------------------


class _WholeTeam:
    """The first of the draws, planned whole: every diver of the team on what he draws, and all on one schedule."""

    def __init__(self, dive: Dive, members: Sequence[Member]) -> None:
        self._dive = dive
        self._own = [on_planned_gases(member.plan) for member in members]
        self.of = min(WHAT_IFS, dive.ensemble.dives // 10)
        self._some = []
        for own in self._own:
            found = draws.inputs(own)
            values = draws.drawn(found, draws.generator(dive.ensemble.seed), self.of)
            self._some.append(draws.dived(own, found, values))
        self._found: dict[int, list[Failures] | None] = {}

    def failures(self, member: int, draw: int) -> Failures | None:
        """What fails a diver in a draw, by kind; None if it cannot be planned."""
        if draw not in self._found:
            try:
                team = plan_team(self._drawn(draw))
                self._found[draw] = [_failures(one.plan.contingencies) for one in team.members]
            except DiveFileError:
                self._found[draw] = None
        found = self._found[draw]
        return found[member] if found is not None else None

    def _drawn(self, draw: int) -> Dive:
        """A draw as a dive file would say it. In a team the gas of a level is the file's."""
        own = [some.dive(dive, draw) for some, dive in zip(self._some, self._own, strict=True)]
        if not self._dive.team:
            return own[0]
        levels = tuple(
            level.model_copy(update={"depth": drawn.depth, "leave_at": drawn.leave_at})
            for level, drawn in zip(self._dive.levels, own[0].levels, strict=True)
        )
        team = tuple(
            diver.model_copy(
                update={
                    "rmv_bottom": drawn.diver.rmv_bottom,
                    "rmv_deco": drawn.diver.rmv_deco,
                    "rmv_stressed": drawn.diver.rmv_stressed,
                    "rmv_bailout": drawn.diver.rmv_bailout,
                    "loop": drawn.loop,
                }
            )
            for diver, drawn in zip(self._dive.team, own, strict=True)
        )
        stops = self._dive.stops.model_copy(update={"gas_switch": own[0].stops.gas_switch})
        return self._dive.model_copy(
            update={"levels": levels, "rates": own[0].rates, "stops": stops, "team": team}
        )  # fmt: skip


Failures = dict[str, tuple[set[str], bool]]
"""By kind of contingency: the cylinders that do not last, and whether it does not hold."""


def _failures(found: Sequence[Contingency]) -> Failures:
    kinds = dict.fromkeys(one.kind for one in found)
    return {
        kind: (
            {name for one in found if one.kind == kind for name in _runs_out(one)},
            any(not one.holds for one in found if one.kind == kind),
        )
        for kind in kinds
    }


def _what_ifs(whole: _WholeTeam, member: int, told: Told) -> tuple[tuple[WhatIfChance, ...], Chance]:
    """Everything that can go wrong for a diver, on the first of the draws; and how often they cannot be planned, which
    counts as a failure of every kind."""
    found: list[Failures] = []
    for i in range(whole.of):
        told("contingencies", i, whole.of)
        failures = whole.failures(member, i)
        if failures is not None:
            found.append(failures)
    chances, refused = [], whole.of - len(found)
    for kind in dict.fromkeys(kind for one in found for kind in one):
        fails = [one[kind] for one in found if kind in one]
        names = Counter(name for runs_out, _ in fails for name in sorted(runs_out))
        chances.append(
            WhatIfChance(
                kind,
                chance(refused + sum(bool(runs_out) for runs_out, _ in fails), whole.of),
                chance(refused + sum(not_met for _, not_met in fails), whole.of),
                names.most_common(1)[0][0] if names else "",
            )
        )
    chances.sort(key=lambda one: (-one.gas_short.count, -one.not_met.count))
    return tuple(chances), chance(refused, whole.of)


def _runs_out(found: Contingency) -> set[str]:
    """The cylinders of a contingency that do not last."""
    own = {str(f.values["cylinder"]) for f in found.findings if f.code == "gas-short" and f.severity == "no-go"}
    mates = (f.values for f in found.findings if f.code == "mate-gas-short")
    return own | {f"{values['mate']}'s {values['mates_cylinder']}" for values in mates}
