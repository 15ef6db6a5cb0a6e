"""The columns of a sweep: what each is called, what it means, and how the figures of dives fill them.

Every number is metric. What a dive that is refused has no figure for is null.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

import leadline
from leadline.cautions import CAUTIONS
from leadline.dive_file.schema import Dive
from leadline.dive_file.team import divers
from leadline.many.batch import BatchResult
from leadline.many.gas import cylinders_of
from leadline.physics.mix import Mix
from leadline.plan.oxygen import DAY_MIN, Before, Oxygen, carried
from leadline.plan.planned import Plan
from leadline.plan.schedule import Layout, Schedule
from leadline.plan.supply import CylinderUse, LoopUse
from leadline.plan.team import Team
from leadline.sweep.axes import Axis, SweepPlan
from leadline.units import RatedCubicFeet

Array = NDArray[Any]
Figures = dict[str, Any]
"""Of dives, an array a column; of one dive, a value."""

LAYOUT = 1
"""Of the result; it changes when a column changes its name or meaning."""

_KINDS = {"count": pa.int64(), "number": pa.float64(), "text": pa.string(), "truth": pa.bool_()}
_OUT_OF_GAS = ("gas-short", "mate-gas-short", "no-gas", "bailout-none")
"""How codes end that say that gas does not last."""


@dataclass(frozen=True)
class SweepColumn:
    """One column."""

    name: str
    kind: Literal["count", "number", "text", "truth"]
    meaning: str


def columns_of(sweep: SweepPlan) -> tuple[SweepColumn, ...]:
    """The columns of a sweep, in order."""
    named = divers(sweep.file.dive)
    dives = [dive for _, dive in named]
    cylinders = dict.fromkeys(cylinder.name for dive in dives for cylinder in dive.cylinders)
    found = [SweepColumn("dive", "count", "its number, from 1")]
    if named[0][0]:
        found.append(SweepColumn("diver", "text", "of the team; all are on the same stops"))
    found += [
        SweepColumn(
            axis.name, "number" if _in_numbers(axis) else "text", "varied, metric; as at this key of the dive file"
        )
        for axis in sweep.axes
    ]
    found += [
        SweepColumn("refused", "text", "why it cannot be dived; null where it can"),
        SweepColumn("run_time_min", "number", "run time at the surface"),
        SweepColumn("tts_min", "number", "from leaving the last level to the surface"),
        SweepColumn("stops_min", "number", "at stops, after the last level"),
        SweepColumn("first_stop_m", "number", "depth of the deepest of them; null: none"),
        SweepColumn("gf_surface_percent", "number", "gradient factor on surfacing, of the leading compartment"),
        SweepColumn("cns_percent", "number", "CNS, with what dives before have left"),
        SweepColumn("otu", "number", "OTU of the last 24 hours"),
        SweepColumn("highest_ppo2_bar", "number", "highest ppO2 breathed"),
    ]
    for name in cylinders:
        found += [
            SweepColumn(f"{name} used_l", "number", "drawn from it, in free litres"),
            SweepColumn(f"{name} left_bar", "number", "pressure in it at the surface"),
            SweepColumn(f"{name} short_l", "number", "missing to finish with its reserve intact"),
        ]
    if any(dive.loop is not None for dive in dives):
        found += [
            SweepColumn("loop_oxygen_l", "number", "oxygen that the loop takes"),
            SweepColumn("loop_diluent_l", "number", "diluent that the loop takes"),
        ]
    if sweep.contingencies:
        found += [
            SweepColumn("verdict", "text", "go or no-go: of the whole team, with every contingency"),
            SweepColumn("no_go_codes", "text", "of the findings that make it a no-go; null: none"),
            SweepColumn("longest_contingency", "text", "the contingency with the longest way up"),
            SweepColumn("longest_contingency_tts_min", "number", "its TTS, from where the plan is left"),
            SweepColumn("bailout_l", "number", "most that a bailout takes on open circuit; null without a loop"),
            SweepColumn("gas_lasts", "truth", "whether the gas lasts in the plan and every contingency of the verdict"),
        ]
    return tuple(found)


def written(value: object) -> str:
    """A value of an axis as text."""
    if isinstance(value, Mix):
        return value.label
    if isinstance(value, RatedCubicFeet):
        return f"{value.cubic_feet:.15g} cuft"
    if isinstance(value, tuple):
        return "/".join(written(part) for part in value)
    return f"{value:.15g}" if isinstance(value, int | float) else str(value)


def axis_column(axis: Axis, chosen: Array) -> Array:
    """The column of an axis: of each dive the value that is chosen."""
    if _in_numbers(axis):
        return np.array(axis.read, dtype=float)[chosen]
    return np.array([written(value) for value in axis.read], dtype=object)[chosen]


def _in_numbers(axis: Axis) -> bool:
    return all(isinstance(value, int | float) for value in axis.read)


def empty(sweep: SweepPlan, rows: int) -> Figures:
    """Columns without a figure."""
    return {
        column.name: np.full(rows, np.nan) if column.kind == "number" else np.full(rows, None, dtype=object)
        for column in columns_of(sweep)
    }


def schema(sweep: SweepPlan, digest: str) -> pa.Schema:
    """The columns as Arrow has them, with what the result is of; `digest` is the sweep's."""
    about = {
        "leadline": leadline.__version__,
        "sweep": digest,
        "layout": str(LAYOUT),
        "title": sweep.file.dive.title,
        "file": sweep.file.name,
        "dives": str(sweep.dives),
        "units": "metric",
        "cautions": " ".join(CAUTIONS),
    }
    fields = [pa.field(c.name, _KINDS[c.kind], metadata={"meaning": c.meaning}) for c in columns_of(sweep)]
    return pa.schema(fields, metadata=about)


