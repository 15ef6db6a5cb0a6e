"""Which input drives what comes out: Sobol indices.

The first-order index of an input is the share of an output's variance that goes with it alone; the total index adds
everything it does together with others. The points are Sobol's low-discrepancy sequence, scrambled, taken through the
inverse of every input's distribution; the estimators are Saltelli's (A. Saltelli and others, Variance based sensitivity
analysis of model output, Comput. Phys. Commun. 181 (2010) 259, table 2: b for the first order; f, Jansen's, for the
total). Intervals hold 95 of 100 bootstrap samples of the points.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.schema import Dive
from leadline.ensemble import draws
from leadline.ensemble.draws import Input, InputName
from leadline.ensemble.statistics import CONFIDENCE
from leadline.many.batch import simulate_many
from leadline.many.follow import follow_many
from leadline.many.gas import cylinders_of
from leadline.plan.schedule import Layout
from leadline.tissue import kernel

Array = NDArray[Any]
POINTS = 2048
"""Base points, a power of two; of a small sample as many as fit four times into it. Each input costs as many dives
more."""
RESAMPLES = 500
MOST_REFUSED = 0.01
"""Of the dives. Of more that cannot be dived no index is worked out."""


@dataclass(frozen=True)
class Index:
    """A Sobol index, a share: 0 to 1. An estimate beyond either end, and its interval, are taken to that end."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Driver:
    """How much of an output's variance an input drives."""

    input: InputName
    first: Index
    total: Index


@dataclass(frozen=True)
class Driven:
    """An output, and what drives it, the most first; nothing where it hardly ever changes, or could not be worked
    out."""

    name: str
    drivers: tuple[Driver, ...]
    dives: int
    """That it rests on."""
    refused: int
    """Of them that cannot be dived; the mean of the others stands for them."""


Points = Callable[[Array], Array]
"""Outputs [outputs, n] of inputs [inputs, n]."""


def main_drivers(
    dive: Dive, layout: Layout, slate: Array, inputs: Sequence[Input], tightest: str | None,
    told: Callable[[str, int, int], None],
) -> tuple[Driven, ...]:  # fmt: skip
    """What drives TTS and the gas left in the tightest cylinder, with stops worked out anew, and the gradient factor at
    the surface by the slate."""
    acting = [one for one in inputs if _acts(dive, one)]
    if not acting:
        return ()
    names = ["TTS", *([f"gas left in {tightest}"] if tightest is not None else []), "GF at the surface (by the slate)"]
    cylinder = [one.name for one in dive.cylinders].index(tightest) if tightest is not None else -1
    base = min(POINTS, 2 ** int(np.log2(dive.ensemble.dives / 4)))
    of, done, refused = base * (len(acting) + 2), 0, 0

    def outputs(points: Array) -> Array:
        nonlocal done, refused
        count = points.shape[1]
        found = np.empty((len(names), count))
        for start in range(0, count, POINTS):
            told("drivers", done, of)
            some = slice(start, start + POINTS)
            varied = draws.dived(dive, acting, points[:, some].T).varied(dive)
            size = points[:, some].shape[1]
            swum = simulate_many(dive, layout, varied, size)
            followed = follow_many(dive, layout, slate, varied, size)
            rows = [swum.figures["tts_min"]]
            if cylinder >= 0:
                rows.append(-cylinders_of(dive, layout, swum).used_l[:, cylinder])
            rows.append(followed.swum.figures["gf_surface"])
            found[:, some] = rows
            fine = (swum.figures["fault"] == kernel.FINE) & (followed.swum.figures["fault"] == kernel.FINE)
            found[:, some][:, ~fine] = np.nan
            refused += int((~fine).sum())
            done += size
        if not np.isnan(found).all():
            found = np.where(np.isnan(found), np.nanmean(found, axis=1, keepdims=True), found)
        return found

    indices = sobol(outputs, acting, base, dive.ensemble.seed)
    known = refused <= MOST_REFUSED * of
    return tuple(
        Driven(name, _in_order(acting, found) if known else (), of, refused)
        for name, found in zip(names, indices, strict=True)
    )


def _acts(dive: Dive, one: Input) -> bool:
    """Whether an input acts on the dive itself: on the loop nothing is breathed from cylinders or switched, unless
    something goes wrong."""
    return dive.loop is None or one.name not in ("rmv", "rmv_bottom", "rmv_deco", "switch")


def _in_order(inputs: Sequence[Input], indices: Sequence[tuple[Index, Index]]) -> tuple[Driver, ...]:
    found = [Driver(one.name, first, total) for one, (first, total) in zip(inputs, indices, strict=False)]
    return tuple(sorted(found, key=lambda driver: -driver.total.value))


def sobol(outputs: Points, inputs: Sequence[Any], points: int, seed: int) -> list[list[tuple[Index, Index]]]:
    """First-order and total index of every input, by output; nothing of an output that never changes, or so seldom that
    it is the same all through some bootstrap sample.

    `inputs` have a `ppf`, as SciPy's distributions do; `points` is a power of two.
    """
    from scipy.stats import sobol_indices

    kept: list[tuple[Array, Array, Array]] = []

    def estimated(f_A: Array, f_B: Array, f_AB: Array) -> tuple[Array, Array]:
        kept.append((f_A, f_B, f_AB))
        return np.zeros(2), np.zeros(2)  # worked out below, with their intervals

    # Numbers of their own, apart from those of the draws.
    sobol_indices(
        func=outputs, n=points, dists=list(inputs), method=estimated, rng=np.random.default_rng([seed, 1])
    )  # fmt: skip
    f_a, f_b, f_ab = kept[0]
    numbers = np.random.default_rng([seed, 2])
    found = estimators(f_a, f_b, f_ab)
    resampled = []
    for _ in range(RESAMPLES):
        some = numbers.integers(points, size=points)
        resampled.append(estimators(f_a[:, some], f_b[:, some], f_ab[:, :, some]))
    outside = (1.0 - CONFIDENCE) / 2.0
    low, high = np.quantile(resampled, (outside, 1.0 - outside), axis=0)
    changes = np.var(np.concatenate((f_a, f_b), axis=1), axis=1) > 1e-12
    changes &= np.isfinite(low).all(axis=(0, 2)) & np.isfinite(high).all(axis=(0, 2))
    return [
        [
            (_index(found[0], low[0], high[0], k, i), _index(found[1], low[1], high[1], k, i))
            for i in range(len(inputs))
            if changes[k]
        ]
        for k in range(len(f_a))
    ]


def _index(found: Array, low: Array, high: Array, output: int, one: int) -> Index:
    return Index(*(min(1.0, max(0.0, float(part[output, one]))) for part in (found, low, high)))


def estimators(f_a: Array, f_b: Array, f_ab: Array) -> tuple[Array, Array]:
    """First-order and total indices [outputs, inputs] from outputs at points A, B [outputs, n] and at A with one input
    after the other from B [inputs, outputs, n]. Not a number where nothing changes."""
    both = np.concatenate((f_a, f_b), axis=1)
    variance = np.var(both, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.mean(f_b * (f_ab - f_a), axis=-1) / variance
        total = 0.5 * np.mean((f_a - f_ab) ** 2, axis=-1) / variance
    return first.T, total.T
