"""Where a dive went otherwise than planned: each deviation a finding, with its numbers and where it was.

What a diver can hold is no deviation; each tolerance below says what it is. None has a published source: they are
common practice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.logbook.debrief.applied import DEPTH_M, TIME_MIN
from leadline.logbook.debrief.marks import GRID_MIN, Change, DepthLine, Held, LevelDived, alike
from leadline.logbook.debrief.marks import near_m as nearest_m
from leadline.logbook.dived import Dived
from leadline.logbook.retrace import Retraced
from leadline.plan.gases import GRID_TOLERANCE_BAR, MINIMUM_PPO2_BAR, Source
from leadline.plan.oxygen import Oxygen
from leadline.plan.oxygen import judge as judge_oxygen
from leadline.plan.planned import Plan
from leadline.show.sentences import Remark, worded
from leadline.units import SYSTEMS

Array = NDArray[Any]

RUN_TIME_MIN = 1.0
"""A dive that ends so near to its time is on time."""
WINDOW_MIN = 0.5
"""Ascent rates are of half a minute: waves and the gauge's last digit (0.3 m each way) are then 1.2 m/min."""
FASTER, FASTER_M_MIN = 1.2, 2.0
"""An ascent is too fast by more than a fifth, and more than this: nobody holds a rate closer."""
CEILING_M = 1.0
"""Above the ceiling only by more than this: a stop at it is held as near."""
M_VALUE_M = 0.5
"""The same of the M-value: what waves and the gauge leave unsure."""
GF_POINTS = 2.0
"""So many points of gradient factor at the surface come of waves and whole minutes."""
PPO2_READ_BAR = 0.05
"""Cells read so near."""
MORE_GAS, MORE_BAR = 1.1, 5.0
"""More gas than planned: by a tenth, and by more than a gauge is read to."""
CNS_POINTS = 5.0
"""CNS and OTU over a limit are the dive's, not the plan's, by more than this, percent of each."""
PRESSURE_BAR, WATER = 0.02, 0.01
"""The place is another one from so much air pressure, or this share of the water's weight."""


# --- Depth and time ---------------------------------------------------------------------------------------------------


def depth_and_time(plan: Plan, line: DepthLine, levels: Sequence[LevelDived], surfaced: float) -> Iterator[Remark]:
    """Deeper, or later off a level, or up later, than planned."""
    system = SYSTEMS[plan.dive.units]
    late_before_min = 0.0
    for level in levels:
        more_m = level.deepest_m - level.depth_m
        if more_m > DEPTH_M:
            there = line.first(line.depth_m >= level.deepest_m - 1e-6, 0.0)
            yield Remark(
                "deeper", "caution",
                f"{system.at(level.deepest_m)} deep: {system.at(more_m)} deeper than the planned "
                f"{system.at(level.depth_m)}.",
                {"deepest_m": level.deepest_m, "planned_m": level.depth_m, "deeper_m": more_m}, there, level.deepest_m,
            )  # fmt: skip
        late_min = level.left_min - level.leave_at_min
        if late_min > TIME_MIN and late_min - late_before_min > TIME_MIN:
            yield Remark(
                "late-bottom", "caution",
                f"{system.at(level.depth_m)} left at {minutes(level.left_min)} min: {minutes(late_min)} min later than "
                f"the planned {level.leave_at_min:.0f}.",
                {"left_min": level.left_min, "planned_min": level.leave_at_min, "late_min": late_min},
                level.left_min, line.depth(level.left_min),
            )  # fmt: skip
        late_before_min = max(0.0, late_min)
    longer_min = surfaced - plan.schedule.run_time_min
    if line.depth(surfaced) > DEPTH_M:
        yield Remark(
            "record-ends", "caution",
            f"The record ends at {system.at(line.depth(surfaced))}: the rest of the way up is not in it.",
            {"depth_m": line.depth(surfaced)}, surfaced, line.depth(surfaced),
        )  # fmt: skip
    elif longer_min > RUN_TIME_MIN:
        yield Remark(
            "longer", "note",
            f"Up at {minutes(surfaced)} min: {minutes(longer_min)} min later than the planned "
            f"{minutes(plan.schedule.run_time_min)}.",
            {"run_time_min": surfaced, "planned_min": plan.schedule.run_time_min, "longer_min": longer_min},
            surfaced, 0.0,
        )  # fmt: skip


