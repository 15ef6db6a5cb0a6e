"""The plan of a diver, or of a team, in the terminal: verdict first, then schedule, gas, what if, bailout."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence

from rich import box
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
from leadline.plan.breathing import Breathed, mod_shown, tolerances
from leadline.plan.causes import in_words, last_resorts, lasting
from leadline.plan.contingency import Contingency
from leadline.plan.day import Day, Dived
from leadline.plan.findings import Finding, Severity, headline
from leadline.plan.gases import Source
from leadline.plan.rows import Giving, Row, contingency_rows, givings, handed, leave, planned_rows, pressures_bar, up
from leadline.plan.supply import CylinderUse, calm_rmv, stressed_rmv
from leadline.plan.team import Team
from leadline.units import SYSTEMS, System, clock

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
        parts += [_heading(member.plan.dive, member.name), _verdict(team.findings), *_plan(member.plan)]
    else:
        parts += _team(team)
        for member in team.members:
            heading = Rule(Text(member.name, style="bold"), align="left", style="none")
            parts += [heading, _rules(member.plan.dive), _counted(member.plan.findings)]
            parts += _plan(member.plan, givings(team, member))
    parts += [_Prose(line, style="dim") for line in CAUTIONS]
    return Group(*parts)


def _plan(plan: Plan, given: Sequence[Giving] = ()) -> list[RenderableType]:
    """Everything under a plan's verdict; `given` are mates' bailouts in which the diver gives gas."""
    system = SYSTEMS[plan.dive.units]
    parts: list[RenderableType] = [_BLANK, _schedule(plan, system), _BLANK]
    parts += [_gas(plan.supply, system, "Gas"), *_loop(plan, system), *_turning(plan, system)]
    parts += [_BLANK, *_what_if(plan, system), *_bailouts(plan, system), *_giving(given, plan, system)]
    parts += [_BLANK, *_breathing(plan.dive, plan.breathing), *_oxygen(plan)]
    return [*parts, _BLANK, *_after(plan), _BLANK]


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


def _verdict(findings: Sequence[Finding]) -> RenderableType:
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for finding in findings:
        mark, style = _MARKS[finding.severity]
        table.add_row(
            Text(mark, style=style),
            _Prose(finding.message + (f" Fix for this: {finding.cure}." if finding.cure else "")),
        )
    return Group(_counted(findings), table)


def _counted(findings: Sequence[Finding]) -> RenderableType:
    """The verdict in one sentence."""
    grave = any(finding.severity == "no-go" or finding.grave for finding in findings)
    return _Prose(headline(findings) + ".", style="bold reverse" if grave else "bold")


# --- The schedule -----------------------------------------------------------------------------------------------------


def _table(title: str | None, columns: Iterable[tuple[str, bool]]) -> Table:
    table = Table(
        title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False,
        padding=(0, 1, 0, 0), show_edge=False,
    )  # fmt: skip
    for name, right in columns:
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    return table


def _schedule(plan: Plan, system: System) -> RenderableType:
    schedule = plan.schedule
    found = planned_rows(plan)
    table = _rows(plan.dive, found, plan.supply, system, "Schedule")
    left = " and what is left" if any(pressures_bar(plan.supply, row) for row in found) else ""
    ndl = f"{schedule.ndl_min}" if schedule.ndl_min < 999 else "999 or more"
    last = plan.dive.levels[-1]
    tts = (
        f"TTS {up(schedule.tts_min)} min when {system.at(last.depth)} is left at "
        f"{last.leave_at:.0f}; no-stop limit there {ndl} min."
        if last.depth == plan.dive.deepest_m
        else f"TTS {up(schedule.tts_min)} min when the last level is left at {last.leave_at:.0f}; "
        f"no-stop limit at the deepest {ndl} min."
    )
    return Group(table, _Prose(tts), _Prose(f"In the table: TTS{left}, on leaving each depth.", style="dim"))


def _rows(dive: Dive, found: Sequence[Row], supply: Sequence[CylinderUse], system: System, title: str | None) -> Table:
    """A schedule; with pressures, where gas is breathed from cylinders."""
    left = [", ".join(system.pressure(bar) for bar in pressures_bar(supply, row)) for row in found]
    columns = [
        (f"Depth {system.depth_unit}", True), ("Stop min", True), ("Leave at", True), ("TTS", True), ("Gas", False),
        ("ppO2", True),
    ]  # fmt: skip
    table = _table(title, [*columns, *([(f"Left {system.pressure_unit}", True)] if any(left) else [])])
    where = dive.site.environment
    for row, pressures in zip(found, left, strict=True):
        if row.kind == "surface":
            table.add_row("surface", "", up(row.leave_min))
            continue
        if row.kind in ("take", "give"):
            table.add_row(system.depth(row.depth_m), "-", leave(row), "", handed(row), style="bold reverse")
            continue
        table.add_row(
            system.depth(row.depth_m),
            {"stop": f"{row.minutes}", "change": "passing"}.get(row.kind, row.kind),
            leave(row),
            up(row.tts_min) if row.tts_min is not None else "",
            _gas_name(row.source, row.changed),
            f"{row.source.ppo2(where.pressure(row.depth_m)):.2f}",
            *([pressures] if any(left) else []),
            style="bold" if row.changed else "",
        )
    return table


def _gas_name(source: Source, changed: bool) -> str:
    return f"change to {source.name}" if changed else source.name


# --- Gas --------------------------------------------------------------------------------------------------------------


def _gas(supply: Sequence[CylinderUse], system: System, title: str) -> Table:
    unit, gas = system.pressure_unit, system.gas_unit
    any_short = any(use.short_l > 1e-6 for use in supply)
    columns = [  # narrow, so that names need not be wrapped
        ("Cylinder", False), ("Gas", False), ("Use", False), (f"Start\n{unit}", True), (f"Holds\n{gas}", True),
        (f"Used\n{gas}", True), (f"Left\n{unit}", True), (f"Reserve\n{unit}", True),
    ]  # fmt: skip
    table = _table(title, [*columns, *([("", False)] if any_short else [])])
    for use in supply:
        short = use.short_l > 1e-6
        table.add_row(
            use.name, use.mix.name, use.use, system.pressure(use.start_bar), system.gas(use.content_l),
            system.gas_up(use.used_l), system.pressure(use.left_bar), system.pressure(use.reserve_bar),
            *(["SHORT" if short else ""] if any_short else []), style="bold" if short else "",
        )  # fmt: skip
    return table


def _loop(plan: Plan, system: System) -> list[RenderableType]:
    if plan.loop is None or plan.dive.loop is None:
        diver = plan.dive.diver
        bottom, deco = system.flow(diver.rmv_bottom), system.flow(diver.rmv_deco)
        return [_Prose(f"RMV {bottom} {system.gas_unit}/min until the first stop, {deco} from it on.")]
    loop = plan.loop
    rated = f" of {loop.scrubber_min:.0f} rated" if loop.scrubber_min is not None else ""
    return [
        _Prose(
            f"Loop: diluent {plan.dive.loop.diluent.name}, setpoint {plan.dive.loop.setpoint:g}; oxygen "
            f"{system.gas_up(loop.oxygen_l)} {system.gas_unit}, diluent {system.gas_up(loop.diluent_l)} "
            f"{system.gas_unit}, "
            f"{math.ceil(loop.minutes)} min on the scrubber{rated}."
        )
    ]


def _turning(plan: Plan, system: System) -> list[RenderableType]:
    """Minimum gas and turn pressures, in a line each."""
    if not plan.turns:
        return []
    unit, last_min = system.pressure_unit, plan.dive.levels[-1].leave_at
    parts: list[RenderableType] = [_BLANK, Text("Minimum gas and turn pressure", style="bold")]
    for gas in plan.minimum_gas:
        to = system.at(gas.to_m) if gas.to_m > 0.0 else "the surface"
        parts.append(
            _Prose(
                f"From {system.at(gas.depth_m)} at {up(gas.run_time_min)} min, two divers to {to}: "
                f"{math.ceil(gas.litres / system.gas_l - 1e-6)} {system.gas_unit} of {gas.mix.name}, "
                f"{up(gas.minutes)} min."
            )
        )
    for turn in plan.turns:
        said = f"{turn.cylinder}: keep {system.pressure_up(turn.kept_bar)} {unit}, turn at "
        said += f"{system.pressure_up(turn.turn_bar)} {unit} ({turn.rule})"
        if turn.turn_at_min is None:
            said += "; the plan stays above it."
        elif turn.turn_at_min < last_min - 1e-6:
            said += f"; the plan is down to it at {math.floor(turn.turn_at_min)} min, before the last level is left."
        else:
            said += f"; the plan is down to it at {math.floor(turn.turn_at_min)} min, on the way up."
        parts.append(_Prose(said))
    return parts


# --- What if ----------------------------------------------------------------------------------------------------------


def _what_if(plan: Plan, system: System) -> list[RenderableType]:
    """Every contingency in a line: when the plan is left, run time, TTS, gas, verdict."""
    if not plan.contingencies:
        return [_Prose("What if: every contingency is left out in the dive file.")]
    table = _table(
        None,
        [
            ("What if", False), ("From", True), ("Run", True), ("", True), ("TTS", True), ("Left", True), ("", False),
        ],
    )  # fmt: skip
    for found in plan.contingencies:
        way_up = bool(found.legs)
        table.add_row(
            _Prose(found.name),
            "" if found.left_at is None else clock(found.left_at[0]),
            up(found.run_time_min) if way_up else "",
            _difference(found, plan) if way_up else "",
            up(found.tts_min) if way_up else "",
            _least(found, system),
            _Prose("; ".join(in_words(found)) + (" (two failures)" if found.scenario.two_failures else "")),
            style="" if found.holds else "bold",
        )
    legend = "From: run time at which the plan is left. Run: run time at the surface. All stops are met unless said. "
    legend += f"Left: {system.pressure_unit} in the cylinder with the least"
    legend += "; r, of its reserve." if any("r" in _least(found, system) for found in plan.contingencies) else "."
    lasts, of = lasting(plan.contingencies)
    return [_Prose(f"Gas lasts in {lasts} of {of}.", style="bold"), table, _Prose(legend, style="dim")]


def _difference(found: Contingency, plan: Plan) -> str:
    minutes = int(up(found.run_time_min)) - int(up(plan.schedule.run_time_min))
    return f"{minutes:+d}" if minutes else "="


def _least(found: Contingency, system: System) -> str:
    """What is left in the cylinder with the least; marked where that is its reserve."""
    least = found.least
    if least is None:
        return ""
    mark = " r" if least.short_l > 1e-6 and least.left_bar > 0.0 else ""
    return f"{system.pressure(least.left_bar)}{mark}"


def _bailouts(plan: Plan, system: System) -> list[RenderableType]:
    """Every bailout whole, in run-time order; what is breathed from the cylinders where it takes most."""
    parts: list[RenderableType] = []
    for bailout in plan.bailouts:
        where = f"{system.at(bailout.depth_m or 0.0)} at {clock(bailout.leaves_at_min or 0.0)} min"
        head = f"{bailout.name[0].upper()}{bailout.name[1:]}: leave the loop at {where}"
        if bailout.legs:
            head += f"; {up(bailout.tts_min)} min to the surface"
        parts += [_BLANK, _Prose(head, style="bold")]
        if bailout.no_gas is not None:
            parts += _no_gas(bailout, system)
        elif not bailout.legs:
            parts += [_Prose(finding.message) for finding in bailout.findings]
        else:
            rows = contingency_rows(plan, bailout)
            parts += [_rows(plan.dive, rows, bailout.supply, system, None), _BLANK]
            parts += [_gas(bailout.breathed, system, "Bailout gas")]
    if any(bailout.legs for bailout in plan.bailouts):
        diver, unit = plan.dive.diver, f"{system.gas_unit}/min"
        rmv = (
            f"RMV {system.flow(stressed_rmv(plan.dive))} {unit} until the first change to a richer gas, at least "
            f"{diver.stressed_for:g} min; then {system.flow(calm_rmv(plan.dive))}. "
            f"{diver.sorting_out:g} min at depth first."
        )
        parts.append(_Prose(rmv))
    return parts


def _no_gas(found: Contingency, system: System) -> list[RenderableType]:
    """Where a way up has nothing fit to breathe: no stops are planned there."""
    assert found.no_gas is not None
    gap = found.no_gas.gap
    to = system.at(gap.to_m) if gap.to_m > 0.0 else "the surface"
    said = f" NO GAS TO BREATHE FROM {system.at(gap.from_m)} TO {to} ".upper()
    more = f"{up(found.no_gas.minutes)} min at the ascent rate. Left to try: {last_resorts(found)}."
    return [Text(said, style="bold reverse"), _Prose(more)]


def _giving(given: Sequence[Giving], plan: Plan, system: System) -> list[RenderableType]:
    """The mates' bailouts in which this diver gives gas; of other contingencies what is given."""
    parts: list[RenderableType] = []
    for giving in (one for one in given if one.kind == "bailout"):
        parts += [_BLANK, _Prose(giving.heading, style="bold"), _rows(plan.dive, giving.rows, (), system, None)]
    others = [one for one in given if one.kind != "bailout" and one.gives]
    parts += [_BLANK, _Prose("Give gas when", style="bold")] if others else []
    for giving in others:
        hands = [
            f"{system.at(row.depth_m)} at {leave(row)}: {handed(row)}" for row in giving.rows if row.kind == "give"
        ]
        parts.append(_Prose(f"{giving.what}: {'; '.join(hands)}"))
    return parts


