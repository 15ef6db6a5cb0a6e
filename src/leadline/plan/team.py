"""Several divers on one schedule: whose rules are the most demanding, what each needs, who can give gas to whom."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from leadline.dive_file.errors import DiveFileError, expect
from leadline.dive_file.schema import Cylinder, Dive
from leadline.dive_file.team import divers
from leadline.physics.mix import Mix
from leadline.plan.contingency import Contingency, Handover
from leadline.plan.findings import EVERYONE, Finding, in_order
from leadline.plan.gases import PpO2Limit, Source, is_fit
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.scenarios import as_mates
from leadline.plan.schedule import common_stops, dive_schedule, lay_out
from leadline.plan.supply import open_circuit_cylinders
from leadline.plan.turning import down_to, last_left_min, pressure_left


@dataclass(frozen=True)
class Member:
    """One diver of a team."""

    name: str
    """Empty where the dive file names no team."""
    plan: Plan
    """On the team's schedule, with this diver's gas."""
    alone_min: float
    """Run time were the diver alone."""


@dataclass(frozen=True)
class TeamBailout:
    """One diver off the loop, on all the bailout the team carries."""

    diver: str
    contingency: Contingency
    handovers: tuple[Handover, ...]
    """In the order of the dive."""


@dataclass(frozen=True)
class Carry:
    """What a cylinder must hold above its reserve, so that every team bailout is met. [free litres]"""

    diver: str
    cylinder: str
    mix: Mix
    litres: float


@dataclass(frozen=True)
class MatchedTurn:
    """A turn pressure at which nobody has breathed more than the one with the least to breathe."""

    diver: str
    cylinder: str
    turn_bar: float


@dataclass(frozen=True)
class Team:
    """The divers of a dive, on one schedule."""

    dive: Dive
    members: tuple[Member, ...]
    demanding: str
    """The diver whose rules ask for the longest dive; empty for one diver."""
    turns: tuple[MatchedTurn, ...]
    bailouts: tuple[TeamBailout, ...]
    """Of a dive with shared bailout, diver by diver."""
    carries: tuple[Carry, ...]
    """Of a dive with shared bailout, what is asked of every cylinder at most."""
    findings: tuple[Finding, ...]
    """Of all divers, each beginning with the diver's name where there are several."""

    def __repr__(self) -> str:
        """What it is, in a line."""
        who = ", ".join(member.name for member in self.members if member.name)
        run_min = max(member.plan.schedule.run_time_min for member in self.members)
        said = f"{'NO-GO, ' * self.no_go}run time {math.ceil(run_min - 1e-6)} min"
        return f"<Team {who or self.dive.title!r}: {said}>"

    @property
    def no_go(self) -> bool:
        """Whether the plan must not be dived."""
        return any(finding.severity == "no-go" for finding in self.findings)


