"""The sheet of a day: every dive of it on one page, for one diver."""

from __future__ import annotations

import math
from dataclasses import asdict

from leadline.plan import flying
from leadline.plan.causes import lasting
from leadline.plan.day import Day, DivedBefore, Numbers, PlannedDive
from leadline.plan.rows import up
from leadline.plan.team import Member, Team
from leadline.sheets.content import Data, after_list, common, count, loop_line, verdict
from leadline.sheets.gas import supply_data
from leadline.sheets.schedules import breakable, planned_rows
from leadline.show.breathing import days_line
from leadline.show.sentences import message
from leadline.units import SYSTEMS


def day_sheet(day: Day, member: Member) -> Data:
    """A4, for one diver: verdict, schedule, gas and oxygen of each dive in order, and how long to wait after the last.

    All in the units of the dive asked for.
    """
    team, units = day.asked_for.team, day.asked_for.team.dive.units
    no_gos = [f"{one.title}: {said}" for one in day.planned if (said := _first_no_go(one.team))]
    blocks = [
        _dived(one, member.name) if isinstance(one, DivedBefore) else _planned(one, member.name, begins_min)
        for one, begins_min in zip(day.dives, day.begins_min(), strict=True)
    ]
    last = day.asked_for.plan_of(member.name)
    return {
        **common(team, member),
        "title": f"Day: {common(team, member)['title']}",
        "no_go": no_gos[0] if no_gos else "",
        "dives": [{**block, "number": i} for i, block in enumerate(blocks, 1)],
        "days": days_line(last),
        "after": after_list(last),
        "guidance": flying.note(units),
    }


def _first_no_go(team: Team) -> str:
    return next((message(one, team.dive.units) for one in team.findings if one.severity == "no-go"), "")


def _planned(one: PlannedDive, diver: str, begins_min: float | None) -> Data:
    plan, numbers = one.plan_of(diver), one.numbers(diver)
    dive, schedule, system = plan.dive, plan.schedule, SYSTEMS[plan.dive.units]
    low, high = dive.model.gradient_factors
    lasts, of = lasting(plan.contingencies)
    facts = [
        ("Deepest", system.at(dive.deepest_m)),
        ("Leave the last level", f"{dive.levels[-1].leave_at:.0f} min"),
        ("Run time", f"{up(schedule.run_time_min)} min"),
        ("TTS", f"{up(schedule.tts_min)} min"),
        ("Model", f"{dive.model.coefficients}, {low:g}/{high:g}"),
        ("Gas lasts in", f"{lasts} of {of}"),
    ]
    return {
        "heading": breakable(one.title),
        "dived": False,
        "before": _interval(one),
        "begins": "" if not begins_min else f"begins {flying.hours(begins_min)} after the first dive began",
        "verdict": verdict(one.team.findings, dive.units),
        "facts": [{"name": name, "text": text} for name, text in facts],
        "rows": [asdict(row) for row in planned_rows(plan)],
        "supply": supply_data(dive, plan.supply),
        "loop": loop_line(plan),
        "oxygen": _oxygen(numbers),
        "mark": count(len(one.team.findings), "finding") if one.team.findings else "",
    }


def _interval(one: PlannedDive) -> str:
    if one.interval_min is None:
        return ""
    oxygen = f", the first {one.oxygen_min:g} min on oxygen" if one.oxygen_min else ""
    return f"Surface interval {flying.hours(one.interval_min)}{oxygen}"


def _oxygen(numbers: Numbers) -> list[Data]:
    """From the start to the end of a dive. Below ambient pressure a gradient factor is told as 0."""
    return [
        {"name": "GF at the surface", "start": f"{max(0, math.ceil(numbers.gf_start))} %", "end": _up(numbers.gf_end)},
        {"name": "CNS", "start": _up(numbers.cns_start), "end": _up(numbers.cns_end)},
        {"name": "OTU, 24 h", "start": up(numbers.otu_start), "end": up(numbers.otu_end)},
    ]


def _up(percent: float) -> str:
    return f"{math.ceil(percent - 1e-6)} %"


def _dived(one: DivedBefore, diver: str) -> Data:
    left = one.left_in(diver)
    return {
        "heading": breakable(one.title),
        "dived": True,
        "line": f"Dived, and in the log. At its end CNS {_up(left.cns_percent)}.",
    }
