"""A table set as plain data: metric, with keys that stay the same. docs/json.md explains them."""

from __future__ import annotations

from typing import Any

from leadline.show.plan_data import VERSION, as_data, findings_as_data
from leadline.show.sentences import remarks
from leadline.tables.table_set import Cell, NoStop, SecondDive, TableSet, stop_minutes

OF_A_PLAN = ("oxygen", "supply", "loop", "minimum_gas", "turns", "bailouts")
"""What a cell says of a diver's plan, as `leadline plan --json` has it, beside the schedule."""


def table_set_as_data(found: TableSet) -> dict[str, Any]:
    """The table set as dictionaries, lists, numbers and text, ready for JSON. No NaN, no infinity."""
    return {
        "version": VERSION,
        "title": found.dive.title,
        "units": "metric",
        "depths_m": list(found.depths_m),
        "times_min": list(found.times_min),
        "cells": [_cell(cell) for cell in found.cells],
        "ndl": {
            "depths_m": list(found.ndl_depths_m),
            "gases": [
                {"name": one.name, "carried": one.carried, "limits": [_no_stop(limit) for limit in one.limits]}
                for one in found.no_stop
            ],
        },
        "repetitive": {
            "gas": found.dive.tables.second_gas.label,
            "surface_intervals_min": list(found.dive.tables.surface_intervals),
            "second_dives": [_second(one) for one in found.second],
        },
    }


def _cell(cell: Cell) -> dict[str, Any]:
    return {
        "depth_m": cell.depth_m,
        "bottom_time_min": cell.minutes,
        "state": cell.state,
        "limits": [
            {
                "code": limit.code,
                "what": limit.what,
                "contingency": limit.contingency,
                "diver": limit.diver,
                "message": limit.message,
            }
            for limit in cell.limits
        ],
        "asked_more": [{"depth_m": depth_m, "bottom_time_min": minutes} for depth_m, minutes in cell.asked_more],
        "divers": [_diver(cell, member.name) for member in cell.team.members] if cell.team is not None else [],
    }


def _diver(cell: Cell, name: str) -> dict[str, Any]:
    plan = cell.plan_of(name)
    assert plan is not None
    whole = as_data(plan)
    schedule = {key: value for key, value in whole["schedule"].items() if key != "track"}
    return {
        "name": name,
        "schedule": schedule | {"stops_min": stop_minutes(plan)},
        **{key: whole[key] for key in OF_A_PLAN},
        "findings": findings_as_data(remarks(plan.findings, plan.dive.units)),
    }


def _no_stop(one: NoStop) -> dict[str, Any]:
    return {"ndl_min": one.minutes, "why": one.why}


def _second(one: SecondDive) -> dict[str, Any]:
    """Rows are the cells, in their order; columns the surface intervals."""
    return {
        "depth_m": one.depth_m,
        "rested": _no_stop(one.rested),
        "ndl_min": [list(row) for row in one.own],
        "printed_min": [list(row) for row in one.minutes],
    }
