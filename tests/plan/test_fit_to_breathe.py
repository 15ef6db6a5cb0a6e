"""Nothing that a plan, a contingency or a sheet says is breathed is unfit to breathe, whatever the dive file says.

Fit is worked out here again, from Dalton's law, the ICAO atmosphere and the loop's equations of docs/method.md, and so
are the gaps where nothing fit is at hand.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Iterator
from importlib import import_module
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from rich.console import Console

from leadline.dive_file import Dive, DiveFileError, parse_dive
from leadline.dive_file.schema import Cylinder
from leadline.ensemble import robustness
from leadline.plan import plan_dive
from leadline.plan.contingency import Contingency
from leadline.plan.gases import Source
from leadline.plan.planned import Plan
from leadline.plan.rows import contingency_rows, givings, planned_rows
from leadline.plan.team import Team, plan_team
from leadline.sheets import content
from leadline.show.outcome import in_words
from leadline.show.plan_data import as_data, team_as_data
from leadline.solve.cures import cured
from leadline.tables.table_set import plan_table_set
from leadline.terminal.plan import render
from tests.dives import Tables, cylinder, tables
from tests.reference_model import VAPOUR
from tests.reference_model import gas as fractions

TOLERANCE_BAR = 0.03
HARD_BAR = 1.6
LEAST_BAR = 0.16
SEMI_CLOSED_BAR = 0.21
BAR_PER_M = {"en13319": 0.1, "sea": 1025 * 9.80665e-5, "fresh": 1000 * 9.80665e-5}
BULK = 1000

# --- Random dives -----------------------------------------------------------------------------------------------------

BOTTOMS = {"air": 55, "32": 33, "28": 42, "21/35": 62, "18/45": 72, "15/55": 85, "12/60": 100, "10/70": 110}
"""Bottom gases and diluents, and about how deep: a little deeper than fit, now and then."""
RICH = ("25", "36", "40", "35/25", "50", "70", "80", "oxygen")
TRAVELS = ("32", "36", "25/25", "50")
BAILOUTS: tuple[tuple[str, ...], ...] = (
    (), ("oxygen",), ("10/70",), ("50",), ("32",), ("18/45", "50"), ("50", "18/45"), ("oxygen", "15/55", "50"),
    ("10/70", "28", "oxygen"), ("12/60", "32"), ("10/70", "oxygen"), ("air", "50", "oxygen"),
)  # fmt: skip


class Draw:
    """Choices of one random dive; Hypothesis can shrink them."""

    def __init__(self, random: Random) -> None:
        self.random = random

    def of(self, *choices: Any) -> Any:
        return choices[self.random.randrange(len(choices))]

    def once_in(self, times: int) -> bool:
        return self.random.randrange(times) == times - 1

    def whole(self, low: int, high: int) -> int:
        return self.random.randint(low, high)


def any_dive(random: Random, team: bool = False) -> Tables:
    """A dive file of any kind."""
    draw = Draw(random)
    imperial, loop = draw.once_in(4), team or draw.of(True, False)
    unit, step = (0.3048, 10) if imperial else (1.0, 3)
    bottom = draw.of(*BOTTOMS)
    others = [gas for gas in BOTTOMS if BOTTOMS[gas] < BOTTOMS[bottom]]
    gases = [bottom, *([draw.of(*others)] if others and draw.once_in(2) else [])]
    levels: list[Tables] = []
    at_min = 0
    for i in range(draw.of(1, 1, 2, 3)):
        gas = bottom if i == 0 or loop else draw.of(*gases)
        most_m = BOTTOMS[gas] + (draw.of(0, 8) if draw.once_in(4) else 0)
        depth_m = draw.whole(9, most_m)
        before_m = levels[-1]["metres"] if levels else 0
        at_min += math.ceil(abs(depth_m - before_m) / 6) + draw.of(0, 2, 10, 25) * (depth_m < before_m or not levels)
        at_min += draw.whole(0, 20)
        level: Tables = {"depth": round(depth_m / unit), "leave_at": at_min, "metres": depth_m}
        if not loop and draw.once_in(2):
            level["gas"] = gas
        levels.append(level)
    given: Tables = {
        "units": "imperial" if imperial else "metric",
        "site": {"water": draw.of(*BAR_PER_M), "altitude": f"{draw.of(0, 0, 700, 1800, 3000)} m"},
        "model": {"gradient_factors": draw.of([40, 80], [20, 70], [55, 70], [85, 85], [15, 95])},
        "rates": {"descent": round(20 / unit), "ascent": draw.of(round(9 / unit), round(6 / unit))},
        "stops": {"gas_switch": draw.of(0, 1), "last": draw.of(step, step, 2 * step, 1.5 * step)},
        "levels": [{key: value for key, value in level.items() if key != "metres"} for level in levels],
        "diver": {"sorting_out": draw.of(0, 2, 2), "stressed_for": draw.of(0, 10)},
        "limits": {"density_caution": draw.of(5.2, 6.2)},
    }
    if draw.once_in(2):
        given["limits"] |= {"ppo2_bottom": draw.of(1.2, 1.4, 1.5, 1.6), "ppo2_deco": draw.of(1.3, 1.4, 1.5, 1.6)}
        if draw.once_in(3):
            given["limits"] |= {"ppo2_bottom_no_go": 1.6, "ppo2_deco_no_go": 1.6}

    def switches(gas: str, both: bool) -> Tables:
        """Switch depths of the diver's own, now and then."""
        if not draw.once_in(5):
            return {}
        most = int((1.63 / fractions(gas)[0] - 1.0) * 10 / unit / step)
        if most < 2:
            return {}
        up = step * draw.whole(max(2, most - 4), most)
        if not both or draw.once_in(2):
            return {"switch_depth": up}
        return {"switch_depth": draw.of({"up": up}, {"down": up}, {"down": up, "up": max(2 * step, up - step)})}

    cylinders: list[Tables] = []

    def carry(gas: str, use: str) -> None:
        size, bar = draw.of(3, 12, 24, 60), draw.of(60, 200, 230)
        own = switches(gas, use == "travel") if use in ("travel", "deco", "bailout") else {}
        name = f"{use} {gas} {len(cylinders)}"
        cylinders.append(cylinder(gas, use, name=name, size=f"{size} L", pressure=f"{bar} bar", **own))

    if loop:
        given["loop"] = {
            "diluent": bottom, "setpoint": draw.of(0.7, 1.0, 1.3, 1.4), "semi_closed": draw.of(1, 3, 10),
            "diluent_second_stage": draw.of(True, False),
        }  # fmt: skip
        if draw.once_in(3):
            given["loop"] |= {"low_setpoint": 0.5, "high_from": 4 * step, "low_from": step}
        if draw.once_in(3):
            given["loop"] |= {"deco_setpoint": draw.of(1.5, 1.6), "deco_from": 2 * step}
        if draw.of(True, False):
            carry(bottom, "diluent")
        for gas in draw.of(*BAILOUTS, (bottom, "50"), (bottom, "50", "oxygen"), (bottom,)):
            carry(gas, "bailout")
    else:
        for gas in gases:
            for _ in range(draw.of(1, 1, 2)):
                carry(gas, "bottom")
        if BOTTOMS[bottom] > 80 or draw.once_in(4):
            carry(draw.of(*TRAVELS), "travel")
        for gas in random.sample(RICH, draw.whole(0, 3)):
            carry(gas, "deco")
        if draw.once_in(4):
            given["stops"]["oxygen_breaks"] = {"on": draw.of(5, 12), "off": draw.of(4, 6)}
    given["cylinders"] = cylinders
    if team:
        given["gas"] = {"team_bailout": draw.of(True, True, False)}
        given["team"] = [{"name": name} for name in ("Ann", "Ben", "Cleo")[: draw.of(2, 3)]]
        for diver in given["team"][1:]:
            diver["gradient_factors"] = draw.of([40, 80], [30, 60], [60, 90])
            if draw.once_in(2):
                own = [cylinder(gas, "bailout", name=f"own {gas}") for gas in draw.of(*BAILOUTS)]
                diver["cylinders"] = own
        if draw.once_in(3):
            given["cylinders"] = [cylinder("12/60", "bottom"), cylinder("32", "travel"), *given["cylinders"]]
            given["team"][-1]["circuit"] = "open"
    return given


