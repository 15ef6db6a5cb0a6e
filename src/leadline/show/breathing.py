"""What every gas does to the diver, the oxygen taken up, and how long to wait before flying."""

from __future__ import annotations

from collections.abc import Iterable

from leadline.dive_file.schema import Dive
from leadline.plan import Plan, flying
from leadline.plan.breathing import Breathed, mod_shown, tolerances
from leadline.plan.oxygen import Oxygen
from leadline.plan.rows import up
from leadline.show.table import Column, Line, Table
from leadline.units import SYSTEMS


def breathing_table(dive: Dive, breathing: Iterable[Breathed]) -> Table:
    """Every gas over the depths it is breathed at."""
    unit, found = SYSTEMS[dive.units].depth_unit, list(breathing)
    columns = (
        Column("gas", "Gas", figures=False), Column("depths", "Depth", unit), Column("ppo2", "ppO2"),
        Column("mod", "MOD", f"{unit} (ppO2)"), Column("end", "END", unit), Column("ead", "EAD", unit),
        Column("density", "g/L"),
    )  # fmt: skip
    tolerated = tolerances(dive, found)
    notes = (f"{tolerated}.",) if tolerated else ()
    return Table("Breathing", columns, tuple(_line(dive, part) for part in found), notes)


def _line(dive: Dive, part: Breathed) -> Line:
    system = SYSTEMS[dive.units]
    return Line(
        {
            "gas": part.source.name,
            "depths": f"{system.depth(part.deepest_m)}–{system.depth(part.shallowest_m)}",
            "ppo2": f"{part.ppo2_low_bar:.2f}–{part.ppo2_high_bar:.2f}",
            "mod": mod_shown(dive, part),
            "end": narcotic_depth(dive, part.end_m),
            "ead": narcotic_depth(dive, part.ead_m),
            "density": f"{part.density_g_l:.1f}",
        }
    )


def narcotic_depth(dive: Dive, metres: float) -> str:
    """An END or EAD, whole, without its unit."""
    return f"{round(metres / SYSTEMS[dive.units].depth_m):.0f}"


def oxygen_line(found: Oxygen) -> str:
    """Oxygen exposure of a dive."""
    return f"CNS {up(found.cns_percent)} %, {up(found.otu)} OTU, highest ppO2 {found.highest_ppo2_bar:.2f} bar"


def oxygen_lines(plan: Plan) -> list[str]:
    """Oxygen exposure of a plan, with its longest bailout and with the days before, in sentences."""
    line, bailout = f"Oxygen: {oxygen_line(plan.oxygen)}", plan.longest_bailout
    if bailout is not None:
        line += f"; with the bailout CNS {up(bailout.oxygen.cns_percent)} %, {up(bailout.oxygen.otu)} OTU"
    days = days_line(plan)
    return [f"{line}.", *([f"{days}."] if days else [])]


def days_line(plan: Plan) -> str:
    """Oxygen of the last days; empty for a dive that comes after none."""
    found = plan.oxygen
    if len(found.doses) == 1:
        return ""
    windows = (f"{_days(of.days)} {up(of.otu)} OTU of {of.most_otu:.0f}" for of in found.windows)
    return f"{up(found.day_percent)} % of NOAA's limit for 24 hours; last {', '.join(windows)}"


def _days(days: int) -> str:
    return "24 h" if days == 1 else f"{days} days"


def after_table(plan: Plan) -> Table:
    """Flying, and going up to an altitude, after the dive."""
    keys = ("where", "wait", "model", "guidance")
    columns = (
        Column("where", "After the dive", figures=False), Column("wait", "Wait"), Column("model", "Model"),
        Column("guidance", "Published guidance", figures=False),
    )  # fmt: skip
    lines = (Line(dict(zip(keys, flying.in_words(one, plan.dive.units), strict=True))) for one in plan.after)
    return Table("After the dive", columns, tuple(lines), (flying.note(plan.dive.units),))
