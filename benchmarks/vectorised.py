"""The planning in NumPy: all dives side by side, each operation over those that are at the same point of the method.

Straightforward, as one writes it: the method of the plain C, with masks in the place of branches. Tensions are arrays
[dives, 32], nitrogen first.
"""

from __future__ import annotations

import numpy as np

from benchmarks.dives import Array, Dives, Planned, Site
from leadline.tissue.kernel import CLOSE, COMPARTMENTS, LEFT_TOO_EARLY, NEVER_CLEARS, STUCK_AFTER_MIN, WATER_VAPOUR

TOGETHER = 2_000
"""So many dives side by side are quickest: their tensions stay in the processor's cache."""


class Vectorised:
    """Plans dives of a site."""

    def __init__(self, site: Site) -> None:
        """Of a site."""
        self.site = site
        shares = np.stack([1.0 - site.he_share, site.he_share], axis=1)
        self.shares = np.repeat(shares, COMPARTMENTS, axis=1)  # of inert gas, by gas and tension

    def plan(self, dives: Dives) -> Planned:
        """Plan dives, TOGETHER at a time."""
        found = Planned.empty(len(dives), len(self.site.stop_m))
        for first in range(0, len(dives), TOGETHER):
            part = slice(first, first + TOGETHER)
            self._plan(dives.part(first, first + TOGETHER), Planned(*(each[part] for each in vars(found).values())))
        return found

    def _plan(self, dives: Dives, found: Planned) -> None:
        site, bottom_gas = self.site, np.zeros(len(dives), int)
        bar = self.ambient(dives.depth_m)
        run_time_min = dives.depth_m / site.descent
        tissue = np.tile(site.start, (len(dives), 1))
        tissue = self.travel(tissue, np.full(len(dives), site.surface_bar), bar, run_time_min, bottom_gas)
        too_early = run_time_min > dives.leave_at_min + CLOSE
        stay_min = dives.leave_at_min - run_time_min
        staying = (stay_min > 0.0) & ~too_early
        tissue[staying] = self.stay(tissue[staying], bar[staying], stay_min[staying], bottom_gas[staying])
        found.fault[too_early] = LEFT_TOO_EARLY
        found.run_time_min[:] = np.where(staying, dives.leave_at_min, run_time_min)
        found.tissue[:] = tissue

        asking = np.flatnonzero(~too_early & self.clears(tissue, bar, dives.gf_high))
        up, surfaced_min, within = self.direct(asking, dives, found)
        direct = asking[within]
        found.tissue[direct], found.run_time_min[direct] = up[within], surfaced_min[within]
        with_stops = ~too_early
        with_stops[direct] = False
        self._ascend(np.flatnonzero(with_stops), dives, found)

    def direct(self, asking: Array, dives: Dives, found: Planned) -> tuple[Array, Array, Array]:
        """Up without a stop: tensions and run times at the surface, and whether all of it is within GF high."""
        site, last_m = self.site, self.site.stop_m[1]
        tissue, run_time_min = found.tissue[asking], found.run_time_min[asking]
        depth_m, gf = dives.depth_m[asking], dives.gf_high[asking]
        within = np.ones(len(asking), bool)
        ends_m = [*site.from_m[site.from_m > last_m], last_m, *site.from_m[site.from_m < last_m], 0.0]
        for end_m in ends_m:
            rising = depth_m > end_m + (CLOSE if end_m not in (last_m, 0.0) else 0.0)
            to_m = np.full(rising.sum(), end_m)
            minutes = (depth_m[rising] - to_m) / (site.ascent if end_m >= last_m else site.to_surface)
            gas = self.gas_at(0.5 * (depth_m[rising] + to_m))
            bars = self.ambient(depth_m[rising]), self.ambient(to_m)
            tissue[rising] = self.travel(tissue[rising], *bars, minutes, gas)
            run_time_min[rising] += minutes
            if end_m in (last_m, 0.0):
                within[rising] &= self.clears(tissue[rising], bars[1], gf[rising])
            depth_m[rising] = end_m
        return tissue, run_time_min, within

    def _ascend(self, who: Array, dives: Dives, found: Planned) -> None:
        """To the surface with every stop: at each turn every diver waits a minute or goes one stop depth up."""
        site = self.site
        depth_m, gf_low, gf_high = dives.depth_m[who], dives.gf_low[who], dives.gf_high[who]
        tissue, run_time_min = found.tissue[who], found.run_time_min[who]
        give_up_min = run_time_min + STUCK_AFTER_MIN
        first_stop_m = np.full(len(who), -1.0)
        gas = self.gas_at(depth_m)
        not_before_min = run_time_min + np.where(gas != 0, site.hold_min, 0.0)
        while len(who):
            stop = np.maximum(1, np.searchsorted(site.stop_m, depth_m - CLOSE))
            deeper = stop == len(site.stop_m)  # than the grid
            next_m = site.stop_m[stop - 1]
            stop[deeper] -= 1
            next_bar = self.ambient(next_m)

            gf = self.line_gf(next_m, first_stop_m, gf_low, gf_high)
            clear = self.clears(tissue, next_bar, gf)
            going = np.flatnonzero(clear & (run_time_min >= not_before_min - CLOSE))
            rate = np.where(first_stop_m[going] < 0.0, site.ascent, site.between_stops)
            last = (next_m[going] < CLOSE) & (depth_m[going] <= site.stop_m[1] + CLOSE)
            rate[last] = site.to_surface
            minutes = (depth_m[going] - next_m[going]) / rate
            travel_gas = self.gas_at(0.5 * (depth_m[going] + next_m[going]))
            up = self.travel(tissue[going], self.ambient(depth_m[going]), next_bar[going], minutes, travel_gas)
            arrives = self.clears(up, next_bar[going], gf[going])
            gone = going[arrives]

            held = np.ones(len(who), bool)
            held[gone] = False
            anew = held & (first_stop_m < 0.0) & ~(clear & (run_time_min < not_before_min - CLOSE))
            first_stop_m[anew] = depth_m[anew]  # the first stop; ask again under the line
            waits = np.flatnonzero(held & ~anew)
            begins = waits[found.leave_min[who[waits], stop[waits]] == 0.0]
            found.arrive_min[who[begins], stop[begins]] = run_time_min[begins]
            whole_min = np.floor(run_time_min[waits] + CLOSE) + 1.0
            tissue[waits] = self.stay(
                tissue[waits], self.ambient(depth_m[waits]), whole_min - run_time_min[waits], gas[waits]
            )
            run_time_min[waits] = whole_min
            found.leave_min[who[waits], stop[waits]] = whole_min

            tissue[gone] = up[arrives]
            run_time_min[gone] += minutes[arrives]
            depth_m[gone] = next_m[gone]
            breathed = self.gas_at(depth_m[gone])
            not_before_min[gone] = run_time_min[gone] + np.where(breathed != gas[gone], site.hold_min, 0.0)
            gas[gone] = breathed

            stuck = run_time_min > give_up_min
            done = (depth_m <= CLOSE) | stuck
            found.fault[who[stuck]] = NEVER_CLEARS
            found.tissue[who[done]], found.run_time_min[who[done]] = tissue[done], run_time_min[done]
            left = ~done
            who, depth_m, gf_low, gf_high, tissue, run_time_min, give_up_min, first_stop_m, gas, not_before_min = (
                each[left]
                for each in (
                    who, depth_m, gf_low, gf_high, tissue, run_time_min, give_up_min, first_stop_m, gas, not_before_min
                )
            )  # fmt: skip

    def ambient(self, depth_m: Array) -> Array:
        """[bar]"""
        return self.site.surface_bar + self.site.bar_per_m * depth_m

    def inspired(self, bar: Array, gas: Array) -> Array:
        """Of nitrogen and helium. [dives, 32, bar]"""
        inert_bar = (bar - WATER_VAPOUR) * (1.0 - self.site.o2[gas])
        return inert_bar[:, None] * self.shares[gas]

    def stay(self, tissue: Array, bar: Array, minutes: Array, gas: Array) -> Array:
        """Haldane's equation."""
        share = np.empty_like(tissue)
        whole = np.abs(minutes - 1.0) < 1e-9
        share[whole] = self.site.minute
        share[~whole] = -np.expm1(-self.site.rate * minutes[~whole, None])
        return tissue + (self.inspired(bar, gas) - tissue) * share

    def travel(self, tissue: Array, start_bar: Array, end_bar: Array, minutes: Array, gas: Array) -> Array:
        """Schreiner's equation."""
        rate, minutes = self.site.rate, minutes[:, None]
        start = self.inspired(start_bar, gas)
        slope = (self.inspired(end_bar, gas) - start) / minutes
        return start + slope * (minutes - 1.0 / rate) - (start - tissue - slope / rate) * np.exp(-rate * minutes)

    def clears(self, tissue: Array, bar: Array, gf: Array) -> Array:
        """Whether every compartment tolerates an ambient pressure under a gradient factor. [dives]"""
        n2, he = tissue[:, :COMPARTMENTS], tissue[:, COMPARTMENTS:]
        p, gf = n2 + he, gf[:, None]
        a = self.site.a[:COMPARTMENTS] * n2 + self.site.a[COMPARTMENTS:] * he
        b = self.site.b[:COMPARTMENTS] * n2 + self.site.b[COMPARTMENTS:] * he
        within = p * p * b - gf * a * b <= bar[:, None] * p * (gf * p + (1.0 - gf) * b)
        return np.asarray(within.all(axis=1))

    def line_gf(self, depth_m: Array, first_stop_m: Array, gf_low: Array, gf_high: Array) -> Array:
        """GF low at the first stop, GF high at the surface."""
        low = (first_stop_m <= 0.0) | (depth_m >= first_stop_m)
        return np.where(low, gf_low, gf_high + (gf_low - gf_high) * depth_m / np.where(low, 1.0, first_stop_m))

    def gas_at(self, depth_m: Array) -> Array:
        """The gas of the way up breathed at a depth."""
        reached = self.site.from_m >= depth_m[:, None] - CLOSE
        return len(self.site.from_m) - 1 - np.argmax(reached[:, ::-1], axis=1)