def planned(given: Tables) -> Team | None:
    """The plan; None for a file that is refused in words."""
    try:
        return plan_team(parse_dive(given))
    except DiveFileError:
        return None


# --- Fit, by hand -----------------------------------------------------------------------------------------------------


class Site:
    """Pressure and what is fit at a dive's site, from the file's own words."""

    def __init__(self, dive: Dive) -> None:
        metres, water = dive.site.altitude, str(dive.site.water)
        self.surface = 1.01325 * (1 - 0.0065 * metres / 288.15) ** (9.80665 / (287.05287 * 0.0065))
        self.per_metre = BAR_PER_M[water]
        self.least = min(LEAST_BAR, 0.2098 * self.surface)
        self.dive = dive
        self.wrong = max(dive.limits.ppo2_bottom, dive.limits.ppo2_deco) + TOLERANCE_BAR
        self.metabolised = 0.0
        if dive.loop is not None:
            self.metabolised = (
                dive.loop.metabolic_oxygen
                * dive.loop.semi_closed
                / min(dive.diver.rmv_bottom, dive.diver.rmv_deco)  # the limit is held at rest
            )

    def bar(self, depth_m: float) -> float:
        return self.surface + self.per_metre * depth_m

    def ppo2(
        self, gas: str, circuit: str, setpoint: float | None, depth_m: float, rmv: float | None = None
    ) -> float:  # fmt: skip
        """At rest, if not at another RMV: of a semi-closed loop that is less."""
        o2, bar = fractions(gas)[0], self.bar(depth_m)
        if circuit == "open":
            return o2 * bar
        if circuit == "closed":
            assert setpoint is not None
            return min(bar - VAPOUR, max(setpoint, o2 * (bar - VAPOUR)))
        m = self.metabolised
        if rmv is not None and self.dive.loop is not None:
            m = self.dive.loop.metabolic_oxygen * self.dive.loop.semi_closed / rmv
        return bar * max(0.0, (bar * o2 - m) / (bar - m)) if bar > m else 0.0

    def misfit(self, gas: str, circuit: str, setpoint: float | None, depth_m: float, limit: float) -> str:
        """What is wrong with breathing it there; empty if nothing."""
        ppo2 = self.ppo2(gas, circuit, setpoint, depth_m)
        least = SEMI_CLOSED_BAR if circuit == "semi-closed" else self.least
        if least - 1e-6 <= ppo2 <= limit + 1e-6:
            return ""
        return f"{gas} ({circuit}, {setpoint}) at {depth_m:.2f} m is {ppo2:.3f} bar, not {least:.3f} to {limit:.2f}"

    def fit(self, source: Source, depth_m: float, limit: float) -> str:
        return self.misfit(source.mix.label, source.circuit, source.setpoint_bar, depth_m, limit)

    def grid(self, from_m: float) -> list[float]:
        """From a depth up: it, every stop depth above it, the surface."""
        stops = self.dive.stops
        multiples = [i * stops.step for i in range(1, 120)]
        grid = [depth for depth in multiples if depth - stops.last > stops.step / 2 - 1e-6]
        return [from_m, *(d for d in (*reversed(grid), stops.last, 0.0) if d < from_m - 1e-6)]


