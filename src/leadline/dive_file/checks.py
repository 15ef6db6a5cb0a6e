"""What no single key can tell: whether the parts of a dive file agree with each other."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from leadline.dive_file.errors import Problem, key_path, shown
from leadline.dive_file.schema import Cylinder, Dive
from leadline.dive_file.team import cylinders_of, divers, loop_of
from leadline.units import CUBIC_FOOT_L, SYSTEMS

Key = tuple[str | int, ...]


@dataclass(frozen=True)
class _DiverChecked:
    """A diver's dive, and where in the file what is refused of it stands."""

    name: str
    """Empty where the file names no team."""
    dive: Dive
    cylinders: tuple[Key, ...]
    """Of each cylinder."""
    list_key: str
    """Of the list of cylinders."""
    stressed_key: str = "[diver] rmv_stressed"
    """Of the RMV in a bailout."""

    @property
    def his(self) -> str:
        """Whose gas or cylinder it is, behind it: " of Ann"."""
        return f" of {self.name}" if self.name else ""


def contradictions(dive: Dive) -> list[Problem]:
    """Everything in a dive file that cannot be true together. What several divers share is told once."""
    problems = [*_levels(dive), *_team(dive), *_previous(dive), *_ensemble(dive)]
    if not any(diver.circuit == "closed" and loop_of(dive, diver) is None for diver in dive.team):
        for diver in _divers(dive):
            problems += [*_stressed(diver), *_cylinders(diver), *_loop(diver), *_gases_named(diver)]
    return list(dict.fromkeys(problems))


def _previous(dive: Dive) -> Iterator[Problem]:
    """Earlier dives must have been dived by the divers of this one."""
    for i, earlier in enumerate(dive.previous):
        if earlier.file is None:
            continue
        key = key_path("previous", i, "file")
        dived = [diver.name for diver in earlier.dive.team]
        missing = [name for name in ([diver.name for diver in dive.team] or [""]) if dived and name not in dived]
        if missing and missing != [""]:
            yield Problem(
                key, f"{shown(earlier.file)} has no diver {', '.join(missing)}; its team is {', '.join(dived)}"
            )
        elif missing:
            said = f"was dived by a team, {', '.join(dived)}; write the diver of this dive as a [[team]] of one"
            yield Problem(key, f"{shown(earlier.file)} {said}")


def _divers(dive: Dive) -> Iterator[_DiverChecked]:
    if not dive.team:
        keys: list[Key] = [("cylinders", i) for i in range(len(dive.cylinders))]
        yield _DiverChecked("", dive, tuple(keys), "[[cylinders]]")
        return
    for i, (diver, (name, own)) in enumerate(zip(dive.team, divers(dive), strict=True)):
        where: Key = ("team", i, "cylinders") if diver.cylinders is not None else ("cylinders",)
        found = tuple((*where, j) for j, _ in cylinders_of(dive, diver))
        stressed = key_path(*(("team", i) if diver.rmv_stressed is not None else ("diver",)), "rmv_stressed")
        yield _DiverChecked(name, own, found, key_path("team", i, "cylinders"), stressed)


def _levels(dive: Dive) -> Iterator[Problem]:
    """No level may be left before the diver, without a single stop, could be there."""
    system = SYSTEMS[dive.units]
    depth_m, run_time_min = 0.0, 0.0
    for i, level in enumerate(dive.levels):
        rate = dive.rates.descent if level.depth >= depth_m else dive.rates.ascent
        arrive_min = run_time_min + abs(level.depth - depth_m) / rate
        if level.leave_at < arrive_min - 1e-6:
            yield Problem(
                key_path("levels", i, "leave_at"),
                f"{level.leave_at:g} min is before {system.at(level.depth)} can be "
                f"reached ({arrive_min:.1f} min); give at least {math.ceil(arrive_min - 1e-6)}",
            )
        depth_m, run_time_min = level.depth, max(level.leave_at, arrive_min)


def _ensemble(dive: Dive) -> Iterator[Problem]:
    """No input may be drawn that the dive does not have, or where no dive can be."""
    system, given = SYSTEMS[dive.units], dive.ensemble
    if given.setpoint is not None and all(one.loop is None for _, one in divers(dive)):
        said = "is of a loop, and there is none; leave it out, or give a [loop]"
        yield Problem(key_path("ensemble", "setpoint"), said)
    if given.depth is not None and given.depth.low is not None:
        least = min(level.depth for level in dive.levels)
        if given.depth.low + least < 0.0:
            said = f"{system.at(-given.depth.low)} shallower is above the surface at a level of {system.at(least)}"
            yield Problem(key_path("ensemble", "depth", "low"), f"{said}; give {system.at(-least)} or more")
    if given.time is not None and given.time.low is not None:
        deepest = next(level for level in dive.levels if level.depth == dive.deepest_m)
        if given.time.low + deepest.leave_at < 0.0:
            said = f"{-given.time.low:g} min less than a bottom time of {deepest.leave_at:g} min is no dive"
            yield Problem(key_path("ensemble", "time", "low"), f"{said}; give {-deepest.leave_at:g} or more")


