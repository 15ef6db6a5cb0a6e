"""The page's tables and lists, as HTML. Every text from a dive file is escaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

from leadline.app.charts import drawn_limits, letter
from leadline.dive_file.errors import Problem
from leadline.plan import Finding, Plan, flying
from leadline.plan.breathing import mod_shown, tolerances
from leadline.plan.causes import in_words, last_resorts, lasting
from leadline.plan.contingency import Contingency
from leadline.plan.findings import headline
from leadline.plan.rows import Giving, Row, contingency_rows, handed, leave, planned_rows, pressures_bar, up
from leadline.plan.solve import Frontier
from leadline.plan.solve.frontier import FrontierPoint
from leadline.plan.supply import CylinderUse
from leadline.plan.team import Team
from leadline.units import SYSTEMS, System, clock

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
    word, _, behind = headline(team.findings).partition(": ")
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
        ("NDL", f"{schedule.ndl_min} min"),
        ("CNS", f"{math.ceil(plan.oxygen.cns_percent - 1e-6)} %"),
        ("OTU", f"{math.ceil(plan.oxygen.otu - 1e-6)}"),
        ("Gas lasts in", f"{lasts} of {of}"),
    ]


def findings(found: Iterable[Finding], numbered: bool = False) -> str:
    """Findings, gravest first, the severity in words; with the numbers that they have in a picture."""
    return _list(
        (
            finding.severity,
            f"{i} {mark}" if numbered else mark,
            finding.message + (f" Fix for this: {finding.cure}." if finding.cure else ""),
        )
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


def schedule(plan: Plan) -> str:
    """The planned dive, row by row."""
    return _schedule("Schedule", plan, planned_rows(plan), plan.supply)


def _schedule(caption: str, plan: Plan, rows: Iterable[Row], supply: Sequence[CylinderUse]) -> str:
    system, where = SYSTEMS[plan.dive.units], plan.dive.site.environment
    made = []
    for row in rows:
        if row.kind == "surface":
            made.append(("<b>surface</b>", "", f"<b>{up(row.leave_min)}</b>", "", "", "", ""))
            continue
        if row.kind in ("take", "give"):
            hand = f'<span class="changed">{escape(handed(row))}</span>'
            made.append((system.depth(row.depth_m), row.kind, f"<b>{leave(row)}</b>", "", hand, "", ""))
            continue
        name = escape(row.source.name)
        made.append(
            (
                system.depth(row.depth_m),
                f"{row.minutes}" if row.kind == "stop" else row.kind,
                f"<b>{leave(row)}</b>",
                up(row.tts_min) if row.tts_min is not None else "",
                f'<span class="changed">change to {name}</span>' if row.changed else name,
                f"{row.source.ppo2(where.pressure(row.depth_m)):.2f}",
                ", ".join(system.pressure(bar) for bar in pressures_bar(supply, row)),
            )
        )
    head = (
        f"Depth, {system.depth_unit}",
        "Stop, min",
        "Leave at",
        "TTS",
        "Gas",
        "ppO2",
        f"Left, {system.pressure_unit}",
    )
    return table(caption, head, made, left=(4,))


def gas(plan: Plan) -> str:
    """Every cylinder over the planned dive."""
    system = SYSTEMS[plan.dive.units]
    rows = [
        (
            escape(use.name), escape(use.mix.name), use.use, system.pressure(use.start_bar), system.gas(use.content_l),
            system.gas_up(use.used_l), _left(use, system), system.pressure(use.reserve_bar),
        )
        for use in plan.supply
    ]  # fmt: skip
    unit, litres = system.pressure_unit, system.gas_unit
    head = (
        "Cylinder", "Gas", "Use", f"Start, {unit}", f"Holds, {litres}", f"Used, {litres}", f"Left, {unit}",
        f"Reserve, {unit}",
    )  # fmt: skip
    return table("Gas", head, rows, left=(0, 1, 2))


def _left(use: CylinderUse, system: System) -> str:
    left = system.pressure(use.left_bar)
    return f'<span class="changed">{left} SHORT</span>' if use.short_l > 1e-6 else left


def turning(plan: Plan) -> str:
    """Minimum gas and turn pressures, rounded so that the diver turns early; empty where there are none."""
    system = SYSTEMS[plan.dive.units]

    def kept(bar: float) -> str:
        return f"{math.ceil(bar / system.pressure_bar - 1e-6)} {system.pressure_unit}"

    lines = [
        f"From {system.at(g.depth_m)} at {up(g.run_time_min)} min two divers reach "
        f"{system.at(g.to_m) if g.to_m > 0.0 else 'the surface'} on "
        f"{math.ceil(g.litres / system.gas_l - 1e-6)} {system.gas_unit} of {escape(g.mix.name)}."
        for g in plan.minimum_gas
    ]
    lines += [
        f"{escape(t.cylinder)}: keep {kept(t.kept_bar)}, <b>turn at {kept(t.turn_bar)}</b> ({escape(t.rule)})."
        for t in plan.turns
    ]
    return f"<h3>Minimum gas and turn pressure</h3><p>{'<br>'.join(lines)}</p>" if lines else ""


def breathing(plan: Plan) -> str:
    """What every gas does to the diver where it is breathed."""
    system = SYSTEMS[plan.dive.units]
    rows = [
        (
            escape(part.source.name),
            f"{system.depth(part.shallowest_m)}–{system.depth(part.deepest_m)}",
            f"{part.ppo2_low_bar:.2f}–{part.ppo2_high_bar:.2f}",
            mod_shown(plan.dive, part),
            system.depth(round(part.end_m / system.depth_m) * system.depth_m),
            f"{part.density_g_l:.1f}",
        )
        for part in plan.breathing
    ]
    unit = system.depth_unit
    breathed = table("Breathing", ("Gas", f"Depth, {unit}", "ppO2", f"MOD, {unit} (ppO2)", f"END, {unit}", "g/L"), rows)
    tolerated = tolerances(plan.dive, plan.breathing)
    return breathed + (f"<p>{escape(tolerated)}.</p>" if tolerated else "") + _after(plan)


def _after(plan: Plan) -> str:
    """Flying, and going up to an altitude, after the dive."""
    rows = [[escape(cell) for cell in flying.in_words(ascent, plan.dive.units)] for ascent in plan.after]
    head = ("After the dive", "Wait", "Model", "Published guidance")
    return table("After the dive", head, rows, (0, 3)) + f"<p>{escape(flying.note(plan.dive.units))}</p>"


def contingencies(plan: Plan) -> str:
    """Every contingency in a line."""
    system = SYSTEMS[plan.dive.units]
    rows = []
    for found in plan.contingencies:
        least = found.least
        later = int(up(found.run_time_min)) - int(up(plan.schedule.run_time_min))
        rows.append(
            (
                escape(found.name),
                "" if found.left_at is None else clock(found.left_at[0]),
                up(found.run_time_min) if found.legs else "",
                f"{later:+d}" if found.legs else "",
                up(found.tts_min) if found.legs else "",
                f"{escape(least.name)} {system.pressure(least.left_bar)}" if least is not None else "",
                _outcome(found),
            )
        )
    head = ("What if", "Leaves the plan at", "Run time", "Later", "TTS", f"Least left, {system.pressure_unit}", "")
    return table("Everything that can go wrong", head, rows, left=(0, 5, 6))


def _outcome(found: Contingency) -> str:
    """What comes of it, in words; marked where it does not hold."""
    said = escape("; ".join(in_words(found)))
    if found.holds:
        return said
    return f'<span class="changed">{said}</span>' + (" (two failures)" if found.scenario.two_failures else "")


def bailouts(plan: Plan, given: Sequence[Giving] = ()) -> str:
    """Every bailout row by row, and what happens to mates."""
    system, made = SYSTEMS[plan.dive.units], list[str]()
    for found in plan.bailouts:
        where = f"{system.at(found.depth_m or 0.0)} at {clock(found.leaves_at_min or 0.0)} min"
        caption = f"{found.name[0].upper()}{found.name[1:]}, leave the loop: {where}"
        if found.legs:
            made.append(_schedule(caption, plan, contingency_rows(plan, found), found.supply))
            continue
        said = "; ".join(in_words(found)).upper() if found.no_gas is not None else found.findings[0].message
        left = f" Left to try: {last_resorts(found)}." if found.no_gas is not None else ""
        made.append(f'<h3>{escape(caption)}</h3><p><span class="changed">{escape(said)}</span>{escape(left)}</p>')
    made += [_schedule(giving.heading, plan, giving.rows, ()) for giving in given if giving.gives or not giving.rows_of]
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
