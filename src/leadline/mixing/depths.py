"""How deep, and how shallow, a gas may be breathed by the limits of a dive."""

from __future__ import annotations

import math

from leadline.dive_file.schema import Dive
from leadline.physics.mix import Mix
from leadline.plan.breathing import HYPOXIC_CAUTION_BAR
from leadline.plan.gases import GRID_TOLERANCE_BAR
from leadline.units import SYSTEMS

ON_THE_WAY_UP = ("deco", "bailout", "oxygen")
"""Uses of a cylinder that are held to the deco limit."""
_DEEPEST_GRID_M = 60.0


def ppo2_limit_bar(dive: Dive, use: str) -> float:
    """The ppO2 limit of a cylinder's use. [bar]"""
    return dive.limits.ppo2_deco if use in ON_THE_WAY_UP else dive.limits.ppo2_bottom


def mod_m(dive: Dive, use: str, mix: Mix) -> float:
    """Maximum operating depth of a gas by its cylinder's use; never above the surface. [m]

    On the way up with the plan's tolerance on the stop grid: oxygen is a gas for the 6 m or 20 ft stop.
    """
    where, limit = dive.site.environment, ppo2_limit_bar(dive, use)
    found = max(0.0, mix.mod(limit, where))
    if use in ON_THE_WAY_UP:
        stops_m = dive.stops.depths_m(_DEEPEST_GRID_M)
        return max(found, *(m for m in stops_m if mix.ppo2(where.pressure(m)) <= limit + GRID_TOLERANCE_BAR), 0.0)
    return found


def ppo2_shown(dive: Dive, mix: Mix, found_m: float, limit_bar: float) -> str:
    """The ppO2 of a MOD: its limit, or to two decimals where the grid's tolerance lets it be over that."""
    ppo2_bar = mix.ppo2(dive.site.environment.pressure(found_m))
    return f"{limit_bar:.1f}" if ppo2_bar <= limit_bar + 1e-9 else f"{ppo2_bar:.2f}"


def least_m(dive: Dive, mix: Mix) -> float:
    """Shallower than this a gas is hypoxic, under 0.18 bar and air at the site; 0 if breathable at the surface. [m]"""
    where = dive.site.environment
    least_bar = where.least_ppo2(HYPOXIC_CAUTION_BAR)
    return where.depth(least_bar / mix.o2) if mix.ppo2(where.surface_bar) < least_bar else 0.0


def mod_shown(dive: Dive, found_m: float) -> str:
    """A MOD with its unit, whole, rounded down."""
    system = SYSTEMS[dive.units]
    return f"{math.floor(found_m / system.depth_m + 1e-6)} {system.depth_unit}"
