"""A published figure and what Leadline makes of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Standing = Literal["confirmed", "worked out", "from memory"]
"""How far a published figure itself can be trusted: seen in print or computed by a reference; worked out from a law, a
definition or by an independent planner; written down from memory of the publication."""
MIXED = -1
"""Decimals of a series whose figures are of different kinds: as many as each has."""
Rule = Literal["equal", "over", "at most"]
"""What Leadline's figure must be to the published one."""


@dataclass(frozen=True)
class CheckSource:
    """Where published figures are from."""

    text: str
    standing: Standing
    how: str = ""
    """How they were confirmed or worked out."""
    note: str = ""


@dataclass(frozen=True)
class Point:
    """One published figure."""

    at: str
    """Where: "30" of an axis "depth, m"."""
    published: float
    compute: Callable[[], float]
    """Leadline's own figure, now."""
    part: str = ""
    """What the series falls into: a gas, a coefficient set, a dive."""


@dataclass(frozen=True)
class Series:
    """Published figures of one kind from one source, held to one tolerance."""

    topic: str
    name: str
    axis: str
    """What `Point.at` is."""
    unit: str
    decimals: int
    """As many as are published, or MIXED."""
    rule: Rule
    tolerance: float
    why: str
    """Why the tolerance is what it is."""
    source: CheckSource
    points: tuple[Point, ...]
    relative: bool = False
    """Whether the tolerance is a part of the published figure."""
    finer: int = 1
    """Decimals more with which Leadline's figure is shown."""

    @property
    def tolerance_text(self) -> str:
        """ "exact", "to the last digit", "± 0.2 %", "more", "at most 1 min more"."""
        size = f"{100 * self.tolerance:g} %" if self.relative else f"{self.tolerance:g} {self.unit}".rstrip()
        digit = 10.0**-self.decimals
        if self.rule == "over":
            return "more"
        if self.rule == "at most":
            return f"at most {size} more" if self.tolerance else "not more"
        if self.relative:
            return f"± {size}" if self.tolerance > 1e-6 else "to the last digit"
        if self.tolerance < 0.1 * digit:
            return "exact"
        return f"± {size}" if self.tolerance > digit or self.finer else "to the last digit"

    def allows(self, computed: float, published: float) -> bool:
        """Whether Leadline's figure is right. What is no number never is."""
        if not math.isfinite(computed):
            return False
        within = self._within(published)
        if self.rule == "over":
            return computed > published
        if self.rule == "at most":
            return computed <= published + within
        return abs(computed - published) <= within

    def _within(self, published: float) -> float:
        return self.tolerance * abs(published) if self.relative else self.tolerance


@dataclass(frozen=True)
class CheckRow:
    """A point with what Leadline makes of it."""

    point: Point
    computed: float
    """nan where it could not be computed."""
    fault: str
    """Why it could not be, in words; else empty."""
    passed: bool


@dataclass(frozen=True)
class Outcome:
    """A series with what Leadline makes of it."""

    series: Series
    rows: tuple[CheckRow, ...]

    @property
    def passed(self) -> bool:
        """Whether every figure is right."""
        return all(row.passed for row in self.rows)


def outcome(series: Series) -> Outcome:
    """Compute a series now. Whatever goes wrong in it is a failure of that figure."""
    return Outcome(series, tuple(_row(series, point) for point in series.points))


def _row(series: Series, point: Point) -> CheckRow:
    try:
        computed = float(point.compute())
        fault = "" if math.isfinite(computed) else f"gives {computed}"
    except Exception as error:  # whatever it is, the figure is not right
        computed, fault = math.nan, f"{type(error).__name__}: {error}"
    return CheckRow(point, computed, fault, series.allows(computed, point.published))


def number(value: float, decimals: int) -> str:
    """A figure as it is shown, the same on every machine: a last bit that differs rounds no other way."""
    if not math.isfinite(value):
        return "none"
    rounded = round(value, 9) + 0.0
    return f"{rounded:.11g}" if decimals == MIXED else f"{rounded:.{decimals}f}"
