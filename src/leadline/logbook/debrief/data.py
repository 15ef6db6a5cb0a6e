"""A debrief as JSON: metric, nothing rounded. docs/debrief.md says what the keys mean."""

from __future__ import annotations

import math
from typing import Any

from leadline.logbook.debrief.against_plan import Debrief, GasDived, HighestGf
from leadline.logbook.debrief.applied import Applied
from leadline.logbook.debrief.breathing_rate import LegRmv, Offer
from leadline.logbook.debrief.marks import Held, Mark, Moment
from leadline.logbook.retrace import Retraced
from leadline.plan.gases import Source
from leadline.show.plan_data import findings_as_data

VERSION = 1


def debrief_as_data(found: Debrief) -> dict[str, Any]:
    """A debrief as dictionaries, lists, numbers and text, ready for JSON. No NaN, no infinity."""
    dived, plan = found.dived, found.plan
    return {
        "version": VERSION,
        "title": plan.dive.title,
        "units": "metric",
        "began": dived.began.isoformat(),
        "diver": dived.diver,
        "caution": found.caution,
        "begins_as_the_log_says": found.from_log,
        "said": list(found.said),
        "model": {
            "coefficients": plan.dive.model.coefficients,
            "gradient_factors": list(plan.dive.model.gradient_factors),
        },
        "findings": findings_as_data(found.findings),
        "not_recorded": list(found.not_recorded),
        "run_time_min": found.surfaced_min,
        "planned_run_time_min": plan.schedule.run_time_min,
        "levels": [
            {
                "depth_m": one.depth_m,
                "leave_at_min": one.leave_at_min,
                "dived": {"arrive_min": one.arrive_min, "leave_min": one.left_min, "deepest_m": one.deepest_m},
            }
            for one in found.levels
        ],
        "marks": [_mark(one) for one in found.marks],
        "stops": [_stop(one) for one in found.stops],
        "gradient_factors": {
            "surface_percent": 100.0 * found.gf_surface,
            "planned_surface_percent": 100.0 * found.planned_gf_surface,
            "highest": _highest(found.highest_gf),
            "planned_highest": _highest(found.planned_highest_gf),
        },
        "oxygen": {
            "cns_percent": found.oxygen.cns_percent,
            "otu": found.oxygen.otu,
            "highest_ppo2_bar": found.oxygen.highest_ppo2_bar,
            "over_limits_min": found.over_limit_min,
            "planned": {
                "cns_percent": plan.oxygen.cns_percent,
                "otu": plan.oxygen.otu,
                "highest_ppo2_bar": plan.oxygen.highest_ppo2_bar,
            },
        },
        "gas": [_gas(one) for one in found.gas],
        "rmv": {
            "legs": [_leg(one) for one in found.rates.legs],
            "offers": [_offer(one) for one in found.rates.offers],
            "not_known": list(found.rates.not_known),
        },
        "sheet": _applied(found.applied),
        "track": _track(found.retraced),
    }


def _source(source: Source) -> dict[str, Any]:
    return {"gas": source.mix.label, "circuit": source.circuit, "setpoint_bar": source.setpoint_bar}


def _mark(mark: Mark) -> dict[str, Any]:
    dived = None if mark.dived is None else _moment(mark.dived)
    return {"what": mark.what, "depth_m": mark.depth_m, "planned": _moment(mark.planned), "dived": dived}


def _moment(moment: Moment) -> dict[str, Any]:
    return {
        "run_time_min": moment.run_time_min,
        "depth_m": moment.depth_m,
        "tts_min": moment.tts_min,
        **_source(moment.source),
    }


def _stop(stop: Held) -> dict[str, Any]:
    return {
        "depth_m": stop.depth_m,
        "planned": {"arrive_min": stop.planned_arrive_min, "leave_min": stop.planned_leave_min},
        "dived": {"arrive_min": stop.arrive_min, "leave_min": stop.leave_min, "minutes": stop.minutes},
    }


def _highest(one: HighestGf) -> dict[str, Any]:
    return {"percent": 100.0 * one.gf, "run_time_min": one.run_time_min, "depth_m": one.depth_m}


def _gas(one: GasDived) -> dict[str, Any]:
    planned = None
    if one.planned is not None:
        planned = {"start_bar": one.planned.start_bar, "end_bar": one.planned.left_bar, "used_l": one.planned.used_l}
    return {
        "name": one.name,
        "gas": one.mix.label,
        "start_bar": one.start_bar,
        "end_bar": one.end_bar,
        "used_l": one.used_l,
        "planned": planned,
    }


def _leg(leg: LegRmv) -> dict[str, Any]:
    return {
        "part": leg.part,
        "cylinders": list(leg.cylinders),
        "gas": leg.mix.label,
        "minutes": leg.minutes,
        "mean_bar": leg.mean_bar,
        "litres": leg.litres,
        "rmv_l_min": leg.rmv,
        "one_bar_l_min": leg.one_bar,
        "stretches_l_min": list(leg.stretches),
    }


def _offer(offer: Offer) -> dict[str, Any]:
    return {
        "table": offer.table,
        "key": offer.key,
        "rate_l_min": offer.rate,
        "lowest_l_min": offer.lowest,
        "highest_l_min": offer.highest,
        "minutes": offer.minutes,
        "stretches": offer.stretches,
        "one_bar_l_min": offer.one_bar,
        "planned_l_min": offer.planned,
    }


def _applied(found: Applied) -> dict[str, Any]:
    return {
        "happened": found.happened,
        "kind": found.kind,
        "name": found.name or None,
        "on_the_slate": found.on_the_slate,
        "name_on_the_slate": found.slate_name or None,
        "run_time_min": found.run_time_min,
        "met": found.met if found.name else None,
        "stops": [
            {"depth_m": stop.depth_m, "asked_min": stop.asked_min, "held_min": stop.held_min, "met": stop.met}
            for stop in found.stops
        ],
    }


def _track(retraced: Retraced) -> dict[str, list[float | None]]:
    """What a dive computer would have shown: lists of one length."""
    columns = {
        "run_time_min": retraced.run_time_min,
        "depth_m": retraced.depth_m,
        "ceiling_m": retraced.ceiling_m,
        "m_value_ceiling_m": retraced.m_value_ceiling_m,
        "tts_min": retraced.tts_min,
        "gf_now_percent": 100.0 * retraced.gf_now,
        "gf_surface_percent": 100.0 * retraced.gf_surface,
        "ppo2_bar": retraced.ppo2_bar,
    }
    return {
        name: [value if math.isfinite(value) else None for value in column.tolist()] for name, column in columns.items()
    }
