"""What the sheets say: every text and number on paper, made here and in the modules beside. The templates only lay out.

A sheet is one diver's: it is made of the team and of the member who carries it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from itertools import groupby
from typing import Any, TypeVar

from leadline.cautions import CAUTIONS, SHORT
from leadline.dive_file.schema import Dive
from leadline.plan import Plan, acclimatised, flying
from leadline.plan.breathing import tolerances
from leadline.plan.contingency import Contingency
from leadline.plan.findings import EVERYONE, SEVERITIES, Finding
from leadline.plan.line import anchor_m, holding_compartments
from leadline.plan.rows import Giving, givings, leave, up
from leadline.plan.supply import CylinderUse, calm_rmv, stressed_rmv
from leadline.plan.team import Member, Team
from leadline.sheets import gas, what_ifs
from leadline.sheets.gas import gas_table, supply_data
from leadline.sheets.profile import draw_profile
from leadline.sheets.schedules import (
    PrintedRow,
    bailout_marks,
    breakable,
    capital,
    contingency_rows,
    planned_rows,
    printed,
    tts_marks,
)
from leadline.show.breathing import after_table, days_line, oxygen_line
from leadline.show.schedule import ndl
from leadline.show.sentences import heading, headline, remarks
from leadline.show.team import carries_table
from leadline.show.what_ifs import later
from leadline.units import SYSTEMS, SystemName, clock

Data = dict[str, Any]
Line = TypeVar("Line")

ROWS_ON_A_SLATE = 12
"""More than these would make the type too small to read at arm's length: the slate goes on on a further page."""
ROWS_OF_ONE = 14
"""The same, where a contingency has a page to itself."""
ROWS_IN_A_PANEL = 12
"""The same, where two contingencies share a page: a row is then at least 5.5 mm high."""
LETTERS_IN_A_LINE = 125
"""Of a finding on the briefing."""
LETTERS_OF_A_NAME = 18
"""In a line of the briefing's table of supply."""
ROWS_KEPT_TOGETHER = 18
"""A contingency in the wet notes with more rows may break over two pages."""


# --- Lines ------------------------------------------------------------------------------------------------------------


