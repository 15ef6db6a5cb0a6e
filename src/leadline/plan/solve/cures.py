"""What would fix a no-go: tried, each as a whole plan, until the cause is gone. Only what can be bought or dived."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from leadline.brief.schema import Cylinder, Dive, SolveCylinder
from leadline.brief.team import divers
from leadline.plan.causes import sizes
from leadline.plan.findings import Finding
from leadline.plan.gases import Limit as PpO2Limit
from leadline.plan.gases import Source, is_fit
from leadline.plan.solve.bottom import bottom_time, shortest, with_bottom
from leadline.plan.solve.verdict import Told, Verdict, halved, verdict
from leadline.plan.standard import BOTTOM_MIXES, DECO_MIXES, loop_cylinders, standard_cylinders
from leadline.plan.supply import content
from leadline.plan.team import Team
from leadline.units import SYSTEMS

_ADDED = " added"
"""What a cylinder is called that is tried."""
NONE_FOUND = "none found among standard cylinders and mixes, nor by a shorter bottom time"
MOST_TRIED = 6
"""Cylinders that are tried for one cause, from the smallest that could hold enough."""
GAS = ("gas-short", "turn", "minimum-gas")


def cured(team: Team, source: str = "dive", told: Told | None = None) -> Team:
    """A team whose no-gos say what would fix each: the next standard cylinder, a gas to add, the bottom time at which
    it is gone; or that none was found. `told` hears what is being tried; with KeyboardInterrupt the rest is left
    out."""
    known: dict[tuple[str, str], str] = {}
    stopped = False

    def with_cure(diver: str, finding: Finding) -> Finding:
        nonlocal stopped
        if finding.severity != "no-go":
            return finding
        key = (diver, finding.message.removeprefix(f"{diver}: "))
        if key not in known and not stopped:
            try:
                cures = list(_cures(team.dive, diver, finding, source, told or (lambda said: None)))
                known[key] = ", or ".join(cures) or NONE_FOUND
            except KeyboardInterrupt:
                stopped = True
        return replace(finding, cure=known.get(key, ""))

    members = tuple(
        replace(
            member,
            plan=replace(member.plan, findings=tuple(with_cure(member.name, f) for f in member.plan.findings)),
        )
        for member in team.members
    )
    findings = tuple(with_cure(_whose(team, finding), finding) for finding in team.findings)
    return replace(team, members=members, findings=findings)


def _whose(team: Team, finding: Finding) -> str:
    """Whose a finding of a team is; that of everyone is looked at as the first diver's."""
    named = str(finding.values.get("diver", ""))
    names = [member.name for member in team.members]
    return named if named in names else names[0]


def _cures(dive: Dive, diver: str, finding: Finding, source: str, told: Told) -> Iterator[str]:
    names = {name for name, _ in divers(dive)}

    def is_cured(changed: Dive) -> bool:
        """Whether the cause is gone, for this diver."""
        found = verdict(changed, source)
        return not found.refused and not _breaks(found, diver if diver in names else "", finding)

    own = dict(divers(dive)).get(diver, dive)
    if finding.code in GAS:
        told(f"larger cylinders for {finding.heading}")
        yield from _larger(dive, own, diver, finding, is_cured)
    elif finding.code in ("no-gas", "bailout-none"):
        told(f"a gas against {finding.heading}")
        yield from _another_gas(dive, own, diver, finding, is_cured)
    told(f"a shorter bottom time for {finding.heading}")
    yield from _shorter(dive, is_cured)


def _breaks(found: Verdict, diver: str, finding: Finding) -> bool:
    """Whether a dive still breaks what a finding is of."""
    names = set(str(finding.values.get("cylinders", finding.values.get("cylinder", ""))).split("; "))
    for limit in found.limits:
        if limit.diver != diver:
            continue
        if finding.code in GAS or limit.subject.endswith(_ADDED):
            own = limit.subject in names or limit.subject == finding.values.get("gas") or limit.subject.endswith(_ADDED)
            if limit.code in GAS and own:
                return True
        elif limit.code == finding.code:
            return True
    return False


# --- What is tried ----------------------------------------------------------------------------------------------------


