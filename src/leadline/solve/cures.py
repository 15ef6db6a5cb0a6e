"""What would fix a no-go: tried, each as a whole plan, until the cause is gone. Only what can be bought or dived."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.records import changed as resized
from leadline.dive_file.schema import Cylinder, Dive, SolveCylinder
from leadline.dive_file.team import divers
from leadline.physics.mix import Mix
from leadline.plan.findings import BEFORE, Finding
from leadline.plan.gases import DENSITY_LIMIT_G_L, Source, is_fit
from leadline.plan.gases import PpO2Limit as PpO2Limit
from leadline.plan.standard import BOTTOM_MIXES, DECO_MIXES, loop_cylinders, standard_cylinders
from leadline.plan.supply import content
from leadline.plan.team import Team, plan_team
from leadline.show.cylinders import sizes
from leadline.show.sentences import heading
from leadline.solve.bottom import bottom_time, shortest, with_bottom
from leadline.solve.mix import with_mix
from leadline.solve.verdict import Told, halved
from leadline.units import SYSTEMS

_ADDED = " added"
"""What a cylinder is called that is tried."""
NONE_FOUND = "none found among standard cylinders and mixes, nor by a shorter bottom time"
MOST_TRIED = 6
"""Cylinders that are tried for one cause, from the smallest that could hold enough."""
WORSE = 1.01
"""A no-go is told again where so many times as much gas is short."""
GAS = ("gas-short", "turn", "minimum-gas")


Left = Callable[[Dive], tuple[str, ...] | None]


def cured(team: Team, source: str = "dive", told: Told | None = None) -> Team:
    """A team whose no-gos say what would fix each: the next standard cylinder, a gas to add, the bottom time at which
    it is gone; or that none was found. `told` hears what is being tried; with KeyboardInterrupt the rest is left
    out."""
    known: dict[tuple[str, object], str] = {}
    stopped = False

    def with_cure(diver: str, finding: Finding) -> Finding:
        nonlocal stopped
        if finding.severity != "no-go" or finding.code == BEFORE:
            return finding
        key = (diver, _cause(finding))
        if key not in known and not stopped:
            try:
                apart, no_gos = _others(team, diver, finding), _no_gos(team, diver)
                cures = list(_cures(team.dive, diver, finding, apart, no_gos, source, told or (lambda said: None)))
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


def _cause(finding: Finding) -> object:
    """Alike for a diver's finding and the team's of it."""
    own = {key: value for key, value in finding.values.items() if key != "diver"}
    return replace(finding, values=own, diver="").alike


def _whose(team: Team, finding: Finding) -> str:
    """Whose a finding of a team is; that of everyone is looked at as the first diver's."""
    named = str(finding.values.get("diver", ""))
    names = [member.name for member in team.members]
    return named if named in names else names[0]


def _no_gos(team: Team, diver: str) -> dict[tuple[str, object], float]:
    """What a diver's plan is a no-go for, and how much gas is short there. [free litres]"""
    plan = next(member.plan for member in team.members if member.name == diver)
    return {_apart(one): _short_l(one) for one in plan.findings if one.severity == "no-go"}


def _short_l(finding: Finding) -> float:
    return float(finding.values.get("short_l", 0.0))


def _apart(finding: Finding) -> tuple[str, object]:
    """Alike for no-gos of one cause."""
    return (finding.code, _gap(finding)) if finding.code == "no-gas" else finding.of_what


def _gap(finding: Finding) -> object:
    """The depths where there is nothing to breathe; the refusal where that is not known."""
    return finding.values.get("refused", (finding.values.get("from_m"), finding.values.get("to_m")))


def _others(team: Team, diver: str, finding: Finding) -> set[object]:
    """Gases that a diver's plan breaks the same for, each a cause of its own."""
    plan = next(member.plan for member in team.members if member.name == diver)
    alike: set[object] = {
        one.values.get("gas") for one in plan.findings if one.code == finding.code and one.severity == "no-go"
    }
    return alike - {finding.values.get("gas")}


def _cures(
    dive: Dive, diver: str, finding: Finding, apart: set[object], known: dict[tuple[str, object], float], source: str,
    told: Told,
) -> Iterator[str]:  # fmt: skip
    """What fixes a no-go of a diver, who is told of the no-gos `known`; `apart` are gases that it is not of."""

    def left(changed: Dive) -> tuple[str, ...] | None:
        """The no-gos that come with a change, or are then worse, in a few words; None where the cause is not gone for
        this diver, or what was changed draws one of its own."""
        try:
            if contradictions(changed):
                return None
            team = plan_team(changed, source)
        except DiveFileError:
            return None
        plan = next(member.plan for member in team.members if member.name == diver)
        no_gos = [one for one in plan.findings if one.severity == "no-go"]
        if any(_is_alike(one, finding) for one in no_gos if one.values.get("gas", "") not in apart):
            return None
        return tuple(
            heading(one, dive.units)
            for one in no_gos
            if _apart(one) not in known or _short_l(one) > WORSE * known[_apart(one)]
        )

    own, said = dict(divers(dive)).get(diver, dive), heading(finding, dive.units)
    if finding.code in GAS:
        told(f"larger cylinders for {said}")
        yield from _larger(dive, own, diver, finding, left)
    elif finding.code == "mate-gas-short":
        mate, name = str(finding.values["mate"]), str(finding.values["mates_cylinder"])
        told(f"larger cylinders for {said}")
        his = replace(finding, values={"cylinder": name, "needed_l": finding.values["needed_l"]})
        for cure in _larger(dive, dict(divers(dive))[mate], mate, his, left):
            yield f"{mate}'s {name} {cure}"
    elif finding.code in ("no-gas", "bailout-none", "bailout-first-breath"):
        told(f"a gas against {said}")
        yield from _another_gas(dive, own, diver, finding, left)
    elif finding.code in ("density", "end", "ppo2-high"):
        told(f"another mix against {said}")
        yield from _another_mix(dive, finding, left)
    told(f"a shorter bottom time for {said}")
    yield from _shorter(dive, left)


