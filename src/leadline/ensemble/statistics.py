"""What a sample says: chances and quantiles, each with an interval that holds what is true in 95 of 100 samples.

Chances: Clopper and Pearson's exact interval (Biometrika 26 (1934) 404), which is never too narrow. Quantiles: the
order statistics between which a quantile lies by the binomial distribution, whatever the distribution that is sampled
(H. A. David, H. N. Nagaraja, Order Statistics, 3rd ed. 2003, 7.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
CONFIDENCE = 0.95
QUANTILES = (0.01, 0.05, 0.5, 0.95, 0.99)
BINS = 40


@dataclass(frozen=True)
class Chance:
    """How often something came up."""

    count: int
    of: int
    low: float
    """Of the interval, 0 to 1."""
    high: float

    @property
    def share(self) -> float:
        """0 to 1."""
        return self.count / self.of if self.of else 0.0


@dataclass(frozen=True)
class Quantile:
    """A value that a share of the sample does not exceed."""

    share: float
    value: float
    low: float | None
    """Of the interval; None where the sample is too small to bound it on this side."""
    high: float | None


@dataclass(frozen=True)
class Histogram:
    """How many of a sample fall between edges, the last edge included."""

    edges: tuple[float, ...]
    counts: tuple[int, ...]


@dataclass(frozen=True)
class Spread:
    """How a number is spread over a sample."""

    of: int
    quantiles: tuple[Quantile, ...]
    """At QUANTILES; empty where there is no sample."""
    least: float
    most: float
    histogram: Histogram

    def at(self, share: float) -> Quantile:
        """One of its quantiles."""
        return next(quantile for quantile in self.quantiles if quantile.share == share)


def chance(count: int, of: int) -> Chance:
    """How often something came up in a sample, with its interval. Of no sample nothing is known: 0 to 1."""
    if of == 0:
        return Chance(0, 0, 0.0, 1.0)
    from scipy.stats import binomtest

    interval = binomtest(count, of).proportion_ci(CONFIDENCE, method="exact")
    return Chance(count, of, float(interval.low), float(interval.high))


def spread(sample: ArrayLike, least_bin: float = 0.0) -> Spread:
    """How the values of a sample are spread. Bins of the histogram are whole multiples of `least_bin` wide, if it is
    over 0: so that what comes in steps is not split unevenly."""
    values = np.sort(np.asarray(sample, dtype=float))
    if not len(values):
        return Spread(0, (), 0.0, 0.0, Histogram((0.0, 1.0), (0,)))
    quantiles = tuple(_quantile(values, share) for share in QUANTILES)
    return Spread(len(values), quantiles, float(values[0]), float(values[-1]), _histogram(values, least_bin))


def _quantile(values: Array, share: float) -> Quantile:
    """A quantile of sorted values, and the order statistics that bound it."""
    from scipy.stats import binom

    count, outside = len(values), (1.0 - CONFIDENCE) / 2.0
    low, high = int(binom.ppf(outside, count, share)), int(binom.ppf(1.0 - outside, count, share)) + 1
    rank = max(1, int(np.ceil(share * count - 1e-9)))
    return Quantile(
        share,
        float(values[rank - 1]),
        float(values[low - 1]) if low >= 1 else None,
        float(values[high - 1]) if high <= count else None,
    )


def _histogram(values: Array, least_bin: float) -> Histogram:
    """In at most BINS bins, of the values between the outermost thousandths: a few far ones would flatten the rest.
    What is beyond is counted in the first and last."""
    low, high = np.quantile(values, (0.001, 0.999))
    width = max((high - low) / BINS, 1e-9, 1e-6 * abs(high))
    if least_bin > 0.0:
        width = least_bin * max(1, np.ceil(width / least_bin - 1e-9))
    first = np.floor(low / width + 1e-9)
    count = max(1, int(np.ceil(high / width - 1e-9) - first) + 1)
    edges = (first + np.arange(count + 1)) * width
    counts, _ = np.histogram(np.clip(values, edges[0], edges[-1]), edges)
    return Histogram(tuple(edges.tolist()), tuple(counts.tolist()))