def table(sweep: SweepPlan, digest: str, found: Figures) -> pa.Table:
    """Figures as an Arrow table. NaN is null."""
    arrays = [pa.array(found[c.name], type=_KINDS[c.kind], from_pandas=True) for c in columns_of(sweep)]
    return pa.Table.from_arrays(arrays, schema=schema(sweep, digest))


# --- Of many dives at once --------------------------------------------------------------------------------------------


def figures_of_many(dive: Dive, layout: Layout, swum: BatchResult) -> Figures:
    """The figures of dives of one layout. [dives]"""
    figures, gas = swum.figures, cylinders_of(dive, layout, swum)
    before = carried(dive)
    found: Figures = {
        "run_time_min": figures["run_time_min"],
        "tts_min": figures["tts_min"],
        "stops_min": figures["stops_min"],
        "first_stop_m": np.where(figures["first_stop_m"] < 0.0, np.nan, figures["first_stop_m"]),
        "gf_surface_percent": 100.0 * figures["gf_surface"],
        "cns_percent": before.cns_percent + figures["cns_percent"],
        "otu": figures["otu"] + _still_counted(before, figures["run_time_min"]),
        "highest_ppo2_bar": figures["highest_ppo2_bar"],
    }
    for i, name in enumerate(gas.names):
        found[f"{name} used_l"] = gas.used_l[:, i]
        found[f"{name} left_bar"] = gas.left_bar[:, i]
        found[f"{name} short_l"] = gas.short_l[:, i]
    if dive.loop is not None:
        found["loop_oxygen_l"], found["loop_diluent_l"] = gas.loop_oxygen_l, gas.loop_diluent_l
    return found


def _still_counted(before: Before, run_time_min: Array) -> Array:
    """OTU of dives before that are not yet 24 hours old at the end of each dive."""
    found = np.zeros(len(run_time_min))
    for dose in before.doses:
        found += np.where(dose.ago_min + run_time_min < DAY_MIN, dose.otu, 0.0)
    return found


# --- Of one dive ------------------------------------------------------------------------------------------------------


def figures_of_one(
    dive: Dive, schedule: Schedule, oxygen: Oxygen, cylinders: Sequence[CylinderUse], loop: LoopUse | None
) -> Figures:
    """The figures of one diver's dive."""
    left_min = dive.levels[-1].leave_at - 1e-6
    stops = [leg for leg in schedule.legs if leg.kind == "stop" and leg.start_min >= left_min]
    found: Figures = {
        "run_time_min": schedule.run_time_min,
        "tts_min": schedule.tts_min,
        "stops_min": sum(leg.minutes for leg in stops),
        "first_stop_m": max((leg.end_m for leg in stops), default=None),
        "gf_surface_percent": 100.0 * float(schedule.track.points[-1]["gf_surface"]),
        "cns_percent": oxygen.cns_percent,
        "otu": oxygen.otu,
        "highest_ppo2_bar": oxygen.highest_ppo2_bar,
    }
    for use in cylinders:
        found[f"{use.name} used_l"] = use.used_l
        found[f"{use.name} left_bar"] = use.left_bar
        found[f"{use.name} short_l"] = use.short_l
    if loop is not None:
        found["loop_oxygen_l"], found["loop_diluent_l"] = loop.oxygen_l, loop.diluent_l
    return found


def verdict_of(team: Team, name: str, plan: Plan) -> Figures:
    """What the contingencies say of one diver's dive."""
    grave = [f for f in team.findings if f.severity == "no-go" and f.values.get("diver", name) in (name, "Everyone")]
    longest = max((c for c in plan.contingencies if c.legs), key=lambda c: c.tts_min, default=None)
    bailouts = [
        sum(use.used_l for use in contingency.breathed)
        for contingency in plan.contingencies
        if contingency.is_bailout and contingency.legs
    ]
    return {
        "verdict": "no-go" if team.no_go else "go",
        "no_go_codes": " ".join(dict.fromkeys(finding.code for finding in grave)) or None,
        "longest_contingency": longest.name if longest is not None else None,
        "longest_contingency_tts_min": longest.tts_min if longest is not None else None,
        "bailout_l": max(bailouts, default=None),
        "gas_lasts": not any(finding.code in _OUT_OF_GAS for finding in grave),
    }


def figures_of_plan(team: Team, name: str, plan: Plan) -> Figures:
    """The figures of one diver's plan, with its verdict."""
    found = figures_of_one(plan.dive, plan.schedule, plan.oxygen, plan.supply, plan.loop)
    return found | verdict_of(team, name, plan)
