"""Chances and quantiles, and whether their intervals hold what they promise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from leadline.ensemble.statistics import CONFIDENCE, QUANTILES, chance, spread


def test_a_chance_by_hand():
    """Clopper and Pearson: of none in n the upper end is where (1 - p)^n is 2.5 %."""
    none = chance(0, 100)
    assert (none.share, none.low) == (0.0, 0.0)
    assert none.high == pytest.approx(1.0 - 0.025 ** (1 / 100))
    every = chance(100, 100)
    assert (every.share, every.high) == (1.0, 1.0)
    assert every.low == pytest.approx(0.025 ** (1 / 100))
    some = chance(30, 100)
    assert binom.sf(29, 100, some.low) == pytest.approx(0.025)
    assert binom.cdf(30, 100, some.high) == pytest.approx(0.025)


def test_of_no_sample_nothing_is_known():
    assert (chance(0, 0).low, chance(0, 0).high) == (0.0, 1.0)
    assert spread([]).quantiles == ()


@pytest.mark.parametrize("of", [20, 100])
def test_intervals_of_chances_cover(of):
    """Of every true chance, summed over all that can come up: the interval holds it at least 95 times in 100."""
    intervals = [chance(count, of) for count in range(of + 1)]
    for true in np.linspace(0.003, 0.997, 143):
        weights = binom.pmf(np.arange(of + 1), of, true)
        covered = sum(w for w, found in zip(weights, intervals, strict=True) if found.low <= true <= found.high)
        assert covered >= CONFIDENCE - 1e-9


def test_intervals_cover_on_a_drawn_bernoulli():
    """2000 samples of 400 with a chance of 0.3: at least 95 % should hold it; by luck never below 93 %."""
    counts = np.random.default_rng(11).binomial(400, 0.3, 2000)
    held = [(found := chance(int(count), 400)).low <= 0.3 <= found.high for count in counts]
    assert np.mean(held) > 0.93


def test_quantiles_by_hand():
    """Of 1 to 100 in any order: 5 % do not exceed 5, half 50. The median's interval of 100 is from the 40th to the 61st
    (nonparametric tables, from memory; it holds the median in 96.5 % of samples)."""
    values = np.random.default_rng(2).permutation(np.arange(1, 101))
    found = spread(values)
    assert [quantile.value for quantile in found.quantiles] == [1, 5, 50, 95, 99]
    median = found.at(0.5)
    assert (median.low, median.high) == (40, 61)
    assert (found.least, found.most, found.of) == (1, 100, 100)
    assert found.at(0.01).low is None  # a hundred cannot bound the first percent from below
    assert found.at(0.99).high is None


@pytest.mark.parametrize("of", [100, 1000, 10_000])
@pytest.mark.parametrize("share", QUANTILES)
def test_intervals_of_quantiles_cover(of, share):
    """Of a sample 1 to n, ranks are values. By the binomial law how many of n lie below the true quantile says how
    often the interval holds it: at least 95 times in 100."""
    found = spread(np.arange(1, of + 1)).at(share)
    low = found.low if found.low is not None else 0
    high = found.high if found.high is not None else of + 1
    assert binom.cdf(high - 1, of, share) - binom.cdf(low - 1, of, share) >= CONFIDENCE - 1e-9


def test_intervals_of_quantiles_cover_skewed_samples():
    """Lognormal samples, median 1: whatever the distribution."""
    samples = np.random.default_rng(4).lognormal(0.0, 1.0, (600, 200))
    held = [(found := spread(sample).at(0.5)).low <= 1.0 <= found.high for sample in samples]
    assert np.mean(held) > 0.92


@pytest.mark.parametrize("step", [0.0, 1.0])
def test_a_histogram_counts_all(step):
    values = np.random.default_rng(9).normal(30.0, 4.0, 5000)
    found = spread(values, step).histogram
    assert sum(found.counts) == 5000
    widths = np.diff(found.edges)
    assert widths == pytest.approx(widths[0])
    if step:
        assert widths[0] == pytest.approx(1.0)
        assert found.edges[0] == round(found.edges[0])
    middle = [i for i in range(len(found.counts)) if found.edges[i] >= 28.0 and found.edges[i + 1] <= 32.0]
    inside = sum(found.counts[i] for i in middle)
    assert inside == np.sum((values >= found.edges[middle[0]]) & (values < found.edges[middle[-1] + 1]))


def test_a_histogram_of_one_value():
    found = spread(np.full(500, 12.5))
    assert sum(found.histogram.counts) == 500
    assert found.at(0.5).value == 12.5