def ascent_rates(plan: Plan, line: DepthLine, surfaced: float) -> Iterator[Remark]:
    """Faster up than planned, over half a minute."""
    system = SYSTEMS[plan.dive.units]
    n = round(WINDOW_MIN / GRID_MIN)
    if len(line.depth_m) <= n:
        return
    window_min = float(line.run_time_min[n] - line.run_time_min[0])
    rate = (line.depth_m[:-n] - line.depth_m[n:]) / window_min
    # A window over the border of two rates may be as fast as the faster.
    planned = np.maximum(_planned_rate(plan, line.depth_m[:-n]), _planned_rate(plan, line.depth_m[n:]))
    fast = (rate > np.maximum(FASTER * planned, planned + FASTER_M_MIN)) & (line.run_time_min[:-n] < surfaced)
    for first, last in _runs(fast, n):
        worst = first + int(np.argmax(rate[first : last + 1]))
        from_m, to_m = float(line.depth_m[first]), float(line.depth_m[last + n])
        begins, ends = float(line.run_time_min[first]), float(line.run_time_min[last + n])
        unit = f"{system.depth_unit}/min"
        yield Remark(
            "fast-ascent", "caution",
            f"Up at {system.depth(float(rate[worst]))} {unit} between {system.at(from_m)} and {system.at(to_m)}; "
            f"planned {system.depth(float(planned[worst]))} {unit}.",
            {
                "rate_m_min": float(rate[worst]), "planned_m_min": float(planned[worst]), "from_m": from_m,
                "to_m": to_m, "minutes": ends - begins,
            },
            begins, from_m,
        )  # fmt: skip


def _planned_rate(plan: Plan, depth_m: Array) -> Array:
    """The fastest that the plan ascends at depths; where it never does, as far as to the first stop. [m/min]"""
    found = np.zeros(len(depth_m))
    for leg in plan.schedule.legs:
        if leg.kind == "ascent" and leg.minutes > 0.0:
            there = (depth_m <= leg.start_m + 0.01) & (depth_m >= leg.end_m - 0.01)
            found[there] = np.maximum(found[there], round((leg.start_m - leg.end_m) / leg.minutes, 6))
    return np.where(found > 0.0, found, plan.dive.rates.ascent)


def _runs(where: Array, gap: int = 0) -> list[tuple[int, int]]:
    """First and last index of every run of true; runs no further apart than `gap` are one."""
    found: list[tuple[int, int]] = []
    for i in np.flatnonzero(where).tolist():
        if found and i - found[-1][1] <= gap + 1:
            found[-1] = (found[-1][0], i)
        else:
            found.append((i, i))
    return found


# --- Ceiling and stops ------------------------------------------------------------------------------------------------


def ceilings(plan: Plan, retraced: Retraced) -> Iterator[Remark]:
    """Above the ceiling of the plan's gradient factors, and above the M-value itself."""
    low, high = plan.dive.model.gradient_factors
    what = f"the ceiling of GF {low:g}/{high:g}"
    yield from _above(plan, retraced, retraced.ceiling_m, CEILING_M, "above-ceiling", what)
    yield from _above(plan, retraced, retraced.m_value_ceiling_m, M_VALUE_M, "above-m-value", "the M-value (GF 100)")