# --- What is breathed -------------------------------------------------------------------------------------------------


def _breathing(dive: Dive, breathing: Sequence[Breathed]) -> list[RenderableType]:
    system = SYSTEMS[dive.units]
    unit = system.depth_unit
    table = _table(
        "Breathing",
        [
            ("Gas", False), (f"Depth {unit}", True), ("ppO2", True), (f"MOD {unit} (ppO2)", True),
            (f"END {unit}", True), (f"EAD {unit}", True), ("g/L", True),
        ],
    )  # fmt: skip
    for part in breathing:
        table.add_row(
            part.source.name,
            f"{system.depth(part.shallowest_m)}-{system.depth(part.deepest_m)}",
            f"{part.ppo2_low_bar:.2f}-{part.ppo2_high_bar:.2f}",
            mod_shown(dive, part),
            system.depth(round(part.end_m / system.depth_m) * system.depth_m),
            system.depth(round(part.ead_m / system.depth_m) * system.depth_m),
            f"{part.density_g_l:.1f}",
        )
    tolerated = tolerances(dive, breathing)
    return [table, *([_Prose(f"{tolerated}.")] if tolerated else [])]


def _oxygen(plan: Plan) -> list[RenderableType]:
    line = f"Oxygen: CNS {up(plan.oxygen.cns_percent)} %, {up(plan.oxygen.otu)} OTU"
    bailout = plan.longest_bailout
    if bailout is not None:
        line += f"; with the bailout CNS {up(bailout.oxygen.cns_percent)} %, {up(bailout.oxygen.otu)} OTU"
    found = plan.oxygen
    if len(found.doses) == 1:
        return [_Prose(line + ".")]
    days = "; ".join(f"{of.days} days {up(of.otu)} OTU of {of.most_otu:.0f}" for of in found.windows[1:])
    day = found.windows[0]
    more = f"Last 24 hours: {up(found.day_percent)} % of NOAA's limit for a day, "
    more += f"{up(day.otu)} OTU of {day.most_otu:.0f}"
    return [_Prose(line + "."), _Prose(more + (f"; last {days}." if days else "."))]


