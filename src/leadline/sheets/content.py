"""What the sheets say: every text and number on paper, made here. The templates only lay it out.

Rounding is the diver's: run time at the surface and TTS up, what is left in a cylinder down, MOD down.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from leadline.brief.schema import Dive
from leadline.cautions import CAUTIONS, SHORT
from leadline.plan import Plan, rows
from leadline.plan.breathing import Breathed
from leadline.plan.gases import Source
from leadline.plan.rows import up
from leadline.plan.supply import CylinderUse
from leadline.sheets.profile import profile
from leadline.units import SYSTEMS

Data = dict[str, Any]

ROWS_ON_A_SLATE = 12
"""More than these would make the type too small to read at arm's length: the slate goes on on a further page."""
FINDINGS_ON_A_BRIEFING = 12
TTS_MARK_MIN = 5
"""TTS is marked this far apart before the last level is left."""


@dataclass(frozen=True)
class Row:
    """A line of a schedule, as it is printed."""

    kind: str
    """"level", "stop", "switch" (a change on the way, without a stop) or "surface"."""
    depth: str
    minutes: str
    arrive: str
    leave: str
    tts: str
    gas: str
    mod: str
    """Of the gas changed to; empty where nothing changes, and on the loop."""
    ppo2: str
    changed: bool
    label: str = ""


# --- Numbers ----------------------------------------------------------------------------------------------------------


def down(minutes: float) -> str:
    """Whole minutes, a begun one not counted."""
    return f"{math.floor(minutes + 1e-6)}"


def mod(dive: Dive, part: Breathed) -> str:
    """A MOD with its unit: whole, rounded down."""
    system = SYSTEMS[dive.units]
    return f"{max(0, math.floor(part.mod_m / system.depth_m + 1e-6))} {system.depth_unit}"


def count(number: int, one: str, many: str = "") -> str:
    """A number of things: "1 caution", "3 cautions"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def breakable(name: str) -> str:
    """A name that a narrow column can break even where it has no spaces: words over 20 letters get soft places."""
    return re.sub(r"\S{21,}", lambda word: re.sub(r"(.{14})(?=.)", "\\1\u200b", word[0]), name)


# --- Schedules --------------------------------------------------------------------------------------------------------


def printed(dive: Dive, found: Iterable[rows.Row], mods: dict[Source, str]) -> list[Row]:
    """The rows of a schedule as they are printed; a dive without stops says so."""
    system, where = SYSTEMS[dive.units], dive.site.environment
    made: list[Row] = []
    for row in found:
        if row.kind == "surface":
            if not any(other.kind == "stop" for other in made):
                made.append(Row("none", "", "", "", "", "", "", "", "", False, "No stops"))
            end = up(row.leave_min)
            made.append(Row("surface", "0", "", end, end, "0", "", "", "", False, "Surface"))
            continue
        made.append(
            Row(
                kind="switch" if row.kind == "change" else row.kind,
                depth=system.depth(row.depth_m),
                minutes="" if row.minutes is None else f"{row.minutes}",
                # So that a stop's minutes add up on paper.
                arrive=down(row.arrive_min) if row.minutes is None else up(row.leave_min - row.minutes),
                leave=up(row.leave_min),
                tts="" if row.tts_min is None else up(row.tts_min),
                gas=row.source.name,
                mod=mods.get(row.source, "") if row.changed else "",
                ppo2=f"{row.source.ppo2(where.pressure(row.depth_m)):.2f}",
                changed=row.changed,
                label="" if row.kind == "stop" else row.kind,
            )
        )
    return made


def planned_rows(plan: Plan) -> list[Row]:
    """The schedule of the planned dive."""
    mods = {part.source: mod(plan.dive, part) for part in plan.breathing if part.source.circuit == "open"}
    return printed(plan.dive, rows.planned_rows(plan), mods)


def bailout_rows(plan: Plan) -> list[Row]:
    """The schedule of the worst bailout; empty without one."""
    found = plan.bailout
    if found is None:
        return []
    mods = {part.source: mod(plan.dive, part) for part in found.breathing}
    made = printed(plan.dive, rows.bailout_rows(plan), mods)
    return [replace(row, label="sort out") if i == 0 and row.kind == "level" else row for i, row in enumerate(made)]


def tts_marks(plan: Plan) -> list[Data]:
    """TTS at marked run times: where a level before the last is left, and at the last level's end and before it."""
    levels = [leg for leg in plan.schedule.legs if leg.kind == "level"]
    marks = [leg.end_min for leg in levels[:-1]][-2:]
    if levels:
        last = levels[-1]
        marks += [
            last.end_min - i * TTS_MARK_MIN
            for i in (2, 1, 0)
            if i == 0 or last.end_min - i * TTS_MARK_MIN >= last.start_min - 1e-6
        ]
    return [
        {"at": up(at_min), "tts": up(float(plan.schedule.track.at(at_min)["tts_min"]))}
        for at_min in dict.fromkeys(marks)
    ]


