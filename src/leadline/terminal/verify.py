"""The published figures beside Leadline's own, in the terminal: failures first and in full."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rich import box
from rich.console import Console, Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.verify.check import Outcome
from leadline.verify.report import Report
from leadline.verify.unchecked import UNCHECKED
from leadline.verify.words import label, machine_line, shown, standing_line, verdict, where

_BLANK = Text("")


def show_verify(report: Report, date: str, every: bool = False, console: Console | None = None) -> None:
    """Print a report; `every`: with every figure."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_verify(report, date, every), soft_wrap=False)


def render_verify(report: Report, date: str, every: bool = False) -> RenderableType:
    """A report as Rich sees it."""
    style = "bold" if report.passed else "bold reverse"
    parts: list[RenderableType] = [
        Text(f" FAILED  {verdict(report)} " if not report.passed else verdict(report), style=style),
        Text(standing_line(report)),
        Text(machine_line(report.machine, date), style="dim"),
    ]
    for one in report.outcomes:
        if not one.passed:
            parts += [_BLANK, *_wrong(one)]
    parts.append(_BLANK)
    if every:
        for topic, outcomes in report.topics:
            parts += [_heading(topic), *(part for one in outcomes for part in _in_full(one))]
    else:
        parts += [_in_short(report), Text("leadline verify --all shows every figure.", style="dim"), _BLANK]
    parts += [_heading("Not checked"), *(Text(f"{what}. {why}") for what, why in UNCHECKED)]
    return Group(*parts, _BLANK, *(Text(line, style="dim") for line in CAUTIONS))


def _heading(words: str) -> RenderableType:
    return Rule(Text(words, style="bold"), align="left", style="none")


def _table(columns: Iterable[tuple[str, bool]]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    for name, right in columns:
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    return table


def _wrong(one: Outcome) -> Iterator[RenderableType]:
    series = one.series
    unit = f" {series.unit}".rstrip()
    yield Text(f"{series.topic}: {series.name}", style="bold")
    for row in one.rows:
        if row.passed:
            continue
        published, ours = shown(series, row)
        said = f"Leadline gives nothing ({row.fault})" if row.fault else f"Leadline {ours}{unit}"
        yield Text(f"  {where(series, row)}: {said}, {label(series.source)} {published}{unit}")
    yield Text(f"  Allowed: {series.tolerance_text} ({series.why}).")
    yield Text(f"  {series.source.text} ({series.source.standing}).")


def _in_short(report: Report) -> Table:
    table = _table([("Check", False), ("right", True), ("allowed", False), ("figures", False)])
    for topic, outcomes in report.topics:
        table.add_row(Text(topic, style="bold"))
        for one in outcomes:
            series = one.series
            right = sum(row.passed for row in one.rows)
            cells = (f"  {series.name}", f"{right} of {len(one.rows)}", series.tolerance_text, series.source.standing)
            table.add_row(*(Text(cell) for cell in cells), style="" if one.passed else "bold reverse")
    return table


def _in_full(one: Outcome) -> Iterator[RenderableType]:
    series, source = one.series, one.series.source
    yield Text(f"{series.name}: {series.tolerance_text}, {series.why}", style="bold")
    how = f": {source.how}" if source.how else ""
    yield Text(f"{source.text} ({source.standing}{how}). {source.note}".rstrip(), style="dim")
    parts = any(row.point.part for row in one.rows)
    unit = f", {series.unit}" if series.unit else ""
    columns = [(series.axis, False), (f"{label(source)}{unit}", True), ("Leadline", True), ("", False)]
    table = _table([("", False), *columns] if parts else columns)
    before = ""
    for row in one.rows:
        part = [row.point.part if row.point.part != before else ""] if parts else []
        before = row.point.part
        published, ours = shown(series, row)
        cells = [*part, row.point.at, published, ours, "" if row.passed else "FAILED"]
        table.add_row(*(Text(cell) for cell in cells), style="" if row.passed else "bold reverse")
    yield table
    yield _BLANK
