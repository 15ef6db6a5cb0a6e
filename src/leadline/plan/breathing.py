"""What the gas does to the diver: narcosis, density, hypoxia, hyperoxia, counterdiffusion."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

from leadline.dive_file.schema import NEVER, Dive
from leadline.physics.environment import Environment
from leadline.plan.findings import Finding, Severity
from leadline.plan.gases import DENSITY_LIMIT_G_L as DENSITY_LIMIT_G_L
from leadline.plan.gases import GRID_TOLERANCE_BAR, ROUNDING_BAR, Source, Way, deepest_within
from leadline.plan.schedule import Leg
from leadline.units import SYSTEMS

DENSITY_RECOMMENDED_G_L = 5.2
"""Anthony & Mitchell 2016, Respiratory physiology of rebreather diving."""
HYPOXIC_CAUTION_BAR = 0.18
"""Common practice, no source; see Environment.least_ppo2."""


@dataclass(frozen=True)
class Breathed:
    """One source over a part of the dive: where its ppO2 is lowest and highest, and its worst END and density."""

    source: Source
    shallowest_m: float
    deepest_m: float
    ppo2_low_bar: float
    ppo2_high_bar: float
    end_m: float
    ead_m: float
    density_g_l: float
    limit_bar: float
    """The ppO2 it is held to: the bottom limit for descent and levels, the deco limit for the ascent."""
    mod_m: float
    """At that limit."""
    tolerated_m: float | None
    """On the way up, the deepest grid depth, where that takes the tolerance: 6 m for oxygen. None: it needs none."""
    on_the_way_up: bool
    first_min: float

    @property
    def tolerance_bar(self) -> float:
        """By how much ppO2 may be over the limit for the sake of the stop grid; 0 where the limit holds as it is."""
        return GRID_TOLERANCE_BAR if self.tolerated_m is not None else 0.0

    def depth_limit(self, where: Environment) -> tuple[float, float]:
        """How deep it is good for, and its ppO2 there: the MOD, or the grid depth within the tolerance. [m, bar]"""
        if self.tolerated_m is None:
            return max(0.0, self.mod_m), self.limit_bar
        return self.tolerated_m, self.source.mix.ppo2(where.pressure(self.tolerated_m))


def mod_shown(dive: Dive, part: Breathed, unit: str = "") -> str:
    """A depth limit, whole, rounded down, and its ppO2: "21 (1.6)". One of two decimals is within the tolerance."""
    depth_m, ppo2_bar = part.depth_limit(dive.site.environment)
    at = f"{ppo2_bar:.1f}" if part.tolerated_m is None else f"{ppo2_bar:.2f}"
    return f"{math.floor(depth_m / SYSTEMS[dive.units].depth_m + 1e-6)}{unit} ({at})"


def tolerances(dive: Dive, breathing: Iterable[Breathed]) -> str:
    """What passes by the grid's tolerance, in a sentence; empty if nothing does."""
    at, where = SYSTEMS[dive.units].at, dive.site.environment
    said = []
    for part in breathing:
        if part.tolerated_m is not None and part.source.circuit == "open":
            depth_m, ppo2_bar = part.depth_limit(where)
            within = f"ppO2 {ppo2_bar:.2f}, within {part.tolerance_bar:g} of {part.limit_bar:g}"
            said.append(f"{part.source.name} at {at(depth_m)}: {within}")
    return "; ".join(dict.fromkeys(said))


def breathed(dive: Dive, legs: Sequence[Leg]) -> tuple[Breathed, ...]:
    """Every source in the order of the dive: those of the working part, then those taken up on the last ascent.

    What is only carried on from the last level, and the loop, belong to the working part all the way up.
    """
    last = max((i for i, leg in enumerate(legs) if leg.kind == "level"), default=0)
    parts: dict[tuple[Source, bool], list[Leg]] = {}
    for i, leg in enumerate(legs):
        on_the_way_up = (None, dive.loop.deco_setpoint if dive.loop is not None else None)
        taken_up = i > last and leg.source != legs[last].source and leg.source.setpoint_bar in on_the_way_up
        parts.setdefault((leg.source, taken_up), []).append(leg)
    return tuple(
        _over(dive, source, _depths(part), taken_up, part[0].start_min) for (source, taken_up), part in parts.items()
    )