# --- Tables -----------------------------------------------------------------------------------------------------------


def gas_table(dive: Dive, breathing: Iterable[Breathed]) -> list[Data]:
    """What is breathed, and what it does at its deepest."""
    return [
        {
            "gas": part.source.name,
            "diluent": f"diluent {part.source.mix.name}" if part.source.circuit == "closed" else "",
            "depths": f"{SYSTEMS[dive.units].depth(part.deepest_m)}–{SYSTEMS[dive.units].depth(part.shallowest_m)}",
            "mod": mod(dive, part),
            "limit": f"{part.limit_bar:.1f}",
            "ppo2": f"{part.ppo2_low_bar:.2f}–{part.ppo2_high_bar:.2f}",
            "end": SYSTEMS[dive.units].at(part.end_m),
            "density": f"{part.density_g_l:.1f}",
        }
        for part in breathing
    ]


def supply_table(dive: Dive, supply: Iterable[CylinderUse]) -> list[Data]:
    """Every cylinder: what it starts with, what is used, what is left, what is to be left."""
    system = SYSTEMS[dive.units]
    return [
        {
            "name": breakable(use.name),
            "gas": use.mix.name,
            "start": system.pressure(use.start_bar),
            "used": system.gas(use.used_l),
            "left": system.pressure(use.left_bar),
            "reserve": f"{use.reserve_bar / system.pressure_bar:.0f}",
            "short": f"short by {max(1, round(use.short_l / system.gas_l))} {system.gas_unit}"
            if use.short_l > 1e-6
            else "",
        }
        for use in supply
    ]


def change_list(plan: Plan) -> list[Data]:
    """Every change of gas or setpoint of the planned dive."""
    changed = [row for row in planned_rows(plan) if row.changed]
    return [{"depth": row.depth, "at": _when(row), "gas": row.gas, "mod": row.mod, "ppo2": row.ppo2} for row in changed]


def _when(row: Row) -> str:
    return row.arrive if row.kind in ("stop", "level") else row.leave


def loop_line(plan: Plan) -> str:
    """Time on the loop against the scrubber, in words; empty on open circuit."""
    if plan.loop is None:
        return ""
    rated = "scrubber time not given" if plan.loop.scrubber_min is None else f"scrubber {plan.loop.scrubber_min:g} min"
    return f"On the loop {up(plan.loop.minutes)} min; {rated}"


def bailout_line(plan: Plan) -> str:
    """Where and when the worst bailout begins."""
    found = plan.bailout
    if found is None:
        return ""
    return f"Leave the loop at run time {found.worst_moment_min:.0f}, {SYSTEMS[plan.dive.units].at(found.depth_m)}"


# --- Sheets -----------------------------------------------------------------------------------------------------------


