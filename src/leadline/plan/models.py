"""Decompression models behind one small interface, for second opinions.

`DissolvedGas` hands a dive to the planner itself; `Bubbles` plans it under the bubble model (docs/models.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.schema import Dive
from leadline.plan import schedule as planning
from leadline.plan.schedule import Leg
from leadline.tissue import kernel
from leadline.tissue.bubbles import RADII_UM
from leadline.tissue.bubbles_dive import BubbleDive, Course, bubble_dive
from leadline.tissue.loading import compartments
from leadline.units import SYSTEMS

Array = NDArray[Any]


_LESS = "ask for smaller nuclei, set [stops] last shallower, or carry a richer deco gas"
AFTER_OTHERS = (
    "Of the dives before, the bubble model counts what they have left in the tissues, and none of the bubbles: after "
    "other dives its column may well ask too little."
)
AFTER_A_WAY_UP = (
    "Of the way up to the site, the bubble model counts what tissues still hold, and none of the bubbles: its column "
    "may well ask too little."
)


class DecoModel(Protocol):
    """A decompression model, asked about one dive. Tissues are [2, 16], nitrogen first, in bar."""

    @property
    def name(self) -> str:
        """As it heads a column: "ZH-L16C, GF 40/80"."""

    @property
    def note(self) -> str:
        """What one must know of it on this dive; empty if nothing."""

    def start(self) -> Array:
        """Tissues at the start of the dive. [bar]"""

    def load(self, tissue: Array, leg: Leg) -> Array:
        """Tissues after a leg, or a part of one. [bar]"""

    def ceiling_m(self, tissue: Array) -> float:
        """The ceiling of tissues as the last level is left, before any stop. [m]"""

    def schedule(self) -> Sequence[Leg]:
        """The whole dive, surface to surface. DiveFileError if the model does not let it be dived as written."""


@dataclass(frozen=True)
class _Asked:
    """What the models share: the same tissues, loaded by the same equations."""

    dive: Dive
    source: str = "dive"
    """Names the dive file in a DiveFileError."""

    def start(self) -> Array:
        """At rest, or as the dives before have left them."""
        return self._layout.start.copy()

    def load(self, tissue: Array, leg: Leg) -> Array:
        """By Haldane's and Schreiner's equations."""
        found, where = tissue.copy(), self.dive.site.environment
        row, comps = planning.source_rows([leg.source])[0], self._layout.comps
        if leg.start_m == leg.end_m:
            kernel.load_constant(found, where.pressure(leg.start_m), leg.minutes, row, comps)
        else:
            bars = where.pressure(leg.start_m), where.pressure(leg.end_m)
            kernel.load_travel(found, *bars, leg.minutes, row, comps)
        return found

    @cached_property
    def _layout(self) -> planning.Layout:
        return planning.lay_out(self.dive, self.source)

    def _below_surface_m(self, bar: float) -> float:
        return max(0.0, self.dive.site.environment.depth(bar))


@dataclass(frozen=True)
class DissolvedGas(_Asked):
    """ZH-L16 with gradient factors, both as `[model]` of the dive has them."""

    @property
    def name(self) -> str:
        """Coefficients and gradient factors."""
        low, high = self.dive.model.gradient_factors
        return f"{self.dive.model.coefficients}, GF {low:g}/{high:g}"

    @property
    def note(self) -> str:
        """Nothing."""
        return ""

    def ceiling_m(self, tissue: Array) -> float:
        """Under GF low. [m]"""
        layout = self._layout
        return self._below_surface_m(kernel.ceiling_bar(tissue.copy(), layout.rules.gf_low, layout.comps))

    def schedule(self) -> Sequence[Leg]:
        """As `leadline plan` has it."""
        return planning.dive_schedule(self.dive, self._layout, self.source).legs


@dataclass(frozen=True)
class Bubbles(_Asked):
    """The varying permeability model with Boyle compensation."""

    percent: float = 100.0
    """Radii of nuclei, of the published."""

    @property
    def name(self) -> str:
        """With the size of the nuclei."""
        return f"bubble model, nuclei {self.percent:g} %"

    @property
    def note(self) -> str:
        """After other dives, or a way up to the site: what is not counted."""
        if self.dive.previous:
            return AFTER_OTHERS
        return AFTER_A_WAY_UP if self.dive.site.acclimatised is not None else ""

    def ceiling_m(self, tissue: Array) -> float:
        """Under the supersaturation that the whole dive leaves allowed. [m]"""
        return self._below_surface_m(self._dived.limit.ceiling_bar(tissue))

    def schedule(self) -> Sequence[Leg]:
        """By the rules of the house, under the bubble model."""
        dived = self._dived
        if dived.fault != kernel.FINE:
            raise DiveFileError(self.source, [self._fault(dived)])
        rows = np.zeros(len(dived.legs), kernel.LEG)
        for row, leg in zip(rows, dived.legs, strict=True):
            for key in leg._fields:
                row[key] = getattr(leg, key)
        return planning.read_legs(rows, self._layout.sources)

    @cached_property
    def _dived(self) -> BubbleDive:
        layout = self._layout
        course = Course(layout.start, layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps)
        n2_um, he_um = (radius_um * self.percent / 100.0 for radius_um in RADII_UM)
        return bubble_dive(course, (n2_um, he_um))

    def _fault(self, dived: BubbleDive) -> Problem:
        if dived.fault == kernel.NEVER_CLEARS:
            return Problem("[[compare]] bubbles", f"a stop never clears on the gas breathed there; {_LESS}")
        level = self.dive.levels[dived.fault_level]
        depth = SYSTEMS[self.dive.units].at(level.depth)
        said = f"the stops on the way to {depth} are done at {dived.fault_min:.1f} min, and it is left at "
        return Problem("[[compare]] bubbles", f"{said}{level.leave_at:g}")


def asked(dive: Dive, source: str = "dive") -> tuple[DecoModel, DecoModel]:
    """The two sides of a comparison: those of `[[compare]]`, the dive's own model where one is missing, and the bubble
    model where both are."""
    given = list(dive.compare)
    sides: list[DecoModel] = []
    if len(given) < 2:
        sides.append(DissolvedGas(dive, source))
    if not given:
        sides.append(Bubbles(dive, source))
    for one in given:
        if one.bubbles is not None:
            sides.append(Bubbles(dive, source, one.bubbles))
            continue
        changed = {
            key: value for key in ("coefficients", "gradient_factors") if (value := getattr(one, key)) is not None
        }
        model = dive.model.model_copy(update=changed)
        sides.append(DissolvedGas(dive.model_copy(update={"model": model}), source))
    first, second = sides
    return first, second


def surface_gradient(tissue: Array, surface_bar: float, dive: Dive) -> float:
    """How far the leading compartment is from ambient pressure (0) to its M-value (1), under the coefficients of the
    dive's `[model]`: one yardstick for any model."""
    comps = compartments(dive.model.coefficients)
    inert = tissue[0] + tissue[1]
    weights = tissue / np.where(inert > 0.0, inert, 1.0)
    a, b = (comps.a * weights).sum(axis=0), (comps.b * weights).sum(axis=0)
    over = inert - surface_bar
    return float(
        np.max(np.where(inert > 0.0, over / (a + surface_bar / np.where(b > 0.0, b, 1.0) - surface_bar), -1.0))
    )
