"""The picture of the limits: bottom time against depth, with the frontier of each limit, as PNG or SVG."""

from __future__ import annotations

import math
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any

from leadline.atomic_write import write_whole
from leadline.cautions import SHORT
from leadline.sheets.profile import tick_step
from leadline.sheets.write import typeset
from leadline.solve.frontier import Curve, Frontier
from leadline.units import SYSTEMS

FORMATS = {".png": "png", ".svg": "svg"}
"""By the ending of the file's name."""
WIDTH_MM, HEIGHT_MM = 165.0, 95.0
"""Of the plot."""
PPI = 200.0
MOST_CURVES = 12
"""As many as can be told apart, the tightest first; all are in the data."""


def picture_format(path: Path) -> str:
    """The format a file's name asks for. ValueError if it is neither PNG nor SVG."""
    found = FORMATS.get(path.suffix.lower())
    if found is None:
        raise ValueError(f"{path.name} names no picture that can be drawn; end it with .png or .svg")
    return found


def write_frontier(around: Frontier, path: Path) -> None:
    """Draw a frontier into a file, whole or not at all. ValueError for another ending; OSError if it fails."""
    write_whole(path, draw_frontier(around, picture_format(path)))


def draw_frontier(around: Frontier, file_format: str) -> bytes:
    """The picture as the bytes of a PNG or SVG file. The labels of an SVG are also in its title and description."""
    data = picture(around)
    if file_format == "png":
        png: bytes = typeset("frontier", data, format="png", ppi=PPI)
        return png
    svg: bytes = typeset("frontier", data, format="svg")
    lines = [data["verdict"], *(f"{one['letter']}: {one['name']}" for one in data["legend"]), data["point"]["text"]]
    said = escape("\n".join([*lines, data["x_label"], data["y_label"], data["caution"]]))
    text = svg.decode("utf-8")
    start = text.index(">", text.index("<svg")) + 1
    described = f"<title>{escape(data['title'])}</title><desc>{said}</desc>"
    return (text[:start] + described + text[start:]).encode("utf-8")


def picture(around: Frontier) -> dict[str, Any]:
    """Where every line and label goes, in millimetres from the plot's upper left corner."""
    system = SYSTEMS[around.dive.units]
    depths_m = sorted({point.depth_m for curve in around.curves for point in curve.points} | {around.depth_m})
    left_m, right_m = depths_m[0], depths_m[-1]
    if right_m - left_m < 1.0:
        left_m, right_m = max(0.0, left_m - 1.0), right_m + 1.0
    top = float(around.most_min)

    def x(depth_m: float) -> float:
        return round(WIDTH_MM * (depth_m - left_m) / (right_m - left_m), 3)

    def y(minutes: float) -> float:
        return round(HEIGHT_MM * (1.0 - min(minutes, top) / top), 3)

    drawn = [curve for curve in around.curves if any(not point.beyond for point in curve.points)][:MOST_CURVES]
    lines = []
    taken: list[tuple[float, float]] = [(x(around.depth_m), y(around.bottom_min))]
    for i, curve in enumerate(drawn):
        points = [[x(point.depth_m), y(point.holds_to_min or 0)] for point in _met(curve)]
        at = _clear_of(points, taken)
        taken.append(at)
        lines.append({"letter": chr(ord("A") + i), "pattern": i, "points": points, "label": list(at)})
    left, right = left_m / system.depth_m, right_m / system.depth_m
    depth_step, time_step = tick_step(right - left, 12), tick_step(top, 10)
    this = f"this dive: {system.at(around.depth_m)}, {around.bottom_min} min"
    said = "The longest bottom time within each limit, of the plan and every contingency, by depth."
    more = len([curve for curve in around.curves if any(not p.beyond for p in curve.points)]) - len(drawn)
    return {
        "title": around.dive.title,
        "verdict": said if around.complete else f"{said} Incomplete: stopped before the end.",
        "caution": SHORT,
        "width": WIDTH_MM,
        "height": HEIGHT_MM,
        "x_label": f"depth, {system.depth_unit}",
        "y_label": "bottom time, min",
        "depths": [
            {"at": x(i * depth_step * system.depth_m), "text": f"{i * depth_step:.0f}"}
            for i in range(math.ceil(left / depth_step - 1e-9), math.floor(right / depth_step + 1e-9) + 1)
        ],
        "times": [
            {"at": y(i * time_step), "text": f"{i * time_step:.0f}"}
            for i in range(math.floor(top / time_step + 1e-9) + 1)
        ],
        "within": _within(around.curves, x, y, top) if around.complete else [],
        "lines": lines,
        "legend": [
            {"letter": line["letter"], "pattern": line["pattern"], "name": curve.name}
            for line, curve in zip(lines, drawn, strict=True)
        ],
        "more": f"{more} limits more in the data (--json)." if more > 0 else "",
        "point": {"x": x(around.depth_m), "y": y(around.bottom_min), "text": this, "left": x(around.depth_m) > 62.0},
    }


def _met(curve: Curve) -> list[Any]:
    """The points of a curve from the last one beyond the picture to the first one at which no time is left."""
    points = list(curve.points)
    shown = [i for i, point in enumerate(points) if not point.beyond]
    first, last = max(0, shown[0] - 1), min(len(points) - 1, shown[-1] + 1)
    nothing = next((i for i in shown if points[i].holds_to_min is None), last)
    return points[first : max(nothing, first) + 1]


def _within(curves: tuple[Curve, ...], x: Any, y: Any, top: float) -> list[list[float]]:
    """The outline of where everything holds, empty if it is nowhere.

    Between two depths that were tried it goes as high as the lower of them: it promises nothing that is not known.
    """
    if not curves:
        return []
    depths_m = [point.depth_m for point in curves[0].points]
    left = [[top if one.beyond else (one.holds_to_min or 0) for one in curve.points] for curve in curves]
    least = [min(minutes) for minutes in zip(*left, strict=True)]
    outline = [[x(depths_m[0]), y(0)]]
    for (from_m, from_min), (to_m, to_min) in pairwise(zip(depths_m, least, strict=True)):
        height = y(min(from_min, to_min))
        outline += [[x(from_m), height], [x(to_m), height]]
    return [*outline, [x(depths_m[-1]), y(0)]] if any(least) else []


def _clear_of(points: list[list[float]], taken: list[tuple[float, float]]) -> tuple[float, float]:
    """Where on a line its letter is farthest from the letters that are there already."""
    places = []
    for one, other in pairwise(points):
        for share in (0.15, 0.35, 0.5, 0.65, 0.85):
            places.append((one[0] + share * (other[0] - one[0]), one[1] + share * (other[1] - one[1])))
    places = places or [(points[0][0], points[0][1])]
    inside = [at for at in places if 3.0 < at[0] < WIDTH_MM - 3.0 and 3.0 < at[1] < HEIGHT_MM - 3.0] or places
    best = max(inside, key=lambda at: min(min(math.dist(at, other) for other in taken), 12.0))
    return round(best[0], 3), round(best[1], 3)
