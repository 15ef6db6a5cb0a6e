"""What is in a cylinder, as amounts of each gas, and the pressure that it makes.

Amounts do not change when a cylinder warms or cools, and add up when gas goes in: filling is counted in them. The
pressure of an amount is that of real gas (GERG-2008, `leadline.physics.real_gas`), or of the ideal gas beside it.

Here a gauge's zero is one atmosphere: an empty cylinder that was open is full of air at one atmosphere, and that air is
part of the mix: 1 % of a blend to 100 bar. (Gas planning leaves it out, for it cannot be breathed from the cylinder.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from leadline.physics.mix import Mix
from leadline.physics.real_gas import MAX_BAR, free_litres, pressure_of
from leadline.units import ATMOSPHERE_BAR

GAS_CONSTANT = 0.08314472
"""[L·bar/(mol·K)] The one that GERG-2008 was fitted with."""
ICE_POINT_K = 273.15
MOST_BAR = MAX_BAR - ATMOSPHERE_BAR
"""[bar] The highest pressure on a gauge that the equation of state answers for."""


@dataclass(frozen=True)
class Law:
    """How an amount of gas [mol] and its pressure belong together."""

    name: str
    mol: Callable[[Mix, float, float, float], float]
    """Amount from mix, water volume [L], pressure on the gauge [bar], temperature [°C]. [mol]"""
    bar: Callable[[Mix, float, float, float], float]
    """Pressure on the gauge, from mix, water volume [L], amount [mol], temperature [°C]. [bar]"""


def rt(celsius: float) -> float:
    """The volume of one mole of ideal gas at 1 bar. [L]"""
    return GAS_CONSTANT * (celsius + ICE_POINT_K)


def _real_mol(mix: Mix, water_l: float, bar: float, celsius: float) -> float:
    return free_litres(mix, water_l, bar + ATMOSPHERE_BAR, celsius) / rt(celsius)


def _real_bar(mix: Mix, water_l: float, mol: float, celsius: float) -> float:
    return pressure_of(mix, water_l, mol * rt(celsius), celsius) - ATMOSPHERE_BAR


def _ideal_mol(mix: Mix, water_l: float, bar: float, celsius: float) -> float:
    return water_l * (bar + ATMOSPHERE_BAR) / rt(celsius)


def _ideal_bar(mix: Mix, water_l: float, mol: float, celsius: float) -> float:
    return mol * rt(celsius) / water_l - ATMOSPHERE_BAR


REAL = Law("real gas", _real_mol, _real_bar)
IDEAL = Law("ideal gas", _ideal_mol, _ideal_bar)


@dataclass(frozen=True)
class Contents:
    """The gas in a cylinder. [mol]"""

    water_l: float
    o2: float
    he: float
    n2: float

    @classmethod
    def of(cls, mix: Mix, water_l: float, bar: float, celsius: float, law: Law = REAL) -> Contents:
        """What a cylinder holds at a pressure on its gauge. ValueError beyond the range of the equation of state."""
        return cls(water_l, 0.0, 0.0, 0.0).plus(mix, law.mol(mix, water_l, bar, celsius))

    @property
    def mol(self) -> float:
        """All of it."""
        return self.o2 + self.he + self.n2

    @property
    def mix(self) -> Mix:
        """What it is."""
        return mix_of(self.o2, self.he, self.n2)

    def plus(self, gas: Mix, mol: float) -> Contents:
        """With so much of a gas let in."""
        return Contents(
            self.water_l, self.o2 + gas.o2 * mol, self.he + gas.he * mol, self.n2 + max(0.0, 1 - gas.o2 - gas.he) * mol
        )

    def bar(self, celsius: float, law: Law = REAL) -> float:
        """Its pressure on the gauge. ValueError beyond the range of the equation of state. [bar]"""
        return law.bar(self.mix, self.water_l, self.mol, celsius)

    def drained(self, to_bar: float, celsius: float, law: Law = REAL) -> Contents:
        """Let down to a pressure on the gauge: every gas in it by the same share."""
        share = law.mol(self.mix, self.water_l, to_bar, celsius) / self.mol
        return replace(self, o2=self.o2 * share, he=self.he * share, n2=self.n2 * share)

    def filled(self, gas: Mix, to_bar: float, celsius: float, law: Law = REAL) -> Contents:
        """Filled with a gas to a pressure on the gauge; as it is, if it is there already."""
        if self.bar_or_more(celsius, law) >= to_bar:
            return self
        most = 1.5 * self.water_l * (to_bar + ATMOSPHERE_BAR) / rt(celsius)
        return self.plus(gas, root(lambda mol: self.plus(gas, mol).bar_or_more(celsius, law) - to_bar, 0.0, most))

    def bar_or_more(self, celsius: float, law: Law = REAL) -> float:
        """Its pressure on the gauge, or a far higher one where the equation of state ends. [bar]"""
        try:
            return self.bar(celsius, law)
        except ValueError:
            return 2.0 * MAX_BAR


def mix_of(o2: float, he: float, n2: float) -> Mix:
    """The mix of amounts, which need no unit. ValueError if there is no oxygen in it at all."""
    whole = o2 + he + n2
    helium = min(he / whole, 1.0 - 1e-9)
    return Mix(min(max(o2 / whole, 1e-9), 1.0 - helium), helium)


def root(excess: Callable[[float], float], low: float, high: float, within: float = 1e-9) -> float:
    """Where a rising function is zero, between a value at which it is not above and one at which it is not below.

    False position with the Illinois rule, which never leaves the bracket. The nearer end if the zero is not in it.
    """
    at_low, at_high = excess(low), excess(high)
    if at_low >= 0.0:
        return low
    if at_high <= 0.0:
        return high
    kept = 0
    found = low
    for _ in range(200):
        found = (low * at_high - high * at_low) / (at_high - at_low)
        at = excess(found)
        if abs(at) < within or high - low < 1e-12 * max(1.0, high):
            break
        if at > 0.0:
            high, at_high = found, at
            at_low = 0.5 * at_low if kept == 1 else at_low
            kept = 1
        else:
            low, at_low = found, at
            at_high = 0.5 * at_high if kept == -1 else at_high
            kept = -1
    return found
