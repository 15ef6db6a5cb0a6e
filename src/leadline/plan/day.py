"""Several dives in a row, each planned whole and begun as the ones before it have left the divers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, replace

from leadline.dive_file.errors import expect
from leadline.dive_file.schema import Dive, Previous
from leadline.dive_file.team import divers
from leadline.plan.findings import BEFORE, Finding, in_order
from leadline.plan.oxygen import carried
from leadline.plan.planned import Plan
from leadline.plan.team import Team, plan_team
from leadline.tissue.loading import Residual


@dataclass(frozen=True)
class PlannedDive:
    """A dive of the day, planned."""

    title: str
    file: str
    interval_min: float | None
    """Surface interval before it; None for the first."""
    oxygen_min: float
    """The first minutes of that, breathed on oxygen."""
    team: Team

    @property
    def run_time_min(self) -> float:
        """Of the whole team."""
        return max(member.plan.schedule.run_time_min for member in self.team.members)

    def plan_of(self, diver: str) -> Plan:
        """A diver's plan. Without a team, everyone dives the one there is."""
        members = self.team.members
        return next((member for member in members if member.name == diver), members[0]).plan

    def numbers(self, diver: str | None = None) -> Numbers:
        """A diver's numbers at its start and end; for None the highest of the team."""
        plans = [member.plan for member in self.team.members] if diver is None else [self.plan_of(diver)]
        return Numbers(*map(max, zip(*(astuple(_numbers(plan)) for plan in plans), strict=True)))


@dataclass(frozen=True)
class DivedBefore:
    """A dive of the day that was dived: the log has it, and there is nothing left to plan."""

    title: str
    left: tuple[tuple[str, Residual], ...]
    """In each diver by name, at its end; the name is empty without a team."""

    def left_in(self, diver: str) -> Residual:
        """What it has left in a diver."""
        return dict(self.left)[diver]


@dataclass(frozen=True)
class Numbers:
    """What a dive begins and ends with. [%, %, units]"""

    gf_start: float
    """Gradient factor at the surface, of the leading compartment; below 0 in a rested diver."""
    gf_end: float
    cns_start: float
    cns_end: float
    otu_start: float
    """Of the last 24 hours, as `otu_end`."""
    otu_end: float
    day_percent: float
    """Share of NOAA's 24-hour limits at the end."""


@dataclass(frozen=True)
class Day:
    """Dives in the order dived; the last is the one that was asked for. The others are those it names before it."""

    dives: tuple[PlannedDive | DivedBefore, ...]

    @property
    def asked_for(self) -> PlannedDive:
        """The dive of the file."""
        last = self.dives[-1]
        assert isinstance(last, PlannedDive)
        return last

    @property
    def planned(self) -> tuple[PlannedDive, ...]:
        """Those that are planned."""
        return tuple(one for one in self.dives if isinstance(one, PlannedDive))

    @property
    def no_go(self) -> bool:
        """Whether one of them must not be dived: then those after it stand on nothing."""
        return any(one.team.no_go for one in self.planned)

    def begins_min(self) -> list[float | None]:
        """When each dive begins, after the first began [min]; None where that is not known, after one of the log."""
        found: list[float | None] = []
        at: float | None = 0.0 if isinstance(self.dives[0], PlannedDive) else None
        for one in self.dives:
            if isinstance(one, PlannedDive) and one.interval_min is not None and at is not None:
                at += one.interval_min
            found.append(at)
            if isinstance(one, PlannedDive) and at is not None:
                at += one.run_time_min
        return found


def plan_day(dive: Dive, source: str = "dive") -> Day:
    """A dive and the dives before it, each planned whole with its own contingencies. Raises DiveFileError.

    `source` names the dive file. Of a dive without others before it, a day of one.

    >>> import leadline
    >>> len(leadline.plan_day(leadline.read_dive("examples/marigold-second.toml")).dives)
    2
    """
    expect(dive, Dive, "plan_day", "a Dive, as read_dive gives")
    found: list[PlannedDive | DivedBefore] = []
    units = dive.units  # of the day, whatever an earlier dive's file is written in: its sentences are read beside these
    while True:
        before: Previous | None = dive.previous[-1] if dive.previous else None
        interval_min, oxygen_min = (before.surface_interval, before.oxygen) if before is not None else (None, 0.0)
        found.append(PlannedDive(dive.title, source, interval_min, oxygen_min, plan_team(dive, source)))
        if before is None:
            break
        if before.left is not None:
            left = ((name, own.previous[-1].left) for name, own in divers(dive))
            found.append(DivedBefore(before.title, tuple((name, kept) for name, kept in left if kept is not None)))
            break
        dive, source = before.dive.model_copy(update={"units": units}), before.name
    return Day(tuple(_judged(list(reversed(found)))))


def _judged(dives: Sequence[PlannedDive | DivedBefore]) -> Iterator[PlannedDive | DivedBefore]:
    """Dives in order; one that comes after a no-go is one itself: its tissues and oxygen stand on nothing."""
    wrong: PlannedDive | None = None
    for one in dives:
        if isinstance(one, PlannedDive) and wrong is not None:
            why = next(f for f in wrong.team.findings if f.severity == "no-go")
            found = Finding(BEFORE, "no-go", {"dive": wrong.title, "why": why})
            yield replace(one, team=_with(one.team, found))
            continue
        if isinstance(one, PlannedDive) and one.team.no_go:
            wrong = one
        yield one


def _with(team: Team, found: Finding) -> Team:
    """A team of which one thing more is found."""
    members = tuple(
        replace(member, plan=replace(member.plan, findings=in_order([*member.plan.findings, found])))
        for member in team.members
    )
    return replace(team, members=members, findings=in_order([*team.findings, found]))


def _numbers(plan: Plan) -> Numbers:
    points, before, after = plan.schedule.track.points, carried(plan.dive), plan.oxygen
    return Numbers(
        gf_start=100.0 * float(points[0]["gf_surface"]),
        gf_end=100.0 * float(points[-1]["gf_surface"]),
        cns_start=before.cns_percent,
        cns_end=after.cns_percent,
        otu_start=before.otu,
        otu_end=after.otu,
        day_percent=after.day_percent,
    )
