"""Fills and analyses as plain data: metric, with keys that stay the same. docs/mixing.md explains them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from leadline.mixing.analysis import Analysed, Replanned
from leadline.mixing.bank import Supply
from leadline.mixing.continuous import Continuous
from leadline.mixing.fill import Fill, FillStep, Missed
from leadline.mixing.fills import FillPlan
from leadline.mixing.mixed import Mixed
from leadline.physics.mix import Mix
from leadline.plan.team import Team
from leadline.show.plan_data import plain_values
from leadline.show.sentences import Remark, remarks

VERSION = 1
"""Of the layout; it changes when a key changes its name or meaning."""


def mix_as_data(mixed: Mixed) -> dict[str, Any]:
    """Fills and analyses as dictionaries, lists, numbers and text, ready for JSON. Pressures are on the gauge."""
    return {
        "version": VERSION,
        "title": mixed.dive.title,
        "units": "metric",
        "good": mixed.good,
        "fills": None if mixed.fills is None else _fills(mixed.fills),
        "analysed": None if mixed.analysed is None else _replanned(mixed.analysed),
    }


def _fills(found: FillPlan) -> dict[str, Any]:
    rules = found.rules
    return {
        "done": found.done,
        "order": "helium first" if rules.helium_first else "oxygen first",
        "temperature_c": rules.room_celsius,
        "filling_temperature_c": rules.filling_celsius,
        "gauge_step_bar": rules.gauge_step_bar,
        "overshoot_bar": rules.overshoot_bar,
        "reordered": found.reordered,
        "cost": found.cost,
        "cylinders": [_fill(one) for one in found.fills],
        "sources": [_supply(before, after) for before, after in zip(found.bank, found.left, strict=True)],
    }


def _fill(one: Fill) -> dict[str, Any]:
    job = one.job
    return {
        "diver": job.diver,
        "cylinder": job.cylinder,
        "use": job.use,
        "water_l": job.water_l,
        "start": _mix(job.start),
        "start_bar": job.start_bar,
        "start_given": job.given,
        "target": _mix(job.target),
        "target_bar": job.target_bar,
        "target_temperature_c": job.target_celsius,
        "settled_bar": one.settled_bar,
        "done": one.done,
        "refused": one.refused,
        "drain_to_bar": one.drain_to_bar,
        "steps": [_step(step) for step in one.steps],
        "result": None if one.result is None else _mix(one.result),
        "result_bar": None if one.result is None else one.result_bar,
        "result_mod_m": None if one.result is None else one.result_mod_m,
        "ideal_gas_result": None if one.ideal is None else _mix(one.ideal),
        "cost": one.cost,
        "continuous": None if one.continuous is None else _continuous(one.continuous),
        "top_ups": [
            {
                "gas": top.gas.label,
                "from_bar": top.from_bar,
                "to_bar": top.to_bar,
                "result": _mix(top.mix),
                "mod_m": top.mod_m,
            }
            for top in one.top_ups
        ],
        "findings": _findings(one.findings),
    }


def _step(step: FillStep) -> dict[str, Any]:
    return {
        "gas": step.gas.label,
        "from_bar": step.from_bar,
        "to_bar": step.to_bar,
        "exact_bar": step.exact_bar,
        "settles_bar": step.settles_bar,
        "ideal_gas_bar": step.ideal_bar,
        "litres": step.litres,
        "mix": _mix(step.mix),
        "cost": step.cost,
        "drawn": [
            {
                "source": one.source,
                "litres": one.litres,
                "to_bar": one.to_bar,
                "left_bar": one.left_bar,
                "cost": one.cost,
            }
            for one in step.drawn
        ],
        "over": _missed(step.over),
        "under": _missed(step.under),
    }


def _missed(missed: Missed | None) -> dict[str, Any] | None:
    if missed is None:
        return None
    return {"to_bar": missed.to_bar, "result": _mix(missed.mix), "result_bar": missed.end_bar}


def _continuous(found: Continuous) -> dict[str, Any]:
    return {
        "refused": found.refused,
        "stream": None if found.stream is None else _mix(found.stream),
        "air": found.air,
        "oxygen": found.oxygen,
        "helium": found.helium,
        "oxygen_reading": found.oxygen_reading,
        "final_reading": found.final_reading,
        "to_bar": found.to_bar,
    }


def _supply(before: Supply, after: Supply) -> dict[str, Any]:
    return {
        "name": before.name,
        "gas": before.gas.label,
        "bar": before.bar,
        "left_bar": after.bar,
        "water_l": before.water_l,
    }


def _replanned(real: Replanned) -> dict[str, Any]:
    return {
        "holds": real.holds,
        "refused": real.refused,
        "planned": _verdict(real.planned, real.planned_refused),
        "real": _verdict(real.real, real.refused),
        "changes": list(real.changes),
        "cylinders": [_analysed(one) for one in real.analysed],
    }


def _verdict(team: Team | None, refused: str) -> dict[str, Any]:
    if team is None:
        return {"refused": refused, "no_go": True, "run_time_min": None, "tts_min": None, "findings": []}
    plans = [member.plan for member in team.members]
    return {
        "refused": "",
        "no_go": team.no_go,
        "run_time_min": max(plan.schedule.run_time_min for plan in plans),
        "tts_min": max(plan.schedule.tts_min for plan in plans),
        "findings": _findings(remarks(team.findings, team.dive.units)),
    }


def _analysed(one: Analysed) -> dict[str, Any]:
    return {
        "diver": one.diver,
        "cylinder": one.cylinder,
        "use": one.use,
        "planned": _mix(one.planned),
        "analysed": _mix(one.mix),
        "planned_bar": one.planned_bar,
        "bar": one.bar,
        "read_bar": one.read_bar,
        "ppo2_limit_bar": one.ppo2_limit_bar,
        "mod_m": one.mod_m,
        "least_depth_m": one.least_m,
        "by": one.by,
        "date": one.date,
        "findings": _findings(one.findings),
    }


def _mix(mix: Mix) -> dict[str, Any]:
    return {"gas": mix.label, "o2": mix.o2, "he": mix.he}


def _findings(findings: Iterable[Remark]) -> list[dict[str, Any]]:
    return [
        {"code": one.code, "severity": one.severity, "message": one.message, "values": plain_values(one)}
        for one in findings
    ]
