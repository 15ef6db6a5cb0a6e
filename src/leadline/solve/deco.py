"""The best deco gases, or on a loop bailout gases, and where to change to them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

from leadline.dive_file import divers
from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.schema import Cylinder, Dive, Stops
from leadline.physics.mix import Mix
from leadline.plan import gases
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.supply import open_circuit_cylinders
from leadline.solve.verdict import Told, Tried, Verdict, nearest_miss
from leadline.units import SYSTEMS, System


@dataclass(frozen=True)
class DecoGas:
    """A gas in a deco or bailout cylinder, and the depth from which it is breathed on the way up."""

    cylinder: str
    mix: Mix
    switch_m: float | None
    """None: richer ones take its place, or it is usable nowhere."""


@dataclass(frozen=True)
class DecoChoice:
    """Gases in the cylinders that the dive file carries."""

    gases: tuple[DecoGas, ...]
    verdict: Verdict


@dataclass(frozen=True)
class DecoAnswer:
    """The best deco gases, on a loop the best bailout gases above the deepest."""

    dive: Dive
    """With the best gases; the dive file's own if nothing holds."""
    best: DecoChoice | None
    runner_up: DecoChoice | None
    nearest: DecoChoice | None
    """Where nothing holds: what fails by least."""
    choices: int
    """Of gases, from one to as many as there are cylinders, and none."""
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether a choice holds."""
        return self.best is not None

    @property
    def nearest_miss(self) -> str:
        """Where nothing holds: what fails by least, in one sentence."""
        if self.nearest is None:
            return ""
        return nearest_miss(gases_named(self.nearest.gases, SYSTEMS[self.dive.units]), self.nearest.verdict)


def gases_named(gases: Sequence[DecoGas], system: System) -> str:
    """Deco gases as a diver says them: "50 % in left stage from 21 m"."""
    named = [
        f"{gas.mix.name} in {gas.cylinder}"
        + (f" from {system.at(gas.switch_m)}" if gas.switch_m is not None else ", not breathed")
        for gas in gases
    ]
    return "; ".join(named) or "no deco gas"


Filled = tuple[Mix | None, ...]
"""What is in each of the cylinders that are free to be filled; None: it stays ashore."""


def best_deco(dive: Dive, source: str = "dive", told: Told | None = None) -> DecoAnswer:
    """The deco gases of [solve] deco_gases with the shortest run time at which everything holds.

    For the deco cylinders of the dive file, on a loop the bailout cylinders other than those of the leanest gas; each
    gas in at most one, cylinders may stay ashore. On a loop, where bailout gases leave the run time as it is, the
    shortest bailout from its worst moment. Among equals, the fewest cylinders. DiveFileError without list or cylinders.
    """
    listed = tuple(dict.fromkeys(dive.solve.deco_gases))
    if not listed:
        raise DiveFileError(source, [Problem("[solve] deco_gases", "is missing or empty; list the deco gases at hand")])
    count = max(len(_free(own)) for _, own in divers(dive))
    if count == 0:
        wanted = 'use = "deco"' if dive.loop is None else 'use = "bailout", other than the deepest one'
        raise DiveFileError(source, [Problem("[[cylinders]]", f"none is free for deco gases; list one with {wanted}")])
    tried = Tried(source, told)
    choices = [chosen for n in range(min(count, len(listed)) + 1) for chosen in combinations(listed, n)]
    holding: list[tuple[Filled, Verdict]] = []
    failing: list[tuple[Filled, Verdict]] = []
    complete = True
    try:
        in_turn = _by_run_time(dive, choices, tried) if _run_time_by_gases_alone(dive) else choices
        for i, chosen in enumerate(in_turn, 1):
            held = _first_that_holds(dive, chosen, count, tried, f"choice {i} of {len(in_turn)}", failing)
            if held is not None:
                holding.append(held)
            if len(holding) == 2 and _run_time_by_gases_alone(dive):
                break
    except KeyboardInterrupt:
        complete = False
    holding.sort(key=lambda one: (*_length(one[1]), sum(mix is not None for mix in one[0])))
    failing.sort(key=lambda one: (one[1].nearness, one[1].run_time_min or math.inf))
    made = [DecoChoice(_switches(dive, filled), found) for filled, found in holding[:2]]
    return DecoAnswer(
        dive=with_deco(dive, holding[0][0]) if holding else dive,
        best=made[0] if made else None,
        runner_up=made[1] if len(made) > 1 else None,
        nearest=DecoChoice(_switches(dive, failing[0][0]), failing[0][1]) if failing and not made else None,
        choices=len(choices),
        complete=complete,
        tried=len(tried.verdicts),
    )


def with_deco(dive: Dive, filled: Filled) -> Dive:
    """A dive with other gases in its deco or free bailout cylinders, in the order of the file; every diver's in a team.

    A cylinder that stays ashore is left out. Switch depths of the diver's own are let go: they were for other gases.
    """
    own = dict(divers(dive))
    team = tuple(
        diver.model_copy(update={"cylinders": _filled(own[diver.name], diver.cylinders, filled)})
        if diver.cylinders is not None
        else diver
        for diver in dive.team
    )
    cylinders = _filled(dive, dive.cylinders, filled)
    return dive.model_copy(update={"cylinders": cylinders, "team": team, "stops": breaks_kept(dive.stops, cylinders)})


def _free(dive: Dive) -> list[str]:
    """The names of one diver's cylinders that are free to be filled with deco gases."""
    if dive.loop is None:
        return [cylinder.name for cylinder in dive.cylinders if cylinder.use == "deco"]
    carried = open_circuit_cylinders(dive)
    leanest = min((cylinder.gas.o2 for cylinder in carried), default=1.0)
    return [cylinder.name for cylinder in carried if cylinder.gas.o2 > leanest]


