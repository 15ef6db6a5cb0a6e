"""A plan in the terminal: verdict first, then the schedule, the gas, the bailout."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.plan import Plan
from leadline.plan.breathing import Breathed
from leadline.plan.findings import Severity
from leadline.plan.gases import Source
from leadline.plan.rows import Row, bailout_rows, planned_rows, up
from leadline.plan.supply import CylinderUse, stressed_rmv
from leadline.units import SYSTEMS, System

_MARKS: dict[Severity, tuple[str, str]] = {
    "no-go": ("NO-GO", "bold reverse"),
    "caution": ("caution", "bold"),
    "note": ("note", "dim"),
}


def show(plan: Plan, console: Console | None = None) -> None:
    """Print a plan."""
    console = console or Console(highlight=False)
    console.print(render(plan), soft_wrap=False)


def render(plan: Plan) -> RenderableType:
    """A plan as Rich sees it."""
    system = SYSTEMS[plan.dive.units]
    blank = Text("")
    parts: list[RenderableType] = [_heading(plan, system), _verdict(plan), blank, _schedule(plan, system), blank]
    parts += [_gas(plan.supply, system, "Gas"), *_loop(plan, system), *_bailout(plan, system)]
    parts += [blank, _breathing(plan.breathing, system), blank, _oxygen(plan), blank]
    parts += [Text(line, style="dim") for line in CAUTIONS]
    return Group(*parts)


def _heading(plan: Plan, system: System) -> Text:
    dive = plan.dive
    low, high = dive.model.gradient_factors
    water = dive.site.water if isinstance(dive.site.water, str) else f"{dive.site.water:g} kg/m³"
    altitude = f", {system.at(dive.site.altitude)} up" if dive.site.altitude else ""
    text = Text(dive.title, style="bold")
    text.append(f"\n{dive.model.coefficients}, GF {low:g}/{high:g}, {water} water{altitude}", style="not bold")
    text.append(f", {'closed' if dive.loop is not None else 'open'} circuit", style="not bold")
    return text


def _verdict(plan: Plan) -> RenderableType:
    no_go = sum(finding.severity == "no-go" for finding in plan.findings)
    cautions = sum(finding.severity == "caution" for finding in plan.findings)
    if no_go:
        verdict = Text(f" NO-GO  {no_go} reason{'s' * (no_go > 1)} not to dive this plan ", style="bold reverse")
    else:
        counted = f", {cautions} caution{'s' * (cautions > 1)} to weigh" if cautions else ""
        verdict = Text(f"No no-go found{counted}.", style="bold")
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for finding in plan.findings:
        mark, style = _MARKS[finding.severity]
        table.add_row(Text(mark, style=style), Text(finding.message))
    return Group(verdict, table)


def _table(title: str | None, columns: Iterable[tuple[str, bool]]) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for name, right in columns:
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    return table


def _schedule(plan: Plan, system: System) -> RenderableType:
    schedule = plan.schedule
    table = _rows(plan, planned_rows(plan), system, "Schedule")
    ndl = f"{schedule.ndl_min}" if schedule.ndl_min < 999 else "999 or more"
    last = plan.dive.levels[-1]
    tts = Text(
        f"TTS {up(schedule.tts_min)} min when {system.at(last.depth)} is left at "
        f"{last.leave_at:.0f}; no-stop limit there {ndl} min."
        if last.depth == plan.dive.deepest_m
        else f"TTS {up(schedule.tts_min)} min when the last level is left at {last.leave_at:.0f}; "
        f"no-stop limit at the deepest {ndl} min."
    )
    return Group(table, tts, Text("TTS in the table: on leaving each depth.", style="dim"))


def _rows(plan: Plan, found: Iterable[Row], system: System, title: str | None) -> Table:
    unit = system.depth_unit
    table = _table(
        title,
        [
            (f"Depth {unit}", True), ("Stop min", True), ("Leave at", True), ("TTS", True), ("Gas", False),
            ("ppO2", True),
        ],
    )  # fmt: skip
    where = plan.dive.site.environment
    for row in found:
        if row.kind == "surface":
            table.add_row("surface", "", up(row.leave_min), "", "", "")
            continue
        table.add_row(
            system.depth(row.depth_m),
            {"level": "level", "change": "-"}.get(row.kind, f"{row.minutes}"),
            f"({up(row.leave_min)})" if row.kind == "change" else up(row.leave_min),
            up(row.tts_min) if row.tts_min is not None else "",
            _gas_name(row.source, row.changed),
            f"{row.source.ppo2(where.pressure(row.depth_m)):.2f}",
            style="bold" if row.changed else "",
        )
    return table


def _gas_name(source: Source, changed: bool) -> str:
    return f"change to {source.name}" if changed else source.name


def _gas(supply: Sequence[CylinderUse], system: System, title: str) -> Table:
    unit, gas = system.pressure_unit, system.gas_unit
    table = _table(
        title,
        [
            ("Cylinder", False),
            ("Gas", False),
            ("Use", False),
            (f"Filled {unit}", True),
            (f"Holds {gas}", True),
            (f"Used {gas}", True),
            (f"Left {unit}", True),
            (f"Reserve {unit}", True),
        ],
    )
    for use in supply:
        short = use.short_l > 1e-6
        left = f"{system.pressure(use.left_bar)} SHORT" if short else system.pressure(use.left_bar)
        table.add_row(
            use.name, use.mix.name, use.use, system.pressure(use.start_bar), system.gas(use.content_l),
            system.gas(use.used_l), left, system.pressure(use.reserve_bar), style="bold" if short else "",
        )  # fmt: skip
    return table


def _loop(plan: Plan, system: System) -> list[RenderableType]:
    if plan.loop is None or plan.dive.loop is None:
        diver = plan.dive.diver
        bottom, deco = system.flow(diver.rmv_bottom), system.flow(diver.rmv_deco)
        return [Text(f"RMV {bottom} {system.gas_unit}/min until the first stop, {deco} from it on.")]
    loop = plan.loop
    rated = f" of {loop.scrubber_min:.0f} rated" if loop.scrubber_min is not None else ""
    return [
        Text(
            f"Loop: diluent {plan.dive.loop.diluent.name}, setpoint {plan.dive.loop.setpoint:g}; oxygen "
            f"{system.gas(loop.oxygen_l)} {system.gas_unit}, diluent {system.gas(loop.diluent_l)} {system.gas_unit}, "
            f"{math.ceil(loop.minutes)} min on the scrubber{rated}."
        )
    ]


def _bailout(plan: Plan, system: System) -> list[RenderableType]:
    bailout = plan.bailout
    if bailout is None:
        return []
    head = (
        f"Bailout at the worst moment: leave the loop at {up(bailout.worst_moment_min)} min, "
        f"{system.at(bailout.depth_m)}; {up(bailout.tts_min)} min to the surface"
    )
    flow = f"{system.flow(stressed_rmv(plan.dive))} {system.gas_unit}/min"
    rmv = f"RMV {flow} throughout, {plan.dive.diver.sorting_out:g} min at depth first."
    return [
        Text(""),
        Text(head, style="bold"),
        _rows(plan, bailout_rows(plan), system, None),
        _gas(bailout.supply, system, "Bailout gas"),
        Text(rmv),
    ]


def _breathing(breathing: Sequence[Breathed], system: System) -> Table:
    unit = system.depth_unit
    table = _table(
        "Breathing",
        [
            ("Gas", False), (f"Depth {unit}", True), ("ppO2", True), (f"MOD {unit}", True), (f"END {unit}", True),
            (f"EAD {unit}", True), ("g/L", True),
        ],
    )  # fmt: skip
    for part in breathing:
        table.add_row(
            part.source.name,
            f"{system.depth(part.shallowest_m)}-{system.depth(part.deepest_m)}",
            f"{part.ppo2_low_bar:.2f}-{part.ppo2_high_bar:.2f}",
            system.depth(math.floor(part.mod_m / system.depth_m) * system.depth_m),
            system.depth(round(part.end_m / system.depth_m) * system.depth_m),
            system.depth(round(part.ead_m / system.depth_m) * system.depth_m),
            f"{part.density_g_l:.1f}",
        )
    return table


def _oxygen(plan: Plan) -> Text:
    line = f"Oxygen: CNS {plan.oxygen.cns_percent:.0f} %, {plan.oxygen.otu:.0f} OTU"
    if plan.bailout is not None:
        line += f"; with the bailout CNS {plan.bailout.oxygen.cns_percent:.0f} %, {plan.bailout.oxygen.otu:.0f} OTU"
    return Text(line + ".")