def count(number: int, one: str, many: str = "") -> str:
    """A number of things: "1 caution", "3 cautions"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def change_list(plan: Plan) -> list[Data]:
    """Every change of gas or setpoint of the planned dive."""
    changed = [row for row in planned_rows(plan) if row.changed]
    return [{"depth": row.depth, "at": _when(row), "gas": row.gas, "mod": row.mod, "ppo2": row.ppo2} for row in changed]


def _when(row: PrintedRow) -> str:
    return row.arrive if row.kind in ("stop", "level") else row.leave


def loop_line(plan: Plan) -> str:
    """Time on the loop against the scrubber, in words; empty on open circuit."""
    if plan.loop is None:
        return ""
    rated = "scrubber time not given" if plan.loop.scrubber_min is None else f"scrubber {plan.loop.scrubber_min:g} min"
    return f"On the loop {up(plan.loop.minutes)} min; {rated}"


# --- Sheets -----------------------------------------------------------------------------------------------------------


def common(team: Team, member: Member) -> Data:
    """What every sheet carries. A no-go of one diver is on the sheets of all."""
    plan = member.plan
    system, dive = SYSTEMS[plan.dive.units], plan.dive
    low, high = dive.model.gradient_factors
    headed = f"{member.name} · {dive.title}" if member.name else dive.title
    return {
        "title": headed,
        "heading": breakable(headed),
        "diver": breakable(member.name),
        "caution": [f"{sentence.rstrip('.')}." for sentence in SHORT.split(". ")],
        "no_go": _why_not(team, member),
        "grave": capital(
            " and ".join(dict.fromkeys(heading(f, dive.units) for f in plan.findings if f.grave and not team.no_go))
        ),
        "depth_unit": system.depth_unit,
        "pressure_unit": system.pressure_unit,
        "gas_unit": system.gas_unit,
        "model": f"{dive.model.coefficients}  GF {low:g}/{high:g}",
    }


def _why_not(team: Team, member: Member) -> str:
    """Why the plan is a no-go, in a few words, the diver's own reason before the team's; empty if it is none."""
    word, _, why = headline(said_to(team, member), team.dive.units).partition(": ")
    return capital(why) if word == "NO-GO" else ""


def slate(team: Team, member: Member) -> Data:
    """The wrist slate: the planned dive, then what can go wrong, two panels on a page where they fit."""
    plan = member.plan
    pages = _pages("Plan", [], planned_rows(plan), tts_marks(plan))
    pages[0]["turns"] = gas.turn_list(team, member)
    waiting: list[Contingency] = []
    for found in what_ifs.on_the_slate(plan):
        if found.is_bailout:
            pages += [*_compact(plan, waiting), *_alone(plan, found, ROWS_ON_A_SLATE)]
            waiting = []
        else:
            waiting.append(found)
    pages += _compact(plan, waiting)
    kinds = plan.dive.contingencies.slate
    for giving in (
        one
        for one in givings(team, member)
        if one.contingency.kind in kinds and (one.contingency.is_bailout or one.gives)
    ):
        lines = [breakable(giving.heading)]
        heading = "Give gas" if giving.gives else "A mate's bailout"
        pages += _pages(heading, lines, printed(plan.dive, giving.rows, {}), [], ROWS_OF_ONE)
    return {**common(team, member), "pages": pages}


def _compact(plan: Plan, found: Sequence[Contingency]) -> Iterator[Data]:
    """Contingencies two on a page. One without a partner has a page to itself; a long one takes several panels."""
    partner: Contingency | None = None
    for one in found:
        if not one.legs:
            yield from _alone(plan, one, ROWS_OF_ONE)
            continue
        panels = _panels(plan, one)
        if len(panels) == 1 and partner is not None:
            yield {"panels": [*_panels(plan, partner), *panels]}
            partner = None
        elif len(panels) == 1:
            partner = one
        else:
            if partner is not None:
                yield from _alone(plan, partner, ROWS_OF_ONE)
                partner = None
            for i in range(0, len(panels), 2):
                yield {"panels": panels[i : i + 2]}
    if partner is not None:
        yield from _alone(plan, partner, ROWS_OF_ONE)


def _panels(plan: Plan, found: Contingency) -> list[Data]:
    """A contingency as panels of the slate: one, or as many as its rows take."""
    whole = what_ifs.panel(plan, found)
    parts = _parts(whole["rows"], ROWS_IN_A_PANEL)
    return [
        {**whole, "rows": rows, "part": f"{i} of {len(parts)}" if len(parts) > 1 else ""}
        for i, rows in enumerate(parts, 1)
    ]


def _alone(plan: Plan, found: Contingency, most: int) -> list[Data]:
    """A contingency on as many pages as it takes."""
    left = what_ifs.leaves_line(plan, found)
    bailout = found.is_bailout
    said = [*([] if found.name == "bailout" else [what_ifs.name(found)]), *([left] if left else [])]
    if found.no_gas is not None:
        said.append(what_ifs.left_to_try(found))
    from_min = found.leaves_at_min if found.leaves_at_min is not None else found.scenario.dive.levels[-1].leave_at
    marks = [{"at": clock(from_min), "tts": up(found.tts_min)}] if found.legs else []
    if bailout:
        marks = bailout_marks(plan, found)
    pages = _pages(found.kind.capitalize(), said, contingency_rows(plan, found), marks, most)
    if found.legs:
        pages[0]["more"] = f"run time {later(found.run_time_min, plan.schedule.run_time_min)}"
    level = SYSTEMS[plan.dive.units].at(found.depth_m) if bailout and found.depth_m is not None else ""
    return [{**page, "mark": what_ifs.mark(found), "level": level} for page in pages]


def _pages(
    heading: str, lines: Sequence[str], found: Sequence[PrintedRow], marks: list[Data], most: int = ROWS_ON_A_SLATE
) -> list[Data]:
    parts = _parts(found, most)
    return [
        {
            "panels": [],
            "heading": heading,
            "part": f"{i} of {len(parts)}" if len(parts) > 1 else "",
            "lines": list(lines),
            "mark": "",
            "level": "",
            "more": "",
            "turns": [],
            "rows": [asdict(row) for row in rows],
            "pressures": any(row.bar for row in found),
            "goes_on": i < len(parts),
            "marks": marks if i == 1 else [],
        }
        for i, rows in enumerate(parts, 1)
    ]


def _parts(rows: Sequence[Line], most: int) -> list[Sequence[Line]]:
    """Rows in as few parts as can be, none longer than another by much."""
    if not rows:
        return [rows]
    each = math.ceil(len(rows) / math.ceil(len(rows) / most))
    return [rows[i : i + each] for i in range(0, len(rows), each)]


def wetnotes(team: Team, member: Member) -> Data:
    """A6 pages: schedule, gases and supply, bailout, what else can go wrong, room for what was really dived."""
    plan = member.plan
    dive, given = plan.dive, givings(team, member)
    elsewhere = [*what_ifs.on_the_slate(plan), *plan.bailouts]
    others = [one for one in plan.contingencies if not any(one is shown for shown in elsewhere)]
    return {
        **common(team, member),
        "rows": [asdict(row) for row in planned_rows(plan)],
        "marks": tts_marks(plan),
        "gases": gas_table(dive, plan.breathing),
        "tolerated": tolerances(dive, plan.breathing),
        "changes": change_list(plan),
        "supply": supply_data(dive, plan.supply),
        "loop": loop_line(plan),
        "minimum": gas.minimum_list(plan),
        "turns": gas.turn_list(team, member),
        "pressures": gas.pressure_list(plan),
        "other_gas": gas.other_gas(plan),
        "bailouts": [
            {
                "name": what_ifs.name(found),
                "level": SYSTEMS[dive.units].at(found.depth_m) if found.depth_m is not None else "",
                "line": what_ifs.leaves_line(plan, found),
                "times": what_ifs.times_line(plan, found),
                "mark": what_ifs.mark(found),
                "left_to_try": what_ifs.left_to_try(found),
                "marks": bailout_marks(plan, found),
                "rows": [asdict(row) for row in contingency_rows(plan, found)],
                "gases": gas_table(dive, found.breathing),
                "tolerated": tolerances(dive, found.breathing),
                "supply": supply_data(dive, what_ifs.bailed_out_on(found)),
            }
            for found in plan.bailouts
        ],
        "giving": [
            {
                "line": breakable(giving.heading),
                "also": [_also(one, giving) for one in given if _has_its_rows(one, giving)],
                "rows": [asdict(row) for row in printed(dive, giving.rows, {})],
            }
            for giving in given
            if not giving.rows_of
        ],
        "giving_lines": [_gives(dive, giving) for giving in given if giving.rows_of and giving.gives],
        "contingencies": [
            {**shown, "together": len(shown["rows"]) <= ROWS_KEPT_TOGETHER}
            for shown in (what_ifs.notes(plan, one) for one in others)
        ],
        "notes": [
            f"Deepest ({SYSTEMS[dive.units].depth_unit})",
            "Run time (min)",
            *(
                f"{breakable(use.name)}, {use.mix.name}: left ({SYSTEMS[dive.units].pressure_unit})"
                for use in plan.supply
            ),
        ],
    }


def briefing(team: Team, member: Member) -> Data:
    """A4, to plan by: the dive on the first page, the gas and what can go wrong on the next, the team after that."""
    plan = member.plan
    dive = plan.dive
    findings = said_to(team, member)
    planned = planned_rows(plan)
    gives = [giving for giving in givings(team, member) if giving.gives]
    return {
        **common(team, member),
        "verdict": verdict(findings, dive.units),
        "facts": facts(plan),
        "profile": draw_profile(plan, 172.0, profile_high_mm(plan, findings, len(gives))),
        "rows": [asdict(row) for row in planned],
        "line": line_note(plan),
        "marks": tts_marks(plan),
        "gases": gas_table(dive, plan.breathing),
        "tolerated": tolerances(dive, plan.breathing),
        "supply": supply_data(dive, plan.supply),
        "loop": loop_line(plan),
        "oxygen": oxygen_line(plan.oxygen),
        "days": days_line(plan),
        "after": after_list(plan),
        "guidance": flying.note(dive.units),
        "bailouts": [
            {
                "name": what_ifs.name(found),
                "line": _off_the_loop(team, member.name, found),
                "mark": what_ifs.mark(found),
                "left_to_try": what_ifs.left_to_try(found),
                "oxygen": oxygen_line(found.oxygen) if found.legs else "",
                "supply": supply_data(dive, what_ifs.bailed_out_on(found)),
                "stops": "; ".join(_brief_row(dive, row) for row in contingency_rows(plan, found)),
            }
            for found in plan.bailouts
        ],
        "giving": [_gives(dive, giving) for giving in gives],
        "findings": [{"severity": one.severity, "message": one.whole} for one in remarks(findings, dive.units)],
        "carried": gas.carried_by(team),
        "warm": dive.gas.fill_temperature is not None,
        "minimum": gas.minimum_list(plan),
        "turns": gas.turn_list(team, member),
        "other_gas": gas.other_gas(plan),
        "what_ifs": what_ifs.glance(plan),
        "team": team_part(team) if len(team.members) > 1 else None,
        "cautions": list(CAUTIONS),
    }


def _gives(dive: Dive, giving: Giving) -> str:
    """What a diver gives in a mate's contingency, in a line: "Lou: bailout (20 min, 60 m): 18 m at 26: GIVE LOU YOUR
    50 % (stage)", and whose rows hold if it has none of its own."""
    hands = (_brief_row(dive, row) for row in printed(dive, giving.rows, {}) if row.kind == "hand")
    rows_of = f" (rows of {giving.rows_of})" if giving.rows_of else ""
    return f"{breakable(giving.what)}: {'; '.join(hands)}{rows_of}"


