"""Cylinders as a diver asks for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from leadline.dive_file.schema import Cylinder
from leadline.units import RatedCubicFeet, System


def sizes(cylinders: Sequence[Cylinder], system: System) -> str:
    """Sizes and fills: "11 L at 200 bar", "2 × 80 cu ft at 3,000 psi"."""
    said = [
        (
            f"{c.size.cubic_feet:g} cu ft" if isinstance(c.size, RatedCubicFeet) else f"{c.water_l:g} L",
            f"{system.pressure(c.pressure)} {system.pressure_unit}",
        )
        for c in cylinders
    ]
    parts = [
        f"{f'{said.count(one)} × ' if said.count(one) > 1 else ''}{one[0]} at {one[1]}" for one in dict.fromkeys(said)
    ]
    return " and ".join(parts)


def named_cylinder(values: Mapping[str, Any]) -> str:
    """The cylinder of a finding with its gas: "stage (50 %)"."""
    return f"{values['cylinder']} ({values['mix']})"
