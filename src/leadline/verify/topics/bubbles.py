"""The bubble model of `leadline compare`: its parameters, and its equations by hand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from leadline.tissue import bubbles
from leadline.units import ATMOSPHERE_BAR
from leadline.verify.check import MIXED, Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Bubble model"
BAR_UM_OF_N_M = 10.0
CRUSH_BAR, MINUTES, ALLOWED_BAR, FIRST_STOP_BAR = 4.0, 120.0, 1.0, 4.0
"""Of the worked example."""


def series() -> Iterator[Series]:
    """Parameters in the units they are published in, and a worked example of each equation."""
    table, worked = load("bubbles")["parameters"], load("bubbles")["equations"]
    yield Series(
        TOPIC, "Parameters", "of", "", MIXED, "equal", 1e-9, "the same figures", source_of(table),
        (
            Point("γ, N/m", table["surface_tension_n_m"], lambda: bubbles.TENSION / BAR_UM_OF_N_M),
            Point("Γ, N/m", table["crumbling_n_m"], lambda: bubbles.SKIN / BAR_UM_OF_N_M),
            Point("r0 N2, µm", table["nitrogen_radius_um"], lambda: bubbles.RADII_UM[0]),
            Point("r0 He, µm", table["helium_radius_um"], lambda: bubbles.RADII_UM[1]),
            Point("τ, min", table["regeneration_min"], lambda: bubbles.REGENERATION_MIN),
            Point("λ, fsw·min", table["volume_fsw_min"], lambda: bubbles.VOLUME_BAR_MIN / ATMOSPHERE_BAR * 33.0),
            Point("sealed, atm", table["impermeable_atm"], lambda: bubbles.IMPERMEABLE_BAR / ATMOSPHERE_BAR),
            Point("other, mmHg", table["other_gases_mmhg"], lambda: bubbles.OTHER_GASES_BAR / ATMOSPHERE_BAR * 760.0),
        ),
        relative=True, finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Equations", "", "", 5, "equal", 1e-5, "the digits written", source_of(worked),
        (
            Point("crushed, µm", worked["crushed_um"], _crushed),
            Point("least, bar", worked["least_bar"], lambda: float(bubbles.least_allowed(_rest())[0])),
            Point("regenerated, µm", worked["regenerated_um"], _regenerated),
            Point("allowed, bar", worked["allowed_bar"], _allowed),
            Point("expanded, bar", worked["expanded_bar"], _expanded),
        ),
        finer=0,
    )  # fmt: skip


def _rest() -> bubbles.Array:
    return np.array([bubbles.RADII_UM[0]])


def _crushed_um() -> bubbles.Array:
    return bubbles.crushed(_rest(), np.array([CRUSH_BAR]))


def _crushed() -> float:
    return float(_crushed_um()[0])


def _regenerated() -> float:
    return float(bubbles.regenerated(_crushed_um(), _rest(), bubbles.REGENERATION_MIN)[0])


def _allowed() -> float:
    return float(bubbles.allowed(_crushed_um(), _rest(), np.array([MINUTES]))[0])


def _expanded() -> float:
    return float(bubbles.expanded(np.array([ALLOWED_BAR]), FIRST_STOP_BAR, 1.0)[0])