def breathed_in(data: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any], float]]:
    """Everything in JSON data that has a gas, a circuit and depths: (where it stands, it, depth)."""
    if isinstance(data, dict):
        if "circuit" in data and "gas" in data:
            ends = ("start_m", "end_m") if "start_m" in data else ("depth_m", "shallowest_m", "deepest_m")
            for key in ends:  # of what was breathed, end_m is the END
                if key in data:
                    yield path, data, data[key]
        for key, value in data.items():
            yield from breathed_in(value, f"{path}.{key}")
    elif isinstance(data, list):
        for value in data:
            yield from breathed_in(value, path)


def misfits_of_data(site: Site, data: dict[str, Any]) -> Iterator[str]:
    """Of the JSON of a diver's plan. A cylinder that a mate takes is on no one's mouth here ("give")."""
    for path, one, depth_m in breathed_in(data):
        limit = site.wrong if ".contingencies" in path or ".bailouts" in path else HARD_BAR + TOLERANCE_BAR
        if one.get("kind") in ("give", "surface") or path.endswith(".contingencies.breathing"):
            continue
        said = site.misfit(one["gas"], one["circuit"], one["setpoint_bar"], depth_m, limit)
        if said:
            yield f"data{path}: {said}"


def misfits_of_contingency(site: Site, plan: Plan, found: Contingency) -> Iterator[str]:
    """Of its legs, supply, rows, oxygen, and of everything that must be empty where there is no way up."""
    name = found.name
    for leg in found.legs:
        for depth_m in (leg.start_m, leg.end_m):
            if said := site.fit(leg.source, depth_m, site.wrong):
                yield f"{name}, leg: {said}"
    carried = {cylinder.name: cylinder for cylinder in found.scenario.dive.cylinders}
    for use in found.supply:
        if carried[use.name].use in ("bottom", "travel", "deco", "bailout"):
            for part in use.legs:
                limit = site.wrong if part.start_min >= (found.leaves_at_min or 0.0) - 1e-6 else HARD_BAR + 0.03
                said = site.misfit(use.mix.label, "open", None, part.depth_m, limit)
                if said and part.litres > 1e-6:
                    yield f"{name}, supply: {said}"
    for row in contingency_rows(plan, found):
        said = site.fit(row.source, row.depth_m, site.wrong)
        if said and row.kind != "surface":
            yield f"{name}, row: {said}"
    before = found.leaves_at_min is not None and not found.scenario.off_the_loop
    for part in found.breathing:  # but off the loop that is of the whole dive
        for depth_m in (part.shallowest_m, part.deepest_m):
            if said := site.fit(part.source, depth_m, HARD_BAR + TOLERANCE_BAR if before else site.wrong):
                yield f"{name}, breathed: {said}"
    highest = max(site.wrong, plan.oxygen.highest_ppo2_bar if found.leaves_at_min is not None else 0.0)
    if found.legs and found.oxygen.highest_ppo2_bar > highest + 1e-6:
        yield f"{name}: highest ppO2 {found.oxygen.highest_ppo2_bar}"
    if not found.legs:
        parts = (found.stops, found.switches, found.supply, found.breathing, found.handovers, found.loop)
        if any(parts) or found.oxygen.cns_percent or found.oxygen.otu or found.tts_min or found.holds:
            yield f"{name}: no way up, and yet numbers of one"
    if found.no_gas is not None and found.legs:
        yield f"{name}: a gap and a way up"