def _above(
    plan: Plan, retraced: Retraced, ceiling_m: Array, tolerance_m: float, code: str, what: str
) -> Iterator[Remark]:  # fmt: skip
    system = SYSTEMS[plan.dive.units]
    over_m = ceiling_m - retraced.depth_m
    for first, last in _runs(over_m > tolerance_m, 1):
        worst = first + int(np.argmax(over_m[first : last + 1]))
        begins, ends = float(retraced.run_time_min[first]), float(retraced.run_time_min[last])
        at_m, most_m = float(retraced.depth_m[worst]), float(over_m[worst])
        where = "At the surface" if at_m < DEPTH_M else f"At {system.at(at_m)}"
        lasted = f", for {minutes(ends - begins)} min" if ends - begins >= 0.05 else ""
        ends_so = " The dive ends so." if last == len(over_m) - 1 else ""
        yield Remark(
            code, "caution",
            f"{where}, {minutes(float(retraced.run_time_min[worst]))} min: {system.at(most_m)} above {what}{lasted}; "
            f"GF there {100.0 * float(retraced.gf_now[worst]):.0f} %.{ends_so}",
            {
                "above_m": most_m, "ceiling_m": float(ceiling_m[worst]), "minutes": ends - begins,
                "gf_percent": 100.0 * float(retraced.gf_now[worst]),
            },
            float(retraced.run_time_min[worst]), at_m,
        )  # fmt: skip


def stops(
    plan: Plan, line: DepthLine, held: Sequence[Held], levels: Sequence[LevelDived], retraced: Retraced
) -> Iterator[Remark]:  # fmt: skip
    """Stops missed or cut short; and held as planned, where the model by then asked for more."""
    system = SYSTEMS[plan.dive.units]
    ends_m = line.depth(retraced.surfaced_min)
    for stop in held:
        near_m = nearest_m(plan, stop.depth_m)
        if ends_m > DEPTH_M and stop.depth_m <= ends_m + near_m:
            continue  # the record ends before it
        short_min = stop.planned_minutes - stop.minutes
        gone = stop.leave_min
        if gone is None:
            gone = line.first(line.depth_m < stop.depth_m - near_m, levels[-1].left_min)
        owed_min = retraced.owed_min(gone, stop.depth_m, near_m) if gone is not None and stop.last_ascent else 0.0
        at, planned = system.at(stop.depth_m), minutes(stop.planned_minutes)
        asked = (
            f"the model asked for {minutes(owed_min)} min more"
            if owed_min > TIME_MIN
            else "the model asked for no more"
        )
        values: dict[str, float | str] = {
            "planned_min": stop.planned_minutes, "held_min": stop.minutes, "short_min": short_min, "owed_min": owed_min,
        }  # fmt: skip
        severity: Any = "caution" if owed_min > TIME_MIN else "note"
        if short_min > TIME_MIN and stop.minutes <= TIME_MIN:
            message = f"The stop at {at}, {planned} min, was missed; {asked}."
            yield Remark("missed-stop", severity, message, values, gone, stop.depth_m)
        elif short_min > TIME_MIN:
            message = (
                f"The stop at {at} was held {minutes(stop.minutes)} of {planned} min, {minutes(short_min)} min short; "
                f"{asked}."
            )
            yield Remark("short-stop", severity, message, values, gone, stop.depth_m)
        elif owed_min > RUN_TIME_MIN:
            message = f"The stop at {at} was held as planned, {planned} min; for the dive as dived {asked}."
            yield Remark("short-stop", severity, message, values, gone, stop.depth_m)


# --- Gas --------------------------------------------------------------------------------------------------------------