def _larger(dive: Dive, own: Dive, diver: str, finding: Finding, is_cured: Callable[[Dive], bool]) -> Iterator[str]:
    """The next standard cylinder for those that do not last, and the next pair."""
    names = str(finding.values.get("cylinders", finding.values.get("cylinder", ""))).split("; ")
    short = [cylinder for cylinder in own.cylinders if cylinder.name in names]
    if not short:
        return
    system = SYSTEMS[dive.units]
    needed_l = float(finding.values.get("needed_l", 0.0)) / len(short)
    feeds = short[0].use in ("diluent", "oxygen", "inflation")
    for pair in (False,) if feeds else (False, True):
        listed = (*loop_cylinders(dive.units), *standard_cylinders(dive.units)) if feeds else (
            standard_cylinders(dive.units, pair)
        )  # fmt: skip
        larger = (
            one.cylinder
            for one in listed
            if content(own, _filled(short[0], one.cylinder)) > max(needed_l, content(own, short[0]) + 1.0)
        )
        for chosen, _ in zip(larger, range(MOST_TRIED), strict=False):
            changed = _with_cylinders(dive, diver, {c.name: _filled(c, chosen) for c in short})
            if is_cured(changed):
                single = _filled(short[0], chosen, 2.0 if pair else 1.0)
                yield sizes([single] * len(short) * (2 if pair else 1), system)
                break


def _filled(cylinder: Cylinder, chosen: SolveCylinder, parts: float = 1.0) -> Cylinder:
    """A cylinder of another size and fill; `parts` of a pair."""
    size = chosen.size / parts if isinstance(chosen.size, float | int) else replace(
        chosen.size, cubic_feet=chosen.size.cubic_feet / parts
    )  # fmt: skip
    return Cylinder.model_construct(
        **(dict(cylinder) | {"size": size, "working_pressure": chosen.working_pressure, "pressure": chosen.pressure})
    )


def _another_gas(
    dive: Dive, own: Dive, diver: str, finding: Finding, is_cured: Callable[[Dive], bool]
) -> Iterator[str]:
    """A cylinder of a standard mix that is fit where nothing is: the richest."""
    depth_m = finding.depth_m if finding.depth_m is not None else own.deepest_m
    limit = PpO2Limit.when_wrong(own)
    fit = sorted(
        (mix for mix in dict.fromkeys((*BOTTOM_MIXES, *DECO_MIXES)) if is_fit(own, Source(mix), depth_m, limit)),
        key=lambda mix: -mix.o2,
    )
    standard = standard_cylinders(dive.units)
    for mix in fit[:3]:
        for one in standard:
            added = Cylinder.model_construct(
                name=f"{mix.name}{_ADDED}", gas=mix, size=one.cylinder.size, pressure=one.cylinder.pressure,
                working_pressure=one.cylinder.working_pressure, use="bailout" if own.loop is not None else "deco",
                reserve=None, switch_depth=None, manifold=False,
            )  # fmt: skip
            if is_cured(_with_cylinders(dive, diver, {}, (added,))):
                yield f"add {mix.name}, {sizes([added], SYSTEMS[dive.units])}"
                return


def _shorter(dive: Dive, is_cured: Callable[[Dive], bool]) -> Iterator[str]:
    """The longest bottom time at which the cause is gone."""
    least, given = shortest(dive), bottom_time(dive)

    def holds(leave_at_min: int) -> bool:
        return is_cured(with_bottom(dive, dive.deepest_m, float(leave_at_min)))

    if least < given and holds(least):
        level = " the deepest level" if len(dive.levels) > 1 else " the bottom"
        yield f"leave{level} at {halved(holds, least, given)} min"


def _with_cylinders(dive: Dive, diver: str, changed: dict[str, Cylinder], added: Sequence[Cylinder] = ()) -> Dive:
    """A dive in which a diver carries other cylinders, and some more; the file's own are everyone's."""

    def carried(cylinders: Iterable[Cylinder]) -> tuple[Cylinder, ...]:
        return (*(changed.get(cylinder.name, cylinder) for cylinder in cylinders), *added)

    own = next((one for one in dive.team if one.name == diver and one.cylinders is not None), None)
    if own is None:
        return dive.model_copy(update={"cylinders": carried(dive.cylinders)})
    team = tuple(
        one.model_copy(update={"cylinders": carried(one.cylinders or ())}) if one is own else one for one in dive.team
    )
    return dive.model_copy(update={"team": team})
