"""The plan of a diver, or of a team, in the terminal: verdict first, then schedule, gas, what if, bailout."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from dataclasses import replace

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.measure import Measurement
from rich.rule import Rule
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.dive_file.schema import Dive
from leadline.plan import Plan, acclimatised, flying
from leadline.plan.day import Day, DivedBefore
from leadline.plan.findings import Finding, Severity
from leadline.plan.rows import Giving, givings, up
from leadline.plan.team import Team
from leadline.show.breathing import after_table, breathing_table, oxygen_lines
from leadline.show.gas import breathing_line, emergency_line, supply_table, turning_lines
from leadline.show.schedule import gives_line, of_contingency, planned, schedule_table
from leadline.show.sentences import headline, remarks
from leadline.show.table import Emphasis
from leadline.show.table import Table as TableData
from leadline.show.team import bailout_line, carries_table, divers_table, handover_lines, turns_table
from leadline.show.verdict import bailout_heading, no_way_up
from leadline.show.what_ifs import lasting_line, what_if_table
from leadline.terminal.layout import rich_table
from leadline.units import SYSTEMS, System, SystemName

_MARKS: dict[Severity, tuple[str, str]] = {
    "no-go": ("NO-GO", "bold reverse"),
    "caution": ("caution", "bold"),
    "note": ("note", "dim"),
}
_BLANK = Text("")
_UNITS = r"%|L|m|ft|min|bar|psi|cu|g/L|OTU"
_BOUND = "\N{NO-BREAK SPACE}"
"""Holds a number and its unit together on one line."""


def show(team: Team, console: Console | None = None, day: Day | None = None) -> None:
    """Print the plan of every diver; first the day it is part of, and what several divers share."""
    console = console or Console(highlight=False, markup=False)
    console.print(render(team, day), soft_wrap=False)


def render(team: Team, day: Day | None = None) -> RenderableType:
    """The plan of every diver as Rich sees it."""
    parts: list[RenderableType] = _day(day, SYSTEMS[team.dive.units]) if day is not None else []
    if len(team.members) == 1:
        (member,) = team.members
        parts += [
            _heading(member.plan.dive, member.name),
            _verdict(team.findings, team.dive.units),
            *_plan(member.plan),
        ]
    else:
        parts += _team(team)
        for member in team.members:
            heading = Rule(Text(member.name, style="bold"), align="left", style="none")
            parts += [heading, _rules(member.plan.dive), _counted(member.plan.findings, team.dive.units)]
            parts += _plan(member.plan, givings(team, member))
    parts += [_Prose(line, style="dim") for line in CAUTIONS]
    return Group(*parts)


def _plan(plan: Plan, given: Sequence[Giving] = ()) -> list[RenderableType]:
    """Everything under a plan's verdict; `given` are mates' bailouts in which the diver gives gas."""
    system, schedule = SYSTEMS[plan.dive.units], planned(plan)
    tts, *legend = schedule.notes
    parts: list[RenderableType] = [_BLANK, *drawn(replace(schedule, notes=())), _Prose(tts)]
    parts += [*(_Prose(note, style="dim") for note in legend), _BLANK]
    parts += [*drawn(supply_table(system, plan.supply)), _Prose(breathing_line(plan)), *_turning(plan)]
    parts += [_BLANK, *_what_if(plan), *_bailouts(plan), *_giving(given, plan)]
    parts += [_BLANK, *drawn(breathing_table(plan.dive, plan.breathing)), *map(_Prose, oxygen_lines(plan))]
    return [*parts, _BLANK, *drawn(after_table(plan)), _BLANK]


class _Prose:
    """Running text that never parts a number from its unit."""

    def __init__(self, text: str, style: str = "none") -> None:
        bound = re.sub(rf"(?<=\d) (?=(?:{_UNITS})(?:\W|$))", _BOUND, text)
        self.text, self.style = bound.replace("cu ft", f"cu{_BOUND}ft"), style

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Wrapped to the width there is."""
        style = console.get_style(self.style)
        for line in textwrap.wrap(self.text, options.max_width, break_on_hyphens=False) or [""]:
            yield Segment(line.replace(_BOUND, " "), style)
            yield Segment.line()

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        """From the longest word to all in one line."""
        words = [cell_len(word) for word in self.text.split(" ")]
        return Measurement(min(max(words), options.max_width), min(cell_len(self.text), options.max_width))


