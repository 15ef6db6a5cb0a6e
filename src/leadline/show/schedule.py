"""A schedule as it is read: depth, stop, when to leave, TTS, what to breathe, what the gauge shows then.

Rounding is the diver's: run time at the surface and TTS up, what is left in a cylinder down.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from leadline.dive_file.schema import Dive
from leadline.plan import Plan
from leadline.plan.contingency import Contingency
from leadline.plan.rows import Giving, Row, breathed_then, contingency_rows, handed, leave, planned_rows, up
from leadline.plan.supply import CylinderUse
from leadline.show.table import Column, Line, Table
from leadline.tissue.kernel import NDL_CAP_MIN
from leadline.units import SYSTEMS, System


def schedule_table(dive: Dive, rows: Iterable[Row], supply: Sequence[CylinderUse] = (), title: str = "") -> Table:
    """Rows of a schedule, with pressures where gas is breathed from cylinders."""
    system = SYSTEMS[dive.units]
    columns = (
        Column("depth", "Depth", system.depth_unit), Column("stop", "Stop", "min"), Column("leave", "Leave at"),
        Column("tts", "TTS"), Column("gas", "Gas", figures=False), Column("ppo2", "ppO2"),
        Column("left", "Left", system.pressure_unit),
    )  # fmt: skip
    return Table(title, columns, tuple(line(dive, row, supply) for row in rows)).with_used_columns("left")


def line(dive: Dive, row: Row, supply: Sequence[CylinderUse] = ()) -> Line:
    """A row of a schedule."""
    system, where = SYSTEMS[dive.units], dive.site.environment
    if row.kind == "surface":
        return Line({"depth": "surface", "leave": up(row.leave_min)}, "surface", ("depth", "leave"))
    cells = {"depth": system.depth(row.depth_m), "leave": leave(row)}
    if row.kind in ("take", "give"):
        return Line(cells | {"stop": row.kind, "gas": handed(row)}, "handed", ("leave", "gas"))
    cells |= {
        "stop": f"{row.minutes}" if row.kind == "stop" else row.kind,
        "tts": up(row.tts_min) if row.tts_min is not None else "",
        "gas": f"change to {row.breathed}" if row.changed else row.source.name,
        "ppo2": f"{row.source.ppo2(where.pressure(row.depth_m)):.2f}",
        "left": gauges(system, [use.bar_at(row.leave_min) for use in breathed_then(supply, row)]),
    }
    return Line(cells, "changed" if row.changed else "", ("leave", "gas") if row.changed else ("leave",))


def planned(plan: Plan) -> Table:
    """The schedule of the planned dive, with its TTS and no-stop limit."""
    found = schedule_table(plan.dive, planned_rows(plan), plan.supply, "Schedule")
    left = " and what is left" if any(column.key == "left" for column in found.columns) else ""
    notes = (tts_line(plan), f"In the table: TTS{left}, on leaving each depth.")
    return Table(found.title, found.columns, found.lines, notes)


def of_contingency(plan: Plan, found: Contingency, title: str = "") -> Table:
    """The schedule of a contingency from where the plan is left; no lines where there is no way up."""
    return schedule_table(plan.dive, contingency_rows(plan, found), found.supply, title)


def tts_line(plan: Plan) -> str:
    """TTS from the last level, and the no-stop limit, in a sentence."""
    schedule, last = plan.schedule, plan.dive.levels[-1]
    tts, at = up(schedule.tts_min), SYSTEMS[plan.dive.units].at(last.depth)
    if last.depth == plan.dive.deepest_m:
        return f"TTS {tts} min when {at} is left at {last.leave_at:.0f}; no-stop limit there {ndl(plan)} min."
    when = f"TTS {tts} min when the last level is left at {last.leave_at:.0f}"
    return f"{when}; no-stop limit at the deepest {ndl(plan)} min."


def ndl(plan: Plan) -> str:
    """The no-stop limit at the deepest level in minutes: "12", "999 or more"."""
    minutes = plan.schedule.ndl_min
    return f"{minutes}" if minutes < NDL_CAP_MIN else f"{NDL_CAP_MIN} or more"


# --- What is breathed from then ---------------------------------------------------------------------------------------


def gauges(system: System, left_bar: Sequence[float]) -> str:
    """What the gauges show, in the order of the cylinders: one number where they are alike, the lowest of many."""
    shown = [system.pressure(bar) for bar in left_bar]
    if len(set(shown)) == 2 and len(shown) == 2:
        return "/".join(shown)
    return system.pressure(min(left_bar)) if shown else ""


# --- What is given ----------------------------------------------------------------------------------------------------


def gives_line(dive: Dive, giving: Giving) -> str:
    """What a diver gives in a mate's contingency, in a line: "Lou: bailout (20 min, 60 m): 18 m at 26: GIVE LOU YOUR
    50 % (stage)", and whose rows hold if it has none of its own."""
    at = SYSTEMS[dive.units].at
    hands = (f"{at(row.depth_m)} at {leave(row)}: {handed(row)}" for row in giving.rows if row.kind == "give")
    rows_of = f" (rows of {giving.rows_of})" if giving.rows_of else ""
    return f"{giving.what}: {'; '.join(hands)}{rows_of}"
