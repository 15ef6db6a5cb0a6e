"""Answers as plain data."""

from __future__ import annotations

import math
from typing import Any

from leadline.dive_file.schema import SolveCylinder
from leadline.plan.flying import UNPUBLISHED
from leadline.solve.bottom import Reach, bottom_time
from leadline.solve.cylinders import CylindersAnswer, Fitted
from leadline.solve.deco import DecoAnswer, DecoChoice
from leadline.solve.frontier import Frontier
from leadline.solve.gas import GasAnswer, GasChoice
from leadline.solve.interval import LEAST_MIN, IntervalAnswer
from leadline.solve.mix import MixAnswer
from leadline.solve.verdict import Bound, BrokenLimit, Verdict
from leadline.units import SYSTEMS

Answer = Reach | MixAnswer | DecoAnswer | CylindersAnswer | IntervalAnswer | GasAnswer


def answer_as_data(answer: Answer, around: Frontier | None = None) -> dict[str, Any]:
    """An answer as dictionaries, lists, numbers and text, ready for JSON; metric. docs/solve.md explains the keys."""
    made: dict[str, Any] = {
        "title": answer.dive.title,
        "units": "metric",
        "found": answer.found,
        "complete": answer.complete,
        "plans_tried": answer.tried,
        "nearest_miss": answer.nearest_miss or None,
    }
    if isinstance(answer, Reach):
        made |= _reach_data(answer)
    elif isinstance(answer, MixAnswer):
        made |= _mix_data(answer)
    elif isinstance(answer, IntervalAnswer):
        made |= _interval_data(answer)
    elif isinstance(answer, DecoAnswer):
        made |= {"for": "deco", "choices": answer.choices}
        for key, choice in (("best", answer.best), ("runner_up", answer.runner_up), ("nearest", answer.nearest)):
            made[key] = None if choice is None else _deco_data(choice)
    elif isinstance(answer, GasAnswer):
        fewest = answer.fewest_cautions
        made |= {
            "for": "gas",
            "gas_sets": answer.gas_sets,
            "choices": [_gas_data(choice) for choice in answer.choices],
            "fewest_cautions": None if fewest is None else _gas_data(fewest),
        }
    else:
        made |= {
            "for": "cylinders",
            "cylinders": [_fitted_data(fitted) for fitted in answer.fitted],
            "limits": [_bound_data(bound, None) for bound in answer.limits],
            "plan": None if answer.verdict is None else _verdict_data(answer.verdict),
        }
    if around is not None:
        made["frontier"] = frontier_as_data(around)
    return made


def frontier_as_data(around: Frontier) -> dict[str, Any]:
    """The frontier of each limit as data; metric."""
    return {
        "depth_m": around.depth_m,
        "bottom_min": around.bottom_min,
        "holds": around.holds,
        "looked_to_min": around.most_min,
        "complete": around.complete,
        "plans_tried": around.tried,
        "limits": [
            {
                "name": curve.name,
                "code": curve.code,
                "subject": curve.subject,
                "points": [
                    {
                        "depth_m": round(point.depth_m, 4),
                        "holds_to_min": point.holds_to_min,
                        "beyond": point.beyond,
                        "contingency": point.contingency,
                        "diver": point.diver,
                    }
                    for point in curve.points
                ],
            }
            for curve in around.curves
        ],
    }


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _verdict_data(found: Verdict) -> dict[str, Any]:
    return {
        "holds": found.holds,
        "run_time_min": found.run_time_min,
        "tts_min": found.tts_min,
        "cns_percent": found.cns_percent,
        "otu": found.otu,
        "bailout_tts_min": found.way_up_min,
        "limits": [_limit_data(limit) for limit in found.limits],
        "cautions": list(found.cautions),
    }


def _limit_data(limit: BrokenLimit) -> dict[str, Any]:
    return {
        "name": limit.name,
        "code": limit.code,
        "subject": limit.subject,
        "contingency": limit.contingency,
        "diver": limit.diver,
        "message": limit.message,
        "asked_over_allowed": _number(limit.over),
    }


def _bound_data(bound: Bound, holds_to: float | None) -> dict[str, Any]:
    return {"name": bound.name, "holds_to": holds_to, "limits": [_limit_data(limit) for limit in bound.limits]}


