"""The debrief on paper: plan and dive laid over each other, and a page with all that is to be said of it."""

from __future__ import annotations

import math
from html import escape
from pathlib import Path
from typing import Any

from leadline.atomic_write import write_whole
from leadline.cautions import CAUTIONS, SHORT
from leadline.logbook.debrief import words as words
from leadline.logbook.debrief.against_plan import Debrief
from leadline.sheets.profile import Frame
from leadline.sheets.write import typeset
from leadline.units import SYSTEMS

FORMATS = {".pdf": "pdf", ".png": "png", ".svg": "svg"}
"""By the ending of the file's name: a page as .pdf, the picture alone as .png or .svg."""
WIDTH_MM, HEIGHT_MM = 168.0, 78.0
"""Of the plot."""
PPI = 200.0
MOST_POINTS = 1500
"""Of a line: more could not be told apart."""
NUMBER_MM = 4.2
"""How wide the number of a finding is."""
Data = dict[str, Any]
Point = list[float]


def debrief_format(path: Path) -> str:
    """The format a file's name asks for. ValueError if it is none of them."""
    found = FORMATS.get(path.suffix.lower())
    if found is None:
        raise ValueError(
            f"{path.name} names no page or picture; end it with .pdf, or with .png or .svg for the picture"
        )
    return found


def write_debrief(found: Debrief, path: Path) -> None:
    """Write the page or the picture into a file, whole or not at all. ValueError for another ending; OSError."""
    write_whole(path, draw_debrief(found, debrief_format(path)))


def draw_debrief(found: Debrief, file_format: str) -> bytes:
    """The page as the bytes of a PDF, or the picture as those of a PNG or SVG, whose text is in its description too."""
    if file_format == "pdf":
        pdf: bytes = typeset("debrief", page(found), format="pdf")
        return pdf
    data = picture_only(found)
    if file_format == "png":
        png: bytes = typeset("debrief", data, format="png", ppi=PPI)
        return png
    svg: bytes = typeset("debrief", data, format="svg")
    said = escape("\n".join([data["verdict"], *(f"{one['number']}: {one['message']}" for one in data["findings"])]))
    text = svg.decode("utf-8")
    start = text.index(">", text.index("<svg")) + 1
    described = f"<title>{escape(data['title'])}</title><desc>{said}\n{escape(SHORT)}</desc>"
    return (text[:start] + described + text[start:]).encode("utf-8")


def picture_only(found: Debrief) -> Data:
    """The picture, with the findings that are marked in it."""
    return {**_head(found), "whole": False, "picture": picture(found)}


def page(found: Debrief) -> Data:
    """The whole page."""
    return {
        **_head(found),
        "whole": True,
        "picture": picture(found),
        "notices": words.notices(found),
        "sheet": words.sheet_words(found),
        "depth_unit": words.system_of(found).depth_unit,
        "marks": [vars(row) for row in words.mark_rows(found)],
        "gas": {"columns": words.gas_columns(found), "rows": words.gas_rows(found)},
        "rmv": {"columns": words.rmv_columns(found), "rows": words.rmv_rows(found)},
        "offers": words.offer_lines(found),
        "offered": words.offer_words(found),
        "doses": [list(row) for row in words.oxygen_rows(found) + words.gf_rows(found)],
        "cautions": list(CAUTIONS),
    }


def _head(found: Debrief) -> Data:
    return {
        "title": words.heading(found),
        "rules": words.rules(found),
        "verdict": words.verdict(found),
        "grave": found.caution,
        "no_go": "",
        "caution": [f"{sentence.rstrip('.')}." for sentence in SHORT.split(". ")],
        "findings": [
            {"number": i, "caution": finding.severity != "note", "message": finding.message}
            for i, finding in enumerate(found.findings, 1)
        ],
    }


# --- The picture ------------------------------------------------------------------------------------------------------


def picture(found: Debrief) -> Data:
    """Where every line and label goes, in millimetres from the plot's upper left corner."""
    system, schedule, retraced = SYSTEMS[found.plan.dive.units], found.plan.schedule, found.retraced
    end_min = max(schedule.run_time_min, found.surfaced_min)
    frame = Frame(WIDTH_MM, HEIGHT_MM, end_min, 1.06 * max(found.plan.dive.deepest_m, found.dived.deepest_m))
    x, y = frame.x, frame.y
    shown = [i for i, at in enumerate(retraced.run_time_min.tolist()) if at <= end_min + 1e-6]
    shown = [i for k, i in enumerate(shown) if k % math.ceil(len(shown) / MOST_POINTS) == 0 or i == shown[-1]]
    times = [x(float(retraced.run_time_min[i])) for i in shown]
    track = schedule.track.points
    planned = [[0.0, 0.0], *([x(leg.end_min), y(leg.end_m)] for leg in schedule.legs)]
    dived = [[at, y(float(retraced.depth_m[i]))] for at, i in zip(times, shown, strict=True)]
    return frame.axes(system) | {
        "planned": planned,
        "dived": dived,
        "ceiling": _filled([[at, y(float(retraced.ceiling_m[i]))] for at, i in zip(times, shown, strict=True)]),
        "m_value": _filled([[at, y(float(retraced.m_value_ceiling_m[i]))] for at, i in zip(times, shown, strict=True)]),
        "planned_ceiling": _line([[x(float(p["run_time_min"])), y(float(p["ceiling_m"]))] for p in track]),
        "stops": [
            {"from": [x(stop.arrive_min), y(stop.depth_m)], "to": [x(stop.leave_min), y(stop.depth_m)]}
            for stop in schedule.stops
        ],
        "changes": [[x(change.run_time_min), y(change.depth_m)] for change in found.changes[1:]],
        "numbers": _numbers(found, x, y),
    }


def _filled(line: list[Point]) -> list[Point]:
    """The outline of what is above a line; empty where there is nothing."""
    if not any(point[1] > 0.0 for point in line):
        return []
    return [[line[0][0], 0.0], *line, [line[-1][0], 0.0]]


def _line(points: list[Point]) -> list[Point]:
    """A line, if it is anywhere below the surface."""
    return points if any(point[1] > 0.0 for point in points) else []


def _numbers(found: Debrief, x: Any, y: Any) -> list[Data]:
    """The number of every finding that has a place: beside it, and clear of the others."""
    placed: list[Data] = []
    for i, finding in enumerate(found.findings, 1):
        if finding.run_time_min is None or finding.depth_m is None:
            continue
        at = [x(finding.run_time_min), y(finding.depth_m)]
        left, top = min(at[0] + 1.5, WIDTH_MM - NUMBER_MM), max(0.3, at[1] - 0.5 * NUMBER_MM)
        while any(abs(left - one["left"]) < NUMBER_MM and abs(top - one["top"]) < NUMBER_MM for one in placed):
            top += 0.5 * NUMBER_MM
            if top > HEIGHT_MM - NUMBER_MM:
                left, top = left - NUMBER_MM, max(0.3, at[1] - 0.5 * NUMBER_MM)
        placed.append({"at": at, "left": round(left, 2), "top": round(top, 2), "text": f"{i}"})
    return placed
