"""Sobol indices, through the code that an ensemble uses, where they are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from leadline.ensemble.drivers import POINTS, estimators, sobol

TURN = stats.uniform(-np.pi, 2 * np.pi)


def ishigami(x):
    return (np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0]))[None]


def test_ishigami():
    """T. Ishigami, T. Homma, 1990, with a = 7 and b = 0.1; indices as A. Saltelli and others, Global Sensitivity
    Analysis: The Primer, 2008, give them (from memory), and by hand:

    D1 = (1 + b pi^4 / 5)^2 / 2 = 4.346, D2 = a^2 / 8 = 6.125, D13 = b^2 pi^8 (1/18 - 1/50) = 3.374; all 13.845.
    """
    [found] = sobol(ishigami, [TURN] * 3, POINTS, 1)
    first = [one.value for one, _ in found]
    total = [one.value for _, one in found]
    assert first == pytest.approx([0.3139, 0.4424, 0.0], abs=0.02)
    assert total == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.02)
    for (one, all_), right in zip(found, [(0.3139, 0.5576), (0.4424, 0.4424), (0.0, 0.2437)], strict=True):
        assert one.low <= right[0] <= one.high
        assert all_.low <= right[1] <= all_.high


def test_an_additive_case_by_hand():
    """y = 2 a + b - c / 2 of uniform numbers: the variances go as 4 to 1 to 1/4, 16/21, 4/21 and 1/21 of all; nothing
    acts together, so both indices are the same. An output that never changes has none."""

    def outputs(x):
        return np.stack([2 * x[0] + x[1] - 0.5 * x[2], 0.0 * x[0] + 3.0])

    found, constant = sobol(outputs, [stats.uniform(0, 1)] * 3, POINTS, 7)
    for (first, total), right in zip(found, (16 / 21, 4 / 21, 1 / 21), strict=True):
        assert first.value == pytest.approx(right, abs=0.01)
        assert total.value == pytest.approx(right, abs=0.01)
        assert first.low <= right <= first.high
        assert total.low <= right <= total.high
    assert constant == []


def test_two_that_act_only_together():
    """y = a b of numbers between -1 and 1: alone neither does anything, together they do all."""
    [found] = sobol(lambda x: (x[0] * x[1])[None], [stats.uniform(-1, 2)] * 2, POINTS, 3)
    for first, total in found:
        assert first.value == pytest.approx(0.0, abs=0.05)
        assert total.value == pytest.approx(1.0, abs=0.05)


def test_the_estimators_are_scipys():
    """Those that SciPy uses by default, from the same points."""
    right = stats.sobol_indices(func=ishigami, n=256, dists=[TURN] * 3, rng=np.random.default_rng(5))
    kept = []

    def caught(f_A, f_B, f_AB):
        kept.append(estimators(f_A, f_B, f_AB))
        return kept[-1]

    stats.sobol_indices(func=ishigami, n=256, dists=[TURN] * 3, rng=np.random.default_rng(5), method=caught)
    assert kept[0][0][0] == pytest.approx(right.first_order)
    assert kept[0][1][0] == pytest.approx(right.total_order)


def test_one_input_drives_all():
    [[(first, total)]] = sobol(lambda x: x**2, [stats.norm(3, 1)], POINTS, 1)
    assert first.value == pytest.approx(1.0, abs=0.03)
    assert total.value == pytest.approx(1.0, abs=0.03)


def test_the_same_seed_gives_the_same_indices():
    assert sobol(ishigami, [TURN] * 3, 64, 4) == sobol(ishigami, [TURN] * 3, 64, 4)
    assert sobol(ishigami, [TURN] * 3, 64, 4) != sobol(ishigami, [TURN] * 3, 64, 5)


def test_what_hardly_ever_changes_has_no_index():
    """One where x is over 0.9, else nothing: of 32 points some three, and in some bootstrap samples none. Their
    variance is none, and an interval of shares of it no number."""
    [found] = sobol(lambda x: (x[:1] > 0.9).astype(float), [stats.uniform(0, 1)], 16, 1)
    assert found == []


@pytest.mark.parametrize("seed", range(4))
def test_an_index_is_a_share(seed):
    """Of few points the estimates and their intervals lie well beyond 1; what is given does not."""
    [found] = sobol(lambda x: x[:1], [stats.uniform(0, 1), stats.uniform(0, 1)], 16, seed)
    for pair in found:
        for index in pair:
            assert 0.0 <= index.low <= index.high <= 1.0
            assert 0.0 <= index.value <= 1.0
    assert found[0][0].high == 1.0
