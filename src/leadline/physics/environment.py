"""Where the dive happens: the air above, the water, and pressure at depth."""

from __future__ import annotations

import math
from dataclasses import dataclass

SEA_LEVEL_BAR = 1.01325
STANDARD_GRAVITY = 9.80665
"""[m/s²] CGPM 1901; used for every water, as pressure gauges are."""

AIR_O2 = 0.2098
"""Oxygen in air, as a fraction."""

EN13319_BAR_PER_M = 0.1
WATER_KG_M3 = {"sea": 1025.0, "fresh": 1000.0}

_LAPSE_K_PER_M = 0.0065
_SEA_LEVEL_K = 288.15
_GAS_CONSTANT_AIR = 287.05287
_TROPOPAUSE_M = 11_000.0


def surface_pressure(altitude_m: float) -> float:
    """Air pressure at an altitude. [bar]

    The ICAO standard atmosphere (ICAO Doc 7488, 3rd ed. 1993), troposphere. `altitude_m` is the height above sea
    level, -500 to 11 000 m; ValueError outside that.
    """
    if not -500.0 <= altitude_m <= _TROPOPAUSE_M:
        raise ValueError(f"altitude {altitude_m:g} m is outside -500 to 11000 m")
    ratio = 1.0 - _LAPSE_K_PER_M * altitude_m / _SEA_LEVEL_K
    return float(SEA_LEVEL_BAR * math.pow(ratio, STANDARD_GRAVITY / (_GAS_CONSTANT_AIR * _LAPSE_K_PER_M)))


def bar_per_metre(water: str | float) -> float:
    """What a metre of water weighs. [bar/m]

    `water` is "en13319" (10 m = 1 bar, the European standard for depth gauges), "sea" (1025 kg/m³), "fresh"
    (1000 kg/m³) or a density in kg/m³.
    """
    if water == "en13319":
        return EN13319_BAR_PER_M
    density = WATER_KG_M3[water] if isinstance(water, str) else water
    return density * STANDARD_GRAVITY / 1e5


@dataclass(frozen=True)
class Environment:
    """Surface pressure [bar] and the pressure gradient of the water [bar/m] at a dive site."""

    surface_bar: float = SEA_LEVEL_BAR
    bar_per_m: float = EN13319_BAR_PER_M

    @classmethod
    def at(cls, altitude_m: float = 0.0, water: str | float = "en13319") -> Environment:
        """The environment of a site at an altitude [m] in a kind of water."""
        return cls(surface_pressure(altitude_m), bar_per_metre(water))

    def pressure(self, depth_m: float) -> float:
        """Ambient pressure at a depth. [bar]"""
        return self.surface_bar + self.bar_per_m * depth_m

    def least_ppo2(self, bar: float) -> float:
        """A least ppO2 [bar] as it holds at this site: never more than air has at its surface. [bar]"""
        return min(bar, AIR_O2 * self.surface_bar)

    def depth(self, bar: float) -> float:
        """The depth of an ambient pressure, negative above the surface. [m]"""
        return (bar - self.surface_bar) / self.bar_per_m
