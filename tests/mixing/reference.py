"""Fills by CoolProp's mixture equation (HEOS), worked out without any of Leadline's code but the name of a mix.

Pressures are on the gauge, whose zero is one atmosphere.
"""

from __future__ import annotations

import numpy as np
from CoolProp import AbstractState
from CoolProp.CoolProp import PT_INPUTS, DmolarT_INPUTS, iphase_gas
from numpy.typing import NDArray
from scipy.optimize import brentq

ATMOSPHERE = 1.01325
Amounts = NDArray[np.float64]
"""[mol] of oxygen, helium and nitrogen."""

HELIUM, OXYGEN, AIR = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0]), np.array([0.2098, 0.0, 0.7902])
GASES = {"helium": HELIUM, "oxygen": OXYGEN, "air": AIR}
_STATE = AbstractState("HEOS", "Oxygen&Helium&Nitrogen")
_STATE.specify_phase(iphase_gas)


def fractions(label: str) -> Amounts:
    """Of a diver's label: "18/45", "50", "air", "oxygen"."""
    if label in GASES:
        return GASES[label]
    o2, he = ([float(part) / 100 for part in label.split("/")] + [0.0])[:2]
    return np.array([o2, he, 1.0 - o2 - he])


def _set(shares: Amounts) -> None:
    # A trace of every gas keeps the mixture equation in its own domain.
    traced = np.maximum(shares, 1e-9)
    _STATE.set_mole_fractions(list(traced / traced.sum()))


def amounts(shares: Amounts, water_l: float, bar: float, celsius: float) -> Amounts:
    """What a cylinder holds at a pressure."""
    _set(shares)
    _STATE.update(PT_INPUTS, (bar + ATMOSPHERE) * 1e5, celsius + 273.15)
    return shares * float(_STATE.rhomolar()) / 1000.0 * water_l


def pressure(held: Amounts, water_l: float, celsius: float) -> float:
    """The pressure that a cylinder's content makes."""
    _set(held / held.sum())
    _STATE.update(DmolarT_INPUTS, float(held.sum()) / water_l * 1000.0, celsius + 273.15)
    return float(_STATE.p()) / 1e5 - ATMOSPHERE


def fill_to(start: Amounts, wanted: Amounts, order: list[str], water_l: float, celsius: float) -> list[float]:
    """The pressure to fill to with each of the gases, in this order, to have what is wanted."""
    columns = np.array([GASES[gas] for gas in order]).T
    mol = np.linalg.lstsq(columns, wanted - start, rcond=None)[0]
    assert mol.min() > 0.0
    held, found = start, []
    for gas, amount in zip(order, mol, strict=True):
        held = held + amount * GASES[gas]
        found.append(pressure(held, water_l, celsius))
    return found


def filled(start: Amounts, gas: Amounts, bar: float, water_l: float, celsius: float) -> Amounts:
    """What is in a cylinder that was filled with a gas to a pressure."""
    mol = brentq(lambda mol: pressure(start + mol * gas, water_l, celsius) - bar, 0.0, 0.08 * water_l * (bar + 5.0))
    return start + mol * gas