def plan_team(dive: Dive, source: str = "dive") -> Team:
    """Plan a dive for every diver of its team, on common stops.

    Parameters
    ----------
    dive : Dive
        As `read_dive` gives it; without ``[[team]]`` a team of one.
    source : str
        The dive file's name, for refusals.

    Returns
    -------
    Team

    Raises
    ------
    DiveFileError
        If the dive of some diver cannot be planned as written.
    TypeError
        If it is no dive.

    Examples
    --------
    >>> import leadline
    >>> leadline.plan_team(leadline.read_dive("examples/marigold-team.toml"))
    <Team 'Mira, Jonne, Anke': run time 60 min>
    """
    expect(dive, Dive, "plan_team", "a Dive, as read_dive gives")
    named = divers(dive)
    if len(named) == 1:
        name, alone = named[0]
        found = plan_dive(alone, source)
        return Team(
            dive, (Member(name, found, found.schedule.run_time_min),), "", (), (), (), _said_by(name, found.findings)
        )
    alone_min: dict[str, float] = {}
    for name, own in named:
        try:
            alone_min[name] = dive_schedule(own, lay_out(own)).run_time_min
        except DiveFileError as error:
            raise DiveFileError(f"{source}, {name}", list(error.problems)) from None
    held = common_stops([own for _, own in named])
    together = {name: (own, dive_schedule(own, lay_out(own, held=held))) for name, own in named}
    members = []
    for name, own in named:
        mates = {other: dive for other, dive in named if other != name}
        given = dict(_given(mates))
        meant = replace(
            as_mates(*mates.values()),
            planned=tuple(together[other] for other in mates),
            names=tuple(mates),
            me=name,
            bailout=tuple(given.values()) if dive.gas.team_bailout and own.loop is not None else (),
            givers=dict(zip((c.name for c in given.values()), given, strict=True)),
        )
        found = plan_dive(own, source, held, meant)
        if dive.gas.team_bailout:
            first = [*_first_breath(own)] or [*_sorting_out(found)]
            found = replace(found, findings=in_order([*first, *found.findings]))
        members.append(Member(name, found, alone_min[name]))
    bailouts = tuple(_bailouts(members)) if dive.gas.team_bailout else ()
    turns = matched_turns(members)
    findings = [*_said_by_all(members), *_turned_too_late(members, turns)]
    demanding = max(alone_min, key=lambda name: alone_min[name])
    return Team(
        dive=dive,
        members=tuple(members),
        demanding=demanding,
        turns=turns,
        bailouts=bailouts,
        carries=_carries(members, bailouts),
        findings=in_order(
            [
                _most_demanding(demanding, alone_min, members),
                *findings,
            ]
        ),
    )


def matched_turns(members: Iterable[Member]) -> tuple[MatchedTurn, ...]:
    """Everybody turns after what the diver with the least to breathe may breathe: so much is kept for each other."""
    turning = [member for member in members if member.plan.turns]
    if len(turning) < 2:
        return ()
    out_l = min(sum(turn.out_l for turn in member.plan.turns) for member in turning)
    found = []
    for member in turning:
        own_l = sum(turn.out_l for turn in member.plan.turns)
        uses = {use.name: use for use in member.plan.supply}
        for turn in member.plan.turns:
            share = turn.out_l / own_l if own_l > 0.0 else 0.0
            use = uses[turn.cylinder]
            found.append(MatchedTurn(member.name, turn.cylinder, pressure_left(use, use.content_l - out_l * share)))
    return tuple(found)


def _turned_too_late(members: Sequence[Member], turns: Iterable[MatchedTurn]) -> Iterable[Finding]:
    """The team's turn pressure, where it is higher than a diver's own and the plan is down to it before the last level
    on the gas is left."""
    plans = {member.name: member.plan for member in members}
    for turn in turns:
        plan = plans[turn.diver]
        own = next(one for one in plan.turns if one.cylinder == turn.cylinder)
        use = next(one for one in plan.supply if one.name == turn.cylinder)
        reached = down_to(use, turn.turn_bar)
        left_min = last_left_min(plan.dive, own, plan.minimum_gas)
        if turn.turn_bar > own.turn_bar + 1e-6 and reached is not None and reached[0] < left_min - 1e-6:
            values = {
                "diver": turn.diver, "cylinder": turn.cylinder, "gas": use.mix.label, "mix": use.mix.name,
                "turn_bar": turn.turn_bar, "left_min": left_min, "team": True,
            }  # fmt: skip
            yield Finding("turn-reached", "caution", values, reached[0], diver=turn.diver)


# --- Team bailout -----------------------------------------------------------------------------------------------------


def _given(mates: Mapping[str, Dive]) -> Iterable[tuple[tuple[str, str], Cylinder]]:
    """What mates on the loop carry to bail out to: whose and which, and the cylinder, named after both."""
    for name, dive in mates.items():
        if dive.loop is not None:
            for cylinder in open_circuit_cylinders(dive):
                yield (name, cylinder.name), cylinder.model_copy(update={"name": _by(name, cylinder.name)})


