"""The drawn profile: where every line and label goes, in millimetres from the plot's upper left corner."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from leadline.plan import Plan
from leadline.units import SYSTEMS, System

_STEPS = (1.0, 2.0, 5.0)
_LABEL_HIGH_MM = 3.4
_LETTER_MM = 1.45


def tick_step(span: float, most: int) -> float:
    """The smallest round step (1, 2 or 5 times a power of ten, at least 1) that cuts a span into at most `most`."""
    power = 1.0
    while True:
        for step in _STEPS:
            if span / (step * power) <= most:
                return step * power
        power *= 10.0


@dataclass(frozen=True)
class Frame:
    """Depth downwards over run time, in millimetres from the upper left corner. What lies outside is at its edge."""

    width_mm: float
    height_mm: float
    end_min: float
    deepest_m: float

    def x(self, run_time_min: float) -> float:
        """Where a run time is. [mm]"""
        return round(self.width_mm * min(run_time_min, self.end_min) / self.end_min, 3)

    def y(self, depth_m: float) -> float:
        """Where a depth is. [mm]"""
        return round(self.height_mm * min(depth_m, self.deepest_m) / self.deepest_m, 3)

    def axes(self, system: System) -> dict[str, Any]:
        """Size, and round numbers along the sides."""
        deepest = self.deepest_m / system.depth_m
        depth_step, time_step = tick_step(deepest, 8), tick_step(self.end_min, 14)
        return {
            "width": self.width_mm,
            "height": self.height_mm,
            "depth_unit": system.depth_unit,
            "depths": [
                {"at": self.y(i * depth_step * system.depth_m), "text": f"{i * depth_step:.0f}"}
                for i in range(math.floor(deepest / depth_step) + 1)
            ],
            "times": [
                {"at": self.x(i * time_step), "text": f"{i * time_step:.0f}"}
                for i in range(math.floor(self.end_min / time_step + 1e-9) + 1)
            ],
        }


def draw_profile(plan: Plan, width_mm: float, height_mm: float) -> dict[str, Any]:
    """Depth over run time: axes, ceiling, one line for every stretch on a gas, labels that do not overlap."""
    system, schedule = SYSTEMS[plan.dive.units], plan.schedule
    frame = Frame(width_mm, height_mm, schedule.run_time_min, plan.dive.deepest_m * 1.06)
    x, y = frame.x, frame.y

    names = list(dict.fromkeys(leg.source.name for leg in schedule.legs))
    lines: list[dict[str, Any]] = []
    for leg in schedule.legs:
        if not lines or names[lines[-1]["pattern"]] != leg.source.name:
            lines.append({"pattern": names.index(leg.source.name), "points": [[x(leg.start_min), y(leg.start_m)]]})
        lines[-1]["points"].append([x(leg.end_min), y(leg.end_m)])

    points = schedule.track.points
    ceiling = [[x(float(p["run_time_min"])), y(float(p["ceiling_m"]))] for p in points]
    ceiling = [[0.0, 0.0], *ceiling, [width_mm, 0.0]] if any(high > 0.0 for _, high in ceiling) else []

    boxes: list[_Box] = []
    # Where the diver goes down, the line leaves room above and to the right of it; going up, to the left.
    going_down = {leg.start_min for leg in schedule.legs if leg.kind == "descent"}
    changes = [(0.0, 0.0, schedule.legs[0].source.name)]
    changes += [(s.run_time_min, s.depth_m, s.source.name) for s in schedule.switches]
    gases = []
    for run_time_min, depth_m, name in changes:
        wide = _LETTER_MM * len(name) + 2.0
        at = x(run_time_min)
        left = min(at + 3.0, width_mm - wide) if run_time_min in going_down else max(at - wide - 1.0, 0.5)
        box = _Box(left, max(y(depth_m) - 4.4, 0.4), wide, _LABEL_HIGH_MM)
        if not any(box.meets(other) for other in boxes):
            boxes.append(box)
            gases.append({"x": round(box.left, 3), "y": round(box.top, 3), "text": name})
    stops = []
    for stop in sorted(schedule.stops, key=lambda stop: (-stop.minutes, stop.arrive_min)):
        text = f"{system.at(stop.depth_m)}: {stop.minutes} min"
        wide = _LETTER_MM * len(text)
        # Below the line and right of where the diver comes up to the stop.
        box = _Box(x(stop.arrive_min) + 0.8, y(stop.depth_m) + 1.2, wide, _LABEL_HIGH_MM)
        if (
            box.left + wide < width_mm
            and box.top + box.high < height_mm
            and not any(box.meets(other) for other in boxes)
        ):
            boxes.append(box)
            stops.append({"x": round(box.left, 3), "y": round(box.top, 3), "text": text})

    return frame.axes(system) | {
        "lines": lines,
        "changes": [[x(s.run_time_min), y(s.depth_m)] for s in schedule.switches],
        "ceiling": ceiling,
        "gases": gases,
        "stops": stops,
        "legend": names,
    }


class _Box:
    """Where a label is, so that the next one keeps clear of it."""

    def __init__(self, left: float, top: float, wide: float, high: float) -> None:
        self.left, self.top, self.wide, self.high = left, top, wide, high

    def meets(self, other: _Box) -> bool:
        apart_x = self.left >= other.left + other.wide or other.left >= self.left + self.wide
        apart_y = self.top >= other.top + other.high or other.top >= self.top + self.high
        return not (apart_x or apart_y)