def changes(
    plan: Plan, dived: Dived, made: Sequence[Change | None], extra: Sequence[Change], ends_m: float
) -> Iterator[Remark]:  # fmt: skip
    """Gas taken up elsewhere than planned, or not at all; and gas that was not planned."""
    system = SYSTEMS[plan.dive.units]
    near_m = 0.5 * plan.dive.stops.step
    first = plan.schedule.legs[0].source
    if made[0] is None:
        message = f"The dive was to begin on {first.name}."
        yield Remark("gas-switch", "caution", message, {"planned": first.name}, 0.0, 0.0)
    for switch, change in zip(plan.schedule.switches, made[1:], strict=True):
        name, at = switch.source.name, system.at(switch.depth_m)
        if change is None:
            if ends_m > DEPTH_M and switch.depth_m <= ends_m + near_m:
                continue  # the record ends before it
            if switch.source.circuit == "closed" and dived.profile.ppo2_bar:
                continue  # what the loop held was read
            grave = switch.source.circuit == "open"
            values: dict[str, float | str] = {"planned": name, "planned_m": switch.depth_m}
            message = f"The change to {name} at {at} was not made."
            yield Remark(
                "gas-switch", "caution" if grave else "note", message, values, switch.run_time_min, switch.depth_m
            )
        elif abs(change.depth_m - switch.depth_m) > near_m:
            message = f"The change to {name} was made at {system.at(change.depth_m)}, planned at {at}."
            values = {"planned": name, "planned_m": switch.depth_m, "depth_m": change.depth_m}
            yield Remark("gas-switch", "note", message, values, change.run_time_min, change.depth_m)
    off_before = False
    for change in extra:
        off_the_loop = plan.dive.loop is not None and change.source.circuit == "open"
        known = any(
            alike(leg.source.mix, change.source.mix) and leg.source.circuit == change.source.circuit
            for leg in plan.schedule.legs
        )
        what = "Off the loop, on" if off_the_loop else "Not as planned: on"
        message = (
            f"{what} {change.source.name} from {minutes(change.run_time_min)} min, at {system.at(change.depth_m)}."
        )
        yield Remark(
            "off-the-loop" if off_the_loop else "gas-switch", "note" if known or off_before else "caution", message,
            {"breathed": change.source.name}, change.run_time_min, change.depth_m,
        )  # fmt: skip
        off_before = off_before or off_the_loop


def ppo2(plan: Plan, dived: Dived, retraced: Retraced, left_min: float) -> tuple[list[Remark], float]:
    """ppO2 over the plan's limits, and below what keeps a diver awake; and the minutes over the limits."""
    where, limits, points = dived.environment, plan.dive.limits, plan.schedule.track.points
    times, depths = retraced.run_time_min, retraced.depth_m
    loaded = retraced.loaded
    i = np.clip(np.searchsorted(loaded.run_time_min, times - 1e-9, side="right") - 1, 0, len(loaded.sources) - 1)
    sources = [loaded.sources[k] for k in i.tolist()]
    low, high, there = np.zeros(len(times)), np.zeros(len(times)), np.zeros(len(times))
    for k, (source, depth_m) in enumerate(zip(sources, depths.tolist(), strict=True)):
        if source.circuit == "closed" and dived.profile.ppo2_bar:
            there[k] = float(retraced.ppo2_bar[k])
            low[k], high[k] = there[k] + PPO2_READ_BAR, there[k] - PPO2_READ_BAR
        else:
            there[k] = source.ppo2(where.pressure(depth_m))
            low[k] = source.ppo2(where.pressure(depth_m + DEPTH_M))
            high[k] = source.ppo2(where.pressure(max(0.0, depth_m - DEPTH_M)))
    planned_left = plan.dive.levels[-1].leave_at
    bottom = points["run_time_min"] <= planned_left + 1e-6
    most_down = max(limits.ppo2_bottom, float(points["ppo2_bar"][bottom].max()))
    most_up = max(limits.ppo2_deco, float(points["ppo2_bar"][~bottom].max(initial=0.0)))
    limit = np.where(times <= left_min, most_down, most_up)
    over = (high > limit + GRID_TOLERANCE_BAR) & (times <= retraced.surfaced_min)
    found = []
    over_min = 0.0
    for first, last in _runs(over, 1):
        worst = first + int(np.argmax(there[first : last + 1]))
        lasted = float(times[last] - times[first])
        over_min += lasted
        found.append(_ppo2(plan, retraced, sources[worst], worst, float(there[worst]), lasted, float(limit[worst])))
    least_bar = where.least_ppo2(MINIMUM_PPO2_BAR)
    under = (low < least_bar) & (times < retraced.surfaced_min)
    for first, last in _runs(under, 1):
        worst = first + int(np.argmin(there[first : last + 1]))
        lasted = float(times[last] - times[first])
        found.append(_ppo2(plan, retraced, sources[worst], worst, float(there[worst]), lasted, least_bar))
    return found, over_min


