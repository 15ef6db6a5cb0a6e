"""Two models side by side in the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from leadline.plan.compare import GROUPS, SURFACE_MIN, TRIALS, Comparison, Side, gauge
from leadline.plan.rows import up
from leadline.terminal.layout import rich_table
from leadline.units import SYSTEMS

_BLANK = Text("")


def show_compared(found: Sequence[Comparison], console: Console | None = None) -> None:
    """Print comparisons, one for every diver."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_compared(found), soft_wrap=False)


def render_compared(found: Sequence[Comparison]) -> RenderableType:
    """Comparisons as Rich sees them."""
    parts: list[RenderableType] = []
    for one in found:
        parts += [Text(one.dive.title + (f", {one.diver}" if one.diver else ""), style="bold"), *_one(one), _BLANK]
    if len(found) > 1:
        parts.append(Text("Each diver as if alone: stops are not held for each other here."))
    return Group(*parts, *(Text(line) for line in TRIALS))


def _one(found: Comparison) -> Iterator[RenderableType]:
    for letter, side in zip("AB", found.sides, strict=True):
        yield Text(f"{letter}: {side.name}" + (f". Not as written: {side.refused}" if side.refused else ""))
    if all(side.refused for side in found.sides):
        return
    yield _BLANK
    yield _stops(found)
    yield _BLANK
    yield _numbers(found)
    yield Text(
        f"Supersaturation: inert gas over ambient pressure, bar·min, in the mean compartment, over the dive and "
        f"{SURFACE_MIN:.0f} min at the surface. GF at the surface: of {found.dive.model.coefficients}.",
        style="dim",
    )
    for note in dict.fromkeys(side.note for side in found.sides if side.note):
        yield Text(note, style="bold")


def _stops(found: Comparison) -> Table:
    system = SYSTEMS[found.dive.units]
    table = rich_table(
        [(f"Stop {system.depth_unit}", True), ("Gas", False), ("A min", True), ("leave at", True), ("B min", True),
         ("leave at", True)]
    )  # fmt: skip
    for row in found.rows:
        cells = []
        for minutes, leave_min in zip(row.minutes, row.leave_min, strict=True):
            cells += ["-", ""] if minutes is None or leave_min is None else [f"{minutes}", up(leave_min)]
        for i, side in enumerate(found.sides):
            if side.refused:
                cells[2 * i : 2 * i + 2] = ["", ""]
        table.add_row(system.depth(row.depth_m), row.source.name, *cells)
    ends = ["" if side.refused else up(side.run_time_min) for side in found.sides]
    table.add_row("surface", "", "", ends[0], "", ends[1])
    return table


def _numbers(found: Comparison) -> Table:
    dive, sides = found.dive, found.sides
    system = SYSTEMS[dive.units]
    table = rich_table([("", False), ("A", True), ("B", True)])

    def row(name: str, cells: Iterable[str]) -> None:
        shown = ["" if side.refused else cell for side, cell in zip(sides, cells, strict=True)]
        table.add_row(Text(name), *shown)

    def depth(metres: float | None) -> str:
        return "none" if metres is None else system.at(metres)

    row("Run time, min", [up(side.run_time_min) for side in sides])
    row("TTS when the last level is left, min", [up(side.tts_min) for side in sides])
    row("First stop", [depth(side.first_stop_m) for side in sides])
    row("Ceiling when the last level is left", [depth(side.ceiling_m or None) for side in sides])
    for group, (first, last) in GROUPS.items():
        row(f"Supersaturation, {group} ({first} to {last})", [_bar_min(side, group) for side in sides])
    row("GF at the surface", [_surfacing(side) for side in sides])
    for use in next(side for side in sides if not side.refused).cylinders:
        if use.use == "inflation":
            continue
        left = [next((gauge(dive, one) for one in side.cylinders if one.name == use.name), "") for side in sides]
        row(f"Left in {use.name} ({use.mix.name}), {system.pressure_unit}", left)
    return table


def _surfacing(side: Side) -> str:
    over = ", over the M-value" if side.gf_surface > 1.0 else ""
    return f"{100.0 * side.gf_surface:.0f} %{over}"


def _bar_min(side: Side, group: str) -> str:
    return "" if side.refused else f"{side.group_bar_min(group):.1f}"
