"""How much gas many dives take, cylinder by cylinder: what `leadline.plan.supply` says of one, for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.schema import Cylinder, Dive
from leadline.many.batch import BatchResult
from leadline.physics.real_gas import pressures_of
from leadline.plan import supply
from leadline.plan.schedule import Layout

Array = NDArray[Any]


@dataclass(frozen=True)
class Cylinders:
    """Every cylinder over every dive. Arrays are [dives, cylinders] or [cylinders], cylinders as in the dive file."""

    names: tuple[str, ...]
    used_l: Array
    left_bar: Array
    """At the surface; 0 if more is asked than it holds."""
    short_l: Array
    """What is missing to finish with the reserve intact; 0 if nothing is."""
    missing_l: Array
    """What is asked beyond all that it holds; 0 if nothing is."""
    usable_l: Array
    """[cylinders], above the reserve."""
    content_l: Array
    """[cylinders]"""
    reserve_bar: Array
    """[cylinders]"""
    loop_oxygen_l: Array
    """[dives] What the loop takes of oxygen and of diluent; 0 without a loop."""
    loop_diluent_l: Array

    @property
    def lasts(self) -> Array:
        """Whether each cylinder lasts with its reserve intact. [dives, cylinders]"""
        return np.asarray(self.short_l <= 1e-6)


def cylinders_of(dive: Dive, layout: Layout, swum: BatchResult) -> Cylinders:
    """What many dives of a layout take of its cylinders."""
    places = {cylinder.name: i for i, cylinder in enumerate(dive.cylinders)}
    used_l = np.zeros((len(swum), len(dive.cylinders)))
    oxygen_l, diluent_l = _fed(dive, swum)
    pools = [*_breathed(dive, layout, swum), *_inflation(dive, swum)]
    pools += [(_used_for(dive, "oxygen"), oxygen_l), (_used_for(dive, "diluent"), diluent_l)]
    for cylinders, litres in _together(pools):
        own = [places[cylinder.name] for cylinder in cylinders]
        used_l[:, own] += litres[:, None] * _shares(dive, cylinders, used_l[:, own], litres)
    usable_l = np.array([supply.usable(dive, cylinder) for cylinder in dive.cylinders])
    content_l = np.array([supply.content(dive, cylinder) for cylinder in dive.cylinders])
    left_bar = [_left_bar(dive, cylinder, used_l[:, i], content_l[i]) for i, cylinder in enumerate(dive.cylinders)]
    return Cylinders(
        names=tuple(places),
        used_l=used_l,
        left_bar=np.stack(left_bar, axis=1) if left_bar else used_l,
        short_l=np.maximum(0.0, used_l - usable_l),
        missing_l=np.maximum(0.0, used_l - content_l),
        usable_l=usable_l,
        content_l=content_l,
        reserve_bar=np.array([supply.reserve(dive, cylinder) for cylinder in dive.cylinders]),
        loop_oxygen_l=oxygen_l,
        loop_diluent_l=diluent_l,
    )


Pool = tuple[list[Cylinder], Array]
"""Cylinders that are drawn on together, and what is drawn by each dive."""


def _breathed(dive: Dive, layout: Layout, swum: BatchResult) -> list[Pool]:
    pools: list[Pool] = []
    for i, source in enumerate(layout.sources):
        if source.circuit == "open":
            alike = [cylinder for cylinder in supply.open_circuit_cylinders(dive) if cylinder.gas == source.mix]
            pools.append((alike, swum.breathed_l[:, i]))
    return pools


def _inflation(dive: Dive, swum: BatchResult) -> list[Pool]:
    volume_l = (dive.gas.drysuit or 0.0) + (dive.gas.wing or 0.0)
    return [(supply.inflation_cylinders(dive), volume_l * swum.figures["descents_bar"])]


def _fed(dive: Dive, swum: BatchResult) -> tuple[Array, Array]:
    """Oxygen and diluent that the loop takes. [free litres]"""
    figures, loop = swum.figures, dive.loop
    if loop is None:
        return np.zeros(len(swum)), np.zeros(len(swum))
    filled_bar = figures["loop_descents_bar"] + (loop.flushes or 0.0) * figures["levels_bar"]
    return loop.metabolic_oxygen * figures["loop_min"], loop.volume * filled_bar


def _together(pools: Sequence[Pool]) -> list[Pool]:
    """Pools of the same cylinders as one, so that they are shared as one."""
    found: dict[tuple[str, ...], Pool] = {}
    for cylinders, litres in pools:
        names = tuple(cylinder.name for cylinder in cylinders)
        found[names] = (cylinders, found[names][1] + litres if names in found else litres)
    return [pool for pool in found.values() if pool[0]]


def _shares(dive: Dive, alike: Sequence[Cylinder], spent_l: Array, litres: Array) -> Array:
    """Each cylinder's part of what is drawn from all that are alike, after what each has already given; see
    `leadline.plan.supply`. [dives, cylinders]"""
    usable_l = np.maximum(0.0, np.array([supply.usable(dive, cylinder) for cylinder in alike]) - spent_l)
    content_l = np.maximum(0.0, np.array([supply.content(dive, cylinder) for cylinder in alike]) - spent_l)
    all_usable, all_content = usable_l.sum(axis=1), content_l.sum(axis=1)
    into_reserves = (litres - all_usable) / np.maximum(all_content - all_usable, 1e-12)
    beyond = (usable_l + into_reserves[:, None] * (content_l - usable_l)) / np.where(litres > 0.0, litres, 1.0)[:, None]
    within = (litres <= all_usable) | (litres == 0.0)
    return np.where(
        within[:, None], _parts(usable_l), np.where((litres >= all_content)[:, None], _parts(content_l), beyond)
    )


def _parts(litres: Array) -> Array:
    together = litres.sum(axis=1, keepdims=True)
    return np.where(together > 0.0, litres / np.where(together > 0.0, together, 1.0), 1.0 / litres.shape[1])


def _left_bar(dive: Dive, cylinder: Cylinder, used_l: Array, content_l: float) -> Array:
    left_l = np.maximum(0.0, content_l - used_l)
    left_bar = pressures_of(cylinder.gas, cylinder.water_l, left_l, dive.site.temperature)
    return np.where(used_l == 0.0, supply.start_bar(dive, cylinder), left_bar)


def _used_for(dive: Dive, use: str) -> list[Cylinder]:
    return [cylinder for cylinder in dive.cylinders if cylinder.use == use]