def _also(one: Giving, giving: Giving) -> str:
    """Another contingency with the same stops; what is given then stands elsewhere, if it is not the same."""
    handed = [[(row.handed, row.mate, leave(row)) for row in of.rows if row.kind == "give"] for of in (one, giving)]
    if handed[0] == handed[1]:
        return breakable(one.name)
    return f"{breakable(one.name)} ({'other gas to give: see there' if handed[0] else 'no gas to give'})"


def _has_its_rows(one: Giving, giving: Giving) -> bool:
    return one.receiver == giving.receiver and one.rows_of == giving.name


def _brief_row(dive: Dive, row: PrintedRow) -> str:
    """A row of a bailout in a line: "21 m leave at 44 on 50 %"."""
    if row.kind in ("surface", "none"):
        return f"surface at{gas.KEPT}{row.leave}" if row.kind == "surface" else row.label.lower()
    at = f"{row.depth}{gas.KEPT}{SYSTEMS[dive.units].depth_unit}"
    breathed = row.gas.replace(" ", gas.KEPT)
    if row.kind == "hand":
        return f"{at} at{gas.KEPT}{row.leave}: {row.gas}"
    return f"{at} leave at{gas.KEPT}{row.leave} on {breathed}"


def profile_high_mm(plan: Plan, findings: Sequence[Finding], given: int) -> float:
    """The height of the drawn profile: what the rest of the first page leaves, as near as can be told beforehand.
    `given`: in how many mates' bailouts the diver gives gas."""
    lines = sum(math.ceil(len(one.whole) / LETTERS_IN_A_LINE) for one in remarks(findings, plan.dive.units))
    tables = 44.0 + 6.3 * len(plan.breathing) + sum(3.9 * _lines(use) for use in plan.supply)
    for found in plan.bailouts if len(plan.bailouts) == 1 else ():
        rows = len(contingency_rows(plan, found))
        tables += 34.0 + 3.1 * math.ceil(rows / 2.4) + sum(4.5 * _lines(use) for use in what_ifs.bailed_out_on(found))
    tables += 7.0 + 6.4 * given if given else 0.0
    schedule = 23.0 + 5.2 * len(planned_rows(plan))
    banner = 8.0 if any(finding.severity == "no-go" or finding.grave for finding in findings) else 0.0
    left_mm = 214.0 - banner - max(tables, schedule) - 5.0 - 3.9 * lines
    return min(84.0, round(max(50.0, left_mm))) if left_mm > 25.0 else 62.0