def _ppo2(
    plan: Plan, retraced: Retraced, source: Source, i: int, bar: float, lasted: float, limit: float
) -> Remark:  # fmt: skip
    high = bar > limit
    message = (
        f"ppO2 {bar:.2f} bar on {source.name} at {SYSTEMS[plan.dive.units].at(float(retraced.depth_m[i]))}: "
        f"{'over' if high else 'below'} {limit:.2f}, for {minutes(lasted)} min."
    )
    values: dict[str, float | str] = {"ppo2_bar": bar, "limit_bar": limit, "minutes": lasted, "gas": source.name}
    at_min, depth_m = float(retraced.run_time_min[i]), float(retraced.depth_m[i])
    return Remark("ppo2-high" if high else "ppo2-low", "caution", message, values, at_min, depth_m)


# --- What it left -----------------------------------------------------------------------------------------------------


def surface_gf(plan: Plan, surface: float, planned: float, at_min: float) -> Iterator[Remark]:
    """GF on surfacing, a share, against the plan's and GF high."""
    allowed = max(planned, plan.dive.model.gradient_factors[1] / 100.0)
    if surface > allowed + GF_POINTS / 100.0:
        over = " That is over the M-value." if surface > 1.0 else ""
        yield Remark(
            "gf-surface", "caution",
            f"GF {100.0 * surface:.0f} % on surfacing; planned {100.0 * planned:.0f} %, GF high "
            f"{plan.dive.model.gradient_factors[1]:g} %.{over}",
            {"gf_percent": 100.0 * surface, "planned_percent": 100.0 * planned}, at_min, 0.0,
        )  # fmt: skip


def oxygen(plan: Plan, found: Oxygen) -> Iterator[Remark]:
    """CNS and OTU over their limits, where the plan's were not."""
    dive, planned = plan.dive, plan.oxygen
    for one in judge_oxygen(dive, found):
        name = "cns_percent" if "cns_percent" in one.values else "otu"
        of_plan = {
            float(judged.values.get(name, 0.0)) for judged in judge_oxygen(dive, planned) if judged.code == one.code
        }
        was = float(one.values.get(name, 0.0))
        if not of_plan or was > max(of_plan) * (1.0 + CNS_POINTS / 100.0):
            yield replace(worded(one, dive.units), severity="caution")


def place(plan: Plan, dived: Dived) -> Iterator[Remark]:
    """Another altitude or water than the plan's: the dive is run in its own."""
    one, other = plan.dive.site.environment, dived.environment
    if abs(one.surface_bar - other.surface_bar) > PRESSURE_BAR or abs(other.bar_per_m / one.bar_per_m - 1.0) > WATER:
        yield Remark(
            "other-place", "note",
            f"The dive is logged at {other.surface_bar:.3f} bar and {other.bar_per_m:.4f} bar/m, the plan is for "
            f"{one.surface_bar:.3f} and {one.bar_per_m:.4f}: the dive is run as logged.",
            {"surface_bar": other.surface_bar, "bar_per_m": other.bar_per_m},
        )  # fmt: skip


def minutes(value: float) -> str:
    """Minutes to a tenth, whole where they are."""
    shown = round(value, 1) + 0.0
    return f"{shown:.0f}" if shown == round(shown) else f"{shown:.1f}"


def in_dive_order(found: Iterable[Remark]) -> tuple[Remark, ...]:
    """Cautions first, each in the order of the dive."""
    graveness = {"no-go": 0, "caution": 1, "note": 2}
    return tuple(
        sorted(found, key=lambda f: (graveness[f.severity], f.run_time_min if f.run_time_min is not None else math.inf))
    )
