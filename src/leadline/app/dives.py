"""The dives of the log, one of them, and how it went, as HTML. Every text of a dive or a dive file is escaped."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta
from html import escape
from itertools import pairwise

from leadline.app import tables
from leadline.app.charts import breathed_name, depth_m
from leadline.app.log_service import Brought
from leadline.dive_file.errors import Problem
from leadline.logbook.database.store import Entry, Logged, spans
from leadline.logbook.debrief import words as words
from leadline.logbook.debrief.against_plan import Debrief
from leadline.logbook.dived import Dived
from leadline.units import SYSTEMS, System, SystemName


def system_of(logged: Logged, asked: SystemName | None) -> System:
    """The units to show a dive in: those of the dive file that it was dived by, in which it is debriefed; without one
    those asked for, or metric."""
    if logged.dived.plan is None:
        return SYSTEMS[asked or "metric"]
    try:
        written = tomllib.loads(logged.dived.plan.text).get("units")
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        written = None
    return SYSTEMS["imperial" if written == "imperial" else "metric"]


def which(dived: Dived) -> str:
    """A dive in words: when, what, whose."""
    return ", ".join(part for part in (f"{dived.began:%Y-%m-%d %H:%M}", dived.title, dived.diver) if part)


def refused(lines: Iterable[str]) -> str:
    """What the log does not allow."""
    return tables.problems(Problem("Dive log", line) for line in lines)


# --- The list, and files ----------------------------------------------------------------------------------------------


def entries(found: Sequence[Entry], system: System, shown: int | None) -> str:
    """Dives, a line each; the button in it says which to show."""
    rows = [
        (
            f'<button type="button" class="dive" data-dive="{one.number}" aria-label="Show dive {one.number}"'
            f"{' aria-current=true' if one.number == shown else ''}>{one.number}</button>",
            f'<span class="when">{one.began:%Y-%m-%d %H:%M}</span>',
            escape(one.title or "untitled"),
            escape(one.diver),
            system.depth(one.deepest_m),
            minutes(one.run_time_min),
            "kept" if one.has_plan else "",
        )
        for one in found
    ]
    head = ("Dive", "Began", "Title", "Diver", f"Deepest, {system.depth_unit}", "Run time", "Plan")
    return tables.table("Dives, the newest first", head, rows, left=(0, 1, 2, 3, 6))


def brought(found: Brought) -> str:
    """What came of files of dives."""
    count = {0: "No dive came in", 1: "1 dive came in"}.get(len(found.new), f"{len(found.new)} dives came in")
    said = [f"{count}, {spans(sorted(found.new))}" if found.new else count]
    if found.known:
        said.append(f"{found.known} {'was' if found.known == 1 else 'were'} in the log already")
    if found.broken:
        said.append(f"{found.broken} {'is' if found.broken == 1 else 'are'} broken")
    counted = bool(found.new or found.known or found.broken or not found.ended)
    listed = [Problem("Not in", line) for line in found.wrong] + [Problem("Ended", line) for line in found.ended]
    return (f"<p>{escape('; '.join(said))}.</p>" if counted else "") + (tables.problems(listed) if listed else "")


# --- A dive -----------------------------------------------------------------------------------------------------------


def facts(logged: Logged, system: System) -> str:
    """A dive in figures."""
    dived = logged.dived
    title = f"<h3>Dive {logged.number}: {escape(dived.title or 'untitled')}</h3>"
    notes = f'<p class="notes">{escape(dived.notes)}</p>' if dived.notes else ""
    return f"{title}<p>{'<br>'.join(escape(line) for line in _facts(dived, system))}</p>{notes}"


def carried(dived: Dived, system: System) -> str:
    """What was carried, and what was breathed when."""
    unit = system.pressure_unit
    bars = [[_pressure(bar, system) for bar in (one.start_bar, one.end_bar)] for one in dived.cylinders]
    cylinders = [
        (escape(one.name), escape(one.mix.name), "" if one.size_l is None else f"{one.size_l:.4g}", *ends)
        for one, ends in zip(dived.cylinders, bars, strict=True)
    ]
    breathed = [
        (
            minutes(one.run_time_min),
            system.depth(depth_m(dived, one.run_time_min)),
            escape(breathed_name(dived, one)),
            escape(dived.cylinders[one.cylinder].name),
        )
        for one in dived.breathed
    ]
    return tables.table(
        "Carried", ("Cylinder", "Gas", "L of water", f"Start, {unit}", f"End, {unit}"), cylinders, left=(0, 1)
    ) + tables.table("Breathed", ("From", f"Depth, {system.depth_unit}", "Gas", "Cylinder"), breathed, left=(2, 3))


def _pressure(bar: float | None, system: System) -> str:
    return "" if bar is None else system.pressure(bar)


def _facts(dived: Dived, system: System) -> Iterator[str]:
    ends = dived.began + timedelta(minutes=dived.run_time_min)
    until = f"{ends:%H:%M}" if ends.date() == dived.began.date() else f"{ends:%Y-%m-%d %H:%M}"
    yield f"{dived.diver + ', ' if dived.diver else ''}{dived.began:%Y-%m-%d %H:%M} to {until}"
    yield (
        f"Deepest {system.at(dived.deepest_m)}, mean {system.at(_mean_m(dived))}, "
        f"run time {minutes(dived.run_time_min)}"
    )
    water = dived.water if isinstance(dived.water, str) else f"of {dived.water:g} kg/m³"
    celsius = [one for one in dived.profile.temperature_c if one is not None]
    degrees = f", {_degrees(min(celsius), system)} to {_degrees(max(celsius), system)}" if celsius else ""
    altitude = f", at an altitude of {system.at(dived.altitude_m)}" if dived.altitude_m else ""
    yield f"Water {water}{degrees}{altitude}"
    yield f"Its plan: {dived.plan.file}" if dived.plan is not None else "No plan is kept with it"


def _mean_m(dived: Dived) -> float:
    """Mean depth over the run time. [m]"""
    points = zip(dived.profile.run_time_min, dived.profile.depth_m, strict=True)
    return sum((t1 - t0) * (d0 + d1) / 2.0 for (t0, d0), (t1, d1) in pairwise(points)) / dived.run_time_min


def minutes(found: float) -> str:
    """Minutes and seconds: "58:12"."""
    whole, seconds = divmod(round(60.0 * found), 60)
    return f"{whole}:{seconds:02d}"


def _degrees(celsius: float, system: System) -> str:
    return f"{32.0 + 1.8 * celsius:.0f} °F" if system.name == "imperial" else f"{celsius:.1f} °C"


# --- How it went ------------------------------------------------------------------------------------------------------


def verdict(found: Debrief) -> str:
    """What went otherwise than planned, first of all."""
    listed = tables.findings(found.findings, numbered=True) if found.findings else ""
    notices = "".join(f"<p>{escape(line)}</p>" for line in words.notices(found))
    return (
        f"<h3>How it went</h3><p>{escape(words.rules(found))}</p>"
        f"<p><b>{escape(words.verdict(found))}</b></p>{listed}{notices}"
    )


def debrief(found: Debrief) -> str:
    """The rest of it: the sheet that applied, plan and dive side by side, gas, RMV, oxygen and gradient factors."""
    unit = words.system_of(found).depth_unit
    marks = [
        (
            escape(row.name), row.planned, row.dived, f"<b>{row.later}</b>" if row.later != "0" else "0", row.depth,
            row.planned_tts, row.tts, escape(row.gas),
        )
        for row in words.mark_rows(found)
    ]  # fmt: skip
    marked = tables.table(
        "Plan and dive at the marked times",
        ("", "Plan, min", "Dive, min", "Later", f"Depth, {unit}", "TTS plan", "TTS dive", "Gas"),
        marks,
        left=(0, 7),
    )
    doses = [*words.oxygen_rows(found), *words.gf_rows(found)]
    parts = [
        "<h3>Which sheet applied</h3>",
        *(f"<p>{escape(line)}</p>" for line in words.sheet_words(found)),
        marked,
        _plain("Gas against the plan", words.gas_columns(found), words.gas_rows(found), left=(0, 1)),
        _plain("RMV", words.rmv_columns(found), words.rmv_rows(found), left=(0, 1, 2)),
        _plain("Oxygen and gradient factors", ("", "plan", "dive"), doses, left=(0,)),
    ]
    return "".join(parts)


def offers(found: Debrief) -> str:
    """What can be written into a dive file, and how far it can be relied on."""
    lines = escape("\n".join(words.offer_lines(found)))
    pasted = f'<h3>To plan with</h3><pre tabindex="0">{lines}</pre>' if lines else ""
    return pasted + "".join(f"<p>{escape(line)}</p>" for line in words.offer_words(found))


def _plain(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], left: Sequence[int]) -> str:
    """A table of plain texts; empty where there are none."""
    cells = [[escape(cell) for cell in row] for row in rows]
    named = [escape(name[:1].upper() + name[1:]) for name in head]
    return tables.table(caption, named, cells, left) if cells else ""
