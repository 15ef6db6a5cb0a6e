"""Standard mixes and cylinder sizes: common practice, no source."""

import pytest

from leadline.dive_file.schema import SolveCylinder
from leadline.plan.standard import BOTTOM_MIXES, DECO_MIXES, loop_cylinders, standard_cylinders
from leadline.units import PSI_BAR, RatedCubicFeet

LISTS = [standard_cylinders(units, pair) for units in ("metric", "imperial") for pair in (False, True)]
LISTS += [loop_cylinders(units) for units in ("metric", "imperial")]


@pytest.mark.parametrize("listed", LISTS)
def test_every_standard_cylinder_is_one_that_a_dive_file_may_list(listed):
    for one in listed:
        size, psi = one.cylinder.size, one.cylinder.pressure / PSI_BAR
        given = {"size": size, "pressure": one.cylinder.pressure}
        if isinstance(size, RatedCubicFeet):
            given = {"size": f"{size.cubic_feet} cuft", "working_pressure": f"{psi} psi", "pressure": f"{psi} psi"}
        read = SolveCylinder.model_validate(given, context={"units": "metric"})
        assert read.water_l == pytest.approx(one.cylinder.water_l)
        assert read.pressure == pytest.approx(one.cylinder.pressure)
        assert 1.0 < one.cylinder.water_l < 40.0
    assert [one.nominal_l for one in listed] == sorted(one.nominal_l for one in listed)
    assert len({one.name for one in listed}) == len(listed)


def test_a_cylinder_of_80_cubic_feet_holds_77_4():
    """77.4 cu ft at one atmosphere are 2221 L at 1 bar, in 11.1 L of water at 207 bar (from memory: 11.1 L)."""
    (cylinder,) = [one.cylinder for one in standard_cylinders("imperial") if one.name == "80 cu ft, 3000 psi"]
    assert cylinder.water_l == pytest.approx(11.1, abs=0.1)
    (double,) = [one for one in standard_cylinders("imperial", pair=True) if one.name == "double 80 cu ft, 3000 psi"]
    assert double.cylinder.water_l == pytest.approx(2 * cylinder.water_l)


def test_a_pair_is_one_cylinder_of_twice_the_size():
    smallest = standard_cylinders("metric", pair=True)[0]
    assert (smallest.name, smallest.cylinder.size) == ("twin 7 L, 232 bar", 14.0)


def test_no_mix_is_listed_twice():
    assert len(set(BOTTOM_MIXES)) == len(BOTTOM_MIXES) <= 20
    assert len(set(DECO_MIXES)) == len(DECO_MIXES) <= 12
