"""What was analysed: the MOD of the gas that is really there, and whether the plan still holds with it.

The dive is planned again with the analysed gases in place of those that were asked for, whole, with every contingency.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.schema import Cylinder, Dive, FillAnalysis
from leadline.dive_file.team import cylinders_of, divers
from leadline.mixing.contents import Contents
from leadline.mixing.depths import least_m, mod_m, ppo2_limit_bar
from leadline.mixing.doses import MATCH
from leadline.mixing.fill import percents
from leadline.mixing.fills import plan_celsius, rules_of
from leadline.physics.mix import Mix
from leadline.plan.planned import Plan
from leadline.plan.rows import up
from leadline.plan.team import Member, Team, plan_team
from leadline.show.sentences import Remark, remarks
from leadline.units import SYSTEMS

OFF = 0.01
"""A gas further from its label in oxygen or helium than this is pointed out. Common practice, no source."""


@dataclass(frozen=True)
class Analysed:
    """One cylinder, as it was analysed."""

    diver: str
    cylinder: str
    use: str
    planned: Mix
    mix: Mix
    planned_bar: float
    bar: float
    """At the temperature at which the plan takes pressures."""
    read_bar: float | None
    """As it was read."""
    ppo2_limit_bar: float
    mod_m: float
    """At that limit."""
    least_m: float
    """Shallower it is hypoxic; 0 if it can be breathed at the surface."""
    by: str
    date: str
    findings: tuple[Remark, ...]


@dataclass(frozen=True)
class Replanned:
    """A dive planned with the gases that were asked for, and again with those that were analysed."""

    analysed: tuple[Analysed, ...]
    planned: Team | None
    """None where it cannot be planned at all."""
    real: Team | None
    refused: str
    """Why the dive cannot be planned with the real gases; empty if it can."""
    planned_refused: str
    changes: tuple[str, ...]
    """What is different, in words."""

    @property
    def holds(self) -> bool:
        """Whether the plan with the real gases may be dived."""
        return self.real is not None and not self.real.no_go


def replanned(dive: Dive, source: str = "dive") -> Replanned | None:
    """The plan with the analysed gases beside the one that was asked for; None where nothing was analysed.

    Call `leadline.mixing.fills.fills` first: it refuses analyses of cylinders that are not there.
    """
    if not dive.fills.analysed:
        return None
    found = tuple(_analysed(dive))
    planned, planned_refused = _planned(dive, source)
    try:
        real_dive = with_analysed(dive)
    except ValueError as error:
        return Replanned(found, planned, None, str(error), planned_refused, ())
    problems = contradictions(real_dive)
    if problems:
        refused = "; ".join(f"{one.key}: {one.message}" for one in problems)
        return Replanned(found, planned, None, refused, planned_refused, ())
    real, refused = _planned(real_dive, source)
    changes = tuple(_changes(planned, real)) if planned is not None and real is not None else ()
    return Replanned(found, planned, real, refused, planned_refused, changes)


def _planned(dive: Dive, source: str) -> tuple[Team | None, str]:
    try:
        return plan_team(dive, source), ""
    except DiveFileError as error:
        return None, "; ".join(f"{one.key}: {one.message}" if one.key else one.message for one in error.problems)


# --- The real gas -----------------------------------------------------------------------------------------------------


def _analyses(dive: Dive) -> Iterator[tuple[str, Dive, Cylinder, FillAnalysis]]:
    for analysis in dive.fills.analysed:
        for name, own in divers(dive):
            for cylinder in own.cylinders:
                if cylinder.name == analysis.cylinder and analysis.diver in (None, name):
                    yield name, own, cylinder, analysis


def real_mix(cylinder: Cylinder, analysis: FillAnalysis) -> Mix:
    """The gas as it was analysed. It keeps the name of pure oxygen or air where it is that to a tenth of a percent."""
    o2, he = analysis.o2 / 100.0, (analysis.he or 0.0) / 100.0
    same = abs(o2 - cylinder.gas.o2) < MATCH / 2 and abs(he - cylinder.gas.he) < MATCH / 2
    return cylinder.gas if same else Mix(o2, min(he, 1.0 - o2))


def _real_bar(dive: Dive, cylinder: Cylinder, analysis: FillAnalysis) -> float:
    """Its pressure, at the temperature at which the plan takes pressures. [bar]"""
    if analysis.pressure is None:
        return cylinder.pressure
    room, plan = rules_of(dive).room_celsius, plan_celsius(dive)
    if abs(room - plan) < 1e-9:
        return analysis.pressure
    return Contents.of(real_mix(cylinder, analysis), cylinder.water_l, analysis.pressure, room).bar_or_more(plan)


def _analysed(dive: Dive) -> Iterator[Analysed]:
    for name, own, cylinder, analysis in _analyses(dive):
        mix = real_mix(cylinder, analysis)
        yield Analysed(
            diver=name,
            cylinder=cylinder.name,
            use=cylinder.use,
            planned=cylinder.gas,
            mix=mix,
            planned_bar=cylinder.pressure,
            bar=_real_bar(dive, cylinder, analysis),
            read_bar=analysis.pressure,
            ppo2_limit_bar=ppo2_limit_bar(dive, cylinder.use),
            mod_m=mod_m(own, cylinder.use, mix),
            least_m=least_m(dive, mix),
            by=analysis.by or "",
            date=analysis.date or "",
            findings=tuple(_judged(dive, cylinder, mix, _real_bar(dive, cylinder, analysis))),
        )


def _judged(dive: Dive, cylinder: Cylinder, mix: Mix, bar: float) -> Iterator[Remark]:
    off = max(abs(mix.o2 - cylinder.gas.o2), abs(mix.he - cylinder.gas.he))
    if off > OFF + 1e-9:
        message = f"It is {percents(mix)}, over 1 % off {cylinder.gas.name}: fill it again, or dive the new plan."
        yield Remark("analysed-off", "caution", message, {"off": off, "o2": mix.o2, "he": mix.he})
    rules = rules_of(dive)
    if bar < cylinder.pressure - rules.gauge_step_bar - 1e-9:
        message = f"It holds {rules.said(bar)}; the dive counts on {rules.said(cylinder.pressure)}."
        yield Remark("analysed-low", "caution", message, {"bar": bar, "planned_bar": cylinder.pressure})


def with_analysed(dive: Dive) -> Dive:
    """The dive with the analysed gases and pressures in place of those asked for, wherever the gas is named.

    ValueError where two diluent cylinders of one loop hold different gases.
    """
    if not dive.team:
        own = {cylinder.name: (cylinder, analysis) for _, _, cylinder, analysis in _analyses(dive)}
        cylinders = tuple(_real(dive, one, own) for one in dive.cylinders)
        changed = _renamed(dive, dive.cylinders, cylinders)
        changed["loop"] = _loop(dive.loop, dive.cylinders, cylinders, "")
        return dive.model_copy(update={"cylinders": cylinders, **changed})
    team = []
    before: list[Cylinder] = []
    after: list[Cylinder] = []
    for (name, own_dive), diver in zip(divers(dive), dive.team, strict=True):
        mine = {c.name: (c, analysis) for who, _, c, analysis in _analyses(dive) if who == name}
        listed = tuple(cylinder for _, cylinder in cylinders_of(dive, diver))
        real = tuple(_real(dive, one, mine) for one in listed)
        update: dict[str, Any] = {"cylinders": real}
        if own_dive.loop is not None:
            update["loop"] = _loop(own_dive.loop, listed, real, name)
        team.append(diver.model_copy(update=update))
        if own_dive.loop is None:
            before, after = [*before, *listed], [*after, *real]
    return dive.model_copy(update={"team": tuple(team), **_renamed(dive, tuple(before), tuple(after))})


def _real(dive: Dive, cylinder: Cylinder, own: dict[str, tuple[Cylinder, FillAnalysis]]) -> Cylinder:
    if cylinder.name not in own:
        return cylinder
    _, analysis = own[cylinder.name]
    return cylinder.model_copy(
        update={"gas": real_mix(cylinder, analysis), "pressure": _real_bar(dive, cylinder, analysis)}
    )


def _loop(loop: Any, before: tuple[Cylinder, ...], after: tuple[Cylinder, ...], diver: str) -> Any:
    """A loop with the diluent that is really there."""
    if loop is None:
        return None
    held = {new.gas for old, new in zip(before, after, strict=True) if old.use == "diluent"}
    if len(held) > 1:
        whose = f" of {diver}" if diver else ""
        named = " and ".join(sorted(percents(gas) for gas in held))
        raise ValueError(
            f"the diluent cylinders{whose} hold {named}; a loop is planned with one diluent: make them one"
        )
    return loop.model_copy(update={"diluent": held.pop()}) if held else loop


def _renamed(dive: Dive, before: tuple[Cylinder, ...], after: tuple[Cylinder, ...]) -> dict[str, Any]:
    """The levels and the oxygen breaks with the real gas where they name one. A gas still carried stays."""
    there = {cylinder.gas for cylinder in after}
    real = {old.gas: new.gas for old, new in zip(reversed(before), reversed(after), strict=True)}

    def of(gas: Mix | None) -> Mix | None:
        return gas if gas is None or gas in there else real.get(gas, gas)

    levels = tuple(level.model_copy(update={"gas": of(level.gas)}) for level in dive.levels)
    breaks = dive.stops.oxygen_breaks
    stops = dive.stops
    if breaks is not None:
        stops = stops.model_copy(update={"oxygen_breaks": breaks.model_copy(update={"gas": of(breaks.gas)})})
    return {"levels": levels, "stops": stops}


# --- What changed -----------------------------------------------------------------------------------------------------


def _changes(planned: Team, real: Team) -> Iterator[str]:
    for before, after in zip(planned.members, real.members, strict=True):
        whose = f"{after.name}: " if after.name else ""
        for said in _member_changes(before, after):
            yield whose + said
    yield from _findings_changed(planned, real)


def _member_changes(before: Member, after: Member) -> Iterator[str]:
    old, new = before.plan, after.plan
    for what, one, other in (
        ("Run time", old.schedule.run_time_min, new.schedule.run_time_min),
        ("TTS", old.schedule.tts_min, new.schedule.tts_min),
    ):
        if up(one) != up(other):
            yield f"{what} {up(one)} min becomes {up(other)} min."
    yield from _switches_changed(old, new)
    yield from _stops_changed(old, new)
    for what, one, other in (("CNS", old.oxygen.cns_percent, new.oxygen.cns_percent),):
        if round(one) != round(other):
            yield f"{what} {one:.0f} % becomes {other:.0f} %."


def _switches_changed(old: Plan, new: Plan) -> Iterator[str]:
    """Gases on open circuit that are changed to elsewhere than planned."""
    system = SYSTEMS[new.dive.units]
    before, after = (
        [(one.source.mix.name, one.depth_m) for one in plan.schedule.switches if one.source.circuit == "open"]
        for plan in (old, new)
    )
    if len(before) == len(after):
        for (old_gas, old_m), (gas, depth_m) in zip(before, after, strict=True):
            if abs(old_m - depth_m) > 1e-6:
                said = f"{gas[0].upper()}{gas[1:]} is changed to at {system.at(depth_m)}"
                yield f"{said}; it was {old_gas} at {system.at(old_m)}."
    else:
        said = ", ".join(f"{gas} at {system.at(depth_m)}" for gas, depth_m in after)
        yield f"Gases are changed to elsewhere: {said}."


def _stops_changed(old: Plan, new: Plan) -> Iterator[str]:
    system = SYSTEMS[new.dive.units]
    minutes: list[dict[float, int]] = []
    for plan in (old, new):
        found: dict[float, int] = {}
        for stop in plan.schedule.stops:
            found[round(stop.depth_m, 6)] = found.get(round(stop.depth_m, 6), 0) + stop.minutes
        minutes.append(found)
    for depth in sorted({*minutes[0], *minutes[1]}, reverse=True):
        one, other = minutes[0].get(depth, 0), minutes[1].get(depth, 0)
        if one != other:
            yield f"Stop at {system.at(depth)}: {one} min becomes {other} min."


def _findings_changed(planned: Team, real: Team) -> Iterator[str]:
    """No-gos and cautions that come, and that go, by what they are about; what is the same for several once."""
    said: dict[str, list[str]] = {}
    for before, after in zip(planned.members, real.members, strict=True):
        units = after.plan.dive.units
        old, new = _graves(remarks(before.plan.findings, units)), _graves(remarks(after.plan.findings, units))
        for key, finding in new.items():
            if key not in old:
                said.setdefault(f"New {finding.severity}: {{}}{finding.message}", []).append(after.name)
        for key, finding in old.items():
            if key not in new:
                said.setdefault(f"No longer: {{}}{finding.message}", []).append(after.name)
    for sentence, names in sorted(said.items(), key=lambda one: _GRAVEST.index(one[0].split(":")[0])):
        everyone = len(names) > 1 and len(names) == len(real.members)
        whose = "Everyone" if everyone else " and ".join(name for name in names if name)
        yield sentence.replace("{}", f"{whose}: " if whose else "", 1)


_GRAVEST = ("New no-go", "New caution", "No longer")


def _graves(findings: Iterable[Remark]) -> dict[tuple[str, ...], Remark]:
    found: dict[tuple[str, ...], Remark] = {}
    for finding in findings:
        if finding.severity != "note":
            # Contingencies name the gas in brackets, which is what has changed.
            named = (str(finding.values.get(key, "")) for key in ("contingency", "cylinder"))
            about = (re.sub(r" \([^)]*\)", "", name) for name in named)
            found.setdefault((finding.code, finding.severity, *about), finding)
    return found
