"""A table set on paper, for one diver: a book of slates, and one-page tables.

Rounding is on the safe side: run time, TTS, gas needed and CNS up; what is left, depths and no-stop limits down.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from string import ascii_lowercase
from typing import Any

from leadline.cautions import CAUTIONS, SHORT
from leadline.dive_file.schema import Dive
from leadline.dive_file.team import divers
from leadline.plan import Plan, rows
from leadline.plan.flying import hours
from leadline.plan.rows import up
from leadline.plan.supply import CylinderUse, calm_rmv, stressed_rmv
from leadline.plan.team import Member
from leadline.sheets import gas, what_ifs
from leadline.sheets.content import conditions, count
from leadline.sheets.schedules import breakable, capital, contingency_rows, planned_rows
from leadline.sheets.write import folders, put, set_sheet
from leadline.show.sentences import heading
from leadline.solve.verdict import BrokenLimit
from leadline.tables.table_set import MOST_NO_STOP_MIN, Cell, NoStop, SecondDive, TableSet, Told, stop_minutes
from leadline.units import SYSTEMS, System, clock

Data = dict[str, Any]

ROWS_ON_A_CARD = 12
"""The large heading and the gas leave room for these, less one for each of what takes more room; more rows go on on a
further card."""
ENTERED = (
    "Enter at the next deeper depth and the next longer bottom time, never between. Bottom time counts from leaving "
    "the surface, the descent included."
)
PLUS = (
    "+  A dive next to this cell, no deeper and no longer, asks for a longer stop: between the two stay the longer; "
    "the slate says which."
)
LOW = (
    "Some cells with a + are not for dives just above the depth where the setpoint takes over: the low one asks for "
    "longer stops there. The slate says so; plan such a dive itself."
)
LEVELS = "Depth and time are those of the deepest level; the levels after it are as long as in the dive file."


def write_table_set(found: TableSet, directory: Path, told: Told | None = None) -> list[Path]:
    """Write slates.pdf, slates-a4.pdf (four to a sheet, to be cut) and tables.pdf, for every diver, all or none, and
    return their paths. A diver without a name has them in the directory, a named one in a folder there. OSError."""
    pages: dict[Path, bytes] = {}
    for i, (diver, own) in enumerate(zip(found.divers, folders(found.divers), strict=True)):
        if told is not None:
            told(i, len(found.divers), f"setting the pages{f' of {diver}' if diver else ''}")
        if "slates" in found.dive.tables.parts:
            cards = book(found, diver)
            pages[directory / own / "slates.pdf"] = set_sheet("table_slates", {**cards, "cut": False})
            pages[directory / own / "slates-a4.pdf"] = set_sheet("table_slates", {**cards, "cut": True})
        tables = matrices(found, diver)
        if tables["pages"]:
            pages[directory / own / "tables.pdf"] = set_sheet("table_set", tables)
    return put(pages)


def _common(found: TableSet, diver: str) -> Data:
    """What every page carries."""
    own = dict(divers(found.dive))[diver]
    system = SYSTEMS[own.units]
    low, high = own.model.gradient_factors
    heading = f"{diver} · {own.title}" if diver else own.title
    return {
        "title": heading,
        "heading": breakable(heading),
        "caution": [f"{sentence.rstrip('.')}." for sentence in SHORT.split(". ")],
        "no_go": "",
        "depth_unit": system.depth_unit,
        "pressure_unit": system.pressure_unit,
        "gas_unit": system.gas_unit,
        "model": f"{own.model.coefficients}  GF {low:g}/{high:g}",
    }


def depth_down(system: System, metres: float) -> str:
    """A depth that a table covers, without its unit: rounded down."""
    tenths = 10**system.depth_decimals
    return f"{math.floor(metres / system.depth_m * tenths + 1e-4) / tenths:g}"


def _at(system: System, metres: float) -> str:
    return f"{depth_down(system, metres)} {system.depth_unit}"


# --- The book of slates -----------------------------------------------------------------------------------------------


def book(found: TableSet, diver: str) -> Data:
    """The slates of a diver, by depth and then by time."""
    return {**_common(found, diver), "pages": [card for cell in found.cells for card in _cards(cell, diver)]}


def _cards(cell: Cell, diver: str) -> Iterator[Data]:
    system = SYSTEMS[cell.dive.units]
    head: Data = {
        "depth": depth_down(system, cell.depth_m),
        "time": f"{cell.minutes}",
        "word": {"go": "", "no-go": "NO-GO", "refused": "NOT PLANNED"}[cell.state],
        "why": _refused(cell.limits[0]) if cell.state == "refused" else "",
        "bailout": "",
        "also": _also(cell),
        "part": "",
        "lines": [],
        "marks": [],
        "more": "",
        "turns": [],
        "rows": [],
        "pressures": False,
        "goes_on": False,
        "gas": [],
    }
    plan = cell.plan_of(diver)
    if plan is None or cell.team is None:
        yield head
        return
    if cell.state == "no-go":
        own = [f for f in (*plan.findings, *cell.team.findings) if f.severity == "no-go"]
        head["why"] = capital(heading(own[0], plan.dive.units))
    schedule = plan.schedule
    yield from _parts(
        {
            **head,
            "marks": [{"at": f"{plan.dive.levels[-1].leave_at:.0f}", "tts": up(schedule.tts_min)}],
            "more": f"run time {up(schedule.run_time_min)}",
            "turns": gas.turn_list(cell.team, Member(diver, plan, schedule.run_time_min)),
        },
        [asdict(row) for row in planned_rows(plan)],
        _needed(plan.dive, plan.supply),
    )
    # Behind the plan's slate: from the end of every level. What any other takes more of is in the gas needed.
    for bailout in (bailout for bailout in plan.bailouts if bailout.scenario.level is not None):
        level = f" {what_ifs.leaves_depth(plan, bailout)}" if len(plan.dive.levels) > 1 else ""
        lines = [what_ifs.leaves_line(plan, bailout)]
        yield from _parts(
            {
                **head,
                "bailout": what_ifs.mark(bailout) or f"BAILOUT{level}",
                "also": "",
                "lines": [*lines, what_ifs.left_to_try(bailout)] if bailout.no_gas is not None else lines,
                "marks": [{"at": clock(bailout.leaves_at_min or 0.0), "tts": up(bailout.tts_min)}]
                if bailout.legs
                else [],
                "more": f"run time {up(bailout.run_time_min)}" if bailout.legs else "",
            },
            [asdict(row) for row in contingency_rows(plan, bailout)],
            _needed(plan.dive, most_of_bailouts(plan)),
        )


def _refused(limit: BrokenLimit) -> str:
    """Why a cell cannot be planned, without the key of the dive file."""
    return capital(limit.message.removeprefix(f"{limit.subject}: "))


def _parts(card: Data, found: Sequence[Data], needed: list[Data]) -> Iterator[Data]:
    """A card, or as many as its rows take: what is marked on the first, the gas on the last."""
    most = ROWS_ON_A_CARD - bool(card["word"]) - (len(card["turns"]) > 1) - (len(needed) > 3)
    parts = max(1, math.ceil(len(found) / most))
    each = math.ceil(len(found) / parts)
    for i in range(parts):
        last = i == parts - 1
        yield {
            **card,
            "part": f"{i + 1} of {parts}" if parts > 1 else "",
            "rows": found[i * each : (i + 1) * each],
            "pressures": any(row["bar"] for row in found),
            "goes_on": not last,
            "gas": needed if last else [],
            **({} if i == 0 else {"marks": [], "more": "", "turns": [], "lines": []}),
        }


def _also(cell: Cell) -> str:
    """Which lesser dives ask for more; empty where none does."""
    system = SYSTEMS[cell.dive.units]
    said = []
    others = [one for one in cell.asked_more if one[0] != cell.low_to_m]
    if others:
        named = " and ".join(f"{_at(system, depth_m)}, {minutes} min" for depth_m, minutes in others)
        asks = "asks" if len(others) == 1 else "ask"
        said.append(f"{named} {asks} for a longer stop than this. Between, stay the longer of the two.")
    if cell.low_to_m is not None:
        said.append(
            f"Not for {_at(system, cell.low_to_m)}: the low setpoint there asks for longer stops. Plan that dive."
        )
    return " ".join(said)


def _needed(dive: Dive, supply: Iterable[CylinderUse]) -> list[Data]:
    """Every cylinder that gas is taken from: how much is needed, and what is left."""
    system = SYSTEMS[dive.units]
    return [
        {
            "cylinder": gas.labelled(use),
            "needed": system.gas_up(use.used_l),
            "left": system.pressure(use.left_bar),
            "mark": _mark(use),
        }
        for use in supply
        if use.used_l > 1e-6
    ]


def _mark(use: CylinderUse) -> str:
    """R: breathed into the reserve. X: more than it holds."""
    if use.missing_l > 1e-6:
        return "X"
    return "R" if use.short_l > 1e-6 else ""


def most_of_bailouts(plan: Plan) -> list[CylinderUse]:
    """Every cylinder of the bailouts, as it is where they take most from it."""
    found: dict[str, CylinderUse] = {}
    for one in plan.contingencies:
        if one.is_bailout and one.legs:
            for use in what_ifs.bailed_out_on(one):
                if use.name not in found or use.used_l > found[use.name].used_l:
                    found[use.name] = use
    return list(found.values())


# --- The one-page tables ----------------------------------------------------------------------------------------------


def matrices(found: TableSet, diver: str) -> Data:
    """The one-page tables of a diver, depth down and bottom time across, with what the letters of their cells mean."""
    own, parts = dict(divers(found.dive))[diver], found.dive.tables.parts
    letters = _letters(found)
    made: dict[str, Callable[[], list[Data]]] = {
        "times": lambda: [_times(found, diver, letters)],
        "stops": lambda: [_stops(found, diver, letters)],
        "gas": lambda: [_gas(found, diver, letters)],
        "bailout": lambda: [_bailout(found, diver, letters)],
        "oxygen": lambda: [_oxygen(found, diver, letters)],
        "ndl": lambda: [_no_stop(found)],
        "repetitive": lambda: [_repetitive(found, one, letters) for one in found.second],
    }
    pages = [page for part, pages_of in made.items() if part in parts for page in pages_of()]
    return {**_common(found, diver), "conditions": _conditions(own), "pages": pages, "cautions": list(CAUTIONS)}


def _conditions(dive: Dive) -> list[str]:
    """What a table holds for: model, rates, water, RMV, cylinders, the dive before."""
    system = SYSTEMS[dive.units]
    unit = f"{'L' if dive.units == 'metric' else 'cuft'}/min"
    rmv = f"{system.flow(dive.diver.rmv_bottom)} / {system.flow(dive.diver.rmv_deco)} {unit}"
    said = [f"{fact['name']} {fact['text']}" for fact in conditions(dive)]
    said.append(f"RMV {rmv}, stressed {system.flow(stressed_rmv(dive))}, then {system.flow(calm_rmv(dive))}")
    if dive.loop is not None:
        said.append(f"Loop {dive.loop.setpoint:g} bar, diluent {dive.loop.diluent.name}")
    if dive.previous:
        last = dive.previous[-1]
        said.append(f"After {breakable(last.title)}, {hours(last.surface_interval)} at the surface")
    carried = [
        f"{breakable(c.name)} ({c.gas.name}) {gas.size(dive, c)}, {system.pressure(c.pressure)} {system.pressure_unit}"
        for c in dive.cylinders
    ]
    return [" · ".join(said), " · ".join(carried)]


def _page(
    heading: str,
    reading: str,
    corner: tuple[str, str],
    columns: Sequence[str],
    found: Sequence[Data],
    **more: list[Any],
) -> Data:
    return {
        "heading": heading,
        "reading": reading,
        "corner": list(corner),
        "columns": list(columns),
        "rows": list(found),
        "legend": [],
        "notes": [],
        **more,
    }


def _by_time(
    found: TableSet, diver: str, letters: dict[str, str], heading: str, reading: str, inside: Callable[[Plan], Data],
    notes: Sequence[str] = (),
) -> Data:  # fmt: skip
    """A table of every cell; `inside` is what a cell says of a diver's plan."""
    system = SYSTEMS[found.dive.units]

    def cell(one: Cell) -> Data:
        plan = one.plan_of(diver)
        return _cell(one, letters, inside(plan) if plan is not None else {})

    lines = [_row(depth_down(system, of_depth[0].depth_m), [cell(one) for one in of_depth]) for of_depth in found.rows]
    marked = any(one.asked_more for one in found.cells)
    low = any(one.low_to_m is not None for one in found.cells)
    return _page(
        heading,
        reading,
        (f"{system.depth_unit} ↓", "min →"),
        [f"{minutes}" for minutes in found.times_min],
        lines,
        legend=_legend(found, letters),
        notes=[ENTERED, *(LEVELS,) * (len(found.dive.levels) > 1), *notes, *(PLUS,) * marked, *(LOW,) * low],
    )


