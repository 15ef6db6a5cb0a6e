"""What a diver breathes: gas fractions, partial pressures, MOD, EAD, END, density.

Fractions are of the dry gas. A partial pressure on open circuit is Dalton's, ambient pressure times fraction; what
reaches the tissues is less by the water vapour of the airways, and is worked out in `leadline.tissue`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from leadline.physics.environment import AIR_O2 as AIR_O2
from leadline.physics.environment import Environment

WATER_VAPOUR_BAR = 0.0627
"""[bar] in the alveoli at 37 °C (Bühlmann)."""

DENSITY_G_L = {"o2": 1.429, "n2": 1.251, "he": 0.1786}
"""[g/L] at 0 °C and one atmosphere (CRC Handbook of Chemistry and Physics)."""

_ONE_ATMOSPHERE_BAR = 1.01325
_LABEL = re.compile(r"(\d{1,3}(?:\.\d{1,2})?)(?:/(\d{1,3}(?:\.\d{1,2})?)|\s*%)?$", re.ASCII)


@dataclass(frozen=True)
class Mix:
    """A breathing gas by its fractions of oxygen and helium; the rest is nitrogen.

    `label` is how the diver writes it ("air", "oxygen", "32", "18/45") and does not count when mixes are compared.
    Raises ValueError for fractions that no gas can have.
    """

    o2: float
    he: float = 0.0
    label: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        """Refuse an impossible mix and give an unlabelled one its label."""
        if not (0.0 < self.o2 <= 1.0 and 0.0 <= self.he < 1.0):
            raise ValueError("oxygen must be over 0 and at most 100 %, helium at least 0 and under 100 %")
        if self.o2 + self.he > 1.0 + 1e-9:
            raise ValueError(
                f"oxygen and helium add up to {100 * (self.o2 + self.he):g} %, more than the whole; at most 100 %"
            )
        if not self.label:
            percent = f"{100 * self.o2:.4g}"
            object.__setattr__(self, "label", f"{percent}/{100 * self.he:.4g}" if self.he else percent)

    @classmethod
    def parse(cls, text: str) -> Mix:
        """A mix from the diver's label: "air", "oxygen", "32", "50 %", "21/0", "18/45" (percent O2 / percent He)."""
        label = text.strip().lower()
        if label == "air":
            return cls(AIR_O2, 0.0, "air")
        if label == "oxygen":
            return cls(1.0, 0.0, "oxygen")
        match = _LABEL.match(label)
        if match is None:
            raise ValueError(f'{text!r} is not a gas; write "air", "oxygen", "32" or "18/45" (% oxygen / % helium)')
        try:
            return cls(float(match[1]) / 100.0, float(match[2] or 0.0) / 100.0, label.rstrip("% "))
        except ValueError as error:
            raise ValueError(f"{text!r}: {error}") from None

    @property
    def n2(self) -> float:
        """Nitrogen fraction."""
        return max(0.0, 1.0 - self.o2 - self.he)

    @property
    def he_share(self) -> float:
        """Helium's share of the inert gas, 0 to 1."""
        inert = 1.0 - self.o2
        return min(1.0, self.he / inert) if inert > 1e-9 else 0.0

    @property
    def name(self) -> str:
        """The label as it is read on paper and screen: "air", "oxygen", "50 %", "18/45"."""
        return f"{self.label} %" if self.label[-1].isdigit() and "/" not in self.label else self.label

    def ppo2(self, bar: float) -> float:
        """Partial pressure of oxygen at an ambient pressure, open circuit. [bar]"""
        return self.o2 * bar

    def mod(self, ppo2_limit_bar: float, where: Environment = Environment()) -> float:  # noqa: B008 (a frozen value)
        """Maximum operating depth for a ppO2 limit [bar], open circuit. [m]"""
        return where.depth(ppo2_limit_bar / self.o2)

    def ead(self, depth_m: float, where: Environment = Environment()) -> float:  # noqa: B008
        """Equivalent air depth: where air has the same ppN2 (NOAA Diving Manual). Never above the surface. [m]"""
        return max(0.0, where.depth(where.pressure(depth_m) * self.n2 / (1.0 - AIR_O2)))

    def end(self, depth_m: float, where: Environment = Environment(), *, oxygen_narcotic: bool = True) -> float:  # noqa: B008
        """Equivalent narcotic depth: where air has the same narcotic pressure. Never above the surface. [m]

        Helium is never counted; oxygen as narcotic as nitrogen, or, with `oxygen_narcotic=False`, not at all.
        """
        if oxygen_narcotic:
            return max(0.0, where.depth(where.pressure(depth_m) * (1.0 - self.he)))
        return self.ead(depth_m, where)

    def density(self, bar: float) -> float:
        """Gas density at an ambient pressure [bar], with the gas at 0 °C. [g/L]

        The reference Anthony & Mitchell (2016) use for their limits of 5.2 and 6.2 g/L.
        """
        at_one_atmosphere = self.o2 * DENSITY_G_L["o2"] + self.n2 * DENSITY_G_L["n2"] + self.he * DENSITY_G_L["he"]
        return at_one_atmosphere * bar / _ONE_ATMOSPHERE_BAR
