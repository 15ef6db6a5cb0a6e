"""The varying permeability model with Boyle compensation: gas nuclei, and the supersaturation they allow.

Nuclei are tiny bubbles that a skin of surface-active matter keeps from dissolving. Pressure crushes them; the smaller
they are, the more supersaturation it takes to make them grow. Everything is bar, minutes and micrometres; an array
[2, 16] is nitrogen and helium of the sixteen compartments, as tissues are.

Sources, and which parameters are from memory: docs/models.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.tissue.loading import saturated
from leadline.units import ATMOSPHERE_BAR

Array = NDArray[Any]

TENSION = 0.0179 * 10.0
"""Surface tension, 0.0179 N/m. [bar µm]"""
SKIN = 0.257 * 10.0
"""Crumbling compression of the skin, 0.257 N/m. [bar µm]"""
RADII_UM = (0.55, 0.45)
"""Critical radii of nuclei at rest, nitrogen and helium."""
REGENERATION_MIN = 20160.0
"""Time constant with which a crushed nucleus grows back: two weeks."""
VOLUME_BAR_MIN = 6500.0 / 33.0 * ATMOSPHERE_BAR
"""Lambda, how much free gas a body bears: 6500 fsw·min, with 33 fsw to an atmosphere."""
IMPERMEABLE_BAR = 8.2 * ATMOSPHERE_BAR
"""Crushed harder than this, the skin of a nucleus lets no gas through."""
OTHER_GASES_BAR = 102.0 / 760.0 * ATMOSPHERE_BAR
"""Oxygen, carbon dioxide and water vapour in a tissue, whatever is breathed."""

_CRUMBLING = 2.0 * (SKIN - TENSION)


def crushed(rest_um: Array, crush_bar: Array) -> Array:
    """Radius of nuclei under a crushing pressure, the skin permeable. [µm]

    2 (γc - γ) (1/r - 1/r0) = crush [Yount & Hoffman].
    """
    radius: Array = 1.0 / (1.0 / rest_um + crush_bar / _CRUMBLING)
    return radius


def crushed_sealed(sealed_um: Array, inside_bar: Array, rise_bar: Array) -> Array:
    """Radius of nuclei once their skin is impermeable. [µm]

    `sealed_um` and `inside_bar` are radius and gas tension when the skin closed, `rise_bar` what ambient pressure has
    risen since. The gas inside is shut in and follows Boyle, inside · (sealed/r)³, so that
    rise = 2 (γc - γ) (1/r - 1/sealed) + inside · ((sealed/r)³ - 1): a cubic in r with one positive root, found by
    Newton's method from above, where it cannot fail.
    """
    lead = rise_bar + _CRUMBLING / sealed_um + inside_bar
    last = inside_bar * sealed_um**3
    radius = np.array(sealed_um, dtype=float)
    for _ in range(60):
        step = (radius**2 * (lead * radius - _CRUMBLING) - last) / (radius * (3.0 * lead * radius - 2.0 * _CRUMBLING))
        radius = radius - step
        if np.all(np.abs(step) < 1e-14 * radius):
            break
    return radius


def regenerated(crushed_um: Array, rest_um: Array, minutes: float) -> Array:
    """Radius of crushed nuclei after a time: they grow back to rest. [µm]"""
    radius: Array = rest_um + (crushed_um - rest_um) * np.exp(-minutes / REGENERATION_MIN)
    return radius


def crush_of(radius_um: Array, rest_um: Array) -> Array:
    """The crushing pressure that has left nuclei so small; it counts what regeneration has undone. [bar]"""
    bar: Array = _CRUMBLING * (1.0 / radius_um - 1.0 / rest_um)
    return bar


def least_allowed(radius_um: Array) -> Array:
    """Supersaturation at which nuclei of a radius just do not grow: 2 γ (γc - γ) / (γc r). [bar]"""
    bar: Array = TENSION * _CRUMBLING / (SKIN * radius_um)
    return bar


def allowed(radius_um: Array, rest_um: Array, minutes: Array) -> Array:
    """Supersaturation at which some nuclei grow, yet no more gas is freed than the body bears. [bar]

    `minutes` [16] is how long it lasts: the time with supersaturation, and its fading at the surface. With p the least
    allowed, the larger root of  x² - (p + λ γ / (γc T)) x + (γ/γc)² λ crush / T = 0  [Yount & Hoffman]; infinite
    minutes leave p itself.
    """
    share = TENSION / SKIN
    freed = VOLUME_BAR_MIN * share / minutes
    b = least_allowed(radius_um) + freed
    c = share * freed * crush_of(radius_um, rest_um)
    bar: Array = 0.5 * (b + np.sqrt(b * b - 4.0 * c))
    return bar


def expanded(allowed_bar: Array, first_stop_bar: float, bar: float) -> Array:
    """What is left of an allowed supersaturation when ambient pressure falls from that of the first stop. [bar]

    A bubble there has the radius 2 γ / x. It grows by Boyle's law, surface tension counted in, and a larger one
    allows less: (P + x) / x³ stays the same. A cubic with one positive root; Newton's method from above.
    """
    ratio = allowed_bar**3 / (first_stop_bar + allowed_bar)
    found = np.array(allowed_bar, dtype=float)
    for _ in range(60):
        step = (found**3 - ratio * (found + bar)) / (3.0 * found**2 - ratio)
        found = found - step
        if np.all(np.abs(step) < 1e-14 * found):
            break
    return found


def fading_min(tissue: Array, inspired_n2_bar: float, rate: Array) -> Array:
    """Time that supersaturation lasts at the surface on air: its integral from surfacing on, by what it is then.
    [16, min]

    It is what the tensions are above those of a diver at rest; `rate` is ln 2 / half-time [2, 16]. Of nitrogen alone
    it is half-time / ln 2. Where helium is over and nitrogen still under, it ends when both cancel.
    """
    n2, he = tissue[0] - inspired_n2_bar, tissue[1]
    over = n2 + he
    ends = np.full(over.shape, np.inf)
    missing = (n2 < 0.0) & (over > 0.0)
    ends[missing] = np.log(he[missing] / -n2[missing]) / (rate[1] - rate[0])[missing]
    freed = n2 / rate[0] * -np.expm1(-rate[0] * ends) + he / rate[1] * -np.expm1(-rate[1] * ends)
    return np.where(over > 0.0, freed / np.where(over > 0.0, over, 1.0), 0.0)


def tolerated(tissue: Array, allowed_bar: Array) -> Array:
    """The lowest ambient pressure each compartment tolerates. [16, bar]

    The allowed supersaturations of nitrogen and helium are weighted by their tensions.
    """
    inert = tissue[0] + tissue[1]
    weighted = (tissue * allowed_bar).sum(axis=0) / np.where(inert > 0.0, inert, 1.0)
    bar: Array = inert + OTHER_GASES_BAR - np.where(inert > 0.0, weighted, allowed_bar.min(axis=0))
    return bar


def excess(tissue: Array, bar: float) -> float:
    """By how much the gas in the leading compartment, all of it, is over ambient pressure. [bar]"""
    return float((tissue[0] + tissue[1]).max()) + OTHER_GASES_BAR - bar


@dataclass(frozen=True)
class Supersaturation:
    """What holds a diver down: an allowed supersaturation [2, 16, bar], and its shrinking from the first stop up."""

    allowed_bar: Array

    def allows(self, tissue: Array, bar: float, first_stop_bar: float | None) -> bool:
        """Whether tissues tolerate an ambient pressure; before a first stop there is nothing to shrink."""
        limit = self.allowed_bar if first_stop_bar is None else expanded(self.allowed_bar, first_stop_bar, bar)
        return bool(np.all(tolerated(tissue, limit) <= bar))

    def allows_direct(self, tissue: Array, bar: float) -> bool:
        """Whether tissues tolerate an ambient pressure on an ascent without stops."""
        return self.allows(tissue, bar, None)

    def ceiling_bar(self, tissue: Array) -> float:
        """The lowest ambient pressure that tissues tolerate before the first stop. [bar]"""
        return float(tolerated(tissue, self.allowed_bar).max())


class Nuclei:
    """The nuclei of a diver: how small the dive so far has crushed them."""

    def __init__(self, rest_um: tuple[float, float], surface_bar: float) -> None:
        """At rest at a surface pressure."""
        self.rest_um = np.repeat(np.array(rest_um)[:, None], 16, axis=1)
        self.smallest_um = self.rest_um.copy()
        # Ambient pressure of a diver at rest is over the gas in him; what is more than that crushes.
        self._rest_bar = -excess(saturated(surface_bar), surface_bar)
        self._sealed_bar = np.full(16, np.nan)  # ambient pressure at which the skin closed
        self._inside_bar = np.zeros(16)
        self._last: tuple[float, Array] | None = None

    def feel(self, bar: float, tissue: Array) -> None:
        """Crush by an ambient pressure, coming from the one felt before and at most a few metres from it."""
        gas = tissue[0] + tissue[1] + OTHER_GASES_BAR
        crush = bar - gas - self._rest_bar
        if self._last is not None and crush.max() > IMPERMEABLE_BAR:
            self._seal(bar, gas, crush)
        self._last = bar, gas
        radius = crushed(self.rest_um, np.clip(crush, 0.0, IMPERMEABLE_BAR))
        sealed = ~np.isnan(self._sealed_bar) & (bar > self._sealed_bar)
        if sealed.any():
            at_seal = crushed(self.rest_um, np.full(16, IMPERMEABLE_BAR))[:, sealed]
            rise = (bar - self._sealed_bar)[sealed]
            radius[:, sealed] = crushed_sealed(at_seal, np.tile(self._inside_bar[sealed], (2, 1)), rise)
        self.smallest_um = np.minimum(self.smallest_um, radius)

    def _seal(self, bar: float, gas: Array, crush: Array) -> None:
        """Where, on the way since the last pressure felt, skins have closed: linear between the two."""
        assert self._last is not None
        bar_before, gas_before = self._last
        before = bar_before - gas_before - self._rest_bar
        for c in np.flatnonzero(np.isnan(self._sealed_bar) & (crush > IMPERMEABLE_BAR)):
            part = (IMPERMEABLE_BAR - before[c]) / (crush[c] - before[c])
            self._sealed_bar[c] = bar_before + part * (bar - bar_before)
            self._inside_bar[c] = gas_before[c] + part * (gas[c] - gas_before[c])

    def radius_um(self, run_time_min: float) -> Array:
        """Radius at a run time: regeneration counts from leaving the surface. [2, 16, µm]"""
        return regenerated(self.smallest_um, self.rest_um, run_time_min)
