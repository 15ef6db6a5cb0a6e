"""What a report says, the same in the terminal, on paper and in the documentation."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby

from leadline.verify.check import CheckRow, CheckSource, Outcome, Series, number
from leadline.verify.report import Machine, Report


def verdict(report: Report) -> str:
    """In one sentence: is all as it should be?"""
    if report.passed:
        return f"All {report.figures} check values come out right on this machine."
    failed = len(report.failures)
    said = f"{failed} of {report.figures} check values come out wrong" if failed > 1 else (
        f"One of {report.figures} check values comes out wrong"
    )  # fmt: skip
    return f"{said} on this machine. Do not dive what it plans."


def standing_line(report: Report) -> str:
    """How far the published figures themselves can be trusted."""
    counted = report.standings
    return (
        f"{counted['confirmed']} of them are confirmed (seen in print, or computed by a reference equation), "
        f"{counted['worked out']} worked out (by hand from a law or definition, or by an independent planner), "
        f"{counted['from memory']} from memory of a publication: agreement there is weaker than it looks."
    )


def machine_line(machine: Machine, date: str) -> str:
    """What it was run on, and when."""
    return (
        f"Leadline {machine.leadline}, {date}; Python {machine.python}, NumPy {machine.numpy}, Numba {machine.numba}; "
        f"{machine.system}, {machine.processor}"
    )


def where(series: Series, row: CheckRow) -> str:
    """Which figure of a series: "nitrogen, compartment: 5"."""
    at = f"{series.axis}: {row.point.at}" if series.axis else row.point.at
    return ", ".join(piece for piece in (row.point.part, at) if piece)


def label(source: CheckSource) -> str:
    """What the figures of a source are: published, or worked out."""
    return "worked out" if source.standing == "worked out" else "published"


def shown(series: Series, row: CheckRow) -> tuple[str, str]:
    """Published and computed, rounded alike on every machine; a failure with every digit."""
    ours = number(row.computed, series.decimals + series.finer) if row.passed else f"{row.computed:.12g}"
    return number(row.point.published, series.decimals), ours


Strip = tuple[str, list[CheckRow]]
"""Part, and some of its figures."""


def grids(one: Outcome, most: int) -> list[tuple[tuple[str, ...], list[Strip]]]:
    """A series as tables that run across, at most so many figures in a line: the heads, and all strips they are of."""
    found: dict[tuple[str, ...], list[Strip]] = {}
    for strip in _strips(one, most):
        found.setdefault(tuple(row.point.at for row in strip[1]), []).append(strip)
    return list(found.items())


def _strips(one: Outcome, most: int) -> Iterator[Strip]:
    """Lines of a part's figures are evenly long."""
    for part, rows in groupby(one.rows, key=lambda row: row.point.part):
        found = list(rows)
        count = math.ceil(len(found) / math.ceil(len(found) / most))
        for i in range(0, len(found), count):
            yield part, found[i : i + count]
