"""The dives that every contender plans, and what is asked of it.

One level on open circuit, stops on whole minutes of run time. Dives differ in depth, bottom time and gradient factors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.plan.schedule import Layout
from leadline.tissue import kernel

Array = NDArray[Any]


@dataclass(frozen=True)
class Dives:
    """What differs between dives. Arrays by dive."""

    depth_m: Array
    leave_at_min: Array
    gf_low: Array
    gf_high: Array

    def __len__(self) -> int:
        """How many."""
        return len(self.depth_m)

    def part(self, first: int, end: int) -> Dives:
        """The dives from one to before another."""
        return Dives(*(each[first:end] for each in vars(self).values()))


@dataclass(frozen=True)
class Planned:
    """What came of dives. `arrive_min` and `leave_min` [dives, stop depths] are 0 where there is no stop."""

    fault: Array
    arrive_min: Array
    leave_min: Array
    run_time_min: Array
    tissue: Array
    """At the surface. [dives, 32, bar]"""

    @classmethod
    def empty(cls, dives: int, stops: int) -> Planned:
        """To be filled."""
        return cls(
            fault=np.zeros(dives, np.int64),
            arrive_min=np.zeros((dives, stops)),
            leave_min=np.zeros((dives, stops)),
            run_time_min=np.zeros(dives),
            tissue=np.zeros((dives, 2 * kernel.COMPARTMENTS)),
        )


class Site(NamedTuple):
    """What is alike: arrays of compartments are [32], nitrogen first; gases are those of the way up, deepest first."""

    rate: Array
    a: Array
    b: Array
    minute: Array
    start: Array
    stop_m: Array
    from_m: Array
    o2: Array
    he_share: Array
    surface_bar: float
    bar_per_m: float
    descent: float
    ascent: float
    between_stops: float
    to_surface: float
    hold_min: float


def site_of(layout: Layout) -> Site:
    """What is alike, from the layout of the deepest dive. The gas of the level is breathed on the way down."""
    rules, comps, (level,) = layout.rules, layout.comps, layout.levels
    down = layout.ways[level["to_first"] : level["to_end"]]
    up = layout.ways[level["up_first"] : level["up_end"]]
    sources = layout.source_rows[up["source"]]
    assert {*down["source"], up["source"][0]} == {level["source"]}, "no travel gases"
    assert not sources["setpoint_bar"].any(), "open circuit"
    return Site(
        rate=comps.rate.ravel(),
        a=comps.a.ravel(),
        b=comps.b.ravel(),
        minute=-np.expm1(-comps.rate.ravel()),
        start=layout.start.ravel(),
        stop_m=np.array(rules.stop_depths_m, dtype=float),
        from_m=np.ascontiguousarray(up["from_depth_m"]),
        o2=np.ascontiguousarray(sources["o2"]),
        he_share=np.ascontiguousarray(sources["he_share"]),
        surface_bar=rules.surface_bar,
        bar_per_m=rules.bar_per_m,
        descent=rules.descent,
        ascent=rules.ascent,
        between_stops=rules.between_stops,
        to_surface=rules.to_surface,
        hold_min=rules.switch_hold_min,
    )


def about(depth_m: float, leave_at_min: float, dives: int, seed: int = 1) -> Dives:
    """Dives at GF 40/80 within 2 m and 2 min of one: no two alike, so that no processor knows the next by heart."""
    draw = np.random.default_rng(seed)
    return Dives(
        depth_m + draw.uniform(-2.0, 2.0, dives),
        leave_at_min + draw.uniform(-2.0, 2.0, dives),
        np.full(dives, 0.4),
        np.full(dives, 0.8),
    )


def all_sorts(dives: int, deepest_m: float, seed: int = 2) -> Dives:
    """Every depth, time and pair of gradient factors; a third of them on whole minutes and the stop grid of 3 m."""
    draw = np.random.default_rng(seed)
    depth_m, leave_at_min = draw.uniform(9.0, deepest_m, dives), draw.uniform(2.0, 90.0, dives)
    round_ones = draw.random(dives) < 1 / 3
    depth_m[round_ones] = np.floor(depth_m[round_ones] / 3.0) * 3.0
    leave_at_min[round_ones] = np.round(leave_at_min[round_ones])
    gf_high = draw.uniform(0.5, 1.0, dives)
    return Dives(depth_m, leave_at_min, draw.uniform(0.1, 1.0, dives) * gf_high, gf_high)


def planned_by_leadline(layout: Layout, dives: Dives) -> Planned:
    """One call of the kernel for each dive."""
    stop_m = np.array(layout.rules.stop_depths_m)
    found = Planned.empty(len(dives), len(stop_m))
    levels, legs = layout.levels.copy(), np.zeros(2048, kernel.LEG)
    for i in range(len(dives)):
        levels[0]["depth_m"], levels[0]["leave_at_min"] = dives.depth_m[i], dives.leave_at_min[i]
        rules = layout.rules._replace(gf_low=float(dives.gf_low[i]), gf_high=float(dives.gf_high[i]))
        tissue = layout.start.copy()
        n, left, fault, _, run_time_min = kernel.simulate(
            tissue, levels, layout.ways, layout.source_rows, rules, layout.comps, legs
        )
        found.fault[i] = fault
        found.run_time_min[i] = run_time_min
        found.tissue[i] = tissue.ravel()
        stops = legs[left:n][legs[left:n]["kind"] == kernel.STOP]
        at = np.searchsorted(stop_m, stops["end_m"] - kernel.CLOSE)
        found.arrive_min[i, at], found.leave_min[i, at] = stops["start_min"], stops["end_min"]
    return found
