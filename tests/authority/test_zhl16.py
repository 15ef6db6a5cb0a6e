"""The ZH-L16 coefficients against the published tables and, for the A set, the two formulas it follows.

Source: Bühlmann, Völlm, Nussberger, Tauchmedizin, 5th ed., Springer 2002; the figures, written from memory of
it, are in data/zhl16.toml.
"""

import pytest

from leadline.tissue.coefficients import coefficients
from tests.authority.published import ZHL16

PRINTED_TO = 0.5e-4
"""The tables print four decimals."""


@pytest.mark.parametrize("name", ["ZH-L16B", "ZH-L16C"])
def test_the_sets_are_as_published(name):
    ours = coefficients(name)
    assert list(ours.n2_half_time_min) == ZHL16["n2_half_time_min"]
    assert list(ours.n2_a_bar) == ZHL16[f"n2_a_bar_{name.replace('-', '').lower()}"]
    assert list(ours.n2_b) == ZHL16["n2_b"]
    assert list(ours.he_half_time_min) == ZHL16["he_half_time_min"]
    assert list(ours.he_a_bar) == ZHL16["he_a_bar"]
    assert list(ours.he_b) == ZHL16["he_b"]


def test_the_a_set_follows_its_formula_for_a():
    """a = 2 bar · t^(-1/3) in all sixteen, to the four decimals printed and one unit more in the last."""
    ours = coefficients("ZH-L16A")
    for half_time_min, a_bar in zip(ours.n2_half_time_min, ours.n2_a_bar, strict=True):
        assert a_bar == pytest.approx(2.0 * half_time_min ** (-1 / 3), abs=PRINTED_TO + 1e-4)


def test_b_follows_its_formula_with_one_exception():
    """b = 1.005 - t^(-1/2), to the decimals printed, one unit more in the last of them (compartment 5)."""
    ours = coefficients("ZH-L16A")
    for number, (half_time_min, b) in enumerate(zip(ours.n2_half_time_min, ours.n2_b, strict=True), start=1):
        if number != 4:
            assert b == pytest.approx(1.005 - half_time_min**-0.5, abs=PRINTED_TO + 1e-4), number


def test_the_fourth_compartment_keeps_the_printed_b():
    """Printed is 0.7825 where the formula gives 0.7725: kept as printed.

    A higher b is a gentler slope of the M-value, M = a + P/b: the printed value is the more conservative.
    """
    ours = coefficients("ZH-L16C")
    assert ours.n2_half_time_min[3] == 18.5
    by_formula = 1.005 - 18.5**-0.5
    assert by_formula == pytest.approx(0.7725, abs=PRINTED_TO)
    assert ours.n2_b[3] == 0.7825
    assert 1 / ours.n2_b[3] < 1 / by_formula


def test_helium_is_nitrogen_sped_up_by_their_diffusion():
    """Graham's law: half-times as the square roots of molar masses, 28.01 and 4.003 (the tables: 2.65)."""
    ours = coefficients("ZH-L16C")
    for n2, he in zip(ours.n2_half_time_min, ours.he_half_time_min, strict=True):
        assert n2 / he == pytest.approx((28.01 / 4.003) ** 0.5, rel=0.01)
        assert n2 / he == pytest.approx(2.65, abs=0.012)


def test_the_sets_grow_more_conservative():
    """A, B and C differ in nitrogen's a alone, each nowhere above the one before it."""
    a, b, c = (coefficients(name).n2_a_bar for name in ("ZH-L16A", "ZH-L16B", "ZH-L16C"))
    assert all(lower <= higher for lower, higher in zip(b, a, strict=True))
    assert all(lower <= higher for lower, higher in zip(c, b, strict=True))


def test_slower_compartments_tolerate_less():
    for name in ("ZH-L16A", "ZH-L16B", "ZH-L16C"):
        ours = coefficients(name)
        assert list(ours.n2_a_bar) == sorted(ours.n2_a_bar, reverse=True)
        assert list(ours.he_a_bar) == sorted(ours.he_a_bar, reverse=True)
        assert list(ours.n2_b) == sorted(ours.n2_b)
        assert list(ours.he_b) == sorted(ours.he_b)


def test_an_unknown_set_is_refused():
    with pytest.raises(KeyError):
        coefficients("ZH-L99")
