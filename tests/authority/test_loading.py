"""Tissue loading against the differential equation itself, integrated by SciPy.

Haldane's equation dp/dt = k · (inspired - p), with inspired inert gas as the conventions have it: on open
circuit (P - 0.0627) · f; on the loop what is left of P - 0.0627 beside a ppO2 of
max(setpoint, fO2 · (P - 0.0627)), never above P - 0.0627, shared as in the diluent. Half-times: Bühlmann's,
from data/zhl16.toml.
"""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from leadline.tissue import kernel
from leadline.tissue.loading import compartments, saturated
from tests.authority.published import LOADING, ZHL16

AGREE_BAR = 1e-6
AIR, TRIMIX, OXYGEN = (0.2098, 0.0), (0.18, 0.45), (1.0, 0.0)
HALF_TIMES = np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])


def inspired(bar, mix, setpoint):
    """Nitrogen and helium breathed. [bar]"""
    o2, he = mix
    dry = bar - 0.0627
    oxygen = dry * o2 if setpoint is None else min(dry, max(setpoint, o2 * dry))
    inert = dry - oxygen
    share = he / (1.0 - o2) if o2 < 1.0 else 0.0
    return np.array([inert * (1.0 - share), inert * share])


def integrated(tissue, start_bar, end_bar, minutes, mix, setpoint):
    """The equation, integrated over pieces that end wherever inspired gas has a kink."""
    slope = (end_bar - start_bar) / minutes
    kinks = [] if setpoint is None else [setpoint + 0.0627, setpoint / mix[0] + 0.0627]
    times = [(kink - start_bar) / slope for kink in kinks if slope]
    edges = [0.0, *sorted(t for t in times if 0.0 < t < minutes), minutes]
    rate = np.log(2.0) / HALF_TIMES
    state = tissue.copy()
    for start, end in itertools.pairwise(edges):

        def change(t, p):
            breathed = inspired(start_bar + slope * t, mix, setpoint)
            return (rate * (breathed[:, None] - p.reshape(2, 16))).ravel()

        solved = solve_ivp(change, (start, end), state.ravel(), method="DOP853", rtol=1e-10, atol=1e-12)
        state = solved.y[:, -1].reshape(2, 16)
    return state


def source(mix, setpoint):
    o2, he = mix
    share = he / (1.0 - o2) if o2 < 1.0 else 0.0
    return np.array([(o2, share, setpoint or 0.0, 0.0)], dtype=kernel.SOURCE)[0]


def loaded():
    """Tissues that have been somewhere: both gases in them, every compartment different."""
    tissue = saturated(1.01325)
    tissue[0] += np.linspace(2.0, 0.1, 16)
    tissue[1] += np.linspace(1.5, 0.05, 16)
    return tissue


@pytest.mark.parametrize("start", [saturated(1.01325), loaded()], ids=["at rest", "loaded"])
@pytest.mark.parametrize("minutes", [0.2, 1.0, 7.5, 240.0])
@pytest.mark.parametrize(
    ("mix", "setpoint", "bar"),
    [
        (AIR, None, 5.0),
        (TRIMIX, None, 7.0),
        (OXYGEN, None, 1.6),
        (TRIMIX, 1.3, 7.0),
        (TRIMIX, 1.3, 1.2),  # the loop is pure oxygen
        (TRIMIX, 0.7, 9.0),  # the diluent alone exceeds the setpoint
    ],
)
def test_at_a_constant_depth(mix, setpoint, bar, minutes, start):
    ours = start.copy()
    kernel.load_constant(ours, bar, minutes, source(mix, setpoint), compartments("ZH-L16C"))
    rate = np.log(2.0) / HALF_TIMES
    breathed = inspired(bar, mix, setpoint)[:, None]
    assert ours == pytest.approx(breathed + (start - breathed) * np.exp(-rate * minutes), abs=1e-12)
    assert ours == pytest.approx(integrated(start, bar, bar, minutes, mix, setpoint), abs=AGREE_BAR)


@pytest.mark.parametrize("start", [saturated(1.01325), loaded()], ids=["at rest", "loaded"])
@pytest.mark.parametrize("minutes", [0.3, 4.0, 45.0])
@pytest.mark.parametrize(("start_bar", "end_bar"), [(1.01325, 9.0), (9.0, 1.01325), (4.0, 1.6), (1.2, 1.5)], ids=str)
@pytest.mark.parametrize(
    ("mix", "setpoint"),
    [
        (AIR, None),
        (TRIMIX, None),
        (OXYGEN, None),
        (AIR, 0.7),
        (TRIMIX, 1.3),  # from 9 bar to the surface: over both changes of regime, at 7.28 and 1.36 bar
        ((0.10, 0.70), 1.2),
    ],
)
def test_under_way(mix, setpoint, start_bar, end_bar, minutes, start):
    ours = start.copy()
    kernel.load_travel(ours, start_bar, end_bar, minutes, source(mix, setpoint), compartments("ZH-L16C"))
    assert ours == pytest.approx(integrated(start, start_bar, end_bar, minutes, mix, setpoint), abs=AGREE_BAR)