def _is_alike(found: Finding, cause: Finding) -> bool:
    """Whether a no-go is of the same cause: the same code, and of gas the same mix; of a mix that was added any."""
    if found.code in GAS and cause.code in GAS:
        return found.values.get("gas") == cause.values.get("gas")
    added = any(str(name).endswith(_ADDED) for name in found.values.get("cylinders", ())[-1:])
    return found.code == cause.code or added


def _said(cure: str, then: Sequence[str]) -> str:
    """A cure in words, with what is then still a no-go: a reader buys the cylinder."""
    return f"{cure} (but then: {'; '.join(then)})" if then else cure


# --- What is tried ----------------------------------------------------------------------------------------------------


def _larger(dive: Dive, own: Dive, diver: str, finding: Finding, left: Left) -> Iterator[str]:
    """The next standard cylinder for those that do not last, and the next pair."""
    names = finding.values.get("cylinders", (finding.values.get("cylinder", ""),))
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
            then = left(changed)
            if then is not None:
                single = _filled(short[0], chosen, 2.0 if pair else 1.0)
                yield _said(sizes([single] * len(short) * (2 if pair else 1), system), then)
                break


def _filled(cylinder: Cylinder, chosen: SolveCylinder, parts: float = 1.0) -> Cylinder:
    """A cylinder of another size and fill; `parts` of a pair."""
    size = chosen.size / parts if isinstance(chosen.size, float | int) else replace(
        chosen.size, cubic_feet=chosen.size.cubic_feet / parts
    )  # fmt: skip
    return resized(cylinder, size=size, working_pressure=chosen.working_pressure, pressure=chosen.pressure)


def _another_gas(dive: Dive, own: Dive, diver: str, finding: Finding, left: Left) -> Iterator[str]:
    """A cylinder of a standard mix that is fit at the deepest or where nothing was, the lightest enough and richest
    first: the smallest that lasts."""
    depth_m = finding.depth_m if finding.depth_m is not None else own.deepest_m
    limit, where = PpO2Limit.when_wrong(own), own.site.environment
    fit = [
        (mix, at_m)
        for at_m in dict.fromkeys((own.deepest_m, depth_m))
        for mix in sorted(dict.fromkeys((*BOTTOM_MIXES, *DECO_MIXES)), key=lambda mix: -mix.o2)
        if is_fit(own, Source(mix), at_m, limit)
    ]
    light = [one for one in fit if one[0].density(where.pressure(one[1])) <= DENSITY_LIMIT_G_L]
    partly, more = "", 0
    for mix in dict.fromkeys(mix for mix, _ in (*light, *fit)):
        for one in standard_cylinders(dive.units):
            added = Cylinder.model_construct(
                name=f"{mix.name}{_ADDED}", gas=mix, size=one.cylinder.size, pressure=one.cylinder.pressure,
                working_pressure=one.cylinder.working_pressure, use="bailout" if own.loop is not None else "deco",
                reserve=None, switch_depth=None, manifold=False,
            )  # fmt: skip
            then = left(_with_cylinders(dive, diver, {}, (added,)))
            if then is None:
                continue
            said = _said(f"add {mix.name}, {sizes([added], SYSTEMS[dive.units])}", then)
            if not then:
                yield said
                return
            partly, more = partly or said, more + 1
            if more >= MOST_TRIED:
                break
        if more >= MOST_TRIED:
            break
    if partly:
        yield partly


def _another_mix(dive: Dive, finding: Finding, left: Left) -> Iterator[str]:
    """The richest standard mix in place of one that is too dense, narcotic or rich."""
    label = finding.values.get("gas")
    changed = {c.gas.label for _, own in divers(dive) for c in own.cylinders if c.use in ("bottom", "diluent")}
    bottom = label in changed
    instead = "every bottom gas" if len(changed) > 1 else Mix.parse(str(label)).name
    for mix in sorted(BOTTOM_MIXES, key=lambda mix: -mix.o2) if bottom else ():
        if mix.label != label and (then := left(with_mix(dive, mix))) is not None:
            yield _said(f"{mix.name} in place of {instead}", then)
            return


def _shorter(dive: Dive, left: Left) -> Iterator[str]:
    """The longest bottom time at which the cause is gone."""
    least, given = shortest(dive), bottom_time(dive)

    def holds(leave_at_min: int) -> bool:
        return left(with_bottom(dive, dive.deepest_m, float(leave_at_min))) == ()

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