def breathed_in_a_bailout(dive: Dive, way: Way, first_min: float, from_m: float | None = None) -> tuple[Breathed, ...]:
    """Every gas of a bailout over all the depths it may be breathed at on the way up from a depth, or the deepest."""
    found = []
    begins_m = from_m if from_m is not None else dive.deepest_m
    for step, above in zip(way, (*way[1:], None), strict=True):
        deepest_m = min(step.from_depth_m, begins_m)
        shallowest_m = above.from_depth_m if above is not None else 0.0
        if deepest_m > shallowest_m:
            found.append(_over(dive, step.source, (shallowest_m, deepest_m), True, first_min))
    return tuple(found)


def _depths(legs: Iterable[Leg]) -> tuple[float, float]:
    depths = [depth for leg in legs for depth in (leg.start_m, leg.end_m)]
    return min(depths), max(depths)


def _over(dive: Dive, source: Source, depths_m: tuple[float, float], up: bool, first_min: float) -> Breathed:
    """A source over a range of depths; `up`: held to the deco limit."""
    where, limits = dive.site.environment, dive.limits
    shallowest_m, deepest_m = depths_m
    limit = limits.ppo2_deco if up else limits.ppo2_bottom
    mod_m = source.mix.mod(limit, where)
    grid_m = deepest_within(source.mix, limit + GRID_TOLERANCE_BAR, dive.stops, where) if up else None
    if up and limit < source.mix.ppo2(where.pressure(deepest_m)) <= limit + GRID_TOLERANCE_BAR + 1e-9:
        grid_m = deepest_m  # off the grid, a level is breathed at within the tolerance too
    by_tolerance = grid_m is not None and source.mix.ppo2(where.pressure(grid_m)) > limit + 1e-9
    end_m, ead_m, density_g_l = _worst(source, shallowest_m, deepest_m, where, limits.oxygen_narcotic)
    return Breathed(
        source=source,
        shallowest_m=shallowest_m,
        deepest_m=deepest_m,
        ppo2_low_bar=source.resting.ppo2(where.pressure(shallowest_m)),
        ppo2_high_bar=source.ppo2(where.pressure(deepest_m)),
        end_m=end_m,
        ead_m=ead_m,
        density_g_l=density_g_l,
        limit_bar=limit,
        mod_m=mod_m,
        tolerated_m=grid_m if by_tolerance else None,
        on_the_way_up=up,
        first_min=first_min,
    )


@lru_cache(maxsize=1024)
def _worst(
    source: Source, shallowest_m: float, deepest_m: float, where: Environment, oxygen_narcotic: bool
) -> tuple[float, float, float]:
    """The worst END [m], EAD [m] and density [g/L] over a range of depths.

    The mix in a loop changes with depth: both ends are looked at, and between.
    """
    at = [shallowest_m + (deepest_m - shallowest_m) * i / 20 for i in range(21)]
    inspired = [(depth_m, source.inspired(where.pressure(depth_m))) for depth_m in at]
    return (
        max(mix.end(depth_m, where, oxygen_narcotic=oxygen_narcotic) for depth_m, mix in inspired),
        max(mix.ead(depth_m, where) for depth_m, mix in inspired),
        max(mix.density(where.pressure(depth_m)) for depth_m, mix in inspired),
    )


def judge(dive: Dive, breathing: Iterable[Breathed], legs: Sequence[Leg]) -> list[Finding]:
    """Partial pressures, narcosis, density and counterdiffusion against their limits."""
    found: list[Finding] = []
    for part in breathing:
        found += [*_oxygen(dive, part), *_narcosis(dive, part), *_density(dive, part)]
    return [*found, *_counterdiffusion(dive, legs), *_between_levels(dive, legs)]


def _oxygen(dive: Dive, part: Breathed) -> list[Finding]:
    limits, found = dive.limits, list[Finding]()
    high = part.ppo2_high_bar
    key = "ppo2_deco" if part.on_the_way_up else "ppo2_bottom"
    no_go = limits.ppo2_deco_no_go if part.on_the_way_up else limits.ppo2_bottom_no_go
    limit = no_go if no_go is not None else part.limit_bar
    of: dict[str, Any] = {"gas": part.source.mix.label, "source": part.source.name}
    # On the way up gases are changed by the limit and the grid's tolerance: that is no caution.
    tolerance = GRID_TOLERANCE_BAR if part.on_the_way_up else ROUNDING_BAR
    if high > limit + GRID_TOLERANCE_BAR + 1e-9:
        named = f"[limits] {key}{'_no_go' if no_go is not None else ''}"
        values = of | {"ppo2_bar": high, "limit_bar": limit, "key": named, "which": "no-go"}
        found.append(Finding("ppo2-high", "no-go", values, part.first_min, part.deepest_m, grave=True))
    elif high > part.limit_bar + tolerance + 1e-9:
        values = of | {"ppo2_bar": high, "limit_bar": part.limit_bar, "key": f"[limits] {key}", "which": "caution"}
        if high <= part.limit_bar + GRID_TOLERANCE_BAR:
            values["tolerance_bar"] = GRID_TOLERANCE_BAR
        found.append(Finding("ppo2-high", "caution", values, part.first_min, part.deepest_m))
    least_bar = dive.site.environment.least_ppo2(HYPOXIC_CAUTION_BAR)
    if part.ppo2_low_bar < least_bar:
        values = of | {"ppo2_bar": part.ppo2_low_bar, "limit_bar": least_bar}
        found.append(Finding("ppo2-low", "caution", values, part.first_min, part.shallowest_m))
    setpoint = part.source.setpoint_bar
    held = dive.loop.setpoint if dive.loop is not None else 0.0
    if setpoint is not None and setpoint >= held and high > setpoint + 0.01:
        values = of | {"ppo2_bar": high, "limit_bar": limit}
        found.append(Finding("diluent-rich", "caution", values, part.first_min, part.deepest_m))
    return found


