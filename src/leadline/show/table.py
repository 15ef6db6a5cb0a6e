"""A table as data: what every surface lays out in its own way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Emphasis = Literal["", "changed", "handed", "fails", "surface"]


@dataclass(frozen=True)
class Column:
    """A column: its key in the lines, and how it is headed."""

    key: str
    head: str
    unit: str = ""
    figures: bool = True
    """Whether it holds figures, set to the right, or words."""


@dataclass(frozen=True)
class Line:
    """One line of a table: a text for each column that has one, rounded and with the words that are read."""

    cells: Mapping[str, str]
    emphasis: Emphasis = ""
    strong: tuple[str, ...] = ()
    """Keys of the cells that carry the emphasis, where a surface marks cells."""

    def __getitem__(self, key: str) -> str:
        """The text of a column; empty where there is none."""
        return self.cells.get(key, "")


@dataclass(frozen=True)
class Table:
    """Lines under one head, and what is to be said below them."""

    title: str
    columns: tuple[Column, ...]
    lines: tuple[Line, ...]
    notes: tuple[str, ...] = ()

    def column(self, key: str) -> tuple[str, ...]:
        """Every text of a column."""
        return tuple(line[key] for line in self.lines)

    def with_used_columns(self, *optional: str) -> Table:
        """Without those of the columns named that nothing stands in."""
        empty = {key for key in optional if not any(self.column(key))}
        return Table(self.title, tuple(c for c in self.columns if c.key not in empty), self.lines, self.notes)
