"""Everything that can go wrong, in a line each: where the plan is left, run time, TTS, least gas, what comes of it."""

from __future__ import annotations

from leadline.plan import Plan
from leadline.plan.causes import lasting
from leadline.plan.contingency import Contingency
from leadline.plan.rows import up
from leadline.show.outcome import in_words
from leadline.show.table import Column, Line, Table
from leadline.units import SYSTEMS, System, clock


def what_if_table(plan: Plan) -> Table:
    """Every contingency of a plan in a line."""
    system = SYSTEMS[plan.dive.units]
    columns = (
        Column("name", "What if", figures=False), Column("from", "From"), Column("run", "Run"), Column("more", ""),
        Column("tts", "TTS"), Column("least", "Least left", figures=False), Column("outcome", "", figures=False),
    )  # fmt: skip
    notes = (
        "From: run time at which the plan is left. Run: run time at the surface. All stops are met unless said. Least "
        f"left: the cylinder with the least, in {system.pressure_unit}; r, of its reserve.",
    )
    return Table("Everything that can go wrong", columns, tuple(_line(plan, one) for one in plan.contingencies), notes)


def lasting_line(plan: Plan) -> str:
    """In how many contingencies the gas lasts, in a sentence."""
    if not plan.contingencies:
        return "What if: every contingency is left out in the dive file."
    lasts, of = lasting(plan.contingencies)
    return f"Gas lasts in {lasts} of {of}."


def _line(plan: Plan, found: Contingency) -> Line:
    system = SYSTEMS[plan.dive.units]
    cells = {"name": found.name, "least": least_left(system, found), "outcome": outcome(found)}
    cells |= {"from": clock(found.left_at[0])} if found.left_at is not None else {}
    if found.legs:
        more = later(found.run_time_min, plan.schedule.run_time_min)
        cells |= {"run": up(found.run_time_min), "more": more, "tts": up(found.tts_min)}
    return Line(cells, "" if found.holds else "fails", () if found.holds else ("outcome",))


def later(run_time_min: float, planned_min: float) -> str:
    """How much longer one run time is than another, as both are read: "+4", "−2", "+0"."""
    return f"{int(up(run_time_min)) - int(up(planned_min)):+d}".replace("-", "\u2212")


def outcome(found: Contingency) -> str:
    """What comes of a contingency, in words."""
    return "; ".join(in_words(found)) + (" (two failures)" if found.scenario.two_failures else "")


def least_left(system: System, found: Contingency) -> str:
    """What is left in the cylinder with the least, or missing in the one that is missing most; marked where that is of
    its reserve."""
    least = found.least
    if least is None:
        return ""
    if least.missing_l > 1e-6:
        return f"{least.name}: {system.gas_up(least.missing_l)} {system.gas_unit} short"
    mark = " r" if least.short_l > 1e-6 else ""
    return f"{least.name}: {system.pressure(least.left_bar)}{mark}"
