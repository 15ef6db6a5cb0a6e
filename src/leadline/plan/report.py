"""The whole plan as plain data: metric, with keys that stay the same. docs/json.md explains every one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from leadline.plan.breathing import Breathed
from leadline.plan.contingency import Bailout
from leadline.plan.gases import Source
from leadline.plan.plan import Plan
from leadline.plan.schedule import Schedule, Stop, Switch, Track
from leadline.plan.supply import CylinderUse
from leadline.tissue import kernel

VERSION = 1
"""Of the layout of the report; it changes when a key changes its name or meaning."""


def as_data(plan: Plan) -> dict[str, Any]:
    """The plan as dictionaries, lists, numbers and text, ready for JSON. No NaN, no infinity."""
    dive = plan.dive
    return {
        "version": VERSION,
        "title": dive.title,
        "units": "metric",
        "no_go": plan.no_go,
        "model": {
            "coefficients": dive.model.coefficients,
            "gradient_factors": list(dive.model.gradient_factors),
        },
        "site": {
            "surface_bar": dive.site.environment.surface_bar,
            "bar_per_m": dive.site.environment.bar_per_m,
            "temperature_c": dive.site.temperature,
        },
        "levels": [{"depth_m": level.depth, "leave_at_min": level.leave_at} for level in dive.levels],
        "schedule": _schedule(plan.schedule),
        "oxygen": {
            "cns_percent": plan.oxygen.cns_percent,
            "otu": plan.oxygen.otu,
            "highest_ppo2_bar": plan.oxygen.highest_ppo2_bar,
        },
        "breathing": [_breathed(part) for part in plan.breathing],
        "supply": [_cylinder(use) for use in plan.supply],
        "loop": None
        if plan.loop is None
        else {
            "oxygen_l": plan.loop.oxygen_l,
            "diluent_l": plan.loop.diluent_l,
            "minutes": plan.loop.minutes,
            "scrubber_min": plan.loop.scrubber_min,
        },
        "bailout": None if plan.bailout is None else _bailout(plan.bailout),
        "findings": [
            {
                "code": finding.code,
                "severity": finding.severity,
                "message": finding.message,
                "values": finding.values,
                "run_time_min": finding.run_time_min,
                "depth_m": finding.depth_m,
            }
            for finding in plan.findings
        ],
    }


def _schedule(schedule: Schedule) -> dict[str, Any]:
    return {
        "stops": _stops(schedule.stops),
        "switches": _switches(schedule.switches),
        "run_time_min": schedule.run_time_min,
        "tts_min": schedule.tts_min,
        "ndl_min": schedule.ndl_min,
        "track": _track(schedule.track),
    }


def _source(source: Source) -> dict[str, Any]:
    return {"gas": source.mix.label, "circuit": source.circuit, "setpoint_bar": source.setpoint_bar}


def _stops(stops: Iterable[Stop]) -> list[dict[str, Any]]:
    return [
        {
            "depth_m": stop.depth_m,
            "arrive_min": stop.arrive_min,
            "leave_min": stop.leave_min,
            **_source(stop.source),
        }
        for stop in stops
    ]


def _switches(switches: Iterable[Switch]) -> list[dict[str, Any]]:
    return [
        {"depth_m": switch.depth_m, "run_time_min": switch.run_time_min, **_source(switch.source)}
        for switch in switches
    ]


def _track(track: Track) -> list[dict[str, Any]]:
    names = kernel.POINT.names or ()
    tensions = track.tensions_bar.tolist()
    rows = []
    for values, (n2, he) in zip(track.points.tolist(), tensions, strict=True):
        point = dict(zip(names, values, strict=True))
        rows.append(
            {
                "run_time_min": point["run_time_min"],
                "depth_m": point["depth_m"],
                **_source(track.sources[point["source"]]),
                "ceiling_m": point["ceiling_m"],
                "ndl_min": point["ndl_min"],
                "tts_min": point["tts_min"],
                "gf_now_percent": 100.0 * point["gf_now"],
                "gf_surface_percent": 100.0 * point["gf_surface"],
                "leading_compartment": point["leading"],
                "ppo2_bar": point["ppo2_bar"],
                "n2_bar": n2,
                "he_bar": he,
            }
        )
    return rows


def _breathed(part: Breathed) -> dict[str, Any]:
    return {
        **_source(part.source),
        "on_the_way_up": part.on_the_way_up,
        "shallowest_m": part.shallowest_m,
        "deepest_m": part.deepest_m,
        "ppo2_low_bar": part.ppo2_low_bar,
        "ppo2_high_bar": part.ppo2_high_bar,
        "end_m": part.end_m,
        "ead_m": part.ead_m,
        "density_g_l": part.density_g_l,
        "mod_m": part.mod_m,
    }


def _cylinder(use: CylinderUse) -> dict[str, Any]:
    return {
        "name": use.name,
        "gas": use.mix.label,
        "use": use.use,
        "start_bar": use.start_bar,
        "content_l": use.content_l,
        "reserve_bar": use.reserve_bar,
        "usable_l": use.usable_l,
        "used_l": use.used_l,
        "left_bar": use.left_bar,
        "short_l": use.short_l,
        "legs": [
            {"start_min": leg.start_min, "end_min": leg.end_min, "depth_m": leg.depth_m, "litres": leg.litres}
            for leg in use.legs
        ],
    }


def _bailout(bailout: Bailout) -> dict[str, Any]:
    return {
        "worst_moment_min": bailout.worst_moment_min,
        "depth_m": bailout.depth_m,
        "stops": _stops(bailout.stops),
        "switches": _switches(bailout.switches),
        "run_time_min": bailout.run_time_min,
        "tts_min": bailout.tts_min,
        "supply": [_cylinder(use) for use in bailout.supply],
        "oxygen": {"cns_percent": bailout.oxygen.cns_percent, "otu": bailout.oxygen.otu},
        "breathing": [_breathed(part) for part in bailout.breathing],
    }
