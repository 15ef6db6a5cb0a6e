"""The fills of a whole dive: every cylinder of every diver, from one set of sources, one after the other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from leadline.dive_file.errors import DiveFileError, Problem, key_path, shown
from leadline.dive_file.schema import Cylinder, Dive, FillAnalysis, FillStart
from leadline.dive_file.team import divers
from leadline.mixing.bank import Supply
from leadline.mixing.depths import mod_m
from leadline.mixing.fill import AIR, Fill, FillRules, Job, plan_fill
from leadline.mixing.safety import judge
from leadline.units import FREE_CUBIC_FOOT_L

MOST_PERMUTED = 4
"""Cylinders of which every order is tried, if a bank does not reach in the order of the dive file."""


@dataclass(frozen=True)
class FillPlan:
    """How the cylinders of a dive are filled, in the order in which they are."""

    dive: Dive
    rules: FillRules
    fills: tuple[Fill, ...]
    bank: tuple[Supply, ...]
    """Before."""
    left: tuple[Supply, ...]
    """After."""
    reordered: bool
    """Whether the cylinders are filled in another order than the dive file's, for the bank's sake."""

    @property
    def done(self) -> bool:
        """Whether every cylinder can be filled, and may be."""
        return all(one.done and all(f.severity != "no-go" for f in one.findings) for one in self.fills)

    @property
    def cost(self) -> float | None:
        """Of all of them; None where a price is missing, or a fill."""
        costs = [one.cost for one in self.fills]
        return None if None in costs else sum(cost for cost in costs if cost is not None)


def plan_fills(dive: Dive, source: str = "dive") -> FillPlan:
    """How every cylinder of a dive is filled.

    Where a bank does not reach for all of them in the order of the dive file, other orders are tried. Raises
    DiveFileError (naming the dive file as `source`) where [fills] names what is not there.
    """
    problems = list(_problems(dive))
    if problems:
        raise DiveFileError(source, problems)
    rules, bank = rules_of(dive), bank_of(dive)
    found, left = _one_after_the_other(jobs(dive), bank, rules)
    refused = sum(not one.done for one in found)
    reordered = False
    if refused and any(one.water_l is not None for one in bank):
        for order in _orders(found):
            other, other_left = _one_after_the_other([one.job for one in order], bank, rules)
            if sum(not one.done for one in other) < refused:
                found, left, reordered = other, other_left, True
                refused = sum(not one.done for one in other)
            if not refused:
                break
    if refused:
        found, left = _one_after_the_other([one.job for one in found], bank, rules, less=True)
    judged = tuple(_judged(dive, one, rules) for one in found)
    return FillPlan(dive, rules, judged, bank, left, reordered)


def _judged(dive: Dive, one: Fill, rules: FillRules) -> Fill:
    """With what is to be said of it, and how deep its gases may be breathed."""
    use = one.job.use
    return replace(
        one,
        result_mod_m=0.0 if one.result is None else mod_m(dive, use, one.result),
        top_ups=tuple(replace(top, mod_m=mod_m(dive, use, top.mix)) for top in one.top_ups),
        findings=judge(one, rules),
    )


def _one_after_the_other(
    wanted: Sequence[Job], bank: tuple[Supply, ...], rules: FillRules, less: bool = False
) -> tuple[list[Fill], tuple[Supply, ...]]:
    found = []
    for job in wanted:
        one, bank = plan_fill(job, bank, rules, less)
        found.append(one)
    return found, bank


def _orders(found: Sequence[Fill]) -> Iterator[Sequence[Fill]]:
    if len(found) <= MOST_PERMUTED:
        yield from permutations(found)
        return
    yield [*(one for one in found if not one.done), *(one for one in found if one.done)]
    yield sorted(found, key=lambda one: -max(one.job.target.o2, one.job.target.he))
    yield sorted(found, key=lambda one: -one.settled_bar * max(one.job.target.o2, one.job.target.he))


# --- What the dive file says ------------------------------------------------------------------------------------------


def rules_of(dive: Dive) -> FillRules:
    """How the station of a dive file fills."""
    given = dive.fills
    room = plan_celsius(dive) if given.temperature is None else given.temperature
    return FillRules(
        helium_first=given.order == "helium first",
        room_celsius=room,
        filling_celsius=room if given.filling_temperature is None else given.filling_temperature,
        gauge_step_bar=given.gauge_step,
        overshoot_bar=given.overshoot,
        drain=given.drain,
        units=dive.units,
    )


def plan_celsius(dive: Dive) -> float:
    """The temperature at which the plan takes the cylinders' pressures. [°C]"""
    return dive.site.temperature if dive.gas.fill_temperature is None else dive.gas.fill_temperature