def _lines(use: CylinderUse) -> int:
    """Of a cylinder's name in the table of supply."""
    return math.ceil(len(use.name) / LETTERS_OF_A_NAME)


def said_to(team: Team, member: Member) -> list[Finding]:
    """What a diver must know, the diver's own first and without the name: the team's, and every no-go of the others."""
    divers = {one.name for one in team.members} - {member.name}
    told = [
        _to(member, finding)
        for finding in team.findings
        if finding.severity == "no-go" or finding.code == "team" or finding.values.get("diver") not in divers
    ]
    whose = (member.name, EVERYONE)
    return sorted(told, key=lambda f: (SEVERITIES.index(f.severity), f.values.get("diver") not in whose))


def _to(member: Member, finding: Finding) -> Finding:
    """A finding as its own diver reads it."""
    whose = finding.values.get("diver")
    if whose not in (member.name, EVERYONE):
        return finding
    return replace(finding, diver="")


def team_part(team: Team) -> Data:
    """The divers side by side, whose rules are the most demanding, and who gives gas to whom."""
    system = SYSTEMS[team.dive.units]
    together = max(member.plan.schedule.run_time_min for member in team.members)
    return {
        "demanding": f"{breakable(team.demanding)}'s rules are the most demanding: the team surfaces at run time "
        f"{up(together)}."
        if team.demanding
        else "",
        "divers": [_diver(member) for member in team.members],
        "turns": [
            {
                "diver": breakable(turn.diver),
                "cylinder": breakable(turn.cylinder),
                "turn": system.pressure_up(turn.turn_bar),
            }
            for turn in team.turns
        ],
        "bailouts": [
            {
                "diver": breakable(one.diver),
                "line": _off_the_loop(team, one.diver, one.contingency),
                "mark": what_ifs.mark(one.contingency),
                "handovers": what_ifs.handover_lines(team, one),
            }
            for one in team.bailouts
        ],
        "carries": [
            {
                "diver": breakable(one.diver),
                "cylinder": breakable(one.cylinder),
                "gas": one.mix.name,
                "amount": f"{line['asked']} {system.gas_unit}",
            }
            for one, line in zip(team.carries, carries_table(team).lines, strict=True)
        ],
    }


