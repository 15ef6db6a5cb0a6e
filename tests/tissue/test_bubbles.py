"""The bubble model's physics, against its equations solved by SciPy and NumPy in SI units.

The equations, as docs/models.md has them from Yount & Hoffman 1986 (from memory of the paper), with γ the surface
tension, Γ the crumbling compression of the skin, r0 the radius at rest:
    permeable skin      2 (Γ - γ) (1/r - 1/r0) = crush
    impermeable skin    the same with the gas inside shut in, following Boyle
    regeneration        dr/dt = (r0 - r) / τ
    least allowed       2 γ (Γ - γ) / (Γ r)
    critical volume     number of nuclei beyond the least, times supersaturation, times how long it lasts, is bounded
Nothing here uses Leadline's constants.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from leadline.tissue import bubbles
from leadline.tissue.bubbles import Nuclei
from leadline.tissue.loading import saturated
from tests.authority.published import ZHL16

PA = 1e-5
"""In bar."""
GAMMA, SKIN = 0.0179, 0.257  # N/m
REST_M = np.array([0.55e-6, 0.45e-6])
TAU_MIN = 14 * 24 * 60.0
LAMBDA_PA_MIN = 6500.0 / 33.0 * 101325.0
RATES = np.log(2.0) / np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])


def um(metres):
    return np.asarray(metres) * 1e6


def two(value):
    """The same for nitrogen and helium, or one for each, in all compartments."""
    return np.repeat(np.broadcast_to(np.asarray(value, dtype=float), 2)[:, None], 16, axis=1)


# --- Crushing and regeneration ------------------------------------------------------------------------------


@pytest.mark.parametrize("crush_bar", [0.0, 0.5, 3.0, 8.3])
@pytest.mark.parametrize("rest_m", [0.45e-6, 0.55e-6, 1e-6])
def test_a_permeable_skin(rest_m, crush_bar):
    """dr/dp = -r² / (2 (Γ - γ)), integrated from no crush up."""
    solved = solve_ivp(
        lambda _, r: -(r**2) / (2.0 * (SKIN - GAMMA)), (0.0, crush_bar / PA), [rest_m], rtol=1e-10, atol=1e-18
    )
    ours = bubbles.crushed(um(rest_m), np.array(crush_bar))
    assert float(ours) == pytest.approx(float(um(solved.y[0, -1])), rel=1e-8)


def test_a_permeable_skin_by_hand():
    """0.55 µm under 4 bar: 1/r = 1/0.55e-6 + 4e5 / (2 · 0.2391) = 1 818 182 + 836 470; r = 0.37669 µm."""
    assert float(bubbles.crushed(np.array(0.55), np.array(4.0))) == pytest.approx(0.37669, abs=1e-5)


@given(st.floats(0.1, 1.2), st.floats(0.8, 9.0), st.floats(0.0, 30.0))
def test_an_impermeable_skin_is_the_root_of_its_cubic(sealed_um, inside_bar, rise_bar):
    ours = float(bubbles.crushed_sealed(np.array(sealed_um), np.array(inside_bar), np.array(rise_bar)))
    squeeze = 2.0 * (SKIN - GAMMA) / 1e-6 * PA  # bar µm
    cubic = [rise_bar + squeeze / sealed_um + inside_bar, -squeeze, 0.0, -inside_bar * sealed_um**3]
    roots = np.roots(cubic)
    [real] = [root.real for root in roots if abs(root.imag) < 1e-9 * abs(root) and root.real > 0.0]
    assert ours == pytest.approx(real, rel=1e-9)

    def balance(r):
        return squeeze * (1.0 / r - 1.0 / sealed_um) + inside_bar * ((sealed_um / r) ** 3 - 1.0) - rise_bar

    assert ours == pytest.approx(brentq(balance, 1e-3 * sealed_um, sealed_um, xtol=1e-15), rel=1e-9)
    assert ours <= sealed_um * (1.0 + 1e-12)


def test_an_impermeable_skin_is_stiffer_than_a_permeable_one():
    """The gas shut in resists: under the same crush the radius stays larger."""
    sealed = bubbles.crushed(np.array(0.55), np.array(bubbles.IMPERMEABLE_BAR))
    closed = bubbles.crushed_sealed(sealed, np.array(0.9), np.array(5.0))
    leaky = bubbles.crushed(np.array(0.55), np.array(bubbles.IMPERMEABLE_BAR + 5.0))
    assert leaky < closed < sealed


@pytest.mark.parametrize("minutes", [0.0, 25.0, 180.0, 20160.0, 1e6])
def test_regeneration(minutes):
    solved = solve_ivp(lambda _, r: (0.55 - r) / TAU_MIN, (0.0, minutes), [0.3], rtol=1e-10, atol=1e-12)
    ours = float(bubbles.regenerated(np.array(0.3), np.array(0.55), minutes))
    assert ours == pytest.approx(float(solved.y[0, -1]), rel=1e-8)


def test_no_crushing_at_no_pressure_change():
    """At rest at any surface pressure, for any time, nuclei are what they were."""
    for surface_bar in (1.01325, 0.7):
        nuclei = Nuclei((0.55, 0.45), surface_bar)
        for _ in range(3):
            nuclei.feel(surface_bar, saturated(surface_bar))
        assert nuclei.radius_um(600.0) == pytest.approx(two(um(REST_M)), rel=1e-12)
        assert bubbles.crush_of(nuclei.radius_um(600.0), nuclei.rest_um) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("depth_m", "minutes"), [(40.0, 2.0), (70.0, 3.5), (120.0, 6.0), (150.0, 15.0)])
def test_the_crush_of_a_descent_on_air(depth_m, minutes):
    """Tissues integrated, the skin's closing found as a root in time, the cubic by `numpy.roots`; then what the nuclei
    of the slowest and the fastest compartment have come to. 120 m on air is only a sum here, not a dive."""
    surface, other, vapour = 1.01325, 102.0 / 760.0 * 1.01325, 0.0627
    slope = 0.1 * depth_m / minutes
    start = saturated(surface)
    rest = surface - (surface - vapour) * 0.7902 - other
    squeeze = 2.0 * (SKIN - GAMMA) / 1e-6 * PA

    def gas(t):
        """Schreiner's equation, nitrogen."""
        k, inspired = RATES[0], (surface - vapour) * 0.7902
        r = slope * 0.7902
        return inspired + r * (t - 1.0 / k) - (inspired - start[0] - r / k) * np.exp(-k * t) + other

    def crush(t, c):
        return surface + slope * t - gas(t)[c] - rest

    nuclei = Nuclei((0.55, 0.45), surface)
    pieces = math.ceil(depth_m / 3.0)
    for i in range(pieces + 1):
        t = minutes * i / pieces
        nuclei.feel(surface + slope * t, np.array([gas(t) - other, np.zeros(16)]))
    onset = 8.2 * 1.01325
    for c in range(16):
        for g, rest_um in enumerate(um(REST_M)):
            if crush(minutes, c) <= onset:
                expected = 1.0 / (1.0 / rest_um + crush(minutes, c) / squeeze)
            else:
                closes = brentq(lambda t, c=c: crush(t, c) - onset, 0.0, minutes)
                sealed = 1.0 / (1.0 / rest_um + onset / squeeze)
                inside, rise = gas(closes)[c], slope * (minutes - closes)
                roots = np.roots([rise + squeeze / sealed + inside, -squeeze, 0.0, -inside * sealed**3])
                [expected] = [root.real for root in roots if abs(root.imag) < 1e-12 and root.real > 0.0]
            assert nuclei.smallest_um[g, c] == pytest.approx(expected, rel=2e-4)
    if depth_m == 120.0:
        assert crush(minutes, 15) > onset  # so that the cubic was asked


