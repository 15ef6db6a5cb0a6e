"""The ZH-L16 coefficients of Bühlmann's sixteen compartments.

Source: Bühlmann, Völlm, Nussberger, Tauchmedizin, 5th ed., Springer 2002 (figures written from memory of it; the A set
is checked against the two formulas it follows, a = 2 bar · t^(-1/3) and b = 1.005 - t^(-1/2)). The first compartment is
the "1b" of 5.0 and 1.88 min that replaces 1 in every set.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SetName = Literal["ZH-L16A", "ZH-L16B", "ZH-L16C"]

N2_HALF_TIME_MIN = (
    5.0, 8.0, 12.5, 18.5, 27.0, 38.3, 54.3, 77.0, 109.0, 146.0, 187.0, 239.0, 305.0, 390.0, 498.0, 635.0,
)  # fmt: skip
HE_HALF_TIME_MIN = (
    1.88, 3.02, 4.72, 6.99, 10.21, 14.48, 20.53, 29.11, 41.20, 55.19, 70.69, 90.34, 115.29, 147.42, 188.24, 240.03,
)  # fmt: skip

N2_A_BAR: dict[SetName, tuple[float, ...]] = {
    "ZH-L16A": (
        1.1696, 1.0000, 0.8618, 0.7562, 0.6667, 0.5933, 0.5282, 0.4701,
        0.4187, 0.3798, 0.3497, 0.3223, 0.2971, 0.2737, 0.2523, 0.2327,
    ),
    "ZH-L16B": (
        1.1696, 1.0000, 0.8618, 0.7562, 0.6667, 0.5600, 0.4947, 0.4500,
        0.4187, 0.3798, 0.3497, 0.3223, 0.2850, 0.2737, 0.2523, 0.2327,
    ),
    "ZH-L16C": (
        1.1696, 1.0000, 0.8618, 0.7562, 0.6200, 0.5043, 0.4410, 0.4000,
        0.3750, 0.3500, 0.3295, 0.3065, 0.2835, 0.2610, 0.2480, 0.2327,
    ),
}  # fmt: skip
N2_B = (
    0.5578, 0.6514, 0.7222, 0.7825, 0.8126, 0.8434, 0.8693, 0.8910,
    0.9092, 0.9222, 0.9319, 0.9403, 0.9477, 0.9544, 0.9602, 0.9653,
)  # fmt: skip
HE_A_BAR = (
    1.6189, 1.3830, 1.1919, 1.0458, 0.9220, 0.8205, 0.7305, 0.6502,
    0.5950, 0.5545, 0.5333, 0.5189, 0.5181, 0.5176, 0.5172, 0.5119,
)  # fmt: skip
HE_B = (
    0.4770, 0.5747, 0.6527, 0.7223, 0.7582, 0.7957, 0.8279, 0.8553,
    0.8757, 0.8903, 0.8997, 0.9073, 0.9122, 0.9171, 0.9217, 0.9267,
)  # fmt: skip


@dataclass(frozen=True)
class Coefficients:
    """One coefficient set: half-times [min], a [bar] and b for nitrogen and helium, sixteen of each."""

    name: SetName
    n2_half_time_min: tuple[float, ...]
    n2_a_bar: tuple[float, ...]
    n2_b: tuple[float, ...]
    he_half_time_min: tuple[float, ...]
    he_a_bar: tuple[float, ...]
    he_b: tuple[float, ...]


def coefficient_set(name: SetName) -> Coefficients:
    """The published set of that name. KeyError for any other."""
    return Coefficients(name, N2_HALF_TIME_MIN, N2_A_BAR[name], N2_B, HE_HALF_TIME_MIN, HE_A_BAR, HE_B)