def _filled(own: Dive, cylinders: Sequence[Cylinder], filled: Filled) -> tuple[Cylinder, ...]:
    fills = dict(zip(_free(own), filled, strict=False))
    kept = []
    for cylinder in cylinders:
        if cylinder.name not in _free(own):
            kept.append(cylinder)
        elif (mix := fills.get(cylinder.name)) is not None:
            kept.append(cylinder.model_copy(update={"gas": mix, "switch_depth": None}))
    return tuple(kept)


def breaks_kept(stops: Stops, cylinders: Iterable[Cylinder]) -> Stops:
    """A break gas that is no longer carried gives way to the leanest breathable."""
    breaks = stops.oxygen_breaks
    if breaks is None or breaks.gas is None or any(cylinder.gas == breaks.gas for cylinder in cylinders):
        return stops
    return stops.model_copy(update={"oxygen_breaks": breaks.model_copy(update={"gas": None})})


def _run_time_by_gases_alone(dive: Dive) -> bool:
    """Whether the run time follows from the gases, in whichever cylinder each is, and is what counts."""
    return dive.loop is None and not dive.team


def _by_run_time(dive: Dive, choices: Iterable[tuple[Mix, ...]], tried: Tried) -> list[tuple[Mix, ...]]:
    """Choices of gases, the shortest schedule first; those that cannot be planned last."""
    lengths = {}
    for chosen in choices:
        tried.told(f"schedule with {_said(chosen)}")
        trial = with_deco(dive, (*chosen, *(None,) * len(_free(dive))))
        try:
            lengths[chosen] = dive_schedule(trial, lay_out(trial, tried.source), tried.source).run_time_min
        except DiveFileError:
            lengths[chosen] = math.inf
    return sorted(lengths, key=lambda chosen: (lengths[chosen], len(chosen)))


def _said(mixes: Iterable[Mix | None]) -> str:
    return " and ".join(mix.name for mix in mixes if mix is not None) or "no deco gas"


def _first_that_holds(
    dive: Dive, chosen: tuple[Mix, ...], count: int, tried: Tried, said: str, failing: list[tuple[Filled, Verdict]]
) -> tuple[Filled, Verdict] | None:
    """The first way of putting gases into cylinders at which everything holds. What fails is added to `failing`."""
    for filled in _ways_to_fill(dive, chosen, count):
        made = tried(filled, lambda filled=filled: with_deco(dive, filled), f"{said}: {_said(filled)}")  # type: ignore[misc]
        if made.holds:
            return filled, made
        failing.append((filled, made))
        if any(limit.code not in ("gas-short", "turn") for limit in made.limits):
            return None  # what is no matter of how much a cylinder holds is not mended by changing cylinders
    return None


def _ways_to_fill(dive: Dive, chosen: tuple[Mix, ...], count: int) -> Iterator[Filled]:
    """Gases in cylinders, every way that makes a difference."""
    slots = {name: i for i, name in enumerate(_free(dive))}
    sizes = {slots[c.name]: (c.water_l, c.pressure, c.reserve) for c in dive.cylinders if c.name in slots}
    seen = set()
    for places in permutations(range(count), len(chosen)):
        filled: list[Mix | None] = [None] * count
        for place, mix in zip(places, chosen, strict=True):
            filled[place] = mix
        alike = tuple(
            sorted((str(sizes.get(place, place)), mix.label) for place, mix in zip(places, chosen, strict=True))
        )
        if dive.team or alike not in seen:
            seen.add(alike)
            yield tuple(filled)


def _length(found: Verdict) -> tuple[float, float]:
    return found.run_time_min or 0.0, found.way_up_min or 0.0


def _switches(dive: Dive, filled: Filled) -> tuple[DecoGas, ...]:
    """The gases with the depths they are breathed from on the last ascent, or on a bailout."""
    named = [own for _, own in divers(dive)]
    own = max(named, key=lambda one: len(_free(one)))
    changed = dict(
        zip((name for name, _ in divers(dive)), (one for _, one in divers(with_deco(dive, filled))), strict=True)
    )
    after = changed[next(name for name, one in divers(dive) if one == own)]
    depths = switch_depths(after)
    return tuple(
        DecoGas(name, mix, depths.get(mix)) for name, mix in zip(_free(own), filled, strict=False) if mix is not None
    )


def switch_depths(dive: Dive) -> dict[Mix, float]:
    """Where each gas of one diver is changed to on the last ascent, on a loop on a bailout; at most the deepest level.
    [m] Empty where no gas can be breathed."""
    if dive.loop is None:
        try:
            way = gases.stretches(dive)[-1].up
        except DiveFileError:
            way = ()
    else:
        way = gases.bailout_way(dive)
    return {step.source.mix: min(step.from_depth_m, dive.deepest_m) for step in way}