def test_the_hardest_crush_counts():
    """What is felt later and less leaves nuclei as small as they are."""
    nuclei, tissue = Nuclei((0.55, 0.45), 1.01325), saturated(1.01325)
    nuclei.feel(4.0, tissue)
    smallest = nuclei.smallest_um.copy()
    for bar in (3.0, 1.01325, 2.0):
        nuclei.feel(bar, tissue)
    assert (nuclei.smallest_um == smallest).all()


# --- What is allowed ----------------------------------------------------------------------------------------


def test_the_least_allowed_by_hand():
    """2 · 0.0179 · 0.2391 / (0.257 · 0.55e-6) = 60 557 Pa; helium, 0.45e-6: 74 014 Pa."""
    least = bubbles.least_allowed(np.array([0.55, 0.45]))
    assert least == pytest.approx([0.60557, 0.74014], abs=2e-5)


def test_the_least_allowed_is_a_share_of_the_crush_more():
    """The other way to write it: γ/Γ · crush, on top of what nuclei at rest allow."""
    for crush_bar in (0.0, 2.0, 7.0):
        radius = bubbles.crushed(np.array(0.55), np.array(crush_bar))
        at_rest = 2.0 * GAMMA * (SKIN - GAMMA) / (SKIN * 0.55e-6) * PA
        assert float(bubbles.least_allowed(radius)) == pytest.approx(at_rest + GAMMA / SKIN * crush_bar, rel=1e-12)


@given(st.floats(0.0, 12.0), st.floats(1.0, 2000.0), st.sampled_from([0.3, 0.45, 0.55, 0.9]))
def test_the_critical_volume_is_filled_and_no_more(crush_bar, minutes, rest_um):
    """The balance itself. Nuclei grow that are larger than r(x) = 2 γ (Γ - γ) / (Γ x - γ crush) at rest; their number
    beyond those larger than r0 goes as 1 - r(x)/r0; times x and minutes that is λ γ/Γ. Solved for x by brentq."""
    radius = bubbles.crushed(np.array(rest_um), np.array(crush_bar))
    ours = float(bubbles.allowed(radius, np.array(rest_um), np.array(minutes)))
    crush, rest_m = crush_bar / PA, rest_um * 1e-6

    def too_much(x_pa):
        grows_m = 2.0 * GAMMA * (SKIN - GAMMA) / (SKIN * x_pa - GAMMA * crush)
        return (1.0 - grows_m / rest_m) * x_pa * minutes - LAMBDA_PA_MIN * GAMMA / SKIN

    least = 2.0 * GAMMA * (SKIN - GAMMA) / (SKIN * rest_m) + GAMMA / SKIN * crush
    assert ours == pytest.approx(brentq(too_much, least, 1e9, xtol=1e-6) * PA, rel=1e-6)