def test_there_and_back_over_both_changes_of_regime():
    """The regimes of a loop at 1.3 on 18/45 change at 0.0627 + 1.3 and at 0.0627 + 1.3 / 0.18 bar."""
    edges = 0.0627 + 1.3, 0.0627 + 1.3 / 0.18
    assert 1.01325 < edges[0] < edges[1] < 9.0
    ours = theirs = loaded()
    ours = ours.copy()
    for start_bar, end_bar, minutes in ((1.01325, 9.0, 4.0), (9.0, 1.01325, 9.0)):
        kernel.load_travel(ours, start_bar, end_bar, minutes, source(TRIMIX, 1.3), compartments("ZH-L16C"))
        theirs = integrated(theirs, start_bar, end_bar, minutes, TRIMIX, 1.3)
    assert ours == pytest.approx(theirs, abs=AGREE_BAR)


def test_the_check_values_are_the_equations():
    """Of `leadline verify`, to the digits written."""
    given = LOADING["under_way"]
    found = integrated(saturated(1.01325), 1.01325, 7.0, 3.0, TRIMIX, None)
    for gas, key in enumerate(("n2_bar", "he_bar")):
        chosen = [found[gas, number - 1] for number in given["compartment"]]
        assert chosen == pytest.approx(given[key], abs=1.5e-7)


def test_travel_in_pieces_is_travel_in_one():
    comps, air = compartments("ZH-L16C"), source(AIR, None)
    whole, pieces = loaded(), loaded()
    kernel.load_travel(whole, 1.0, 7.0, 6.0, air, comps)
    for i in range(24):
        kernel.load_travel(pieces, 1.0 + 0.25 * i, 1.25 + 0.25 * i, 0.25, air, comps)
    assert pieces == pytest.approx(whole, abs=1e-10)


@pytest.mark.parametrize("name", ["ZH-L16A", "ZH-L16B", "ZH-L16C"])
@pytest.mark.parametrize("minutes", [1e-9, 1e-3, 1 / 3, 0.999, 1.0, 1.0001, 7.3, 60.0, 1440.0, 20160.0, 1e9])
def test_the_share_that_minutes_bring_is_that_of_the_c_library(name, minutes):
    """1 - exp(-kt), which the kernel works out by a series and doublings, against expm1 of the C library.

    From empty tissues at 1 bar over water vapour the nitrogen of pure nitrogen is the share itself.
    """
    comps = compartments(name)
    assert comps.rate.max() == comps.rate[1, 0]  # the fastest, which decides how often minutes are halved
    for gas, he_share in enumerate((0.0, 1.0)):
        nothing_else = np.array([(0.0, he_share, 0.0, 0.0)], kernel.SOURCE)[0]
        tissue = np.zeros((2, 16))
        kernel.load_constant(tissue, 1.0 + kernel.WATER_VAPOUR, minutes, nothing_else, comps)
        assert tissue[gas] == pytest.approx(-np.expm1(-comps.rate[gas] * minutes), rel=2e-15)


def test_no_time_changes_nothing():
    comps, tissue = compartments("ZH-L16C"), loaded()
    kernel.load_travel(tissue, 3.0, 3.0, 0.0, source(TRIMIX, 1.3), comps)
    kernel.load_constant(tissue, 3.0, 0.0, source(TRIMIX, None), comps)
    assert (tissue == loaded()).all()


def test_a_half_time_halves_the_difference():
    """What a half-time is; worked by hand for the first compartment, nitrogen, air at 5 bar: 5 min."""
    tissue = saturated(1.01325)
    kernel.load_constant(tissue, 5.0, 5.0, source(AIR, None), compartments("ZH-L16C"))
    at_rest, breathed = (1.01325 - 0.0627) * 0.7902, (5.0 - 0.0627) * 0.7902
    assert math.isclose(tissue[0, 0], 0.5 * (at_rest + breathed), abs_tol=1e-12)


def test_tissues_start_saturated_with_air():
    """Convention: (P - 0.0627) · (1 - 0.2098) of nitrogen, no helium. At sea level 0.7511 bar."""
    tissue = saturated(1.01325)
    assert tissue[0] == pytest.approx([0.9505500 * 0.7902] * 16, abs=1e-12)
    assert not tissue[1].any()