def _after(plan: Plan) -> list[RenderableType]:
    """How long to wait before flying, and before going up to an altitude."""
    units = plan.dive.units
    table = _table("After the dive", [("", False), ("Wait", True), ("Model", True), ("Published guidance", False)])
    for ascent in plan.after:
        table.add_row(*(_Prose(words) for words in flying.in_words(ascent, units)))
    return [table, _Prose(flying.note(units), style="dim")]


# --- The day ----------------------------------------------------------------------------------------------------------


def _day(day: Day, system: System) -> list[RenderableType]:
    """Every dive of a day in a line; nothing where there is only one."""
    if len(day.dives) == 1:
        return []
    table = _table(
        "The day",
        [
            ("", False), ("Before\nit", True), (f"Depth\n{system.depth_unit}", True), ("Leave\nat", True),
            ("Run\n", True), ("GF\n%", True), ("CNS\n%", True), ("OTU\n24 h", True), ("", False),
        ],
    )  # fmt: skip
    for one in day.dives:
        if isinstance(one, Dived):
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
    system = SYSTEMS[team.dive.units]
    title = Text(team.dive.title, style="bold")
    title.append(f"\n{len(team.members)} divers on one schedule, {_water(team.dive)}", style="not bold")
    parts = [title, _verdict(team.findings), _BLANK, _divers(team)]
    parts += [*_together(team, system), *_handovers(team, system), *_carries(team, system)]
    return [*parts, _BLANK]