def test_the_longer_it_lasts_the_less_is_allowed():
    radius, rest = np.array(0.4), np.array(0.55)
    allowed = [float(bubbles.allowed(radius, rest, np.array(t))) for t in (1.0, 10.0, 100.0, 1e4, np.inf)]
    assert allowed == sorted(allowed, reverse=True)
    assert allowed[-1] == float(bubbles.least_allowed(radius))


@given(st.floats(0.2, 3.0), st.floats(1.0, 20.0), st.floats(0.3, 1.0))
def test_boyle_on_the_way_up(allowed_bar, first_bar, part):
    """x³ - A x - A P = 0 with A = x1³ / (P1 + x1), by `numpy.roots`; and bubbles themselves, by brentq:
    (P + 2γ/r) r³ stays the same."""
    bar = first_bar * part
    ours = float(bubbles.expanded(np.array(allowed_bar), first_bar, bar))
    ratio = allowed_bar**3 / (first_bar + allowed_bar)
    [real] = [x.real for x in np.roots([1.0, 0.0, -ratio, -ratio * bar]) if abs(x.imag) < 1e-9 and x.real > 0.0]
    assert ours == pytest.approx(real, rel=1e-9)
    r1 = 2.0 * GAMMA / (allowed_bar / PA)
    content = (first_bar / PA + 2.0 * GAMMA / r1) * r1**3
    r2 = brentq(lambda r: (bar / PA + 2.0 * GAMMA / r) * r**3 - content, r1 * 0.999, 20.0 * r1, xtol=1e-18)
    assert ours == pytest.approx(2.0 * GAMMA / r2 * PA, rel=1e-8)
    assert ours <= allowed_bar * (1.0 + 1e-12)


def test_boyle_at_the_first_stop_changes_nothing():
    assert float(bubbles.expanded(np.array(0.8), 3.4, 3.4)) == pytest.approx(0.8, rel=1e-14)


@pytest.mark.parametrize(
    ("n2", "he"), [(1.9, 0.0), (1.2, 0.6), (0.4, 0.9), (0.5, 0.2), (0.3, 0.0), (0.7511, 0.4), (0.9, 1.4)]
)
def test_fading_at_the_surface(n2, he):
    """The integral of what the tensions are over those of a diver at rest, where it is over, by `quad`."""
    inspired = (1.01325 - 0.0627) * 0.7902
    tissue = np.array([np.full(16, n2), np.full(16, he)])
    ours = bubbles.fading_min(tissue, inspired, RATES)
    for c in range(16):

        def over(t, c=c):
            return (n2 - inspired) * math.exp(-RATES[0][c] * t) + he * math.exp(-RATES[1][c] * t)

        first = over(0.0)
        if first <= 0.0:
            assert ours[c] == 0.0
            continue
        end = 60.0 / RATES[0][c]
        if n2 < inspired:
            end = brentq(over, 0.0, end)
        area, _ = quad(over, 0.0, end, limit=500, epsabs=1e-10)
        assert ours[c] == pytest.approx(area / first, rel=1e-5)


def test_fading_of_nitrogen_alone_is_its_half_time_over_ln_2():
    ours = bubbles.fading_min(np.array([np.full(16, 1.5), np.zeros(16)]), 0.75, RATES)
    assert ours == pytest.approx(np.array(ZHL16["n2_half_time_min"]) / math.log(2.0), rel=1e-12)


def test_what_is_tolerated():
    """By hand: 1.0 bar of nitrogen and 0.5 of helium that may be 0.6 and 0.9 over: the mean is
    (0.6 + 0.45) / 1.5 = 0.7; other gases 102/760 · 1.01325 = 0.13599; 1.5 + 0.13599 - 0.7 = 0.93599."""
    tissue = np.array([np.full(16, 1.0), np.full(16, 0.5)])
    assert bubbles.tolerated(tissue, two([0.6, 0.9])) == pytest.approx(0.93599, abs=1e-5)


def test_no_inert_gas_is_held_by_nothing():
    """Washed out on oxygen: no division by nothing, and no ceiling at any pressure."""
    found = bubbles.tolerated(np.zeros((2, 16)), two([0.6, 0.9]))
    assert found == pytest.approx(102.0 / 760.0 * 1.01325 - 0.6, abs=1e-9)
    assert bubbles.excess(np.zeros((2, 16)), 0.2) < 0.0
