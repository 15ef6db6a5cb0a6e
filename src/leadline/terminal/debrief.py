"""A debrief in the terminal: what went otherwise first, then plan and dive at the marked times, gas, oxygen, GF."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.logbook.debrief import words as words
from leadline.logbook.debrief.against_plan import Debrief
from leadline.terminal.layout import rich_table

_BLANK = Text("")
_MARKS = {"no-go": ("caution", "bold"), "caution": ("caution", "bold"), "note": ("note", "dim")}


def show_debrief(found: Debrief, console: Console | None = None) -> None:
    """Print a debrief."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_debrief(found), soft_wrap=False)


def render_debrief(found: Debrief) -> RenderableType:
    """A debrief as Rich sees it."""
    parts: list[RenderableType] = [
        Text(words.heading(found), style="bold"),
        Text(words.rules(found)),
        Text(words.verdict(found), style="bold"),
        *_findings(found),
        *(Text(line) for line in words.notices(found)),
        _BLANK,
        Text("Which sheet applied", style="bold"),
        *(Text(line) for line in words.sheet_words(found)),
        _BLANK,
        *_marks(found),
        _BLANK,
        *_table_of("Gas", words.gas_columns(found), words.gas_rows(found), right=(2, 3, 4, 5)),
        *_rmv(found),
        _BLANK,
        *_table_of(
            "Oxygen and gradient factors", ("", "plan", "dive"), words.oxygen_rows(found) + words.gf_rows(found)
        ),
        _BLANK,
    ]
    return Group(*parts, *(Text(line, style="dim") for line in CAUTIONS))


def _findings(found: Debrief) -> list[RenderableType]:
    if not found.findings:
        return []
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for finding in found.findings:
        mark, style = _MARKS[finding.severity]
        table.add_row(Text(mark, style=style), Text(finding.message))
    return [table]


def _marks(found: Debrief) -> list[RenderableType]:
    unit = words.system_of(found).depth_unit
    table = rich_table(
        [("Plan and dive", False), ("plan min", True), ("dive min", True), ("later", True), (f"at {unit}", True),
         ("TTS plan", True), ("TTS dive", True), ("gas", False)]
    )  # fmt: skip
    for row in words.mark_rows(found):
        late = row.later not in ("", "0")
        table.add_row(
            row.name, row.planned, row.dived, Text(row.later, style="bold" if late else ""), row.depth,
            row.planned_tts, row.tts, row.gas,
        )  # fmt: skip
    said = "TTS of the dive is for leaving then, by the plan's gases and rules"
    team = ", without waiting for mates" if found.dived.diver else ""
    return [table, Text(f"{said}{team}.", style="dim")]


def _rmv(found: Debrief) -> list[RenderableType]:
    rows, lines = words.rmv_rows(found), words.offer_lines(found)
    parts: list[RenderableType] = []
    if rows:
        parts += [_BLANK, *_table_of("RMV", words.rmv_columns(found), rows, right=(3, 4, 5, 6))]
    if lines:
        parts += [_BLANK, Text("To plan with: paste into the dive file", style="bold"), *(Text(line) for line in lines)]
    said = words.offer_words(found)
    return [*parts, *([_BLANK] if said and not lines else []), *(Text(line, style="dim") for line in said)]


def _table_of(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()
) -> list[RenderableType]:  # fmt: skip
    table = rich_table([(name, i in right) for i, name in enumerate(columns)])
    for row in rows:
        table.add_row(*map(Text, row))
    return [Text(title, style="bold"), table]
