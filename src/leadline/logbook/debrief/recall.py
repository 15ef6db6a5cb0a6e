"""What the log has for a debrief: the plan that a dive was dived by, and what earlier dives had left in the diver."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.reader import Log, parse_dive, read_dive
from leadline.dive_file.schema import Dive, Kept
from leadline.logbook.database.store import Logbook, Logged
from leadline.logbook.debrief.against_plan import Debrief, debrief_dive
from leadline.logbook.debrief.deviations import in_dive_order
from leadline.logbook.dived import Dived, KeptPlan
from leadline.logbook.residual import REACH_DAYS, from_log, with_intervals
from leadline.logbook.retrace import left_by
from leadline.plan.flying import hours
from leadline.plan.planned import Plan
from leadline.plan.team import Team, plan_team
from leadline.show.sentences import Remark
from leadline.tissue.coefficients import SetName
from leadline.units import parse

SAME_INTERVAL_MIN = 2.0
"""A surface interval that is no more than this shorter is as planned."""


def debrief_of(number: int, file: Path | None = None, url: str | None = None) -> Debrief:
    """A dive of the log held against its kept plan, or against that of a dive file. DiveFileError, LogError.

    `url` is the log's; the environment's or the user's own if None.
    """
    with Logbook.open(url) as log:
        dived, before = log.dive(number).dived, log.before(number, REACH_DAYS)
    dive, source, said = _planned(dived, number, before, file, _whatever_came_after(from_log(url)))
    plan = plan_of(plan_team(dive, source), dived, number)
    intervals = with_intervals([*(one.dived for one in before), dived])
    left = left_by(intervals, dive.model.coefficients, dived.environment.surface_bar)
    if before and not plan.dive.previous:
        said = (
            *said,
            f"The plan begins with a rested diver; {_after(before, dived)}: the dive is run with what that had left.",
        )
    found = debrief_dive(dived, plan, left)
    planned_min = _planned_interval_min(dive, dived.plan if file is None else None)
    sooner = [*_sooner(planned_min, before, dived)] if planned_min is not None and before else []
    return replace(found, said=(*said, *found.said), findings=in_dive_order([*sooner, *found.findings]))


def _planned_interval_min(dive: Dive, kept: KeptPlan | None) -> float | None:
    """The surface interval before a dive, as its plan has it: as written in the kept file, where others stand in for
    the dives that it names. [min]"""
    data = tomllib.loads(kept.text) if kept is not None else {}
    if _names_files(data):
        found = parse(data["previous"][-1]["surface_interval"], "time", dive.units)
        return found if isinstance(found, float) else None
    return dive.previous[-1].surface_interval if dive.previous else None


def _sooner(planned_min: float, before: Sequence[Logged], dived: Dived) -> Iterator[Remark]:
    """A shorter surface interval than planned."""
    real_min = _interval_min(before, dived)
    if real_min < planned_min - SAME_INTERVAL_MIN:
        said = f"Begun {hours(real_min)} after dive {before[-1].number}, {hours(planned_min - real_min)} sooner"
        values: dict[str, float | str] = {"interval_min": real_min, "planned_min": planned_min}
        yield Remark("surface-interval", "caution", f"{said} than planned.", values, 0.0, 0.0)


def _whatever_came_after(log: Log) -> Log:
    """The dive that is debriefed may itself lie in the interval that it was planned with."""
    return lambda number, coefficients, diver, _: log(number, coefficients, diver, 0.0)


def _planned(
    dived: Dived, number: int, before: Sequence[Logged], file: Path | None, log: Log
) -> tuple[Dive, str, tuple[str, ...]]:  # fmt: skip
    """The dive to hold a dive against, the name of its file, and what is to be said of it."""
    if file is not None:
        return read_dive(file, log), file.name, ()
    if dived.plan is None:
        said = "has no plan kept with it; name one with --plan FILE"
        raise DiveFileError(f"dive {number}", [Problem("", said)])
    return kept_dive(dived.plan, log, dived, before)


def kept_dive(
    kept: KeptPlan, log: Log, dived: Dived, before: Sequence[Logged]
) -> tuple[Dive, str, tuple[str, ...]]:  # fmt: skip
    """A kept dive file, read again. Dive files of earlier dives that it names are not kept: the earlier dives of the
    log stand in for them, if there are any."""
    try:
        data = tomllib.loads(kept.text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        said = "is no dive file any more, as it is kept in the log; name one with --plan FILE"
        raise DiveFileError(kept.file, [Problem("", said)]) from None
    if not _names_files(data):
        return parse_dive(data, kept.file, log), kept.file, ()
    data = {key: value for key, value in data.items() if key != "previous"}
    if not before:
        said = (
            f"{kept.file} begins with dives of other files, which are not kept, and the log has none before this one: "
            "plan and dive are run from rest."
        )
        return parse_dive(data, kept.file, log), kept.file, (said,)
    last = before[-1].number
    divers = [one["name"] for one in data.get("team", ()) if isinstance(one, dict) and "name" in one]
    number: Any = last if not divers else dict.fromkeys(divers, last)
    data["previous"] = [{"log": number, "surface_interval": f"{_interval_min(before, dived):.3f} min"}]

    def of_it(number: int, coefficients: SetName, _: str, interval_min: float) -> Kept:
        return log(number, coefficients, "", interval_min)

    said = f"{kept.file} begins with dives of other files, which are not kept; {_after(before, dived)}: both begin so."
    return parse_dive(data, kept.file, of_it), kept.file, (said,)


def _names_files(data: Mapping[str, Any]) -> bool:
    previous = data.get("previous")
    return isinstance(previous, list) and any(isinstance(one, dict) and "file" in one for one in previous)


def _after(before: Sequence[Logged], dived: Dived) -> str:
    """What came before, in words."""
    hours, minutes = divmod(round(_interval_min(before, dived)), 60)
    return f"the log has dive {before[-1].number}, {hours} h {minutes:02d} min before"


def _interval_min(before: Sequence[Logged], dived: Dived) -> float:
    """From the end of the last of earlier dives to a dive. [min]"""
    return with_intervals([before[-1].dived, dived])[0][1]


def plan_of(team: Team, dived: Dived, number: int) -> Plan:
    """The plan of a dive's diver. DiveFileError if the team has none of that name."""
    if len(team.members) == 1:
        return team.members[0].plan
    for member in team.members:
        if member.name.casefold() == dived.diver.casefold():
            return member.plan
    names = ", ".join(member.name for member in team.members)
    whose = f"is {dived.diver}'s" if dived.diver else "names no diver"
    raise DiveFileError(f"dive {number}", [Problem("", f"{whose}, and the plan is for {names}")])
