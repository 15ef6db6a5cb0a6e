"""Dives of the log as JSON: metric, nothing rounded. docs/log.md says what the keys mean."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from leadline.logbook.database.store import Entry, Logged
from leadline.logbook.dived import Dived


def entries_as_data(entries: Iterable[Entry]) -> dict[str, Any]:
    """A list of dives."""
    return {
        "dives": [
            {
                "number": one.number,
                "began": one.began.isoformat(),
                "ends": one.ends.isoformat(),
                "title": one.title,
                "diver": one.diver,
                "deepest_m": one.deepest_m,
                "run_time_min": one.run_time_min,
                "has_plan": one.has_plan,
            }
            for one in entries
        ]
    }


def dive_as_data(logged: Logged) -> dict[str, Any]:
    """A dive, to the last sample. What was not recorded is an empty list; a gap in what was is null."""
    dived = logged.dived
    profile = dived.profile
    return {
        "number": logged.number,
        "began": dived.began.isoformat(),
        "title": dived.title,
        "diver": dived.diver,
        "notes": dived.notes,
        "altitude_m": dived.altitude_m,
        "water": dived.water,
        "deepest_m": dived.deepest_m,
        "run_time_min": dived.run_time_min,
        "cylinders": [
            {
                "name": one.name,
                "gas": one.mix.label,
                "o2": one.mix.o2,
                "he": one.mix.he,
                "size_l": one.size_l,
                "start_bar": one.start_bar,
                "end_bar": one.end_bar,
            }
            for one in dived.cylinders
        ],
        "breathed": _breathed(dived),
        "profile": {
            "run_time_min": profile.run_time_min,
            "depth_m": profile.depth_m,
            "ppo2_bar": profile.ppo2_bar,
            "temperature_c": profile.temperature_c,
            "pressure_bar": profile.pressure_bar,
        },
        "plan": None if dived.plan is None else {"file": dived.plan.file, "text": dived.plan.text},
    }


def _breathed(dived: Dived) -> list[dict[str, Any]]:
    return [
        {
            "run_time_min": one.run_time_min,
            "cylinder": one.cylinder,
            "circuit": "open" if one.setpoint_bar is None else "closed",
            "setpoint_bar": one.setpoint_bar,
        }
        for one in dived.breathed
    ]