def _row(head: str, cells: Sequence[Data], **more: bool) -> Data:
    """A row; `span`: its one cell goes all across; `ruled`: a stronger line over it."""
    return {"head": head, "cells": list(cells), "span": False, "ruled": False, **more}


def _cell(one: Cell, letters: dict[str, str], inside: Data) -> Data:
    named = dict.fromkeys(letters[_reason(one, limit)] for limit in one.limits)
    return {
        "state": one.state,
        "letters": " ".join(sorted(named, key=lambda letter: (len(letter), letter))),
        "plus": bool(one.asked_more),
        "main": "",
        "subs": [],
        "items": [],
        "lines": [],
        **inside,
    }


def _reason(one: Cell, limit: BrokenLimit) -> str:
    """What a limit is called in a legend: without the numbers of one dive, and alike for all divers."""
    if one.state == "refused":
        return f"not planned, {limit.what}"
    if limit.code == "gas-short":
        return f"{limit.pool if limit.diver and limit.pool else limit.what} does not last"
    return limit.what


def _letters(found: TableSet) -> dict[str, str]:
    """A letter for every reason, in the order of the cells."""
    reasons = dict.fromkeys(_reason(cell, limit) for cell in found.cells for limit in cell.limits)
    return {reason: _letter(i) for i, reason in enumerate(reasons)}


