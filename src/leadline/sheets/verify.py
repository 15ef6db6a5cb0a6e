"""The check values beside Leadline's own figures, as a page to keep."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from leadline.atomic_write import write_whole
from leadline.cautions import CAUTIONS, SHORT
from leadline.sheets.write import set_sheet
from leadline.verify.check import CheckRow, Outcome
from leadline.verify.report import Report
from leadline.verify.unchecked import UNCHECKED
from leadline.verify.words import grids, label, machine_line, shown, standing_line, verdict, where

ACROSS = 12
"""As many figures as are set in a line."""


def write_verify(report: Report, date: str, path: Path) -> None:
    """Write a report as a PDF, whole or not at all. OSError if it fails."""
    write_whole(path, set_sheet("verify", page(report, date)))


def page(report: Report, date: str) -> dict[str, Any]:
    """What the page says. `date`: of the run."""
    return {
        "title": f"Leadline {report.machine.leadline}: verified {date}",
        "no_go": "",
        "passed": report.passed,
        "verdict": verdict(report),
        "standing": standing_line(report),
        "machine": machine_line(report.machine, date),
        "wrong": [_wrong(one) for one in report.outcomes if not one.passed],
        "topics": [{"name": name, "series": [_series(one) for one in outcomes]} for name, outcomes in report.topics],
        "unchecked": [{"what": what, "why": why} for what, why in UNCHECKED],
        "across": ACROSS,
        "caution": [f"{sentence.rstrip('.')}." for sentence in SHORT.split(". ")],
        "cautions": list(CAUTIONS),
    }


def _wrong(one: Outcome) -> dict[str, Any]:
    series, source = one.series, one.series.source
    unit = f" {series.unit}".rstrip()
    return {
        "name": f"{series.topic}: {series.name}",
        "label": label(source),
        "figures": [
            {"where": where(series, row), "published": published + unit, "leadline": ours + unit, "fault": row.fault}
            for row, (published, ours) in ((row, shown(series, row)) for row in one.rows if not row.passed)
        ],
        "allowed": f"{series.tolerance_text} ({series.why})",
        "source": f"{source.text} ({source.standing})",
    }


def _series(one: Outcome) -> dict[str, Any]:
    series, source = one.series, one.series.source
    return {
        "name": series.name,
        "passed": one.passed,
        "right": f"{sum(row.passed for row in one.rows)} of {len(one.rows)}",
        "allowed": series.tolerance_text,
        "standing": source.standing,
        "why": series.why,
        "source": source.text,
        "how": source.how,
        "note": source.note,
        "axis": series.axis,
        "unit": series.unit,
        "label": label(source),
        "grids": [
            {"at": at, "strips": [_strip(one, part, rows) for part, rows in strips]}
            for at, strips in grids(one, ACROSS)
        ],
    }


def _strip(one: Outcome, part: str, rows: list[CheckRow]) -> dict[str, Any]:
    return {"part": part, "figures": [_figure(one, row) for row in rows]}


def _figure(one: Outcome, row: CheckRow) -> dict[str, Any]:
    published, ours = shown(one.series, row)
    return {"published": published, "leadline": ours, "passed": row.passed}