def misfits(team: Team, as_json: bool = True) -> list[str]:
    """Everything unfit that the plans of a team say is breathed."""
    found: list[str] = []
    for member in team.members:
        plan, site = member.plan, Site(member.plan.dive)
        found += misfits_of_data(site, as_data(plan)) if as_json else ()
        for row in planned_rows(plan):
            said = site.fit(row.source, row.depth_m, HARD_BAR + TOLERANCE_BAR)
            if said and row.kind != "surface":
                found.append(f"planned row: {said}")
        for contingency in plan.contingencies:
            found += misfits_of_contingency(site, plan, contingency)
            found += wrong_gap(site, contingency, plan)
            found += wrong_answers(contingency)
        tts = dict(plan.bailout_tts)
        for bailout in plan.bailouts:
            if bailout.legs and bailout.scenario.level is not None:
                marked = tts.get(bailout.leaves_at_min or 0.0, bailout.tts_min)
                if abs(marked - bailout.tts_min) > 1e-6:
                    found.append(f"{bailout.name}: TTS {bailout.tts_min}, on the slate {marked}")
    return found


# --- Gaps, by hand ----------------------------------------------------------------------------------------------------


def richest_usable(site: Site, cylinders: Iterable[Cylinder], at: str | None) -> list[tuple[float, str]]:
    """(from that depth up, gas), deepest first, as docs/method.md has it: the deepest grid depth within `ppo2_deco`,
    or the diver's own; moved up while too dense; each richer than the one before it."""
    limits, grid = site.dive.limits, site.grid(350.0)[1:-1]

    def grams(gas: str, depth_m: float) -> float:
        o2, he = fractions(gas)
        return (1.429 * o2 + 1.251 * (1 - o2 - he) + 0.1786 * he) * site.bar(depth_m) / 1.01325

    found: list[tuple[float, str, bool]] = []
    for one in cylinders:
        gas = one.gas.label
        held = limits.ppo2_bottom + 0.01 if one.use == "bottom" and site.dive.loop is None else limits.ppo2_deco + 0.03
        within = [depth for depth in grid if fractions(gas)[0] * site.bar(depth) <= held]
        if one.switch_up is not None:
            found.append((one.switch_up, gas, True))
        elif within:
            found.append((within[0], gas, False))

    def each_richer(gases: list[tuple[float, str, bool]]) -> list[tuple[float, str, bool]]:
        kept, richest = [], fractions(at)[0] if at else 0.0
        for one in sorted(gases, key=lambda one: (-one[0], -fractions(one[1])[0])):
            if fractions(one[1])[0] > richest + 1e-9:
                kept.append(one)
                richest = fractions(one[1])[0]
        return kept

    moved: list[tuple[float, str, bool]] = []
    for depth_m, gas, own in each_richer(found):
        usable = [depth for depth in grid if depth <= depth_m + 1e-6]
        before = [(d, g) for d, g, _ in moved] if at is None else [(1e4, at), *((d, g) for d, g, _ in moved)]
        while not own:
            deeper = [g for d, g in before if d >= depth_m - 1e-6]
            if not deeper or grams(gas, depth_m) <= min(6.2, limits.density_no_go):
                break
            other, above = deeper[-1], [depth for depth in usable if depth < depth_m - 1e-6]
            if grams(other, depth_m) >= grams(gas, depth_m) or not above:
                break
            if not any(d >= above[0] - 1e-6 for d, _ in before):
                break
            if fractions([g for d, g in before if d >= above[0] - 1e-6][-1])[0] * site.bar(above[0]) < site.least:
                break
            depth_m = above[0]
        moved.append((depth_m, gas, True))
    return [(depth_m, gas) for depth_m, gas, _ in each_richer(moved)]


def worth_asking(site: Site, own: list[tuple[float, str]], all_: list[tuple[float, str]]) -> dict[float, str]:
    """What is breathed from each depth of the grid up, of one's own and the mates' gases: at hand, one's own first, as
    long as it is fit to the next depth and the richest of all gives less than 0.4 bar more."""

    def usable(steps: list[tuple[float, str]], depth_m: float) -> str:
        return ([gas for depth, gas in steps if depth >= depth_m - 1e-6] or [steps[0][1]])[-1]

    def does(gas: str, richest: str, depth_m: float, above_m: float) -> bool:
        more = (fractions(richest)[0] - fractions(gas)[0]) * site.bar(depth_m)
        return more < 0.4 and not any(site.misfit(gas, "open", None, d, site.wrong) for d in (depth_m, above_m))

    asked, before = dict[float, str](), all_[0][1]
    for depth_m, above_m in pairwise(site.grid(350.0)):
        richest = usable(all_, depth_m)
        at_hand = [gas for gas in (usable(own, depth_m), before) if does(gas, richest, depth_m, above_m)]
        before = asked[depth_m] = at_hand[0] if at_hand else richest
    return asked


