"""All checks of a run, what they were run on, and what none of them reaches."""

from __future__ import annotations

import platform
import sys
from collections import Counter
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numba
import numpy as np

import leadline
from leadline.verify.check import CheckRow, Outcome, Standing, outcome
from leadline.verify.topics import every_series
from leadline.verify.unchecked import UNCHECKED

VERSION = 1
"""Of the JSON's layout; it changes when a key changes its name or meaning."""
STANDINGS: tuple[Standing, ...] = ("confirmed", "worked out", "from memory")


@dataclass(frozen=True)
class Machine:
    """What the figures were computed on."""

    leadline: str
    python: str
    numpy: str
    numba: str
    system: str
    processor: str

    @classmethod
    def this(cls) -> Machine:
        """The machine this runs on."""
        return cls(
            leadline=leadline.__version__,
            python=platform.python_version(),
            numpy=np.__version__,
            numba=numba.__version__,
            system=f"{platform.system() or sys.platform} {platform.release()}".strip(),
            processor=platform.machine() or "not known",
        )


@dataclass(frozen=True)
class Report:
    """Every series, computed now."""

    machine: Machine
    outcomes: tuple[Outcome, ...]

    @property
    def passed(self) -> bool:
        """Whether every figure is right."""
        return all(one.passed for one in self.outcomes)

    @property
    def figures(self) -> int:
        """How many were checked."""
        return sum(len(one.rows) for one in self.outcomes)

    @property
    def failures(self) -> tuple[tuple[Outcome, CheckRow], ...]:
        """Every figure that is not right."""
        return tuple((one, row) for one in self.outcomes for row in one.rows if not row.passed)

    @property
    def standings(self) -> dict[Standing, int]:
        """How many of the published figures are confirmed, worked out, and from memory."""
        counted = Counter(one.series.source.standing for one in self.outcomes for _ in one.rows)
        return {standing: counted[standing] for standing in STANDINGS}

    @property
    def topics(self) -> tuple[tuple[str, tuple[Outcome, ...]], ...]:
        """The series by topic."""
        return tuple((topic, tuple(of)) for topic, of in groupby(self.outcomes, key=lambda one: one.series.topic))


def verify() -> Report:
    """Compute every published figure now. It takes a second or two once the kernel is compiled."""
    return Report(Machine.this(), tuple(outcome(series) for series in every_series()))


def as_data(report: Report, date: str) -> dict[str, Any]:
    """A report as dictionaries, lists, numbers and text, ready for JSON. `date`: of the run."""
    return {
        "version": VERSION,
        "leadline": report.machine.leadline,
        "date": date,
        "machine": {
            "python": report.machine.python,
            "numpy": report.machine.numpy,
            "numba": report.machine.numba,
            "system": report.machine.system,
            "processor": report.machine.processor,
        },
        "passed": report.passed,
        "figures": report.figures,
        "failed": len(report.failures),
        "standing": dict(report.standings),
        "series": [_series(one) for one in report.outcomes],
        "unchecked": [{"what": what, "why": why} for what, why in UNCHECKED],
    }


def _series(one: Outcome) -> dict[str, Any]:
    series, source = one.series, one.series.source
    return {
        "topic": series.topic,
        "name": series.name,
        "unit": series.unit,
        "rule": series.rule,
        "tolerance": series.tolerance,
        "relative": series.relative,
        "why": series.why,
        "source": source.text,
        "standing": source.standing,
        "how": source.how,
        "note": source.note,
        "passed": one.passed,
        "axis": series.axis,
        "figures": [_row(row) for row in one.rows],
    }


def _row(row: CheckRow) -> dict[str, Any]:
    return {
        "part": row.point.part,
        "at": row.point.at,
        "published": row.point.published,
        "leadline": None if row.fault else row.computed,
        "passed": row.passed,
        "fault": row.fault,
    }
