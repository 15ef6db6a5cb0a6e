"""Contingencies on paper: which go on the slate, and what is said of each."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from leadline.plan import Plan
from leadline.plan.contingency import Contingency, Handover, MateWay
from leadline.plan.rows import up
from leadline.plan.supply import CylinderUse
from leadline.plan.team import Team, TeamBailout
from leadline.sheets.gas import KEPT, least_left, left_list
from leadline.sheets.schedules import breakable, capital, contingency_rows
from leadline.show.gas import amount
from leadline.show.last_resort import resorts
from leadline.show.outcome import in_brief, in_words
from leadline.show.sentences import message
from leadline.show.what_ifs import later
from leadline.units import SYSTEMS, clock

Data = dict[str, Any]


def on_the_slate(plan: Plan) -> list[Contingency]:
    """The contingencies that a diver carries on the slate: of the dive file's kinds, in its order, each with its rows
    or with where there is nothing to breathe."""
    kinds = dict.fromkeys(plan.dive.contingencies.slate)
    return [f for kind in kinds for f in plan.contingencies if f.kind == kind and (f.legs or f.no_gas is not None)]


def name(found: Contingency) -> str:
    """As it heads a panel."""
    return breakable(capital(found.name))


def mark(found: Contingency) -> str:
    """What is printed, white on black, over a contingency that does not hold; empty over one that does."""
    what, apart, where = in_brief(found).upper().partition(" FROM ")
    return what + (apart + where).replace(" ", KEPT).replace(f"{KEPT}FROM", " FROM")


def outcome(found: Contingency) -> str:
    """What comes of it, as it is written into a table."""
    return "; ".join(in_words(found))


def left_to_try(found: Contingency) -> str:
    """What is left where there is nothing to breathe, in a line; empty where there is something."""
    if found.no_gas is None:
        return ""
    return f"{up(found.no_gas.minutes)} min at the ascent rate. Left to try: {resorts(found.no_gas.left)}."


def leaves(plan: Plan, found: Contingency) -> str:
    """Where the plan is left: "20 min, 60 m"; empty for a whole dive."""
    if found.left_at is None:
        return ""
    at_min, depth_m = found.left_at
    return f"{clock(at_min)} min, {SYSTEMS[plan.dive.units].at(depth_m)}"


def leaves_depth(plan: Plan, found: Contingency) -> str:
    """The depth at which the plan is left; empty for a whole dive."""
    return SYSTEMS[plan.dive.units].at(found.depth_m) if found.depth_m is not None else ""


def leaves_line(plan: Plan, found: Contingency) -> str:
    """Where and when the plan is left, in words; empty for a whole dive."""
    if found.leaves_at_min is None or found.depth_m is None:
        return ""
    if found.kind == "mate out of gas" and plan.dive.loop is not None:
        at = f"run time {clock(found.leaves_at_min)}, {SYSTEMS[plan.dive.units].at(found.depth_m)}"
        return f"You stay on your loop. Your mate breathes, from {at}"
    what = "the loop" if found.scenario.off_at_once else "the plan"
    where = SYSTEMS[plan.dive.units].at(found.depth_m).replace(" ", KEPT)
    on_yours = "".join(f". {_on_yours(plan, mate)}" for mate in found.mates if mate.given)
    return f"Leave {what} at run time {clock(found.leaves_at_min)}, {where}{on_yours}"


def _on_yours(plan: Plan, mate: MateWay) -> str:
    """What a mate out of gas breathes, and whose it is: "Brook: your 21/35, own 50 % from 21 m"."""
    said: list[str] = []
    for before, leg in zip((None, *mate.legs), mate.legs, strict=False):
        if before is None or leg.source != before.source:
            whose = "your" if leg.source.circuit == "open" and leg.source.mix in mate.given else "own"
            where = f" from{KEPT}{SYSTEMS[plan.dive.units].at(leg.start_m).replace(' ', KEPT)}" if said else ""
            said.append(f"{whose} {leg.source.name.replace(' ', KEPT)}{where}")
    return f"{breakable(mate.name)}: {', '.join(said)}"


def times_line(plan: Plan, found: Contingency) -> str:
    """Run time, how much longer than the plan, and TTS; empty without a way up."""
    if not found.legs:
        return ""
    longer = later(found.run_time_min, plan.schedule.run_time_min)
    return f"Run time {up(found.run_time_min)} ({longer}), TTS {up(found.tts_min)}"


def panel(plan: Plan, found: Contingency) -> Data:
    """A compact panel of the slate. The surface is in its head."""
    rows = [row for row in contingency_rows(plan, found) if row.kind != "surface"]
    return {
        "name": name(found),
        "line": leaves_line(plan, found),
        "times": times_line(plan, found),
        "mark": mark(found),
        "left_to_try": left_to_try(found),
        "rows": [asdict(row) for row in rows],
    }


def notes(plan: Plan, found: Contingency) -> Data:
    """A contingency in the wet notes: schedule, gas left, and why it does not hold if it does not."""
    said = (f for f in found.findings if found.no_gas is None and (f.severity == "no-go" or not found.legs))
    grave = [message(finding, plan.dive.units) for finding in said]
    return {
        **panel(plan, found),
        "left": left_list(
            found.scenario.dive, [use for use in found.supply if use.use != found.failure.nothing_left_of]
        ),
        "oxygen": f"CNS{KEPT}{math.ceil(found.oxygen.cns_percent - 1e-6)}{KEPT}%" if found.legs else "",
        "reasons": [breakable(capital(message)) for message in grave],
    }


def bailed_out_on(found: Contingency) -> list[CylinderUse]:
    """The cylinders of a bailout: the diver's own, and of the mates' those that are breathed."""
    return [use for use in found.breathed if use.used_l > 1e-6 or use.name not in found.scenario.given]


def glance(plan: Plan) -> list[Data]:
    """Every contingency in a line: where the plan is left, times, least gas left, what comes of it."""
    return [
        {
            "name": name(found),
            "two": found.scenario.two_failures,
            "leaves": leaves(plan, found),
            "run_time": up(found.run_time_min) if found.legs else "",
            "more": later(found.run_time_min, plan.schedule.run_time_min) if found.legs else "",
            "tts": up(found.tts_min) if found.legs else "",
            "least": least_left(found.scenario.dive, found.least) if found.legs else "",
            "verdict": outcome(found),
            "met": found.holds,
        }
        for found in plan.contingencies
    ]


def handover_lines(team: Team, bailout: TeamBailout) -> list[str]:
    """Who gives which cylinder to a diver off the loop, when and where, and how much is breathed from it."""
    return [f"{breakable(given.giver)} gives {_given(team, given)}" for given in bailout.handovers]


def _given(team: Team, given: Handover) -> str:
    system = SYSTEMS[team.dive.units]
    where = f"{math.floor(given.run_time_min + 1e-6)} min, {system.at(given.depth_m)}"
    return f"{breakable(given.cylinder)} ({given.mix.name}) at {where}: {amount(system, given.litres)}"