def gap_by_hand(site: Site, found: Contingency, from_m: float) -> tuple[float, float] | None:
    """Where a way up off the loop has nothing fit: (from, to), on the depths of the grid."""
    dive = found.scenario.dive
    assert dive.loop is not None
    diluent, limit = dive.loop.diluent.label, site.wrong
    carried = [c for c in dive.cylinders if c.use in ("bottom", "travel", "deco", "bailout")]
    steps = richest_usable(site, carried, None)
    given_names = found.scenario.given
    own_first = bool(given_names) and found.kind != "oxygen gone"
    own = richest_usable(site, [c for c in carried if c.name not in given_names], None)
    asked = worth_asking(site, own, steps) if given_names and own and own != steps else {}
    leaves_m = math.inf
    if found.kind == "oxygen gone":
        richer = [depth for depth, gas in steps if fractions(gas)[0] > fractions(diluent)[0]]
        grid = [*reversed(site.grid(dive.deepest_m + 1e-3)[1:])]
        thin = [d for d in grid if site.ppo2(diluent, "semi-closed", None, d) < SEMI_CLOSED_BAR]
        leaves_m = max(richer, default=0.0)
        if steps and thin:
            leaves_m = max(leaves_m, min((d for d in grid if d > max(thin)), default=math.inf))
    unfit: float | None = None
    for depth_m, above_m in pairwise(site.grid(from_m)):
        middle = 0.5 * (depth_m + above_m)
        usable = [gas for depth, gas in steps if depth >= middle] or [gas for _, gas in steps][:1]
        if asked:
            usable = [gas for depth, gas in asked.items() if depth >= depth_m - 1e-6][-1:]
        if middle > leaves_m or (leaves_m == 0.0):
            breathed = [(diluent, "semi-closed")]
        else:
            breathed = [(usable[-1], "open")] if usable else []
        if found.kind == "oxygen gone" and not steps:
            breathed = [(diluent, "semi-closed")]
        if own_first and depth_m == from_m:  # a mate's comes with the first change
            usable = [gas for depth, gas in own if depth >= depth_m - 1e-6] or [gas for _, gas in own][:1]
            if usable and not any(site.misfit(usable[-1], "open", None, d, limit) for d in (depth_m, above_m)):
                breathed = [(usable[-1], "open")]
        fit = breathed and not any(site.misfit(*breathed[0], None, d, limit) for d in (depth_m, above_m))
        if not fit and unfit is None:
            unfit = depth_m
        elif fit and unfit is not None:
            return unfit, depth_m
    return None if unfit is None else (unfit, 0.0)


def open_gap_by_hand(site: Site, found: Contingency, plan: Plan) -> tuple[float, float] | None:
    """The same of the last ascent on open circuit; None where that is not what is asked, or nothing is unfit on it."""
    dive = found.scenario.dive
    whole = found.leaves_at_min is None and found.scenario.points is None
    if dive.loop is not None or not (whole or found.kind in ("lost gas", "two gases lost", "gas found empty")):
        return None
    downward = {c.gas.label: c.switch_down for c in dive.cylinders if c.use == "travel" and c.switch_down is not None}
    if any(site.misfit(gas, "open", None, depth_m, site.wrong) for gas, depth_m in downward.items()):
        return None
    at = next(leg.source.mix.label for leg in reversed(plan.schedule.legs) if leg.kind in ("level", "descent"))
    carried = [c for c in dive.cylinders if c.use in ("bottom", "travel", "deco")]
    steps = [(math.inf, at), *richest_usable(site, carried, at)]
    unfit: float | None = None
    for depth_m, above_m in pairwise(site.grid(dive.levels[-1].depth if whole else found.depth_m or 0.0)):
        gas = [one for depth, one in steps if depth >= 0.5 * (depth_m + above_m)][-1]
        fit = not any(site.misfit(gas, "open", None, d, site.wrong) for d in (depth_m, above_m))
        if not fit and unfit is None:
            unfit = depth_m
        elif fit and unfit is not None:
            return unfit, depth_m
    return None if unfit is None else (unfit, 0.0)


OFF_THE_LOOP = ("bailout", "bailout lost", "heavy breathing", "oxygen gone", "mate out of gas")


def wrong_gap(site: Site, found: Contingency, plan: Plan) -> Iterator[str]:
    """Whether a gap is where it is by hand, takes as long, and leaves what is really there and fit."""
    name = found.name
    if site.dive.loop is not None and found.kind in OFF_THE_LOOP and found.depth_m is not None:
        from_m = found.no_gas.gap.from_m if found.no_gas is not None else found.depth_m
        left_m = found.depth_m
        if found.scenario.points is not None:
            left_m = float(plan.schedule.track.points[found.scenario.points[0]]["depth_m"])
            left_m = left_m if found.scenario.level is not None else found.depth_m
        by_hand = gap_by_hand(site, found, left_m)
        ours = None if found.no_gas is None else (found.no_gas.gap.from_m, found.no_gas.gap.to_m)
        if (ours is None) != (by_hand is None) or (ours and by_hand and math.dist(ours, by_hand) > 1e-6):
            yield f"{name}: gap {ours} of {from_m}, by hand {by_hand}"
        if by_hand is not None and found.legs:
            yield f"{name}: a way up over a gap"
    if found.no_gas is None:
        return
    by_hand = open_gap_by_hand(site, found, plan)
    ours = (found.no_gas.gap.from_m, found.no_gas.gap.to_m)
    if by_hand is not None and math.dist(ours, by_hand) > 1e-6:
        yield f"{name}: gap {ours}, by hand {by_hand}"
    gap, minutes = found.no_gas.gap, found.no_gas.minutes
    rate = plan.dive.rates.ascent * (0.5 if found.kind == "slow ascent" else 1.0)
    if gap.from_m <= gap.to_m or abs(minutes - (gap.from_m - gap.to_m) / rate) > 1e-9:
        yield f"{name}: {minutes} min from {gap.from_m} to {gap.to_m}"
    yield from wrong_resorts(site, found, gap.from_m)


