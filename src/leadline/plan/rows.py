"""A schedule as the rows a diver reads, on paper or on a screen: levels, changes of gas, stops, the surface."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from leadline.plan.gases import Source
from leadline.plan.schedule import Leg

Kind = Literal["level", "change", "stop", "surface"]


@dataclass(frozen=True)
class Row:
    """One line of a schedule.

    `leave_min` is whole except where a gas is changed in passing; the surface's is the end of the dive, rounded up.
    `changed` says that the source is taken up here.
    """

    kind: Kind
    depth_m: float
    minutes: int | None
    arrive_min: float
    leave_min: float
    source: Source
    changed: bool


def rows(legs: Sequence[Leg]) -> tuple[Row, ...]:
    """Every line of a schedule, in the order of the dive."""
    found: list[Row] = []
    before: Source | None = None
    for leg in legs:
        changed = before is not None and leg.source != before
        if leg.kind in ("level", "stop"):
            minutes = math.ceil(leg.minutes - 1e-6)
            kind: Kind = "level" if leg.kind == "level" else "stop"
            found.append(Row(kind, leg.end_m, minutes, leg.start_min, leg.end_min, leg.source, changed))
        elif changed:
            found.append(Row("change", leg.start_m, None, leg.start_min, leg.start_min, leg.source, True))
        before = leg.source
    end = legs[-1]
    surface_min = float(math.ceil(end.end_min - 1e-6))
    found.append(Row("surface", 0.0, None, end.end_min, surface_min, end.source, False))
    return tuple(found)