def _divers(team: Team) -> Table:
    table = _table(
        "Divers", [("", False), ("Circuit", False), ("GF", False), ("Alone min", True), ("Team min", True), ("", False)]
    )
    for member in team.members:
        dive = member.plan.dive
        low, high = dive.model.gradient_factors
        no_go = "NO-GO" if member.plan.no_go else ""
        most = "most demanding" if member.name == team.demanding else ""
        table.add_row(
            member.name,
            "closed" if dive.loop is not None else "open",
            f"{low:g}/{high:g}",
            up(member.alone_min),
            up(member.plan.schedule.run_time_min),
            ", ".join(said for said in (no_go, most) if said),
        )
    return table


def _together(team: Team, system: System) -> list[RenderableType]:
    """Turn pressures: by everyone's own rule, and matched."""
    if not team.turns:
        return []
    own = {
        (member.name, turn.cylinder): turn.turn_bar for member in team.members for turn in member.plan.turns
    }  # fmt: skip
    unit = system.pressure_unit
    table = _table("Turn pressure", [("", False), ("Cylinder", False), (f"Own {unit}", True), (f"Team {unit}", True)])
    for turn in team.turns:
        alone_bar = own.get((turn.diver, turn.cylinder))
        table.add_row(
            turn.diver,
            turn.cylinder,
            system.pressure_up(alone_bar) if alone_bar is not None else "",
            system.pressure_up(turn.turn_bar),
        )
    said = "Team: everyone turns when the one with the least to breathe has breathed it."
    return [_BLANK, table, _Prose(said, style="dim")]


