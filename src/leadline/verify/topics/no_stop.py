"""No-stop limits on air, bracketed by two published tables."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from leadline.dive_file import parse_dive
from leadline.plan import schedule as planning
from leadline.verify.check import Point, Series
from leadline.verify.published import load, source_of

TOPIC = "No-stop limits"


def series() -> Iterator[Series]:
    """The bare model above Bühlmann's table, GF 80 within it, GF 85 no longer than the Navy's."""
    table = load("no_stop_limits")["buhlmann_1986_air"]
    rows = list(zip(table["depth_m"], table["minutes"], strict=True))
    yield Series(
        TOPIC, "Bühlmann's table, GF 100", "depth, m", "min", 0, "over", 0.0,
        "the printed table carries margins over the bare model", source_of(table),
        tuple(Point(f"{metres}", minutes, partial(metric, metres, 100)) for metres, minutes in rows), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Bühlmann's table, GF 80", "depth, m", "min", 0, "at most", 0.0,
        "at GF 80 the model is within those margins from 18 m down", source_of(table),
        tuple(Point(f"{metres}", minutes, partial(metric, metres, 80)) for metres, minutes in rows if metres >= 18),
        finer=0,
    )  # fmt: skip
    navy = load("no_stop_limits")["us_navy_rev7_air"]
    yield Series(
        TOPIC, "U.S. Navy's table, GF 85", "depth, fsw", "min", 0, "at most", 1.0,
        "another model: a second authority, not the same numbers", source_of(navy),
        tuple(
            Point(f"{feet}", minutes, partial(imperial, feet, 85))
            for feet, minutes in zip(navy["depth_fsw"], navy["minutes"], strict=True)
        ),
        finer=0,
    )  # fmt: skip


def metric(depth_m: float, gf: int) -> float:
    """The limit at a depth in EN 13319 water, up at 10 m/min. [min]"""
    return _limit(depth_m, gf, {"units": "metric", "rates": {"ascent": 10}})


def imperial(depth_ft: float, gf: int) -> float:
    """The limit in sea water, down at 75 ft/min and up at 30, as the U.S. Navy Diving Manual's tables suppose. [min]"""
    more = {"units": "imperial", "site": {"water": "sea"}, "rates": {"descent": 75, "ascent": 30}}
    return _limit(depth_ft, gf, more)


def _limit(depth: float, gf: int, more: dict[str, Any]) -> float:
    cylinder = {"name": "back", "gas": "air", "size": "12 L", "pressure": "200 bar", "use": "bottom"}
    model = {"gradient_factors": [gf, gf]}
    dive = parse_dive(more | {"model": model, "levels": [{"depth": depth, "leave_at": 5}], "cylinders": [cylinder]})
    return planning.dive_schedule(dive, planning.lay_out(dive)).ndl_min
