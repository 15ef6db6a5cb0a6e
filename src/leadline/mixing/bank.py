"""Where the gas comes from: compressors, supplies that never run low, and the cylinders of a bank.

A bank is drawn on as a cascade: the cylinder at the lowest pressure that still gives anything comes first, until both
are even, then the next. So the fullest are kept for the end of a fill, and for the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from leadline.mixing.contents import Contents, root, rt
from leadline.physics.mix import Mix

_WORTH_BAR = 1.0
"""A bank's cylinder that would raise the pressure by less stays shut."""


@dataclass(frozen=True)
class Supply:
    """One source of gas."""

    name: str
    gas: Mix
    bar: float | None
    """What it is at, on its gauge; None: a compressor or booster, which fills to any pressure."""
    water_l: float | None = None
    """Of a bank's cylinder; None: it never runs low."""
    price: float | None = None
    """Of 1 free litre."""


@dataclass(frozen=True)
class BankDraw:
    """What came out of one source for one step."""

    source: str
    litres: float
    """[free litres at the temperature of the room]"""
    to_bar: float
    """Where the cylinder being filled was then, while filling."""
    left_bar: float | None
    """What the bank's cylinder is at afterwards; None where it never runs low."""
    cost: float | None


@dataclass(frozen=True)
class Draw:
    """A step as the bank gives it."""

    contents: Contents
    bank: tuple[Supply, ...]
    drawn: tuple[BankDraw, ...]
    short: bool
    """Whether the sources end before the pressure is reached."""
    reached_bar: float
    """While filling."""


def draw(
    bank: Sequence[Supply], into: Contents, gas: Mix, to_bar: float, room_celsius: float, filling_celsius: float
) -> Draw:
    """Fill a cylinder with a gas to a pressure, from all the sources that have it, the lowest first.

    The cylinder is at `filling_celsius` while it is filled, the bank at that of the room.
    """
    contents, left, drawn = into, list(bank), []
    order = sorted((i for i, one in enumerate(bank) if one.gas == gas), key=lambda i: _rank(bank[i]))
    for i in order:
        at_bar = contents.bar(filling_celsius)
        if at_bar >= to_bar - 1e-6:
            break
        supply = left[i]
        after, supply = _from(supply, contents, to_bar, room_celsius, filling_celsius)
        reached_bar = after.bar(filling_celsius)
        if reached_bar - at_bar < min(_WORTH_BAR, 0.5 * (to_bar - at_bar)):
            continue
        litres = (after.mol - contents.mol) * rt(room_celsius)
        cost = None if supply.price is None else supply.price * litres
        left_bar = supply.bar if supply.water_l is not None else None
        drawn.append(BankDraw(supply.name, litres, reached_bar, left_bar, cost))
        contents, left[i] = after, supply
    reached_bar = contents.bar(filling_celsius)
    return Draw(contents, tuple(left), tuple(drawn), reached_bar < to_bar - 1e-3, reached_bar)


def _rank(supply: Supply) -> tuple[bool, float]:
    """What runs low comes first, then the lowest pressure; a compressor comes last."""
    return supply.water_l is None, float("inf") if supply.bar is None else supply.bar


def _from(
    supply: Supply, into: Contents, to_bar: float, room_celsius: float, filling_celsius: float
) -> tuple[Contents, Supply]:
    """What one source gives towards a pressure, and what it is afterwards."""
    if supply.bar is None:
        return into.filled(supply.gas, to_bar, filling_celsius), supply
    if supply.water_l is None:
        return into.filled(supply.gas, min(to_bar, supply.bar), filling_celsius), supply
    held = Contents.of(supply.gas, supply.water_l, supply.bar, room_celsius)

    def left(mol: float) -> Contents:
        return held.plus(supply.gas, -mol)

    def excess(mol: float) -> float:
        return into.plus(supply.gas, mol).bar_or_more(filling_celsius) - left(mol).bar(room_celsius)

    full = into.filled(supply.gas, to_bar, filling_celsius)
    wanted = full.mol - into.mol
    mol = min(wanted, root(excess, 0.0, 0.999 * held.mol))
    return into.plus(supply.gas, mol), replace(supply, bar=left(mol).bar(room_celsius))
