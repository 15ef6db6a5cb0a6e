"""How much of which gas makes a mix of what is in a cylinder: conservation of each gas, by amount.

What must come in is what is wanted less what is there, of oxygen, helium and nitrogen each. Three gases at hand give
three equations in three unknowns; no amount may be negative, for nothing can be taken out of a mix. Whatever does not
come out so is not guessed: it is drained, or refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from leadline.mixing.contents import REAL, Contents, Law
from leadline.physics.mix import AIR_O2, Mix

MATCH = 0.001
"""A blend is on its target if oxygen and helium are within this fraction: a third of what an analyser can tell."""
CLOSE = 0.003
"""So far off a blend may be before what is in the cylinder is drained for it: what an analyser can tell."""
REMNANT = 0.01
"""So far off a blend may be for what stays in a cylinder that is empty on the gauge."""
_LEAST = 1e-5
"""An amount below this share of the fill is none."""
_TOTAL = 1e6
"""How much more the whole amount weighs than what it is made of: a fill ends at its pressure."""
_OXYGEN = 30.0
"""How much more oxygen weighs than helium when rounded steps are made good."""


@dataclass(frozen=True)
class Way:
    """One choice of gases that makes the mix: which, how much [mol], and how far off in oxygen or helium it is."""

    gases: tuple[Mix, ...]
    mol: tuple[float, ...]
    miss: float
    made: Mix


def ways(start: Contents, wanted: Contents, gases: Sequence[Mix], within: float = MATCH) -> list[Way]:
    """Every choice of gases, at most three, that makes what is wanted of what is there, those of fewest gases first.

    A choice with a gas too many is left out, as is one that is further off than `within`. What is full is made of
    nothing.
    """
    found = [way for way in _tried(start, wanted, gases) if way.miss <= within]
    return found if not found or found[0].gases else found[:1]


def nearest(start: Contents, wanted: Contents, gases: Sequence[Mix]) -> Way | None:
    """The choice that comes nearest to what is wanted; None if not even the amount can be met."""
    return min(_tried(start, wanted, gases), key=lambda way: way.miss, default=None)


def next_dose(contents: Contents, wanted: Contents, gases: Sequence[Mix]) -> float | None:
    """How much of the first of these gases is next, so that with them all the amount and the oxygen come out. [mol]

    None where that would take a gas out again. Helium is as near as it can be: oxygen is what harms.
    """
    whole = wanted.mol
    sides = np.array([_OXYGEN * (wanted.o2 - contents.o2), wanted.he - contents.he, _TOTAL * (whole - contents.mol)])
    columns = np.array([[_OXYGEN * gas.o2, gas.he, _TOTAL * (gas.o2 + gas.he + gas.n2)] for gas in gases]).T
    share = np.linalg.lstsq(columns, sides / whole, rcond=None)[0]
    return float(share[0]) * whole if float(share.min()) > 0.0 else None


def drain_to(
    start: Contents, wanted: Contents, gases: Sequence[Mix], start_bar: float, celsius: float, law: Law = REAL
) -> float | None:
    """The highest pressure to drain to from which the mix can be made; None if it cannot even from 0. [bar]

    The less is left of what is in the way the better, so that there is one such pressure.
    """

    def makes(bar: float) -> bool:
        return bool(ways(start.drained(bar, celsius, law), wanted, gases))

    if not makes(0.0):
        return None
    low, high = 0.0, start_bar
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if makes(middle) else (low, middle)
    return low


def _tried(start: Contents, wanted: Contents, gases: Sequence[Mix]) -> Iterator[Way]:
    whole = wanted.mol
    asked = np.array([wanted.o2 - start.o2, wanted.he - start.he, wanted.n2 - start.n2]) / whole
    if abs(asked.sum()) < _LEAST:
        yield Way((), (), _miss(start.mix, wanted.mix), start.mix)
        return
    for count in range(1, min(3, len(gases)) + 1):
        for chosen in combinations(gases, count):
            columns = np.array([[gas.o2, gas.he, gas.n2, _TOTAL * (gas.o2 + gas.he + gas.n2)] for gas in chosen]).T
            sides = np.append(asked, _TOTAL * asked.sum())
            share, _, rank, _ = np.linalg.lstsq(columns, sides, rcond=None)
            if rank < count or float(share.min()) < _LEAST or abs(float(share.sum() - asked.sum())) > 1e-4:
                continue
            mol = tuple(float(part) * whole for part in share)
            after = start
            for gas, amount in zip(chosen, mol, strict=True):
                after = after.plus(gas, amount)
            yield Way(chosen, mol, _miss(after.mix, wanted.mix), after.mix)


def _miss(made: Mix, wanted: Mix) -> float:
    return max(abs(made.o2 - wanted.o2), abs(made.he - wanted.he))


def why_not(target: Mix, gases: Sequence[Mix]) -> str:
    """Why no blend of these gases is the target, and what would be right, in words that go on a sentence."""
    rich, light = max(gas.o2 for gas in gases), max(gas.he for gas in gases)
    lean = min(gas.o2 for gas in gases)
    if target.he > light + MATCH:
        if light < MATCH:
            return f'{target.name} needs helium, and there is none; add a source with gas = "helium"'
        said = f"{target.name} needs more helium than the {100 * light:.4g} % of the lightest source"
        return f'{said}; add one with gas = "helium"'
    if target.o2 > rich + MATCH:
        said = f"{target.name} is richer than the richest source, which has {100 * rich:.4g} % of oxygen"
        return f'{said}; add one with gas = "oxygen"'
    if target.he < MATCH and target.o2 < AIR_O2 - MATCH:
        said = f"{target.name} is leaner than air, which has {100 * AIR_O2:.4g} % of oxygen, and has no helium"
        return f"{said}; give it helium, or name air if air is meant"
    if target.o2 < lean - MATCH:
        return f"{target.name} is leaner than the leanest source, which has {100 * lean:.4g} % of oxygen"
    least_he = 1.0 - target.o2 / AIR_O2
    if target.he + MATCH < least_he:
        said = f"{target.name} has more nitrogen than air can bring with only {100 * target.o2:.4g} % of oxygen"
        return f"{said}; with {100 * target.o2:.4g} % of oxygen it needs at least {100 * least_he:.1f} % of helium"
    airy = any(gas.he < MATCH and gas.o2 < 0.25 for gas in gases)
    pure = {"helium": light > 0.99, "oxygen": rich > 0.99, "air": airy}
    missing = [name for name, there in pure.items() if not there]
    add = f"; add {' and '.join(missing)}" if missing else ""
    return f"these sources together do not make {target.name}{add}"
