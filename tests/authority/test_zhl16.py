"""What the published ZH-L16 coefficients have in common. (The figures themselves are among the check values.)"""

import pytest

from leadline.tissue.coefficients import coefficient_set

PRINTED_TO = 0.5e-4
"""The tables print four decimals."""


def test_the_fourth_compartment_keeps_the_printed_b():
    """Printed is 0.7825 where the formula gives 0.7725: kept as printed.

    A higher b is a gentler slope of the M-value, M = a + P/b: the printed value is the more conservative.
    """
    ours = coefficient_set("ZH-L16C")
    assert ours.n2_half_time_min[3] == 18.5
    by_formula = 1.005 - 18.5**-0.5
    assert by_formula == pytest.approx(0.7725, abs=PRINTED_TO)
    assert ours.n2_b[3] == 0.7825
    assert 1 / ours.n2_b[3] < 1 / by_formula


def test_the_sets_grow_more_conservative():
    """A, B and C differ in nitrogen's a alone, each nowhere above the one before it."""
    a, b, c = (coefficient_set(name).n2_a_bar for name in ("ZH-L16A", "ZH-L16B", "ZH-L16C"))
    assert all(lower <= higher for lower, higher in zip(b, a, strict=True))
    assert all(lower <= higher for lower, higher in zip(c, b, strict=True))


def test_slower_compartments_tolerate_less():
    for name in ("ZH-L16A", "ZH-L16B", "ZH-L16C"):
        ours = coefficient_set(name)
        assert list(ours.n2_a_bar) == sorted(ours.n2_a_bar, reverse=True)
        assert list(ours.he_a_bar) == sorted(ours.he_a_bar, reverse=True)
        assert list(ours.n2_b) == sorted(ours.n2_b)
        assert list(ours.he_b) == sorted(ours.he_b)


def test_an_unknown_set_is_refused():
    with pytest.raises(KeyError):
        coefficient_set("ZH-L99")
