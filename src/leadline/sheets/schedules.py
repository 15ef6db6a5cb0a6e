"""Schedules as they are printed: rows of text, with the pressure of the cylinder that is breathed.

Rounding is the diver's: run time at the surface and TTS up, what is left in a cylinder down, MOD down.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from leadline.dive_file.schema import Dive
from leadline.plan import Plan, rows
from leadline.plan.breathing import Breathed, mod_shown
from leadline.plan.contingency import Contingency
from leadline.plan.gases import Source
from leadline.plan.rows import handed, leave, up
from leadline.plan.scenarios import marked_min
from leadline.plan.supply import CylinderUse
from leadline.show.schedule import line
from leadline.units import SYSTEMS, clock

Data = dict[str, Any]


@dataclass(frozen=True)
class PrintedRow:
    """A line of a schedule, as it is printed."""

    kind: str
    """"start", "leave", "level", "stop", "switch" (a change on the way, without a stop), "hand" (a cylinder changes
    hands) or "surface"."""
    depth: str
    minutes: str
    arrive: str
    leave: str
    tts: str
    gas: str
    mod: str
    """Of the gas changed to, with its ppO2; empty where nothing changes, and on the loop."""
    ppo2: str
    changed: bool
    label: str = ""
    bar: str = ""
    """What the cylinder that is breathed should show when the depth is left; empty on the loop and under way."""


# --- Numbers ----------------------------------------------------------------------------------------------------------


def mod(dive: Dive, part: Breathed) -> str:
    """A MOD with its unit and its ppO2."""
    return mod_shown(dive, part, f" {SYSTEMS[dive.units].depth_unit}")


def mods(dive: Dive, breathing: Iterable[Breathed]) -> dict[Source, str]:
    """The MOD of every gas on open circuit."""
    return {part.source: mod(dive, part) for part in breathing if part.source.circuit == "open"}


def breakable(name: str) -> str:
    """A name that a narrow column can break even where it has no spaces: words over 14 letters get soft places."""
    return re.sub(r"\S{15,}", lambda word: re.sub(r"(.{10})(?=.)", "\\1\u200b", word[0]), name)


def capital(words: str) -> str:
    """A name at the head of a line."""
    return words[:1].upper() + words[1:]


# --- Rows -------------------------------------------------------------------------------------------------------------


def printed(
    dive: Dive, found: Iterable[rows.Row], mods: dict[Source, str], supply: Sequence[CylinderUse] = ()
) -> list[PrintedRow]:
    """The rows of a schedule as they are printed; a dive without stops says so."""
    system = SYSTEMS[dive.units]
    made: list[PrintedRow] = []
    for row in found:
        if row.kind == "surface":
            if not any(other.kind == "stop" for other in made):
                made.append(PrintedRow("none", "", "", "", "", "", "", "", "", False, "No stops"))
            end = up(row.leave_min)
            made.append(PrintedRow("surface", "0", "", end, end, "0", "", "", "", False, "Surface"))
            continue
        if row.kind in ("take", "give"):
            at = leave(row)
            made.append(
                PrintedRow("hand", system.depth(row.depth_m), "", at, at, "", breakable(handed(row)), "", "", True)
            )
            continue
        shown = line(dive, row, supply)
        made.append(
            PrintedRow(
                kind={"change": "switch", "sort out": "level"}.get(row.kind, row.kind),
                depth=shown["depth"],
                minutes="" if row.minutes is None else f"{row.minutes}",
                # So that a stop's minutes add up on paper.
                arrive=clock(row.arrive_min) if row.minutes is None else up(row.leave_min - row.minutes),
                leave=shown["leave"],
                tts=shown["tts"],
                gas=row.breathed.replace(" %", "\u00a0%") if row.whose and row.changed else row.source.name,
                mod=mods.get(row.source, "") if row.changed else "",
                ppo2=shown["ppo2"],
                changed=row.changed,
                label="" if row.kind == "stop" else row.kind,
                bar=shown["left"],
            )
        )
    return made


def planned_rows(plan: Plan) -> list[PrintedRow]:
    """The schedule of the planned dive."""
    return printed(plan.dive, rows.planned_rows(plan), mods(plan.dive, plan.breathing), plan.supply)


def contingency_rows(plan: Plan, found: Contingency) -> list[PrintedRow]:
    """The schedule of a contingency, from where the plan is left; empty if there is no way up."""
    if not found.legs:
        return []
    dive = found.scenario.dive
    return printed(dive, rows.contingency_rows(plan, found), mods(dive, found.breathing), found.supply)


def tts_marks(plan: Plan) -> list[Data]:
    """TTS at marked run times: where a level before the last is left, and at the last level's end and before it."""
    return [{"at": up(at_min), "tts": up(plan.tts_at(at_min))} for at_min in marked_min(plan.schedule)]


def bailout_marks(plan: Plan, found: Contingency) -> list[Data]:
    """TTS for who leaves the loop at the marked run times of the level that a bailout is from, and at its own; none
    where there is no way up."""
    if not found.legs:
        return []
    levels, level = plan.dive.levels, found.scenario.level
    marked: dict[str, str] = {}
    if level is not None:
        since_min = levels[level - 1].leave_at if level > 0 else 0.0
        there = (mark for mark in plan.bailout_tts if since_min + 1e-6 < mark[0] <= levels[level].leave_at + 1e-6)
        marked = {up(at_min): up(tts_min) for at_min, tts_min in there}
    marked[clock(found.leaves_at_min or 0.0)] = up(found.tts_min)
    return [{"at": at, "tts": tts} for at, tts in marked.items()]