def _when(found: TableSet) -> dict[str, str]:
    """For every reason whose it is, and whether it is the plan's, or what must go wrong for it."""
    said: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for cell in found.cells:
        for limit in cell.limits if cell.state == "no-go" else ():
            whose, kinds = said.setdefault(_reason(cell, limit), ({}, {}))
            whose[limit.diver] = kinds[limit.contingency or "as planned"] = None
    found_out = {}
    for reason, (whose, kinds) in said.items():
        parts = [", ".join(breakable(name) for name in whose if name)]
        if list(kinds) != ["as planned"]:
            parts.append(", ".join(sorted(kinds, key=lambda kind: kind != "as planned")))
        words = ": ".join(part for part in parts if part)
        found_out[reason] = f" ({words})" if words else ""
    return found_out


def _letter(i: int) -> str:
    n = len(ascii_lowercase)
    return ascii_lowercase[i] if i < n else ascii_lowercase[i // n - 1] + ascii_lowercase[i % n]


def _legend(found: TableSet, letters: dict[str, str]) -> list[Data]:
    when = _when(found)
    return [{"letter": letter, "text": breakable(reason) + when.get(reason, "")} for reason, letter in letters.items()]


def _times(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    def inside(plan: Plan) -> Data:
        schedule, minutes = plan.schedule, stop_minutes(plan)
        return {
            "main": up(schedule.run_time_min),
            "subs": [f"TTS {up(schedule.tts_min)}", f"stops {minutes}" if minutes else "no stops"],
        }

    reading = "Large: run time at the surface. TTS: from the end of the bottom to there. Stops: all their minutes."
    return _by_time(found, diver, letters, "Run time and TTS", reading, inside)


def _stops(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    def inside(plan: Plan) -> Data:
        return {"items": list(_items(plan)), "subs": [] if plan.schedule.stops else ["no stops"]}

    reading = "Depth (bold) and minutes of every stop, deepest first. A gas in a box is changed to there, or begun on."
    if len(found.dive.levels) > 1:
        reading += ' A level has the run time at which it is left: "to 20".'
    note = "A stop's minutes count from arriving there. Every stop ends on a whole minute: the slate has the run times."
    return _by_time(found, diver, letters, "Stops", reading, inside, [note])


def _items(plan: Plan) -> Iterator[Data]:
    """The stops of a plan, the changes of gas on the way, and its levels where it has several."""
    system = SYSTEMS[plan.dive.units]
    for row in rows.planned_rows(plan):
        if row.kind == "surface" or (row.kind == "level" and len(plan.dive.levels) == 1):
            continue
        if row.kind == "start" and not any(step.source != row.source for step in plan.schedule.switches):
            continue
        words = {"start": "start", "level": f"to {row.leave_min:.0f}", "change": ""}
        until = words.get(row.kind, f"{row.minutes}")
        name = row.source.name.replace(" ", gas.KEPT) if row.changed or row.kind == "start" else ""
        yield {"depth": system.depth(row.depth_m), "minutes": until, "gas": name}


def _gas(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    plans = _plans(found, diver)
    labels = _labels(use for plan in plans for use in plan.supply if use.used_l > 1e-6)
    reading = f"For each cylinder what is needed, and what is left at the surface{_per(found.dive)}."

    def inside(plan: Plan) -> Data:
        return {"lines": _lines(plan.dive, [use for use in plan.supply if use.used_l > 1e-6], labels)}

    notes = ["The plan alone: what goes wrong takes more, and the verdict of every cell counts it.", *_marks(plans)]
    page = _by_time(found, diver, letters, "Gas", reading, inside, notes)
    return {**page, "legend": [*_named(labels), *page["legend"]]}


def _bailout(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    own = dict(divers(found.dive))[diver]
    if own.loop is None:
        return _minimum(found, diver, letters)
    plans = _plans(found, diver)
    labels = _labels(use for plan in plans for use in most_of_bailouts(plan))
    reading = (
        "Large: minutes up, off the loop where that is longest. For each cylinder the most a bailout needs, and what "
        f"is left at the surface{_per(own)}."
    )

    def inside(plan: Plan) -> Data:
        bailout = plan.longest_bailout
        if bailout is None:
            return {"subs": ["no gas to breathe"]}
        return {"main": up(bailout.tts_min), "lines": _lines(plan.dive, most_of_bailouts(plan), labels)}

    page = _by_time(found, diver, letters, "Bailout", reading, inside, _marks(plans))
    return {**page, "legend": [*_named(labels), *page["legend"]]}


def _minimum(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    """Of open circuit: minimum gas and the turn pressure."""
    unit = SYSTEMS[found.dive.units].pressure_unit

    def inside(plan: Plan) -> Data:
        team = next(cell.team for cell in found.cells if cell.plan_of(diver) is plan)
        assert team is not None
        turns = gas.turn_list(team, Member(diver, plan, plan.schedule.run_time_min))
        return {
            "lines": [
                {
                    "label": turn["gas"].replace(" ", gas.KEPT),
                    "text": f"{turn['minimum']}{gas.KEPT}/{gas.KEPT}{turn['turn']}",
                    "mark": "",
                }
                for turn in turns
            ]
        }

    reading = f"Minimum gas / turn pressure of the bottom cylinders, {unit}."
    note = (
        "Minimum gas brings two divers, one out of gas, from the end of the bottom to the next usable gas or the "
        "surface. Turn pressure is by the rule of the dive file."
    )
    return _by_time(found, diver, letters, "Minimum gas and turn pressure", reading, inside, [note])


def _oxygen(found: TableSet, diver: str, letters: dict[str, str]) -> Data:
    def inside(plan: Plan) -> Data:
        cns, otu = plan.oxygen.cns_percent, plan.oxygen.otu
        return {"main": f"{math.ceil(cns - 1e-6)} %", "subs": [f"{math.ceil(otu - 1e-6)} OTU"]}

    reading = "Large: CNS at the surface, percent of the NOAA single-exposure limits. OTU of the last 24 hours."
    return _by_time(found, diver, letters, "Oxygen", reading, inside)


def _plans(found: TableSet, diver: str) -> list[Plan]:
    return [plan for cell in found.cells if (plan := cell.plan_of(diver)) is not None]


def _per(dive: Dive) -> str:
    system = SYSTEMS[dive.units]
    return f": {system.gas_unit} / {system.pressure_unit}"


def _labels(uses: Iterable[CylinderUse]) -> dict[str, str]:
    """A short label for every cylinder by its name: its gas, numbered where several hold the same."""
    mixes = {use.name: use.mix.name for use in uses}
    found: dict[str, str] = {}
    for name, mix in mixes.items():
        alike = [other for other, of_other in mixes.items() if of_other == mix]
        label = mix if len(alike) == 1 else f"{mix} #{alike.index(name) + 1}"
        found[name] = label.replace(" ", gas.KEPT)
    return found


def _named(labels: dict[str, str]) -> list[Data]:
    """Which cylinder a label is of, where the gas alone does not say so."""
    return [{"letter": label, "text": breakable(name)} for name, label in labels.items()]


def _lines(dive: Dive, uses: Iterable[CylinderUse], labels: dict[str, str]) -> list[Data]:
    system = SYSTEMS[dive.units]
    return [
        {
            "label": labels[use.name],
            "text": f"{system.gas_up(use.used_l)}{gas.KEPT}/{gas.KEPT}{system.pressure(use.left_bar)}",
            "mark": _mark(use),
        }
        for use in uses
    ]


def _marks(plans: Sequence[Plan]) -> list[str]:
    """What the marks of a cylinder mean."""
    marks = {_mark(use) for plan in plans for use in (*plan.supply, *most_of_bailouts(plan))}
    said = {"R": "breathed into the reserve", "X": "more than the cylinder holds"}
    return [f"{mark} (white on black): {words}." for mark, words in said.items() if mark in marks]


# --- No-stop limits ---------------------------------------------------------------------------------------------------


def _no_stop(found: TableSet) -> Data:
    system = SYSTEMS[found.dive.units]
    lines = [
        _row(depth_down(system, depth_m), [_limit(column.limits[i]) for column in found.no_stop])
        for i, depth_m in enumerate(found.ndl_depths_m)
    ]
    columns = [f"{one.name.replace(' ', gas.KEPT)}{' (carried)' if one.carried else ''}" for one in found.no_stop]
    return _page(
        "No-stop limits",
        "The longest bottom time, in whole minutes, from which a direct ascent stays within GF high.",
        (f"{system.depth_unit} ↓", "gas →"),
        columns,
        lines,
        notes=[
            "Enter at the next deeper depth; on a gas between two at the leaner. Bottom time counts from leaving the "
            "surface, the descent included.",
            *_for_the_team(found),
            *_up_to_the_low_setpoint(found),
            "Stops alone: how long gas, oxygen and cold let one stay is to be planned."
            + ("" if found.dive.previous else " For a first dive, in a rested diver."),
        ],
    )


def _up_to_the_low_setpoint(found: TableSet) -> list[str]:
    """What bounds the limits on a loop that begins with a low setpoint."""
    if not any(own.loop is not None and own.loop.high_from is not None for _, own in divers(found.dive)):
        return []
    return [
        "On the loop never longer than just above the depth where the setpoint takes over: the low one holds there."
    ]


def _for_the_team(found: TableSet) -> list[str]:
    return ["Of the diver with the shortest, for the whole team."] if len(found.divers) > 1 else []


def _limit(one: NoStop) -> Data:
    main, subs = (_minutes(one.minutes), []) if not one.why else ("", [f"– {one.why}"])
    return {"state": "go", "letters": "", "plus": False, "main": main, "subs": subs, "items": [], "lines": []}


def _minutes(minutes: int | None) -> str:
    """A no-stop limit; a dash where there is none."""
    if minutes is None or minutes == 0:
        return "–"
    return f"{minutes}+" if minutes >= MOST_NO_STOP_MIN else f"{minutes}"


def _repetitive(found: TableSet, second: SecondDive, letters: dict[str, str]) -> Data:
    system, mix = SYSTEMS[found.dive.units], found.dive.tables.second_gas
    lines = []
    for cell, minutes in zip(found.cells, second.minutes, strict=True):
        dived = cell.state == "go"
        cells = [_limit(NoStop(one)) for one in minutes] if dived else [{**_cell(cell, letters, {}), "plus": False}]
        head = f"{_at(system, cell.depth_m)}, {cell.minutes} min"
        lines.append(_row(head, cells, span=not dived, ruled=cell.minutes == found.times_min[0]))
    first, last = found.cells[0], found.cells[-1]
    rested = second.rested.why or f"{_minutes(second.rested.minutes)} min"
    return _page(
        f"After a dive of this set: to {_at(system, second.depth_m)} on {mix.name}",
        "The longest bottom time of the second dive without a stop, in minutes, by the first dive (down) and the "
        f"surface interval (across). In a rested diver: {rested}.",
        ("first dive ↓", "interval →"),
        [hours(minutes) for minutes in found.dive.tables.surface_intervals],
        lines,
        legend=_legend(found, letters),
        notes=[
            "Enter at the first dive's next deeper depth and next longer time, at the next shorter interval, and on "
            "the page of the second dive's next deeper depth.",
            f"Only after one first dive, brought up on its slate, of {_at(system, first.depth_m)} to "
            f"{_at(system, last.depth_m)} and {first.minutes} to {last.minutes} min: for no shallower, shorter or "
            "third dive.",
            "What stands in a cell is the least of all first dives up to it and of all intervals from it on. A dash: "
            "no dive without stops.",
            *_for_the_team(found),
            "The model counts gas in solution, not bubbles that the first dive has left: stay well within. Gas and "
            "oxygen of the second dive are to be planned.",
        ],
    )


def said_of(found: TableSet) -> str:
    """How many dives of a set may not be dived, in a line; empty where all may."""
    states = [cell.state for cell in found.cells]
    bad, refused = states.count("no-go"), states.count("refused")
    parts = [f"{count(bad, 'dive is', 'dives are')} a NO-GO"] * (bad > 0)
    parts += [f"{count(refused, 'dive', 'dives')} cannot be planned"] * (refused > 0)
    return f"Of {len(states)}, {' and '.join(parts)}: their cells and slates say why." if parts else ""
