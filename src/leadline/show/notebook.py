"""A plan in a notebook: verdict, the drawn profile and the schedule, as HTML."""

from __future__ import annotations

from html import escape

from leadline.cautions import SHORT
from leadline.plan import Plan
from leadline.plan.rows import up
from leadline.plan.team import Team
from leadline.show.schedule import planned
from leadline.show.sentences import headline, remarks
from leadline.show.table import Table
from leadline.units import SYSTEMS

WIDE, HIGH, MARGIN = 640.0, 220.0, 34.0
"""Of the picture. [px]"""


def plan_html(plan: Plan) -> str:
    """A plan as HTML: what must be known first, then the picture, then the rows."""
    found = "".join(
        f"<li>{escape(f'{one.severity}: {one.whole}')}</li>" for one in remarks(plan.findings, plan.dive.units)
    )
    verdict = escape(headline(plan.findings, plan.dive.units))
    return (
        f"<h3>{escape(plan.dive.title)}</h3><p><b>{verdict}.</b></p>{profile_svg(plan)}"
        f"{table_html(planned(plan))}<ul>{found}</ul><p>{escape(SHORT)}</p>"
    )


def team_html(team: Team) -> str:
    """Every diver's plan of a team."""
    parts = (f"<h2>{escape(one.name)}</h2>{plan_html(one.plan)}" for one in team.members)
    return f"<p><b>{escape(headline(team.findings, team.dive.units))}.</b></p>{''.join(parts)}"


def table_html(table: Table) -> str:
    """A table with its notes."""
    head = "".join(f"<th>{escape(' '.join(part for part in (c.head, c.unit) if part))}</th>" for c in table.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(line[column.key])}</td>" for column in table.columns) + "</tr>"
        for line in table.lines
    )
    notes = "".join(f"<p>{escape(note)}</p>" for note in table.notes)
    return f"<table><caption>{escape(table.title)}</caption><tr>{head}</tr>{rows}</table>{notes}"


def profile_svg(plan: Plan) -> str:
    """Depth and ceiling over run time, with the depths where something else is breathed."""
    points, system = plan.schedule.track.points, SYSTEMS[plan.dive.units]
    deepest_m, end_min = plan.dive.deepest_m, plan.schedule.run_time_min

    def at(run_time_min: float, depth_m: float) -> str:
        x = MARGIN + (WIDE - 2 * MARGIN) * run_time_min / end_min
        return f"{x:.1f},{MARGIN / 2 + (HIGH - 1.5 * MARGIN) * depth_m / deepest_m:.1f}"

    def line(key: str, style: str) -> str:
        drawn = " ".join(at(float(one["run_time_min"]), float(one[key])) for one in points)
        return f'<polyline fill="none" {style} points="{drawn}"/>'

    marks = []
    for switch in plan.schedule.switches:
        x, y = at(switch.run_time_min, switch.depth_m).split(",")
        marks.append(f'<text x="{float(x) + 4:.1f}" y="{y}" font-size="11">{escape(switch.source.name)}</text>')
    end_x, _ = at(end_min, 0.0).split(",")
    under = f"{up(end_min)} min; dashed: ceiling"
    said = f"Profile: {system.at(deepest_m)}, run time {up(end_min)} min"
    return (
        f'<svg role="img" aria-label="{escape(said)}" width="{WIDE:.0f}" height="{HIGH:.0f}">'
        + line("depth_m", 'stroke="currentColor" stroke-width="2"')
        + line("ceiling_m", 'stroke="gray" stroke-dasharray="4 3"')
        + "".join(marks)
        + f'<text x="{end_x}" y="{HIGH - 6:.0f}" font-size="11" text-anchor="end">{under}</text>'
        f'<text x="0" y="{HIGH - MARGIN:.0f}" font-size="11">{escape(system.at(deepest_m))}</text></svg>'
    )


def in_notebooks() -> None:
    """Let notebooks show plans so. `leadline` asks for it, as plans themselves know of no surface."""
    Plan._repr_html_ = plan_html  # type: ignore[attr-defined]
    Team._repr_html_ = team_html  # type: ignore[attr-defined]