# --- The verdict ------------------------------------------------------------------------------------------------------


def _heading(dive: Dive, diver: str = "") -> Text:
    title = Text(dive.title, style="bold")
    if diver:
        title.append(f", {diver}")
    return title.append("\n").append(_rules(dive))


def _rules(dive: Dive) -> Text:
    low, high = dive.model.gradient_factors
    circuit = "closed" if dive.loop is not None else "open"
    return Text(f"{dive.model.coefficients}, GF {low:g}/{high:g}, {_water(dive)}, {circuit} circuit")


def _water(dive: Dive) -> str:
    water = dive.site.water if isinstance(dive.site.water, str) else f"{dive.site.water:g} kg/m³"
    altitude = f", {SYSTEMS[dive.units].at(dive.site.altitude)} up" if dive.site.altitude else ""
    altitude += acclimatised.since(dive)
    return f"{water} water{altitude}"


def _verdict(findings: Sequence[Finding], units: SystemName) -> RenderableType:
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for remark in remarks(findings, units):
        mark, style = _MARKS[remark.severity]
        table.add_row(Text(mark, style=style), _Prose(remark.whole))
    return Group(_counted(findings, units), table)


def _counted(findings: Sequence[Finding], units: SystemName) -> RenderableType:
    """The verdict in one sentence."""
    grave = any(finding.severity == "no-go" or finding.grave for finding in findings)
    return _Prose(headline(findings, units) + ".", style="bold reverse" if grave else "bold")


# --- The plan ---------------------------------------------------------------------------------------------------------


WIDE = 8
"""A table of so many columns is headed in two lines, so that names need not be wrapped."""


def drawn(table: TableData) -> list[RenderableType]:
    """A table as Rich draws it, with its notes."""
    apart = "\n" if len(table.columns) >= WIDE else " "
    heads = [(apart.join(part for part in (c.head, c.unit) if part), c.figures) for c in table.columns]
    made = rich_table(heads, table.title or None)
    for line in table.lines:
        cells = (line[c.key] if c.figures else _Prose(line[c.key]) for c in table.columns)
        made.add_row(*cells, style=_EMPHASIS[line.emphasis])
    return [made, *(_Prose(note, style="dim") for note in table.notes)]


_EMPHASIS: dict[Emphasis, str] = {"": "", "surface": "", "changed": "bold", "handed": "bold reverse", "fails": "bold"}


def _turning(plan: Plan) -> list[RenderableType]:
    lines = turning_lines(plan)
    return [_BLANK, Text("Minimum gas and turn pressure", style="bold"), *map(_Prose, lines)] if lines else []


def _what_if(plan: Plan) -> list[RenderableType]:
    """Every contingency in a line."""
    found = what_if_table(plan)
    line = _Prose(lasting_line(plan), style="bold" if found.lines else "none")
    return [line, *(drawn(replace(found, title="")) if found.lines else [])]


def _bailouts(plan: Plan) -> list[RenderableType]:
    """Every bailout whole, in run-time order; what is breathed from the cylinders where it takes most."""
    parts: list[RenderableType] = []
    system = SYSTEMS[plan.dive.units]
    for bailout in plan.bailouts:
        parts += [_BLANK, _Prose(bailout_heading(bailout), style="bold")]
        if bailout.legs:
            parts += [*drawn(of_contingency(plan, bailout)), _BLANK]
            parts += drawn(supply_table(system, bailout.breathed, "Bailout gas"))
        else:
            wrong, left = no_way_up(bailout)
            parts += [_Prose(f" {wrong} ", style="bold reverse" if left else "none"), *([_Prose(left)] if left else [])]
    if any(bailout.legs for bailout in plan.bailouts):
        parts.append(_Prose(emergency_line(plan)))
    return parts