def _team(dive: Dive) -> Iterator[Problem]:
    for i in _repeated([diver.name for diver in dive.team]):
        name = shown(dive.team[i].name)
        yield Problem(key_path("team", i, "name"), f"{name} is another diver's name too; give each a different one")
    for i, diver in enumerate(dive.team):
        if diver.circuit == "closed" and loop_of(dive, diver) is None:
            said = "is closed, and there is no loop; give this diver a loop, [team.loop], or the file a [loop]"
            yield Problem(key_path("team", i, "circuit"), said)


def _cylinders(diver: _DiverChecked) -> Iterator[Problem]:
    dive = diver.dive
    repeated = _repeated([cylinder.name for cylinder in dive.cylinders])
    for i, cylinder in enumerate(dive.cylinders):
        if i in repeated:
            yield Problem(
                key_path(*diver.cylinders[i], "name"),
                f"{shown(cylinder.name)} is another cylinder's name too; give each its own",
            )
        if dive.loop is None and cylinder.use in ("diluent", "oxygen"):
            yield Problem(
                key_path(*diver.cylinders[i], "use"),
                f'"{cylinder.use}" belongs to a loop, and there is none; use "bottom", "travel" or "deco"',
            )
    if dive.loop is not None or any(cylinder.use == "bottom" for cylinder in dive.cylinders):
        return
    wanted = 'needs at least one cylinder with use = "bottom"'
    if diver.name:
        said = f"{diver.name} has nothing to breathe; a diver on open circuit {wanted}, or a loop"
        yield Problem(diver.list_key, said)
    else:
        yield Problem(diver.list_key, f"an open-circuit dive {wanted}; or give a [loop]")


def _stressed(diver: _DiverChecked) -> Iterator[Problem]:
    """Nobody breathes less in a bailout than at rest on the bottom."""
    given, bottom = diver.dive.diver.rmv_stressed, diver.dive.diver.rmv_bottom
    if given is None or given >= bottom - 1e-9:
        return
    factor, unit = (1.0, "L/min") if diver.dive.units == "metric" else (CUBIC_FOOT_L, "cuft/min")
    said = f"{given / factor:.3g} {unit} is less than rmv_bottom{diver.his}, {bottom / factor:.3g} {unit}"
    yield Problem(diver.stressed_key, f"{said}; give at least that, or leave it out for 1.5 times rmv_bottom")


def _repeated(names: Sequence[str]) -> list[int]:
    """Which of these names stood there before, whatever their case."""
    folded = [name.casefold() for name in names]
    return [i for i, name in enumerate(folded) if name in folded[:i]]


def _loop(diver: _DiverChecked) -> Iterator[Problem]:
    loop = diver.dive.loop
    if loop is None:
        return
    for i, cylinder in enumerate(diver.dive.cylinders):
        if cylinder.use == "diluent" and cylinder.gas != loop.diluent:
            yield Problem(
                key_path(*diver.cylinders[i], "gas"),
                f"{cylinder.gas.name} is not the diluent{diver.his}, {loop.diluent.name}; make them the same",
            )
        if cylinder.use == "oxygen" and cylinder.gas.o2 < 0.9:
            yield Problem(
                key_path(*diver.cylinders[i], "gas"),
                f'{cylinder.gas.name} cannot feed a loop\'s oxygen; write "oxygen"',
            )


def _gases_named(diver: _DiverChecked) -> Iterator[Problem]:
    """A gas named elsewhere must be in a cylinder."""
    dive = diver.dive
    carried = [cylinder.gas for cylinder in dive.cylinders if cylinder.use in ("bottom", "travel", "deco")]
    for i, level in enumerate(dive.levels):
        if level.gas is None:
            continue
        if dive.loop is not None:
            yield Problem(
                key_path("levels", i, "gas"),
                "a level on a loop is breathed on the loop; leave gas out, or the [loop]",
            )
        elif level.gas not in carried:
            yield Problem(key_path("levels", i, "gas"), _not_carried(level.gas.name, diver))
    breaks = dive.stops.oxygen_breaks
    if breaks is not None and dive.loop is not None:
        yield Problem(
            key_path("stops", "oxygen_breaks"), "are taken on open circuit only; leave them out, or the [loop]"
        )
    elif breaks is not None and breaks.gas is not None and breaks.gas not in carried:
        yield Problem(key_path("stops", "oxygen_breaks", "gas"), _not_carried(breaks.gas.name, diver))


def _not_carried(gas: str, diver: _DiverChecked) -> str:
    carried: Sequence[Cylinder] = [c for c in diver.dive.cylinders if c.use in ("bottom", "travel", "deco")]
    labels = ", ".join(dict.fromkeys(cylinder.gas.name for cylinder in carried)) or "none"
    return f"no cylinder{diver.his} holds {gas}; those carried hold {labels}"