def _reach_data(answer: Reach) -> dict[str, Any]:
    unit_m = SYSTEMS[answer.dive.units].depth_m if answer.sought == "depth" else 1.0

    def metric(value: int | None) -> float | int | None:
        return value if value is None or unit_m == 1.0 else round(value * unit_m, 4)

    return {
        "for": answer.sought,
        "unit": "m" if answer.sought == "depth" else "min",
        "depth_m": answer.dive.deepest_m,
        "bottom_min": bottom_time(answer.dive),
        "best": metric(answer.best),
        "given": metric(answer.given),
        "given_holds": answer.given_holds,
        "looked_from": metric(answer.looked_from),
        "looked_to": metric(answer.looked_to),
        "fails_below": [metric(value) for value in answer.gaps],
        "plan": None if answer.verdict is None else _verdict_data(answer.verdict),
        "binding": [_bound_data(bound, metric(bound.holds_to)) for bound in answer.binding],
        "behind": [_bound_data(bound, metric(bound.holds_to)) for bound in answer.behind],
        "nearest": answer.nearest,
    }


def _interval_data(answer: IntervalAnswer) -> dict[str, Any]:
    earlier = answer.dive.previous[-1]
    return {
        "for": "interval",
        "unit": "min",
        "after": earlier.title,
        "oxygen_min": earlier.oxygen,
        "best": answer.best,
        "model_min": answer.model_min,
        "least_min": LEAST_MIN,
        "caution": UNPUBLISHED,
        "given": answer.given_min,
        "given_holds": answer.given_holds,
        "looked_from": answer.looked_from,
        "looked_to": answer.looked_to,
        "holds_below": list(answer.holds_below),
        "plan": None if answer.verdict is None else _verdict_data(answer.verdict),
        "binding": [_bound_data(bound, None) for bound in answer.binding],
    }


def _mix_data(answer: MixAnswer) -> dict[str, Any]:
    free = answer.free
    return {
        "for": "mix",
        "depth_m": answer.depth_m,
        "listed": answer.listed,
        "choices": [
            {
                "gas": choice.mix.label,
                "ppo2_bar": choice.ppo2_bar,
                "end_m": choice.end_m,
                "density_g_l": choice.density_g_l,
                "plan": _verdict_data(choice.verdict),
            }
            for choice in answer.choices
        ],
        "free": None
        if free is None
        else {
            "gas": free.mix.label,
            "ppo2_bar": free.ppo2_bar,
            "end_m": free.end_m,
            "density_g_l": free.density_g_l,
            "less_helium_breaks": free.least_for,
            "recommended_density_met": free.recommended,
            "for_hard_limit": free.hard.label if free.hard is not None else None,
            "surface_ppo2_bar": free.surface_ppo2_bar,
            "hypoxic": free.hypoxic,
        },
    }


def _deco_data(choice: DecoChoice) -> dict[str, Any]:
    return {
        "gases": [
            {"cylinder": gas.cylinder, "gas": gas.mix.label, "switch_depth_m": gas.switch_m} for gas in choice.gases
        ],
        "plan": _verdict_data(choice.verdict),
    }


def _gas_data(choice: GasChoice) -> dict[str, Any]:
    return {
        "gas": choice.mix.label,
        "carried_l": choice.carried_l,
        "cylinders": [
            {
                "name": carried.cylinder.name,
                "gas": carried.cylinder.gas.label,
                "use": carried.cylinder.use,
                "size": carried.size,
                "water_l": carried.cylinder.water_l,
                "pressure_bar": carried.cylinder.pressure,
                "switch_depth_m": carried.switch_m,
            }
            for carried in choice.cylinders
        ],
        "plan": _verdict_data(choice.verdict),
    }


def _cylinder_data(cylinder: SolveCylinder) -> dict[str, Any]:
    return {"water_l": cylinder.water_l, "pressure_bar": cylinder.pressure}


def _fitted_data(fitted: Fitted) -> dict[str, Any]:
    return {
        "diver": fitted.diver,
        "name": fitted.cylinder.name,
        "gas": fitted.cylinder.gas.label,
        "use": fitted.cylinder.use,
        **_cylinder_data(fitted.chosen),
        "smaller": None if fitted.smaller is None else _cylinder_data(fitted.smaller),
        "smaller_breaks": [_limit_data(limit) for limit in fitted.smaller_breaks],
    }