def common(plan: Plan) -> Data:
    """What every sheet carries."""
    system, dive = SYSTEMS[plan.dive.units], plan.dive
    low, high = dive.model.gradient_factors
    return {
        "title": dive.title,
        "heading": breakable(dive.title),
        "caution": [f"{sentence.rstrip('.')}." for sentence in SHORT.split(". ")],
        "no_go": plan.findings[0].message if plan.no_go else "",
        "depth_unit": system.depth_unit,
        "pressure_unit": system.pressure_unit,
        "gas_unit": system.gas_unit,
        "model": f"{dive.model.coefficients}  GF {low:g}/{high:g}",
    }


def slate(plan: Plan) -> Data:
    """The wrist slate: the planned dive, then the bailout, each on as many pages as it takes."""
    pages = _pages("Plan", "", planned_rows(plan), tts_marks(plan))
    if plan.bailout is not None:
        worst = {"at": f"{plan.bailout.worst_moment_min:.0f}", "tts": up(plan.bailout.tts_min)}
        pages += _pages("Bailout", bailout_line(plan), bailout_rows(plan), [worst])
    return {**common(plan), "pages": pages}


def _pages(heading: str, line: str, found: Sequence[Row], marks: list[Data]) -> list[Data]:
    how_many = math.ceil(len(found) / ROWS_ON_A_SLATE)
    each = math.ceil(len(found) / how_many)
    return [
        {
            "heading": heading,
            "part": f"{i + 1} of {how_many}" if how_many > 1 else "",
            "line": line,
            "rows": [asdict(row) for row in found[i * each : (i + 1) * each]],
            "goes_on": i + 1 < how_many,
            "marks": marks if i == 0 else [],
        }
        for i in range(how_many)
    ]


def wetnotes(plan: Plan) -> Data:
    """A6 pages: schedule, gases and supply, bailout, room for what was really dived."""
    dive, found = plan.dive, plan.bailout
    return {
        **common(plan),
        "rows": [asdict(row) for row in planned_rows(plan)],
        "marks": tts_marks(plan),
        "gases": gas_table(dive, plan.breathing),
        "changes": change_list(plan),
        "supply": supply_table(dive, plan.supply),
        "loop": loop_line(plan),
        "bailout": None
        if found is None
        else {
            "line": bailout_line(plan),
            "tts": f"TTS {up(found.tts_min)} min",
            "rows": [asdict(row) for row in bailout_rows(plan)],
            "gases": gas_table(dive, found.breathing),
            "supply": supply_table(dive, found.supply),
        },
        "notes": [
            f"Deepest ({SYSTEMS[dive.units].depth_unit})",
            "Run time (min)",
            *(
                f"{breakable(use.name)}, {use.mix.name}: left ({SYSTEMS[dive.units].pressure_unit})"
                for use in plan.supply
            ),
        ],
    }


def briefing(plan: Plan) -> Data:
    """One A4 page for the team to plan by."""
    dive, found = plan.dive, plan.bailout
    shown = max(FINDINGS_ON_A_BRIEFING, sum(f.severity == "no-go" for f in plan.findings))
    more = len(plan.findings) - shown
    planned = planned_rows(plan)
    return {
        **common(plan),
        "verdict": verdict(plan),
        "facts": facts(plan),
        "profile": profile(plan, 172.0, 84.0 if len(planned) <= 14 else 62.0),
        "rows": [asdict(row) for row in planned],
        "marks": tts_marks(plan),
        "gases": gas_table(dive, plan.breathing),
        "supply": supply_table(dive, plan.supply),
        "loop": loop_line(plan),
        "oxygen": oxygen_line(plan.oxygen.cns_percent, plan.oxygen.otu, plan.oxygen.highest_ppo2_bar),
        "bailout": None
        if found is None
        else {
            "line": f"{bailout_line(plan)}; {up(found.tts_min)} min to the surface, run time {up(found.run_time_min)}",
            "oxygen": oxygen_line(found.oxygen.cns_percent, found.oxygen.otu, found.oxygen.highest_ppo2_bar),
            "supply": supply_table(dive, found.supply),
            "stops": "; ".join(
                f"{row.depth} {SYSTEMS[dive.units].depth_unit} leave at {row.leave} on {row.gas}"
                for row in bailout_rows(plan)
                if row.kind == "stop"
            ),
        },
        "findings": [{"severity": f.severity, "message": f.message} for f in plan.findings[:shown]],
        "more": f"And {count(more, 'more finding', 'more findings')}: see the plan itself." if more > 0 else "",
        "cautions": list(CAUTIONS),
    }


