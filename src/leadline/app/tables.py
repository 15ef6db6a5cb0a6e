"""The page's tables and lists, as HTML. Every text from a dive file is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from leadline.app.charts import drawn_limits, letter
from leadline.dive_file.errors import Problem
from leadline.plan import Plan
from leadline.plan.causes import lasting
from leadline.plan.rows import Giving, up
from leadline.plan.team import Team
from leadline.show.breathing import after_table, breathing_table, oxygen_lines
from leadline.show.gas import breathing_line, supply_table, turning_lines
from leadline.show.schedule import ndl, of_contingency, planned, schedule_table
from leadline.show.sentences import Remark, headline
from leadline.show.table import Line, Table
from leadline.show.verdict import bailout_heading, no_way_up
from leadline.show.what_ifs import what_if_table
from leadline.solve import Frontier
from leadline.solve.frontier import FrontierPoint
from leadline.units import SYSTEMS

_MARKS = {"no-go": "NO-GO", "caution": "Caution", "note": "Note"}


def table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], left: Sequence[int] = (0,)) -> str:
    """A table from ready HTML cells; `left` are the columns that are not figures."""
    cells = "".join(f'<th scope="col"{_side(i, left)}>{name}</th>' for i, name in enumerate(head))
    body = "".join(
        "<tr>" + "".join(f"<td{_side(i, left)}>{c}</td>" for i, c in enumerate(row)) + "</tr>" for row in rows
    )
    return (
        f'<div class="scrolls" tabindex="0" role="region" aria-label="{escape(caption)}"><table>'
        f"<caption><span>{escape(caption)}</span></caption><thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _side(i: int, left: Sequence[int]) -> str:
    return ' class="words"' if i in left else ""


def verdict(team: Team) -> tuple[str, str, str]:
    """The verdict in a word and what is behind it, as HTML; and its class: grave where a limit is over that is never
    only counted."""
    word, _, behind = headline(team.findings, team.dive.units).partition(": ")
    grave = " grave" if team.no_go or any(finding.grave for finding in team.findings) else ""
    if not team.no_go:
        behind = f"{behind or 'no cautions'}. The decision is the team's"
    return escape(word), escape(behind), grave


def figures(plan: Plan) -> list[tuple[str, str]]:
    """The dive in a few figures, for the strip that is always in sight."""
    schedule, at = plan.schedule, SYSTEMS[plan.dive.units].at
    first = schedule.first_stop_m
    lasts, of = lasting(plan.contingencies)
    return [
        ("Run time", f"{up(schedule.run_time_min)} min"),
        ("TTS", f"{up(schedule.tts_min)} min"),
        ("First stop", at(first) if first is not None else "none"),
        ("NDL", f"{ndl(plan)} min"),
        ("CNS", f"{up(plan.oxygen.cns_percent)} %"),
        ("OTU", up(plan.oxygen.otu)),
        ("Gas lasts in", f"{lasts} of {of}"),
    ]


def findings(found: Iterable[Remark], numbered: bool = False) -> str:
    """Findings, gravest first, the severity in words; with the numbers that they have in a picture."""
    return _list(
        (finding.severity, f"{i} {mark}" if numbered else mark, finding.whole)
        for i, finding in enumerate(found, 1)
        for mark in (_MARKS[finding.severity],)
    )


def problems(found: Iterable[Problem]) -> str:
    """What is wrong with a dive file."""
    return _list(("no-go", problem.key or "dive file", problem.message) for problem in found)


def _list(items: Iterable[tuple[str, str, str]]) -> str:
    made = (
        f'<li class="{severity}"><span class="mark">{escape(mark)}</span> {escape(message)}</li>'
        for severity, mark, message in items
    )
    return f'<ul class="findings">{"".join(made)}</ul>'


def drawn(found: Table, caption: str = "") -> str:
    """A table as HTML, with its notes."""
    head = [escape(", ".join(part for part in (c.head, c.unit) if part)) for c in found.columns]
    left = [i for i, column in enumerate(found.columns) if not column.figures]
    rows = ([_cell(line, column.key) for column in found.columns] for line in found.lines)
    return table(caption or found.title, head, rows, left) + "".join(f"<p>{escape(note)}</p>" for note in found.notes)


def _cell(line: Line, key: str) -> str:
    text = escape(line[key])
    if key not in line.strong or not text:
        return text
    return f"<b>{text}</b>" if key in ("leave", "depth") else f'<span class="changed">{text}</span>'


def schedule(plan: Plan) -> str:
    """The planned dive, row by row."""
    return drawn(planned(plan))


def gas(plan: Plan) -> str:
    """Every cylinder over the planned dive."""
    return drawn(supply_table(SYSTEMS[plan.dive.units], plan.supply)) + f"<p>{escape(breathing_line(plan))}</p>"


def turning(plan: Plan) -> str:
    """Minimum gas and turn pressures; empty where there are none."""
    lines = "<br>".join(map(escape, turning_lines(plan)))
    return f"<h3>Minimum gas and turn pressure</h3><p>{lines}</p>" if lines else ""


def breathing(plan: Plan) -> str:
    """What every gas does to the diver where it is breathed, oxygen, and flying after the dive."""
    oxygen = "".join(f"<p>{escape(line)}</p>" for line in oxygen_lines(plan))
    return drawn(breathing_table(plan.dive, plan.breathing)) + oxygen + drawn(after_table(plan))


def contingencies(plan: Plan) -> str:
    """Every contingency in a line."""
    return drawn(what_if_table(plan))


def bailouts(plan: Plan, given: Sequence[Giving] = ()) -> str:
    """Every bailout row by row, and what happens to mates."""
    made = list[str]()
    for found in plan.bailouts:
        caption = bailout_heading(found)
        if found.legs:
            made.append(drawn(of_contingency(plan, found), caption))
            continue
        wrong, left = no_way_up(found)
        made.append(f'<h3>{escape(caption)}</h3><p><span class="changed">{escape(wrong)}</span> {escape(left)}</p>')
    made += [
        drawn(schedule_table(plan.dive, giving.rows), giving.heading)
        for giving in given
        if giving.gives or not giving.rows_of
    ]
    return "".join(made)


def limits(around: Frontier) -> str:
    """The limits of the picture by letter, and how long each lets one stay at the dive's depth."""
    at = SYSTEMS[around.dive.units].at(around.depth_m)
    rows = []
    for i, curve in enumerate(drawn_limits(around)):
        point = next((point for point in curve.points if point.depth_m == around.depth_m), None)
        rows.append((letter(i), escape(curve.name), _holds(point, around.most_min)))
    return table("Limits, the tightest first", ("", "Limit", f"Bottom time at {at}"), rows, left=(0, 1))


def _holds(point: FrontierPoint | None, most_min: int) -> str:
    if point is None:
        return "not worked out"
    if point.beyond:
        return f"over {most_min} min"
    return "none" if point.holds_to_min is None else f"to {point.holds_to_min} min"


def stands(around: Frontier) -> str:
    """Where the dive stands inside the limits, in a sentence."""
    own = f"{SYSTEMS[around.dive.units].at(around.depth_m)} for {around.bottom_min} min"
    if not around.complete:
        return f"Stopped before the end: what is drawn is what is known so far. This dive: {own}."
    if around.holds is None:
        return f"This dive: {own}."
    return f"This dive, {own}, is {'inside every limit' if around.holds else 'outside a limit'}."
