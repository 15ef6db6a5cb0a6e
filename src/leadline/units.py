"""The one place where feet, psi, cubic feet and degrees Fahrenheit exist.

Inside Leadline every number is metric: metres, minutes, bar, litres, °C, kg/m³. Litres of gas are *free
litres*, the volume the gas fills at 1 bar, so that a cylinder's ideal content is its water litres times its
pressure in bar.

Factors: NIST Special Publication 811 (2008), appendix B.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

FOOT_M = 0.3048
PSI_BAR = 0.06894757293168361
CUBIC_FOOT_L = 28.316846592
ATMOSPHERE_BAR = 1.01325
FREE_CUBIC_FOOT_L = CUBIC_FOOT_L * ATMOSPHERE_BAR
"""Free litres (1 bar) in one cubic foot of gas, which the trade counts at one atmosphere."""

SystemName = Literal["metric", "imperial"]
Kind = Literal[
    "depth",
    "altitude",
    "rate",
    "pressure",
    "cylinder size",
    "gas flow",
    "volume",
    "time",
    "temperature",
    "density",
]

_FACTORS: dict[Kind, dict[str, float]] = {
    "depth": {"m": 1.0, "ft": FOOT_M},
    "altitude": {"m": 1.0, "ft": FOOT_M},
    "rate": {"m/min": 1.0, "ft/min": FOOT_M},
    "pressure": {"bar": 1.0, "psi": PSI_BAR},
    # A cylinder's cubic feet are its rated gas, not its water volume: `parse` leaves them as they are.
    "cylinder size": {"L": 1.0},
    "gas flow": {"L/min": 1.0, "cuft/min": CUBIC_FOOT_L},
    "volume": {"L": 1.0, "cuft": CUBIC_FOOT_L},
    "time": {"min": 1.0, "h": 60.0, "d": 1440.0},
    "temperature": {"°C": 1.0, "°F": 1.0},
    "density": {"kg/m³": 1.0},
}
_SPELLINGS = {
    "metre": "m", "metres": "m", "meter": "m", "meters": "m", "feet": "ft", "foot": "ft", "'": "ft",
    "fpm": "ft/min", "litre": "L", "litres": "L", "liter": "L", "liters": "L",
    "cu ft": "cuft", "cf": "cuft", "ft3": "cuft", "ft³": "cuft",
    "cu ft/min": "cuft/min", "cf/min": "cuft/min", "cfm": "cuft/min", "ft3/min": "cuft/min",
    "ft³/min": "cuft/min",
    "minute": "min", "minutes": "min", "mins": "min", "hour": "h", "hours": "h", "day": "d", "days": "d",
    "c": "°C", "f": "°F", "kg/m3": "kg/m³",
}  # fmt: skip
_BARE: dict[SystemName, dict[Kind, str]] = {
    "metric": {
        "depth": "m", "altitude": "m", "rate": "m/min", "pressure": "bar", "cylinder size": "L",
        "gas flow": "L/min", "volume": "L", "time": "min", "temperature": "°C", "density": "kg/m³",
    },
    "imperial": {
        "depth": "ft", "altitude": "ft", "rate": "ft/min", "pressure": "psi", "cylinder size": "cuft",
        "gas flow": "cuft/min", "volume": "cuft", "time": "min", "temperature": "°F", "density": "kg/m³",
    },
}  # fmt: skip
_UNITS = {
    spelling.casefold(): unit
    for spelling, unit in [*_SPELLINGS.items(), *((u, u) for units in [*_FACTORS.values()] for u in units)]
}
"""Every spelling of a unit, whatever its case."""
_QUANTITY = re.compile(r"\s*([+-]?\d+(?:\.\d*)?|[+-]?\.\d+)\s*(.*?)\s*$", re.ASCII)


@dataclass(frozen=True)
class RatedCubicFeet:
    """A cylinder named by the gas it holds at its working pressure. [cubic feet at one atmosphere]"""

    cubic_feet: float


def parse(value: object, kind: Kind, system: SystemName) -> float | RatedCubicFeet:
    """A number, or a string with its own unit, as Leadline's inner unit of that kind.

    `value` is a number in the file's units, or a string such as "130 ft". Raises ValueError, saying what is
    right. Only the kind "cylinder size" can give `RatedCubicFeet`.
    """
    unit = _BARE[system][kind]
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f"expected a number, or text with a unit such as {_example(kind, system)}")
    if isinstance(value, str):
        if "," in value:
            raise ValueError(f"{value!r} has a comma; use a decimal point (1.5) and no comma for thousands (1500)")
        match = _QUANTITY.match(value)
        if match is None:
            raise ValueError(f"{value!r} is not a number with a unit; write for example {_example(kind, system)}")
        number = float(match[1])
        if match[2]:
            unit = _UNITS.get(match[2].casefold(), match[2])
    else:
        try:
            number = float(value)
        except OverflowError:
            raise ValueError("the number is far too large") from None
    if not math.isfinite(number):
        raise ValueError(f"{value!r} is not a finite number")
    if kind == "cylinder size" and unit == "cuft":
        return RatedCubicFeet(number)
    if unit not in _FACTORS[kind]:
        allowed = [*_FACTORS[kind], *(["cuft"] if kind == "cylinder size" else [])]
        raise ValueError(f"{value!r}: {unit!r} is not a unit of {kind}; use {' or '.join(allowed)}")
    if unit == "°F":
        return (number - 32.0) / 1.8
    return number * _FACTORS[kind][unit]


def _example(kind: Kind, system: SystemName) -> str:
    return f'"20 {_BARE[system][kind]}"'


@dataclass(frozen=True)
class System:
    """How one system of units shows Leadline's numbers to a diver."""

    name: SystemName
    depth_unit: str
    depth_m: float
    depth_decimals: int
    pressure_unit: str
    pressure_bar: float
    gauge_step: int
    gas_unit: str
    gas_l: float
    flow_l: float
    flow_decimals: int

    def depth(self, metres: float) -> str:
        """A depth, without its unit: whole where it is a whole number. (3.048 m is "10" in feet)"""
        value = round(metres / self.depth_m, self.depth_decimals) + 0.0  # never "-0"
        return f"{value:.0f}" if value == round(value) else f"{value:.{self.depth_decimals}f}"

    def at(self, metres: float) -> str:
        """A depth with its unit: "40 m"."""
        return f"{self.depth(metres)} {self.depth_unit}"

    def pressure(self, bar: float) -> str:
        """A cylinder pressure, without its unit, rounded down: a gauge never promises more than there is."""
        return f"{math.floor(bar / self.pressure_bar + 1e-6):.0f}"

    def pressure_up(self, bar: float) -> str:
        """A pressure that must be there, without its unit, rounded up to what a gauge is read to."""
        return f"{math.ceil(bar / self.pressure_bar / self.gauge_step - 1e-6) * self.gauge_step}"

    def gas(self, free_litres: float) -> str:
        """An amount of gas that there is, without its unit, rounded down."""
        return f"{math.floor(free_litres / self.gas_l + 1e-6):.0f}"

    def gas_up(self, free_litres: float) -> str:
        """An amount of gas that is asked for, without its unit, rounded up."""
        return f"{math.ceil(free_litres / self.gas_l - 1e-6):.0f}"

    def flow(self, litres_per_min: float) -> str:
        """A breathing rate (RMV: volume a minute at ambient pressure), without its unit."""
        return f"{litres_per_min / self.flow_l:.{self.flow_decimals}f}"


METRIC = System("metric", "m", 1.0, 1, "bar", 1.0, 5, "L", 1.0, 1.0, 0)
IMPERIAL = System("imperial", "ft", FOOT_M, 0, "psi", PSI_BAR, 100, "cu ft", FREE_CUBIC_FOOT_L, CUBIC_FOOT_L, 2)
SYSTEMS: dict[SystemName, System] = {"metric": METRIC, "imperial": IMPERIAL}


def clock(minutes: float) -> str:
    """A moment, as a timer shows it: "25", "25:40"."""
    whole, seconds = divmod(math.floor(minutes * 60.0 + 1e-4), 60)
    return f"{whole}:{seconds:02d}" if seconds else f"{whole}"