def _handovers(team: Team, system: System) -> list[RenderableType]:
    """Who gives what to whom when a loop fails at the worst moment."""
    if not team.bailouts:
        return []
    parts: list[RenderableType] = [_BLANK, Text("Team bailout", style="bold")]
    for bailout in team.bailouts:
        found = bailout.contingency
        where = (
            f", off the loop at {clock(found.leaves_at_min)} min, {system.at(found.depth_m)}"
            if found.leaves_at_min is not None and found.depth_m is not None
            else ""
        )
        verdict = "; ".join(in_words(found))
        parts.append(_Prose(f"{bailout.diver}{where}: {up(found.tts_min)} min up, {verdict}.", "bold"))
        for given in bailout.handovers:
            when = f"{math.floor(given.run_time_min + 1e-6)} min, {system.at(given.depth_m)}"
            breathed = f"{system.gas_up(given.litres)} {system.gas_unit} of it breathed"
            parts.append(_Prose(f"  {when}: {given.giver} gives {given.cylinder} ({given.mix.name}), {breathed}."))
        if not bailout.handovers:
            parts.append(_Prose("  on own gas alone."))
    return parts


def _carries(team: Team, system: System) -> list[RenderableType]:
    """What each cylinder must give, so that every team bailout is met."""
    if not team.carries:
        return []
    usable = {(member.name, use.name): use.usable_l for member in team.members for use in member.plan.supply}
    gas = system.gas_unit
    table = _table(
        "To carry, above the reserve",
        [
            ("", False),
            ("Cylinder", False),
            ("Gas", False),
            (f"Asked {gas}", True),
            (f"Carried {gas}", True),
            ("", False),
        ],
    )
    for carry in team.carries:
        carried_l = usable.get((carry.diver, carry.cylinder), 0.0)
        short = carry.litres > carried_l + 1e-6
        table.add_row(
            carry.diver, carry.cylinder, carry.mix.name, system.gas_up(carry.litres), system.gas(carried_l),
            "SHORT" if short else "", style="bold" if short else "",
        )  # fmt: skip
    return [_BLANK, table]