def _narcosis(dive: Dive, part: Breathed) -> list[Finding]:
    limits = dive.limits
    if part.end_m <= limits.end_caution + 0.5:
        return []
    over = part.end_m > limits.end_no_go + 0.5
    limit, key = (limits.end_no_go, "end_no_go") if over else (limits.end_caution, "end_caution")
    values = {
        "end_m": part.end_m, "limit_m": limit, "gas": part.source.mix.label, "key": f"[limits] {key}",
        "source": part.source.name,
    }  # fmt: skip
    return [Finding("end", "no-go" if over else "caution", values, part.first_min, part.deepest_m, grave=over)]


def _density(dive: Dive, part: Breathed) -> list[Finding]:
    """Over the diver's no-go value, the published limit or the diver's caution value."""
    limits, density = dive.limits, part.density_g_l
    over = density > limits.density_no_go + 0.005
    published = density > DENSITY_LIMIT_G_L + 0.005
    if not (over or published or density > limits.density_caution + 0.005):
        return []
    key = "density_no_go" if over else "density_caution"
    limit = limits.density_no_go if over else DENSITY_LIMIT_G_L if published else limits.density_caution
    values = {
        "density_g_l": density, "limit_g_l": limit, "gas": part.source.mix.label, "key": f"[limits] {key}",
        "source": part.source.name, "which": "no-go" if over else "published" if published else "caution",
    }  # fmt: skip
    severity: Severity = "no-go" if over else "caution"
    return [Finding("density", severity, values, part.first_min, part.deepest_m, grave=over or published)]


def hard_density_g_l(dive: Dive) -> float:
    """The diver's no-go value, or the published limit. [g/L]"""
    no_go = dive.limits.density_no_go
    return no_go if no_go < NEVER else DENSITY_LIMIT_G_L


def _between_levels(dive: Dive, legs: Sequence[Leg]) -> list[Finding]:
    """Stops between levels are made on the gas of the level before: say so where a richer one is carried."""
    last = max((i for i, leg in enumerate(legs) if leg.kind == "level"), default=0)
    for leg in legs[:last]:
        richer = [c.gas for c in dive.cylinders if c.use in ("travel", "deco") and c.gas.o2 > leg.source.mix.o2]
        if leg.kind == "stop" and leg.source.setpoint_bar is None and richer:
            values = {"level": float(leg.level + 1), "source": leg.source.name}
            return [Finding("stops-between-levels", "note", values, leg.start_min, leg.end_m)]
    return []


def _counterdiffusion(dive: Dive, legs: Sequence[Leg]) -> list[Finding]:
    """Nitrogen may rise at a switch by at most a fifth of what helium falls (common practice, no source)."""
    found: list[Finding] = []
    where = dive.site.environment
    for before, leg in pairwise(legs):
        if leg.source.is_same(before.source) or leg.kind == "descent" or leg.start_m <= 0.0:
            continue
        bar = where.pressure(leg.start_m)
        old, new = before.source.inspired(bar), leg.source.inspired(bar)
        helium_falls, nitrogen_rises = old.he - new.he, new.n2 - old.n2
        if helium_falls > 0.0 and nitrogen_rises > 0.2 * helium_falls + 1e-9:
            values: dict[str, Any] = {"n2_rise": nitrogen_rises, "he_fall": helium_falls}
            values |= {"from": before.source.name, "to": leg.source.name}
            found.append(Finding("counterdiffusion", "caution", values, leg.start_min, leg.start_m))
    return found
