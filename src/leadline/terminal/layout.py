"""Tables in the terminal, all alike."""

from __future__ import annotations

from collections.abc import Iterable

from rich import box
from rich.table import Table
from rich.text import Text


def rich_table(columns: Iterable[tuple[str, bool]], title: str | None = None) -> Table:
    """A table without lines: heads, each with whether it holds figures, set to the right."""
    table = Table(
        title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False,
        padding=(0, 1, 0, 0), show_edge=False,
    )  # fmt: skip
    for name, figures in columns:
        table.add_column(name, justify="right" if figures else "left", overflow="fold")
    return table


def add_row(table: Table, *cells: str, style: str = "") -> None:
    """A row of cells that are shown as they are: the brackets of a dive file's keys are no markup."""
    table.add_row(*(Text(cell) for cell in cells), style=style)