def _off_the_loop(team: Team, diver: str, found: Contingency) -> str:
    plan = next(member.plan for member in team.members if member.name == diver)
    if not found.legs:
        return what_ifs.leaves_line(plan, found)
    return f"{what_ifs.leaves_line(plan, found)}. {what_ifs.times_line(plan, found)}"


def _diver(member: Member) -> Data:
    """What sets a diver apart."""
    plan, dive = member.plan, member.plan.dive
    system = SYSTEMS[dive.units]
    low, high = dive.model.gradient_factors
    breathed = dict.fromkeys(leg.source for leg in plan.schedule.legs if leg.kind == "level")
    rates = (dive.diver.rmv_bottom, dive.diver.rmv_deco, stressed_rmv(dive), calm_rmv(dive))
    return {
        "diver": breakable(member.name),
        "model": f"{low:g}/{high:g}",
        "rmv": " / ".join(system.flow(rate) for rate in rates),
        "gas": ", ".join(
            f"{source.name}, diluent {source.mix.name}" if source.circuit == "closed" else source.name
            for source in breathed
        ),
        "alone": up(member.alone_min),
    }


def verdict(findings: Sequence[Finding], units: SystemName) -> Data:
    """The verdict in a word and a line, and the line that is left where a banner says why. A plan without a no-go is
    not called safe: nothing is."""
    word, _, line = headline(findings, units).partition(": ")
    if word == "NO-GO":
        return {"word": word, "line": line, "apart": "", "grave": True}
    word, _, but = word.partition(", but ")
    apart = f"{line or 'No cautions'}. The decision is the team's."
    said = f"But {but}; {apart}" if but else apart
    return {"word": word, "line": said, "apart": apart, "grave": bool(but)}