def _by(diver: str, cylinder: str) -> str:
    return f"{diver}'s {cylinder}"


def _bailouts(members: Sequence[Member]) -> Iterable[TeamBailout]:
    for member in members:
        for found in member.plan.bailouts:
            if found.legs:
                given = (replace(handover, receiver=member.name) for handover in found.handovers)
                yield TeamBailout(member.name, found, tuple(given))


def _carries(members: Sequence[Member], bailouts: Sequence[TeamBailout]) -> tuple[Carry, ...]:
    found = []
    for member in members if bailouts else ():
        for cylinder in open_circuit_cylinders(member.plan.dive) if member.plan.dive.loop is not None else ():
            names = {one.diver: _by(member.name, cylinder.name) for one in bailouts} | {member.name: cylinder.name}
            asked = [use.used_l for one in bailouts for use in one.contingency.supply if use.name == names[one.diver]]
            found.append(Carry(member.name, cylinder.name, cylinder.gas, max(asked, default=0.0)))
    return tuple(found)


# --- Findings ---------------------------------------------------------------------------------------------------------


def _first_breath(dive: Dive) -> Iterable[Finding]:
    """Off the loop the first breath must be a diver's own: what a mate carries takes time to reach."""
    if dive.loop is None:
        return
    own, limit = [c.gas for c in open_circuit_cylinders(dive)], PpO2Limit.when_wrong(dive)
    depths_m = {dive.deepest_m, *dive.stops.depths_m(dive.deepest_m)} - {0.0}  # at the surface there is air
    for depth_m in sorted(depths_m, reverse=True):
        if not any(is_fit(dive, Source(gas), depth_m, limit) for gas in own):
            yield Finding("bailout-first-breath", "no-go", {}, None, depth_m)
            return


def _sorting_out(plan: Plan) -> Iterable[Finding]:
    """Off the loop the time to sort it out must be on a diver's own gas, above the reserve."""
    worst = None
    for bailout in plan.bailouts:
        if not bailout.legs or bailout.legs[0].kind != "level":
            continue
        first = bailout.legs[0]
        asked_l = own_l = 0.0
        for use in bailout.supply:
            litres = sum(
                part.litres
                for part in use.legs
                if use.mix == first.source.mix and first.start_min - 1e-6 <= part.start_min < first.end_min - 1e-6
            )
            asked_l += litres
            own_l += min(litres, use.usable_l) if use.name not in bailout.scenario.given else 0.0
        if asked_l > own_l + 1e-6 and (worst is None or asked_l - own_l > worst[0] - worst[1]):
            worst = asked_l, own_l, first
    if worst is None:
        return
    asked_l, own_l, first = worst
    values = {
        "needed_l": asked_l, "usable_l": own_l, "gas": first.source.mix.label, "source": first.source.name,
        "minutes": first.minutes,
    }  # fmt: skip
    yield Finding("bailout-first-breath", "no-go", values, first.start_min, first.start_m)


def _said_by_all(members: Sequence[Member]) -> list[Finding]:
    """The findings of every diver; what is the same for everyone is said once."""
    said = [{finding.alike for finding in member.plan.findings} for member in members]
    same = set.intersection(*said)
    found = [
        finding
        for member in members
        for finding in _said_by(member.name, (f for f in member.plan.findings if f.alike not in same))
    ]
    return [*_said_by(EVERYONE, (f for f in members[0].plan.findings if f.alike in same)), *found]


def _said_by(name: str, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(replace(f, diver=name, values={"diver": name, **f.values}) if name else f for f in findings)


def _most_demanding(name: str, alone_min: dict[str, float], members: Sequence[Member]) -> Finding:
    team_min = max(member.plan.schedule.run_time_min for member in members)
    values = {"diver": name, "run_time_min": team_min, "alone": tuple(alone_min.items())}
    return Finding("team", "note", values)
