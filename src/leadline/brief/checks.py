"""What no single key can tell: whether the parts of a dive file agree with each other."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from leadline.brief.errors import Problem, key_path, shown
from leadline.brief.schema import Dive
from leadline.units import SYSTEMS


def contradictions(dive: Dive) -> list[Problem]:
    """Everything in a dive file that cannot be true together."""
    return [*_levels(dive), *_cylinders(dive), *_loop(dive), *_gases_named(dive)]


def _levels(dive: Dive) -> Iterator[Problem]:
    """No level may be left before the diver, without a single stop, could be there."""
    system = SYSTEMS[dive.units]
    depth_m, run_time_min = 0.0, 0.0
    for i, level in enumerate(dive.levels):
        rate = dive.rates.descent if level.depth >= depth_m else dive.rates.ascent
        arrive_min = run_time_min + abs(level.depth - depth_m) / rate
        if level.leave_at < arrive_min - 1e-6:
            yield Problem(
                key_path("levels", i, "leave_at"),
                f"{level.leave_at:g} min is before {system.at(level.depth)} can be "
                f"reached ({arrive_min:.1f} min); give at least {math.ceil(arrive_min - 1e-6)}",
            )
        depth_m, run_time_min = level.depth, max(level.leave_at, arrive_min)


def _cylinders(dive: Dive) -> Iterator[Problem]:
    names = Counter(cylinder.name.casefold() for cylinder in dive.cylinders)
    seen: set[str] = set()
    for i, cylinder in enumerate(dive.cylinders):
        if names[cylinder.name.casefold()] > 1 and cylinder.name.casefold() in seen:
            yield Problem(
                key_path("cylinders", i, "name"),
                f"{shown(cylinder.name)} is another cylinder's name too; give each its own",
            )
        seen.add(cylinder.name.casefold())
        if dive.loop is None and cylinder.use in ("diluent", "oxygen"):
            yield Problem(
                key_path("cylinders", i, "use"),
                f'"{cylinder.use}" belongs to a loop, and there is none; use "bottom", "travel" or "deco"',
            )
    if dive.loop is None and not any(cylinder.use == "bottom" for cylinder in dive.cylinders):
        yield Problem(
            "[[cylinders]]",
            'an open-circuit dive needs at least one cylinder with use = "bottom"; or give a [loop]',
        )


def _loop(dive: Dive) -> Iterator[Problem]:
    if dive.loop is None:
        return
    for i, cylinder in enumerate(dive.cylinders):
        if cylinder.use == "diluent" and cylinder.gas != dive.loop.diluent:
            yield Problem(
                key_path("cylinders", i, "gas"),
                f"{cylinder.gas.name} is not the diluent, {dive.loop.diluent.name}; make them the same",
            )
        if cylinder.use == "oxygen" and cylinder.gas.o2 < 0.9:
            yield Problem(
                key_path("cylinders", i, "gas"),
                f'{cylinder.gas.name} cannot feed a loop\'s oxygen; write "oxygen"',
            )


def _gases_named(dive: Dive) -> Iterator[Problem]:
    """A gas named elsewhere must be in a cylinder."""
    carried = [cylinder.gas for cylinder in dive.cylinders if cylinder.use in ("bottom", "travel", "deco")]
    labels = ", ".join(dict.fromkeys(gas.name for gas in carried)) or "none"
    for i, level in enumerate(dive.levels):
        if level.gas is None:
            continue
        if dive.loop is not None:
            yield Problem(
                key_path("levels", i, "gas"),
                "a level on a loop is breathed on the loop; leave gas out, or the [loop]",
            )
        elif level.gas not in carried:
            yield Problem(
                key_path("levels", i, "gas"),
                f"no cylinder holds {level.gas.name}; those carried hold {labels}",
            )
    breaks = dive.stops.oxygen_breaks
    if breaks is not None and dive.loop is not None:
        yield Problem(
            key_path("stops", "oxygen_breaks"), "are taken on open circuit only; leave them out, or the [loop]"
        )
    elif breaks is not None and breaks.gas is not None and breaks.gas not in carried:
        yield Problem(
            key_path("stops", "oxygen_breaks", "gas"),
            f"no cylinder holds {breaks.gas.name}; those carried hold {labels}",
        )