def facts(plan: Plan) -> list[Data]:
    """The dive in a line: where, on which model, how fast, how long."""
    dive, schedule = plan.dive, plan.schedule
    first = schedule.first_stop_m
    return [
        {"name": "Deepest", "text": SYSTEMS[dive.units].at(dive.deepest_m)},
        {"name": "Leave the last level", "text": f"{dive.levels[-1].leave_at:.0f} min"},
        {"name": "Run time", "text": f"{up(schedule.run_time_min)} min"},
        {"name": "TTS", "text": f"{up(schedule.tts_min)} min"},
        {"name": "First stop", "text": "none" if first is None else SYSTEMS[dive.units].at(first)},
        {"name": "NDL at the deepest", "text": f"{ndl(plan)} min"},
        *conditions(dive),
    ]


def line_note(plan: Plan) -> str:
    """What the stops hang on: the anchor of the gradient factors, who holds which stop, and RMV by part of the dive."""
    dive, system = plan.dive, SYSTEMS[plan.dive.units]
    said = []
    anchored_m = anchor_m(plan.schedule)
    if anchored_m is not None:
        said.append(f"GF line anchored at {system.at(anchored_m)}")
    stops = zip(holding_compartments(dive, plan.schedule), plan.schedule.stops, strict=True)
    held = []
    for compartment, alike in groupby(stops, key=lambda pair: pair[0]):
        depths = list(dict.fromkeys(system.depth(stop.depth_m) for _, stop in alike))
        if compartment is not None:
            held.append(f"{'–'.join(dict.fromkeys((depths[0], depths[-1])))} by {compartment}")
    if held:
        said.append(f"stops held by compartment, {system.depth_unit}: {', '.join(held)}")
    if any(leg.source.circuit == "open" for leg in plan.schedule.legs):
        bottom, deco = (system.flow(rate) for rate in (dive.diver.rmv_bottom, dive.diver.rmv_deco))
        said.append(f"RMV {bottom}, from the first stop up {deco} {system.gas_unit}/min")
    return "; ".join(said)


def conditions(dive: Dive) -> list[Data]:
    """On which model, how fast, where."""
    system = SYSTEMS[dive.units]
    low, high = dive.model.gradient_factors
    water = f"{dive.site.water:g} kg/m³" if isinstance(dive.site.water, float) else _WATERS[dive.site.water]
    ascent = dive.rates.ascent
    degrees = dive.site.temperature
    warm = f"{degrees:.0f} °C" if dive.units == "metric" else f"{degrees * 1.8 + 32.0:.0f} °F"
    return [
        {"name": "Model", "text": f"{dive.model.coefficients}, GF {low:g}/{high:g}"},
        {
            "name": "Rates",
            "text": " / ".join(_rate(dive, rate) for rate in _rates(dive, ascent)) + f" {system.depth_unit}/min",
        },
        {"name": "Stops", "text": stops(dive)},
        {"name": "Water", "text": f"{water}, {warm}"},
        {
            "name": "Surface",
            "text": f"{SYSTEMS[dive.units].at(dive.site.altitude)}{acclimatised.since(dive)}, {_millibar(dive)} mbar",
        },
    ]


def stops(dive: Dive) -> str:
    """The last stop, and what holds a diver besides the ceiling."""
    said = [f"last {SYSTEMS[dive.units].at(dive.stops.last)}"]
    if dive.stops.gas_switch:
        said.append(f"gas switch at least {dive.stops.gas_switch:g} min")
    if dive.stops.safety:
        said.append(f"safety stop at least {dive.stops.safety:g} min")
    return ", ".join(said)


_WATERS = {"en13319": "EN 13319", "sea": "sea", "fresh": "fresh"}


def _rates(dive: Dive, ascent: float) -> list[float]:
    """Down, up, between stops, to the surface; the last two only where they differ."""
    between = dive.rates.between_stops if dive.rates.between_stops is not None else ascent
    last = dive.rates.to_surface if dive.rates.to_surface is not None else ascent
    return [dive.rates.descent, ascent, *([between, last] if (between, last) != (ascent, ascent) else [])]


def _rate(dive: Dive, rate: float) -> str:
    return f"{round(rate / SYSTEMS[dive.units].depth_m, 1):g}"


def _millibar(dive: Dive) -> str:
    return f"{1000.0 * dive.site.environment.surface_bar:.0f}"


def after_list(plan: Plan) -> list[Data]:
    """Flying, and going up to an altitude, after the dive."""
    return [dict(line.cells) for line in after_table(plan).lines]
