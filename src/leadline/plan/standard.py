"""Standard mixes and cylinder sizes: what is chosen from where the dive file lists nothing.

All of it is common practice, no source; sizes and working pressures are from memory. docs/solve.md shows the lists.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from leadline.dive_file.schema import SolveCylinder
from leadline.physics.mix import Mix
from leadline.units import IMPERIAL, PSI_BAR, SYSTEMS, RatedCubicFeet, SystemName

BOTTOM_MIXES = tuple(map(Mix.parse, ("air", "32", "30/30", "25/25", "21/35", "18/45", "15/55", "12/65", "10/70")))
"""Bottom gases, or diluents."""
DECO_MIXES = tuple(map(Mix.parse, ("21/35", "35/25", "36", "50", "80", "oxygen")))
"""Deco gases, or bailout gases; the deepest first."""

_LITRES = ((5.7, 207), (7, 232), (10, 232), (11.1, 207), (12, 232), (15, 232), (18, 232))
_TWIN_LITRES = ((7, 232), (8.5, 232), (10, 232), (11.1, 207), (12, 232), (15, 232), (18, 232))
_LOOP_LITRES = ((2, 232), (3, 232))
"""Water litres of one cylinder, and fill pressure. [bar]"""

_CUBIC_FEET = (
    (30, 30, 3000), (40, 40, 3000), (63, 63, 3000), (80, 77.4, 3000), (85, 85, 2640), (95, 95, 2640),
    (100, 100, 3442), (104, 104, 2640), (120, 120, 3442), (130, 130, 3442),
)  # fmt: skip
_TWIN_CUBIC_FEET = (
    (80, 77.4, 3000), (85, 85, 2640), (95, 95, 2640), (100, 100, 3442), (104, 104, 2640), (120, 120, 3442),
    (130, 130, 3442),
)  # fmt: skip
"""The number a cylinder goes by, the cubic feet it holds, and the working pressure [psi], to which it is filled. The
common one of 80 holds 77.4."""
_LOOP_CUBIC_FEET = ((13, 13, 3000), (19, 19, 3000))


@dataclass(frozen=True)
class StandardCylinder:
    """A cylinder of a standard size, or a pair of them; a pair is one cylinder of twice the size."""

    name: str
    """As a diver would write it: "12 L, 232 bar", "twin 12 L, 232 bar", "80 cu ft, 3000 psi"."""
    cylinder: SolveCylinder
    pair: bool

    @property
    def nominal_l(self) -> float:
        """Water volume times fill pressure. [L at 1 bar, of an ideal gas]"""
        return self.cylinder.water_l * self.cylinder.pressure


@cache
def standard_cylinders(units: SystemName, pair: bool = False) -> tuple[StandardCylinder, ...]:
    """Single cylinders, or pairs, the smallest first (water volume times fill pressure)."""
    if units == "metric":
        return _sorted(_of_litres(water_l, bar, pair) for water_l, bar in (_TWIN_LITRES if pair else _LITRES))
    sizes = _TWIN_CUBIC_FEET if pair else _CUBIC_FEET
    return _sorted(_of_cubic_feet(number, held, psi, pair) for number, held, psi in sizes)


@cache
def loop_cylinders(units: SystemName) -> tuple[StandardCylinder, ...]:
    """Cylinders that feed a loop or inflate a suit, the smallest first."""
    if units == "metric":
        return _sorted(_of_litres(water_l, bar, False) for water_l, bar in _LOOP_LITRES)
    return _sorted(_of_cubic_feet(number, held, psi, False) for number, held, psi in _LOOP_CUBIC_FEET)


def described(cylinder: SolveCylinder, units: SystemName) -> str:
    """A cylinder as it was written: "12 L, 232 bar"."""
    system, size = SYSTEMS[units], cylinder.size
    said = f"{size.cubic_feet:g} {IMPERIAL.gas_unit}" if isinstance(size, RatedCubicFeet) else f"{size:g} L"
    return f"{said}, {cylinder.pressure / system.pressure_bar:.0f} {system.pressure_unit}"


def _sorted(cylinders: Iterable[StandardCylinder]) -> tuple[StandardCylinder, ...]:
    return tuple(sorted(cylinders, key=lambda one: one.nominal_l))


def _of_litres(water_l: float, bar: int, pair: bool) -> StandardCylinder:
    size = water_l * (2.0 if pair else 1.0)
    name = f"{'twin ' if pair else ''}{water_l:g} L, {bar} bar"
    return StandardCylinder(name, _cylinder(size, None, float(bar)), pair)


def _of_cubic_feet(number: int, held: float, psi: int, pair: bool) -> StandardCylinder:
    size = RatedCubicFeet(held * (2.0 if pair else 1.0))
    name = f"{'double ' if pair else ''}{number} {IMPERIAL.gas_unit}, {psi} psi"
    return StandardCylinder(name, _cylinder(size, psi * PSI_BAR, psi * PSI_BAR), pair)


def _cylinder(size: float | RatedCubicFeet, working_bar: float | None, bar: float) -> SolveCylinder:
    return SolveCylinder.model_construct(size=size, working_pressure=working_bar, pressure=bar)