def verdict(plan: Plan) -> Data:
    """What was found, in a word and a line. A plan without a no-go is not called safe: nothing is."""
    severities = [finding.severity for finding in plan.findings]
    no_gos, cautions = severities.count("no-go"), severities.count("caution")
    if plan.no_go:
        line = f"{count(no_gos, 'reason')} not to dive this plan"
        return {"word": "NO-GO", "line": f"{line}; {count(cautions, 'caution')}", "grave": True}
    line = f"{count(cautions, 'caution')} to weigh" if cautions else "No cautions either"
    return {"word": "No no-go found", "line": f"{line}. The decision is the team's.", "grave": False}


def facts(plan: Plan) -> list[Data]:
    """The dive in a line: where, on which model, how fast, how long."""
    dive, system, schedule = plan.dive, SYSTEMS[plan.dive.units], plan.schedule
    low, high = dive.model.gradient_factors
    water = f"{dive.site.water:g} kg/m³" if isinstance(dive.site.water, float) else _WATERS[dive.site.water]
    ascent = dive.rates.ascent
    degrees = dive.site.temperature
    warm = f"{degrees:.0f} °C" if dive.units == "metric" else f"{degrees * 1.8 + 32.0:.0f} °F"
    first = schedule.first_stop_m
    return [
        {"name": "Deepest", "text": SYSTEMS[dive.units].at(dive.deepest_m)},
        {"name": "Leave the last level", "text": f"{dive.levels[-1].leave_at:.0f} min"},
        {"name": "Run time", "text": f"{up(schedule.run_time_min)} min"},
        {"name": "TTS", "text": f"{up(schedule.tts_min)} min"},
        {"name": "First stop", "text": "none" if first is None else SYSTEMS[dive.units].at(first)},
        {"name": "NDL at the deepest", "text": f"{schedule.ndl_min} min"},
        {"name": "Model", "text": f"{dive.model.coefficients}, GF {low:g}/{high:g}"},
        {
            "name": "Rates",
            "text": " / ".join(_rate(dive, rate) for rate in _rates(dive, ascent)) + f" {system.depth_unit}/min",
        },
        {"name": "Water", "text": f"{water}, {warm}"},
        {"name": "Surface", "text": f"{SYSTEMS[dive.units].at(dive.site.altitude)}, {_millibar(dive)} mbar"},
    ]


_WATERS = {"en13319": "EN 13319", "sea": "sea", "fresh": "fresh"}


def _rates(dive: Dive, ascent: float) -> list[float]:
    """Down, up, between stops, to the surface; the last two only where they differ."""
    between = dive.rates.between_stops if dive.rates.between_stops is not None else ascent
    last = dive.rates.to_surface if dive.rates.to_surface is not None else ascent
    return [dive.rates.descent, ascent, *([between, last] if (between, last) != (ascent, ascent) else [])]


def _rate(dive: Dive, rate: float) -> str:
    return f"{round(rate / SYSTEMS[dive.units].depth_m, 1):g}"


def _millibar(dive: Dive) -> str:
    return f"{1000.0 * dive.site.environment.surface_bar:.0f}"


def oxygen_line(cns_percent: float, otu: float, highest_bar: float) -> str:
    """Oxygen exposure in a line."""
    return f"CNS {math.ceil(cns_percent - 1e-6)} %, {math.ceil(otu - 1e-6)} OTU, highest ppO2 {highest_bar:.2f} bar"