def bank_of(dive: Dive) -> tuple[Supply, ...]:
    """The sources of a dive file. A price is of a cubic metre, in imperial files of a cubic foot."""
    litres = FREE_CUBIC_FOOT_L if dive.units == "imperial" else 1000.0
    taken: dict[str, int] = {}
    found = []
    for one in dive.fills.sources:
        name = one.name or one.gas.name
        taken[name] = taken.get(name, 0) + 1
        if one.name is None and taken[name] > 1:
            name = f"{name} {taken[name]}"
        price = None if one.price is None else one.price / litres
        found.append(Supply(name, one.gas, one.pressure, one.water_l, price))
    return tuple(found)


def jobs(dive: Dive) -> list[Job]:
    """Every cylinder of every diver, with what is in it now."""
    return [
        _job(dive, name, cylinder, start_of(dive, name, cylinder.name))
        for name, own in divers(dive)
        for cylinder in own.cylinders
    ]


def start_of(dive: Dive, diver: str, cylinder: str) -> FillStart | None:
    """What the file says is in a cylinder; a diver's own word before everyone's."""
    said = [one for one in dive.fills.cylinders if one.cylinder == cylinder and one.diver in (None, diver)]
    return max(said, key=lambda one: one.diver is not None, default=None)


def _job(dive: Dive, diver: str, cylinder: Cylinder, start: FillStart | None) -> Job:
    return Job(
        diver=diver,
        cylinder=cylinder.name,
        use=cylinder.use,
        water_l=cylinder.water_l,
        start=AIR if start is None or start.gas is None else start.gas,
        start_bar=0.0 if start is None else start.pressure,
        target=cylinder.gas,
        target_bar=cylinder.pressure,
        target_celsius=plan_celsius(dive),
        oxygen_clean=None if start is None else start.oxygen_clean,
        working_bar=cylinder.working_pressure,
        given=start is not None,
    )


def _problems(dive: Dive) -> Iterator[Problem]:
    """What [fills] names and is not there, or names twice."""
    if not dive.fills.sources and not dive.fills.analysed:
        said = 'is missing; name the gases at hand, each a [[fills.sources]], such as gas = "oxygen"'
        yield Problem("[fills] sources", said)
    carried = {(name, cylinder.name) for name, own in divers(dive) for cylinder in own.cylinders}
    named: dict[str, Sequence[FillStart | FillAnalysis]] = {
        "cylinders": dive.fills.cylinders,
        "analysed": dive.fills.analysed,
    }
    for key, entries in named.items():
        seen: set[tuple[str | None, str]] = set()
        for i, one in enumerate(entries):
            where: tuple[str | int, ...] = ("fills", key, i)
            whose = (one.diver, one.cylinder)
            if one.diver is not None and one.diver not in {name for name, _ in carried}:
                names = ", ".join(diver.name for diver in dive.team)
                said = f"{shown(one.diver)} is not in the team, {names}" if names else "there is no team; leave it out"
                yield Problem(key_path(*where, "diver"), said)
            elif not any(one.cylinder == name and one.diver in (None, diver) for diver, name in carried):
                names = ", ".join(dict.fromkeys(name for diver, name in sorted(carried) if one.diver in (None, diver)))
                said = f"{shown(one.cylinder)} is no cylinder of this dive; they are {names or 'none'}"
                yield Problem(key_path(*where, "cylinder"), said)
            elif key == "analysed" and one.diver is None and dive.team:
                yield Problem(key_path(*where, "diver"), "is missing; say whose cylinder was analysed")
            if whose in seen:
                yield Problem(key_path(*where, "cylinder"), f"{shown(one.cylinder)} is there twice; leave one out")
            seen.add(whose)
    for i, analysed in enumerate(dive.fills.analysed):
        for name, own in divers(dive):
            meant = [c.gas for c in own.cylinders if c.name == analysed.cylinder and analysed.diver in (None, name)]
            if analysed.he is None and any(gas.he > 0.0 for gas in meant):
                said = f"is missing; {meant[0].name} is meant to be in it: analyse the helium too (0 if none was found)"
                yield Problem(key_path("fills", "analysed", i, "he"), said)
                break
