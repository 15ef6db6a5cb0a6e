"""What the kernel starts from: the compartments as arrays, and tissues at rest."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from leadline.physics.mix import AIR_O2, WATER_VAPOUR_BAR
from leadline.tissue.coefficients import SetName, coefficient_set
from leadline.tissue.kernel import COMPARTMENTS, Compartments


@lru_cache
def compartments(name: SetName) -> Compartments:
    """The compartments of a published coefficient set, as the kernel takes them: arrays [2, 16]."""
    published = coefficient_set(name)
    rate = np.log(2.0) / np.array([published.n2_half_time_min, published.he_half_time_min])
    return Compartments(
        rate=rate,
        a=np.array([published.n2_a_bar, published.he_a_bar]),
        b=np.array([published.n2_b, published.he_b]),
        mean=1.0 / rate,
        minute=-np.expm1(-rate),
    )


def saturated(surface_bar: float) -> NDArray[np.float64]:
    """Tissues saturated with air at a surface pressure [bar]: tensions [2, 16], nitrogen first. [bar]"""
    tissue = np.zeros((2, COMPARTMENTS))
    tissue[0] = (surface_bar - WATER_VAPOUR_BAR) * (1.0 - AIR_O2)
    return tissue


def weighted(
    n2: NDArray[np.float64], he: NDArray[np.float64], comps: Compartments
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """a [bar] and b, weighted by nitrogen and helium tensions [..., 16, bar]; nitrogen's where both are washed out."""
    inert = n2 + he
    share = np.divide(he, inert, out=np.zeros_like(inert), where=inert > 0.0)
    return comps.a[0] + (comps.a[1] - comps.a[0]) * share, comps.b[0] + (comps.b[1] - comps.b[0]) * share


@dataclass(frozen=True)
class Dose:
    """Oxygen that was taken at one go: of a dive, or breathed at the surface."""

    otu: float
    day_share: float
    """Of NOAA's 24-hour limits; 1 is all of them."""
    ago_min: float
    """How long ago it ended."""


@dataclass(frozen=True)
class Residual:
    """What the dives so far have left in a diver who has just surfaced."""

    tensions_bar: tuple[tuple[float, ...], ...]
    """[2, 16], nitrogen first."""
    cns_percent: float
    """Of the single-exposure limits, what is left of the dives before included."""
    doses: tuple[Dose, ...]
    """In the order taken; the last is of the dive just ended, 0 min ago."""