def wrong_resorts(site: Site, found: Contingency, at_m: float) -> Iterator[str]:
    """Whether what is left to try is all that is there and within the hard limit, and no more."""
    assert found.no_gas is not None
    dive, loop = found.scenario.dive, site.dive.loop

    def fit(gas: str) -> bool:
        return not site.misfit(gas, "open", None, at_m, HARD_BAR + TOLERANCE_BAR)

    for resort in found.no_gas.left:
        if not fit(resort.gas) or abs(resort.ppo2_bar - site.ppo2(resort.gas, "open", None, at_m)) > 1e-9:
            yield f"{found.name}, {resort.what}: {resort.gas} at {at_m}, {resort.ppo2_bar} bar"
    said = {(resort.what, resort.gas, resort.cylinder) for resort in found.no_gas.left if not resort.whose}
    uses = ("bottom", "travel", "deco", *(("bailout",) if loop is not None else ()))
    own = [c for c in dive.cylinders if c.use in uses and c.name not in found.scenario.given]
    there = {("own gas", c.gas.label, c.name) for c in own if fit(c.gas.label)}
    if loop is not None and any(c.use == "diluent" for c in dive.cylinders) and fit(loop.diluent.label):
        there.add(("loop flushed", loop.diluent.label, ""))
        if loop.diluent_second_stage:
            there.add(("diluent on open circuit", loop.diluent.label, ""))
    if said != there:
        yield f"{found.name}: left to try {said}, by hand {there}"


# --- Answers ----------------------------------------------------------------------------------------------------------


def wrong_answers(found: Contingency) -> Iterator[str]:
    """The four answers, `holds`, and the words are of one piece."""
    name, answers, words = found.name, found.answers, in_words(found)
    lasts = answers.gas in ("lasts", "into the reserve")
    if found.holds != (lasts and answers.stops == "met" and answers.breathable == "yes") and not (
        # the plain bailout leaves its reserve alone
        found.kind == "bailout" and answers.gas == "into the reserve"
    ):
        yield f"{name}: holds {found.holds}, {answers}"
    dry = any(use.used_l > use.content_l + 1e-6 for use in found.supply)
    dry = dry or any(finding.code == "mate-gas-short" for finding in found.findings)
    dipped = any(use.used_l > use.usable_l + 1e-6 for use in found.supply)
    if found.legs and answers.gas != ("runs out" if dry else "into the reserve" if dipped else "lasts"):
        yield f"{name}: gas {answers.gas}"
    if (answers.breathable == "no") != words[0].startswith("no gas to breathe"):
        yield f"{name}: {words}, {answers}"
    if found.legs and words[0].startswith("gas runs out") != (answers.gas == "runs out"):
        yield f"{name}: {words}, {answers}"
    if (answers.exposure == "over") != any(said.startswith("over ") for said in words) and found.legs:
        yield f"{name}: {words}, {answers}"
    if (answers.exposure == "over") != bool(found.over):
        yield f"{name}: over {found.over}, {answers}"


# --- Paper and terminal -----------------------------------------------------------------------------------------------


def labelled(name: str) -> tuple[str, str, float | None]:
    """Gas, circuit and setpoint of a source as it is printed: "50 %", "loop 1.3", "semi-closed 18/45"."""
    if name.startswith("loop "):
        return "", "closed", float(name.split()[1])
    circuit = "semi-closed" if name.startswith("semi-closed ") else "open"
    return name.removeprefix("semi-closed ").removesuffix(" %").strip(), circuit, None


