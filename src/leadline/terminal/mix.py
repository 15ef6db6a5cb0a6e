"""Fills and analyses in the terminal: for each cylinder what goes on the tape, in order."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from rich.console import Console, Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.dive_file.schema import Dive
from leadline.mixing import Mixed
from leadline.mixing.analysis import Replanned
from leadline.mixing.bank import Supply
from leadline.mixing.depths import mod_shown, ppo2_limit_bar, ppo2_shown
from leadline.mixing.fill import Fill, FillRules, FillStep, percents
from leadline.mixing.fills import FillPlan
from leadline.mixing.safety import HANDLING
from leadline.plan.rows import up
from leadline.plan.team import Team
from leadline.show.sentences import Remark
from leadline.terminal.layout import add_row, rich_table
from leadline.units import SYSTEMS

_STYLES = {"no-go": "bold reverse", "caution": "bold", "note": "dim"}
_BLANK = Text("")
MOST_CHANGES = 16
"""As many changes of the plan as are shown, the schedule's first."""


def show_mix(mixed: Mixed, console: Console | None = None) -> None:
    """Print fills, analyses, or both."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_mix(mixed), soft_wrap=False)


def render_mix(mixed: Mixed) -> RenderableType:
    """Fills and analyses as Rich sees them."""
    dive, found, real = mixed.dive, mixed.fills, mixed.analysed
    parts: list[RenderableType] = [Text(dive.title, style="bold")]
    if found is not None:
        parts += _fills(found)
    if real is not None:
        parts += _real(dive, real)
    lines = [*(HANDLING if found is not None else ()), *CAUTIONS]
    return Group(*parts, _BLANK, *(Text(line, style="dim") for line in lines))


def _heading(words: str) -> RenderableType:
    return Rule(Text(words, style="bold"), align="left", style="none")


def _said(findings: Iterable[Remark]) -> Iterator[RenderableType]:
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    rows = 0
    for finding in findings:
        mark = finding.severity.upper() if finding.severity == "no-go" else finding.severity
        table.add_row(Text(mark, style=_STYLES[finding.severity]), Text(finding.message))
        rows += 1
    if rows:
        yield table


# --- Fills ------------------------------------------------------------------------------------------------------------


def _fills(found: FillPlan) -> Iterator[RenderableType]:
    rules = found.rules
    refused = sum(not one.done for one in found.fills)
    if refused:
        count = f"{refused} of {len(found.fills)} cylinders"
        yield Text(f" REFUSED  {count} cannot be filled as asked ", style="bold reverse")
    else:
        count = "The cylinder" if len(found.fills) == 1 else f"All {len(found.fills)} cylinders"
        cost = "" if found.cost is None else f" Gas for {found.cost:.2f} in all."
        yield Text(f"{count} can be filled.{cost}", style="bold")
    yield Text(_station(rules))
    if found.reordered:
        yield Text("Filled in this order, not the dive file's, the bank reaches further.")
    for one in found.fills:
        yield _BLANK
        yield from _fill(one, found.dive, rules)
    if any(before.water_l is not None for before in found.bank):
        yield _BLANK
        yield from _bank(found.bank, found.left, rules)


def _station(rules: FillRules) -> str:
    order = "helium first" if rules.helium_first else "oxygen first"
    said = f"Real gas, {order}. Settled pressures are at {_degrees(rules.room_celsius, rules)}"
    if abs(rules.filling_celsius - rules.room_celsius) > 0.05:
        said += f"; while filling the gas is at {_degrees(rules.filling_celsius, rules)}"
    return f"{said}. The gauge is read to {rules.said(rules.gauge_step_bar)}."


def _degrees(celsius: float, rules: FillRules) -> str:
    return f"{32.0 + 1.8 * celsius:.0f} °F" if rules.units == "imperial" else f"{celsius:g} °C"


def _fill(one: Fill, dive: Dive, rules: FillRules) -> Iterator[RenderableType]:
    job, unit = one.job, rules.system.pressure_unit
    whose = f"{job.diver}: " if job.diver else ""
    yield _heading(f"{whose}{job.cylinder}: {job.target.name} to {rules.said(one.settled_bar)}, {_size(one, rules)}")
    yield Text(_now(one, rules))
    if not one.done:
        yield Text(f"REFUSED: {one.refused}.", style="bold")
        yield from _more(one, dive, rules)
        yield from _said(one.findings)
        return
    if not one.steps:
        yield Text("It is full with the right gas: nothing to do.", style="bold")
    else:
        hot = abs(rules.filling_celsius - rules.room_celsius) > 0.05
        table = rich_table(
            [("", True), ("Gas", False), (f"from {unit}", True), (f"FILL TO {unit}", True)]
            + ([(f"settles {unit}", True)] if hot else [])
            + [("ideal gas", True), (rules.system.gas_unit, True), ("in it then", False)]
        )
        number = 1
        if one.drain_to_bar is not None:
            cells = ["drain", rules.pressure(job.start_bar), rules.pressure(one.drain_to_bar)]
            tail = ["", "", percents(job.start)]
            add_row(table, f"{number}", *cells, *([""] if hot else []), *tail, style="bold")
            number += 1
        for step in one.steps:
            ideal = "" if step.ideal_bar is None else rules.pressure(step.ideal_bar)
            cells = [step.gas.name, rules.pressure(step.from_bar), rules.pressure(step.to_bar)]
            settles = [rules.pressure(step.settles_bar)] if hot else []
            tail = [ideal, rules.system.gas(step.litres), percents(step.mix)]
            add_row(table, f"{number}", *cells, *settles, *tail, style="bold")
            number += 1
        yield table
        if hot:
            yield Text("Wait after each step until it has settled.")
    assert one.result is not None
    said = f"These pressures make {percents(one.result)} at {rules.said(one.result_bar)} settled, "
    at = ppo2_shown(dive, one.result, one.result_mod_m, ppo2_limit_bar(dive, job.use))
    said += f"MOD {mod_shown(dive, one.result_mod_m)} (ppO2 {at})."
    if one.ideal is not None:
        said += f" Those of an ideal gas would make {percents(one.ideal)}."
    yield Text(said)
    yield from _from_bank(one, rules)
    yield from _misses(one.steps, rules)
    yield from _more(one, dive, rules)
    yield from _said(one.findings)


def _size(one: Fill, rules: FillRules) -> str:
    return f"{one.job.water_l:.1f} L of water" if rules.units == "imperial" else f"{one.job.water_l:g} L"


def _now(one: Fill, rules: FillRules) -> str:
    job = one.job
    if not job.given:
        return "In it now: nothing is said; taken as empty, with air at 0 on the gauge."
    return f"In it now: {job.start.name} at {rules.said(job.start_bar)}."


def _from_bank(one: Fill, rules: FillRules) -> Iterator[RenderableType]:
    for step in one.steps:
        if len(step.drawn) > 1 or any(drawn.left_bar is not None for drawn in step.drawn):
            parts = []
            for drawn in step.drawn:
                left = "" if drawn.left_bar is None else f" (left {rules.said(rules.rounded_down(drawn.left_bar))})"
                parts.append(f"{drawn.source} to {rules.pressure(drawn.to_bar)}{left}")
            yield Text(f"{step.gas.name[0].upper()}{step.gas.name[1:]} from {', then '.join(parts)}.")
    if one.cost is not None and one.steps:
        yield Text(f"Gas for {one.cost:.2f}.")


def _misses(steps: Iterable[FillStep], rules: FillRules) -> Iterator[RenderableType]:
    by, unit = rules.pressure(rules.overshoot_bar), rules.system.pressure_unit
    table = rich_table([("If only this is missed", False), (f"{by} {unit} short", False), (f"{by} {unit} over", False)])
    for step in steps:
        if all(one is not None and percents(one.mix) == percents(step.mix) for one in (step.under, step.over)):
            continue  # pure gas onto itself
        missed = ["cannot be" if one is None else percents(one.mix) for one in (step.under, step.over)]
        add_row(table, f"{step.gas.name} to {rules.pressure(step.to_bar)}", *missed)
    if table.row_count:
        yield table


def _more(one: Fill, dive: Dive, rules: FillRules) -> Iterator[RenderableType]:
    """Other ways to fill it: topping up, blending continuously."""
    for top in one.top_ups:
        said = f"Topped up with {top.gas.name} to {rules.said(top.to_bar)} it would be {percents(top.mix)}"
        yield Text(f"{said}, MOD {mod_shown(dive, top.mod_m)}.")
    found = one.continuous
    if found is None or not one.done or not one.steps:
        return
    if found.stream is None:
        yield Text(f"Not by continuous blending: {found.refused}.")
        return
    readings = []
    if found.oxygen > 0.0:
        readings.append(f"let in oxygen until the analyser reads {100 * found.oxygen_reading:.1f} %")
    if found.helium > 0.0:
        then = "then helium until it reads" if readings else "let in helium until the analyser reads"
        readings.append(f"{then} {100 * found.final_reading:.1f} %")
    if not readings:
        return  # it is air
    how = ", ".join(readings)
    drained = "" if one.drain_to_bar is None else ", drained as above"
    yield Text(
        f"By continuous blending{drained}: {how}; pump to {rules.said(found.to_bar)} ({percents(found.stream)})."
    )


def _bank(before: Iterable[Supply], after: Iterable[Supply], rules: FillRules) -> Iterator[RenderableType]:
    table = rich_table([("Bank", False), ("Gas", False), (f"now {rules.system.pressure_unit}", True), ("left", True)])
    for one, left in zip(before, after, strict=True):
        if one.water_l is not None and one.bar is not None and left.bar is not None:
            cells = [rules.pressure(rules.rounded_down(bar)) for bar in (one.bar, left.bar)]
            add_row(table, one.name, one.gas.name, *cells)
    yield table


# --- Analyses ---------------------------------------------------------------------------------------------------------


def _real(dive: Dive, real: Replanned) -> Iterator[RenderableType]:
    system = SYSTEMS[dive.units]
    yield _BLANK
    yield _heading("Analysed")
    table = rich_table(
        [("Cylinder", False), ("asked", False), ("analysed", False), ("MOD", True), ("at ppO2", True),
         (system.pressure_unit, True), ("by", False)]
    )  # fmt: skip
    for one in real.analysed:
        name = f"{one.diver}: {one.cylinder}" if one.diver else one.cylinder
        when = " ".join(part for part in (one.by, one.date) if part)
        add_row(
            table,
            name,
            one.planned.name,
            percents(one.mix),
            mod_shown(dive, one.mod_m),
            ppo2_shown(dive, one.mix, one.mod_m, one.ppo2_limit_bar),
            "" if one.read_bar is None else system.pressure(one.read_bar),
            when,
            style="bold",
        )
    yield table
    for one in real.analysed:
        for finding in one.findings:
            name = f"{one.diver}: {one.cylinder}" if one.diver else one.cylinder
            yield from _said([Remark(finding.code, finding.severity, f"{name}: {finding.message}")])
    yield _BLANK
    yield Text(f"As asked:    {_verdict(real.planned, real.planned_refused)}")
    yield Text(f"As analysed: {_verdict(real.real, real.refused)}", style="bold")
    holds = "The plan holds with the real gas." if real.holds else " NO-GO  The plan does not hold with the real gas. "
    yield Text(holds, style="bold" if real.holds else "bold reverse")
    if real.holds and real.changes:
        yield Text("Print its sheets anew from a dive file with the analysed gases: these numbers change.")
    for change in real.changes[:MOST_CHANGES]:
        yield from (Text(line) for line in textwrap.wrap(change, 78, initial_indent="- ", subsequent_indent="  "))
    if len(real.changes) > MOST_CHANGES:
        yield Text(f"  and {len(real.changes) - MOST_CHANGES} changes more; --json has them all.")


def _verdict(team: Team | None, refused: str) -> str:
    if team is None:
        return f"cannot be planned: {refused}."
    no_go = sum(finding.severity == "no-go" for finding in team.findings)
    said = f"NO-GO, {no_go} of them" if no_go else "no no-go"
    plans = [member.plan for member in team.members]
    run_time_min = max(plan.schedule.run_time_min for plan in plans)
    tts_min = max(plan.schedule.tts_min for plan in plans)
    return f"{said}; run time {up(run_time_min)} min, TTS {up(tts_min)} min."