def _giving(given: Sequence[Giving], plan: Plan) -> list[RenderableType]:
    """The mates' bailouts in which this diver gives gas; of other contingencies what is given."""
    parts: list[RenderableType] = []
    for giving in (one for one in given if one.contingency.is_bailout):
        parts += [_BLANK, _Prose(giving.heading, style="bold"), *drawn(schedule_table(plan.dive, giving.rows))]
    others = [one for one in given if not one.contingency.is_bailout and one.gives]
    parts += [_BLANK, _Prose("Give gas when", style="bold")] if others else []
    return [*parts, *(_Prose(gives_line(plan.dive, giving)) for giving in others)]


# --- The day ----------------------------------------------------------------------------------------------------------


def _day(day: Day, system: System) -> list[RenderableType]:
    """Every dive of a day in a line; nothing where there is only one."""
    if len(day.dives) == 1:
        return []
    table = rich_table(
        [
            ("", False), ("Before\nit", True), (f"Depth\n{system.depth_unit}", True), ("Leave\nat", True),
            ("Run\n", True), ("GF\n%", True), ("CNS\n%", True), ("OTU\n24 h", True), ("", False),
        ],
        "The day",
    )  # fmt: skip
    for one in day.dives:
        if isinstance(one, DivedBefore):
            cns = max(left.cns_percent for _, left in one.left)
            table.add_row(one.title, "", "", "", "", "", f"to {up(cns)}", "", "dived")
            continue
        found, dive = one.numbers(), one.team.dive
        table.add_row(
            one.title,
            flying.hours(one.interval_min) if one.interval_min is not None else "",
            system.depth(dive.deepest_m),
            f"{dive.levels[-1].leave_at:.0f}",
            up(one.run_time_min),
            _from_to(max(found.gf_start, 0.0), found.gf_end),
            _from_to(found.cns_start, found.cns_end),
            _from_to(found.otu_start, found.otu_end),
            "NO-GO" if one.team.no_go else "can be dived",
            style="bold" if one.team.no_go else "",
        )
    said = "Before it: surface interval. GF of the surface, CNS and OTU: at the start and the end"
    said += ", the highest of the team." if len(day.asked_for.team.members) > 1 else "."
    earlier = [one.title for one in day.planned[:-1] if one.team.no_go]
    warned = f"{' and '.join(earlier)} must not be dived as planned: what comes after stands on it."
    return [table, _Prose(said, style="dim"), *([_Prose(warned, "bold")] if earlier else []), _BLANK]


def _from_to(start: float, end: float) -> str:
    return f"{up(start)}-{up(end)}"


# --- A team -----------------------------------------------------------------------------------------------------------


def _team(team: Team) -> list[RenderableType]:
    """What several divers share: verdict, whose rules, turn pressures, who gives to whom, what each must carry."""
    title = Text(team.dive.title, style="bold")
    title.append(f"\n{len(team.members)} divers on one schedule, {_water(team.dive)}", style="not bold")
    parts: list[RenderableType] = [title, _verdict(team.findings, team.dive.units), _BLANK, *drawn(divers_table(team))]
    parts += [_BLANK, *drawn(turns_table(team))] if team.turns else []
    if team.bailouts:
        parts += [_BLANK, Text("Team bailout", style="bold")]
        for bailout in team.bailouts:
            parts.append(_Prose(bailout_line(team, bailout), "bold"))
            parts += [_Prose(f"  {line}") for line in handover_lines(team, bailout)]
    parts += [_BLANK, *drawn(carries_table(team))] if team.carries else []
    return [*parts, _BLANK]