def rows_on_paper(data: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every row of a schedule in what a sheet says."""
    if isinstance(data, dict):
        if {"depth", "gas", "ppo2", "leave"} <= set(data) and data["gas"]:
            yield path, data
        for key, value in data.items():
            yield from rows_on_paper(value, f"{path}.{key}")
    elif isinstance(data, list):
        for value in data:
            yield from rows_on_paper(value, path)


def misprint(site: Site, name: str, depth: str, ppo2: str, limit: float, diluent: str) -> str:
    """What is wrong with a printed row: gas, depth and ppO2, each as it is printed."""
    gas, circuit, setpoint = labelled(name)
    feet = 0.3048 if site.dive.units == "imperial" else 1.0
    depth_m = float(depth) * feet
    by_hand = site.ppo2(gas or diluent, circuit, setpoint, depth_m)
    rounded = 0.006 + 0.51 * feet * 0.11  # half a unit of depth, half a hundredth of a bar
    least = SEMI_CLOSED_BAR if circuit == "semi-closed" else site.least
    at_work = site.ppo2(gas or diluent, circuit, setpoint, depth_m, site.dive.diver.rmv_bottom)
    stuck = min(setpoint, site.bar(depth_m) - VAPOUR) if setpoint is not None else by_hand
    near = min(abs(one - float(ppo2)) for one in (by_hand, at_work, stuck))  # before the first stop or after
    if near > rounded or not least - 0.006 <= float(ppo2) <= limit + 0.006:
        return f"{name} at {depth}: {ppo2}, by hand {by_hand:.3f}"
    return ""


TERMINAL_ROW = re.compile(
    r"^ *(\d+(?:\.\d+)?) +(start|level|leave|change|sort out|\d+) +(\d+(?::\d\d)?) +(?:(\d+) +(?![ %]))?"
    r"(?:change to )?(\S.*?) +(\d\.\d\d)\b"
)


def misprints(team: Team) -> list[str]:
    """Everything unfit on the sheets and in the terminal, of every diver."""
    found = []
    console = Console(file=io.StringIO(), width=150, highlight=False, markup=False, no_color=True)
    console.print(render(team), soft_wrap=False)
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    sites = [Site(member.plan.dive) for member in team.members]
    limit = max(HARD_BAR + TOLERANCE_BAR, *(site.wrong for site in sites))
    lines = [match for line in text.splitlines() if (match := TERMINAL_ROW.match(line))]
    assert lines
    diluents = [site.dive.loop.diluent.label if site.dive.loop is not None else "" for site in sites]
    for match in lines:
        depth, _, _, _, name, ppo2 = match.groups()
        said = [
            misprint(site, name, depth, ppo2, limit, d)
            for site, d in zip(sites, diluents, strict=True)
            if d or not name.startswith("loop")
        ]
        if all(said):
            found.append(f"terminal: {match.group()}: {said}")
    for member, site, diluent in zip(team.members, sites, diluents, strict=True):
        plan = member.plan
        for name, made in (("slate", content.slate), ("wetnotes", content.wetnotes), ("briefing", content.briefing)):
            for path, row in rows_on_paper(made(team, member)):
                if row.get("kind") == "hand" or "giving" in path:
                    continue
                said = misprint(site, row["gas"], row["depth"], row["ppo2"], HARD_BAR + TOLERANCE_BAR, diluent)
                if said:
                    found.append(f"{name}{path}: {said}")
        found += blanks(plan)
        notes = content.wetnotes(team, member)
        for one in (*notes["bailouts"], *notes["contingencies"]):
            if one["mark"].startswith("NO GAS") and (one["rows"] or one["times"] or one.get("oxygen")):
                found.append(f"wet notes, {one['name']}: no gas, and yet {one}")
        for one, found_one in zip(content.briefing(team, member)["what_ifs"], plan.contingencies, strict=True):
            numbers = one["run_time"] or one["tts"] or one["least"]
            if bool(numbers) != bool(found_one.legs):
                found.append(f"briefing, {one}")
        for giving in givings(team, member):
            for row in giving.rows:
                if row.kind not in ("give", "surface") and site.fit(row.source, row.depth_m, HARD_BAR + 0.03):
                    found.append(f"giving: {site.fit(row.source, row.depth_m, HARD_BAR + 0.03)}")
    return found


def blanks(plan: Plan) -> list[str]:
    """Of every contingency without a way up, whether JSON has numbers of one."""
    found = []
    for one in as_data(plan)["contingencies"]:
        way_up = any(row for row in one["rows"])
        numbers = [one[key] for key in ("run_time_min", "tts_min", "longer_min", "oxygen", "loop")]
        lists = [one[key] for key in ("stops", "switches", "supply", "breathing", "handovers")]
        if not way_up and (any(number is not None for number in numbers) or any(lists)):
            found.append(f"JSON, {one['name']}: no way up, and yet numbers of one")
    return found


# --- Gaps by themselves ---------------------------------------------------------------------------------------------


def open_dive(depth: float, leave_at: float, *carried: Tables, **more: Any) -> Plan:
    return plan_dive(parse_dive(tables(depth, leave_at, **more) | {"cylinders": list(carried)}))


def test_a_gas_over_the_limit_on_the_way_down_is_a_gap_of_its_depths():
    """50 % at 21 m is 1.557 bar, over 1.4 and the tolerance; at 18 m it is 1.407. At 9 m/min 3 m are a third of a
    minute, whichever way and in one ascent to the first stop or not; at half the rate two thirds."""
    found = open_dive(
        45, 12, cylinder("18/45", "bottom", size="40 L"), cylinder("50", "travel", switch_depth=21),
        limits={"ppo2_bottom": 1.3, "ppo2_deco": 1.4},
    )  # fmt: skip
    unfit = [c for c in found.contingencies if c.no_gas is not None]
    assert {"deeper", "slow ascent", "aborted descent", "mate out of gas"} <= {c.kind for c in unfit}
    for contingency in unfit:
        assert contingency.no_gas is not None
        assert (contingency.no_gas.gap.from_m, contingency.no_gas.gap.to_m) == (21.0, 18.0)
        rate = 4.5 if contingency.kind == "slow ascent" else 9.0
        assert contingency.no_gas.minutes == pytest.approx(3.0 / rate)
    assert all(c.legs for c in found.contingencies if "50" in c.name and "lost" in c.name)


# --- The tests --------------------------------------------------------------------------------------------------------


@settings(max_examples=60, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(st.randoms(use_true_random=False))
def test_nothing_unfit_is_breathed_in_any_dive(random):
    team = planned(any_dive(random))
    assume(team is not None)
    assert team is not None
    assert misfits(team) == []


def test_nothing_unfit_is_breathed_in_a_great_many_dives():
    """The same over many more, always the same ones; of some of them the terminal and the sheets as well."""
    kinds: dict[str, int] = {}
    found: list[str] = []
    for seed in range(BULK):
        team = planned(any_dive(Random(seed)))
        if team is None:
            continue
        found += [f"{seed}: {said}" for said in misfits(team, as_json=seed % 5 == 0)]
        if seed % 10 == 0:
            found += [f"{seed}: {said}" for said in misprints(team)]
        for contingency in team.members[0].plan.contingencies:
            kinds[contingency.kind] = kinds.get(contingency.kind, 0) + (contingency.no_gas is not None)
    assert found == []
    assert sum(kinds.values()) > BULK // 10  # gaps are really met with
    assert all(kinds[kind] for kind in ("bailout", "bailout lost", "oxygen gone"))


def test_nothing_unfit_is_breathed_in_a_team():
    """Teams of two and three with shared bailout: of every diver, as data, on paper and in the terminal."""
    found, handed = [], 0
    for seed in range(BULK // 40):
        team = planned(any_dive(Random(f"team {seed}"), team=True))
        if team is None:
            continue
        found += [f"{seed}: {said}" for said in (*misfits(team), *misprints(team))]
        sites = {member.name: Site(member.plan.dive) for member in team.members}
        for bailout in team_as_data(team)["bailouts"]:
            site = sites[bailout["diver"]]
            for path, one, depth_m in breathed_in(bailout, ".bailouts"):
                if one.get("kind") == "surface":
                    continue
                if said := site.misfit(one["gas"], one["circuit"], one["setpoint_bar"], depth_m, site.wrong):
                    found.append(f"{seed}{path}: {said}")
            for given_ in bailout["handovers"]:
                handed += 1
                if said := site.misfit(given_["gas"], "open", None, given_["depth_m"], site.wrong):
                    found.append(f"{seed}, handover: {said}")
    assert found == []
    assert handed > 10


# --- What is planned besides ------------------------------------------------------------------------------------------


def singles(name: str, count: int) -> Iterator[tuple[Tables, Team]]:
    """So many random dives of one diver that can be planned."""
    for seed in range(1000):
        given_ = any_dive(Random(f"{name} {seed}"))
        team = planned(given_)
        if team is not None:
            yield given_, team
            count -= 1
        if count == 0:
            return


def test_nothing_unfit_is_breathed_in_a_cell_of_a_table_set():
    cells = 0
    for given_, _ in singles("table", 8):
        try:
            made = plan_table_set(parse_dive(given_ | {"tables": {"parts": ["times"]}}))
        except DiveFileError:
            continue
        for cell in made.cells:
            assert (cell.team is None) == any(limit.code == "refused" for limit in cell.limits)
            if cell.team is not None:
                cells += 1
                assert misfits(cell.team, as_json=False) == []
    assert cells > 50


def test_nothing_unfit_is_breathed_in_what_is_tried_to_fix_a_no_go(monkeypatch):
    tried: list[Team] = []

    def kept(*args: Any, **more: Any) -> Team:
        tried.append(plan_team(*args, **more))
        return tried[-1]

    for name in ("verdict", "cures"):
        monkeypatch.setattr(import_module(f"leadline.solve.{name}"), "plan_team", kept)
    for _, team in singles("tried", 12):
        cured(team)
    assert len(tried) > 50
    assert [said for team in tried for said in misfits(team, as_json=False)] == []


def test_nothing_unfit_stands_on_the_slates_of_an_ensemble():
    """A slate's rows are depths and sources: the plan's and those of going deeper and longer."""
    rows = 0
    for _, team in singles("slates", 40):
        plan = team.members[0].plan
        site = Site(plan.dive)
        for slate in robustness._slates(plan, robustness.on_planned_gases(plan)):
            limit = HARD_BAR + TOLERANCE_BAR if slate.contingency is None else site.wrong
            for row in slate.rows:
                rows += 1
                source = slate.layout.sources[int(row["source"])]
                assert not site.fit(source, float(row["depth_m"]), limit), slate.name
    assert rows > 200
