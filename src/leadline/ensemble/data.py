"""An ensemble as plain data, as `leadline ensemble --json` prints it. docs/json.md explains every key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from leadline.ensemble.draws import Input
from leadline.ensemble.drivers import Driven, Index
from leadline.ensemble.robustness import Ascents, EnsembleResult
from leadline.ensemble.statistics import CONFIDENCE, Chance, Spread


def ensembles_as_data(found: Sequence[EnsembleResult]) -> dict[str, Any]:
    """The ensembles of a dive's divers."""
    first = found[0]
    return {
        "version": 1,
        "title": first.plan.dive.title,
        "units": "metric",
        "no_go": any(one.plan.no_go for one in found),
        "dives": first.dives,
        "seed": first.seed,
        "confidence": CONFIDENCE,
        "divers": [_one(one) for one in found],
    }


def _one(found: EnsembleResult) -> dict[str, Any]:
    schedule = found.plan.schedule
    return {
        "name": found.diver or None,
        "plan": {
            "run_time_min": schedule.run_time_min,
            "tts_min": schedule.tts_min,
            "gf_surface_percent": 100.0 * float(schedule.track.points[-1]["gf_surface"]),
            "cns_percent": found.plan.oxygen.cns_percent,
            "left_bar": {use.name: use.left_bar for use in found.plan.supply},
        },
        "inputs": [_input(one) for one in found.inputs],
        "recomputed": _ascents(found.recomputed),
        "by_slate": _ascents(found.by_slate),
        "by_slates": _ascents(found.by_slates) if found.by_slates is not None else None,
        "slates": [{"name": slate.name, "needed": _chance(slate.taken)} for slate in found.slates],
        "contingencies": {
            "dives": found.planned_whole,
            "not_planned": _chance(found.not_planned),
            "kinds": [
                {
                    "kind": one.kind,
                    "gas_short": _chance(one.gas_short),
                    "not_met": _chance(one.not_met),
                    "cylinder": one.cylinder or None,
                }
                for one in found.what_ifs
            ],
        },
        "drivers": [_driven(one) for one in found.driven],
    }


def _input(one: Input) -> dict[str, Any]:
    drawn = one.drawn
    return {
        "input": one.name,
        "distribution": drawn.distribution,
        "spread": drawn.spread,
        "low": drawn.low,
        "mode": drawn.mode,
        "high": drawn.high,
        "planned": one.planned,
        "cut_off": [one.low, one.high],
        "common": one.common,
    }


def _ascents(found: Ascents) -> dict[str, Any]:
    return {
        "refused": _chance(found.refused),
        "run_time_min": _spread(found.run_time_min),
        "tts_min": _spread(found.tts_min),
        "gf_surface_percent": _spread(found.gf_surface, 100.0),
        "gf_highest_percent": _spread(found.gf_highest, 100.0) if found.gf_highest is not None else None,
        "cns_percent": _spread(found.cns_percent),
        "all_last": _chance(found.all_last),
        "all_to_empty": _chance(found.all_to_empty),
        "cylinders": [
            {
                "name": one.name,
                "gas": one.mix.label,
                "reserve_bar": one.reserve_bar,
                "lasts": _chance(one.lasts),
                "to_empty": _chance(one.to_empty),
                "left_bar": _spread(one.left_bar),
            }
            for one in found.cylinders
        ],
        "limits": [{"limit": one.name, "over": _chance(one.over)} for one in found.limits],
    }


def _chance(found: Chance) -> dict[str, Any]:
    return {"share": found.share, "low": found.low, "high": found.high, "count": found.count, "of": found.of}


def _spread(found: Spread, factor: float = 1.0) -> dict[str, Any] | None:
    """None where no dive could be dived."""
    if not found.of:
        return None

    def scaled(value: float | None) -> float | None:
        return None if value is None else factor * value

    return {
        "of": found.of,
        "least": factor * found.least,
        "most": factor * found.most,
        "quantiles": [
            {"share": q.share, "value": factor * q.value, "low": scaled(q.low), "high": scaled(q.high)}
            for q in found.quantiles
        ],
        "histogram": {
            "edges": [factor * edge for edge in found.histogram.edges],
            "counts": list(found.histogram.counts),
        },
    }


def _driven(found: Driven) -> dict[str, Any]:
    return {
        "output": found.name,
        "dives": found.dives,
        "refused": found.refused,
        "inputs": [
            {"input": one.input, "first_order": _index(one.first), "total": _index(one.total)} for one in found.drivers
        ],
    }


def _index(found: Index) -> dict[str, float]:
    return {"value": found.value, "low": found.low, "high": found.high}
