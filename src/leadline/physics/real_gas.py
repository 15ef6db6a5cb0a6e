"""What a cylinder really holds: density and compressibility of oxygen, nitrogen and helium, pure or mixed.

The equation of state is GERG-2008: O. Kunz and W. Wagner, "The GERG-2008 Wide-Range Equation of State for
Natural Gases and Other Mixtures", J. Chem. Eng. Data 57 (2012) 3032, also ISO 20765-2. It gives the pressure
of a gas from its density and temperature. Of its whole, three gases need only the pure-fluid terms and the
mixing rules: the paper has no departure function for any pair of them.

How good it is: against the reference equations of the pure gases it stays within 0.2 % in density up to
300 bar and 0.3 % up to 500 bar, and so do air and nitrox. No measurements stand behind the mixing of oxygen
with helium (the paper leaves its parameters at 1): up to 300 bar expect about 0.4 % for trimix and 1 % for
heliox, and twice as much at 500 bar.

Cylinder pressures are taken as the gauge shows them, so that an empty gauge is an empty cylinder: the one bar
of surface air that the gauge does not show, and that the diver cannot breathe, is left out everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leadline.physics.mix import AIR_O2, Mix
from leadline.units import FREE_CUBIC_FOOT_L

MAX_BAR = 500.0
MIN_CELSIUS = -20.0
MAX_CELSIUS = 60.0

RATING_CELSIUS = 21.0
"""[°C] The temperature of a cylinder's rated capacity, 70 °F."""

_GAS_CONSTANT = 0.08314472
"""[L·bar/(mol·K)] The molar gas constant that GERG-2008 was fitted with."""
_ICE_POINT_K = 273.15
_AIR = Mix(AIR_O2, label="air")


@dataclass(frozen=True, eq=False)
class _Fluid:
    """A pure gas: its critical point and the terms n·δ^d·τ^t·exp(-δ^c) of its residual Helmholtz energy."""

    critical_mol_l: float
    critical_k: float
    terms: tuple[tuple[float, int, float, int], ...]
    """(n, d, t, c) of each term; c = 0 marks a term without the exponential."""


# Kunz & Wagner (2012), the appendix's tables of critical points and of terms. Written from memory of the
# paper; the reference equations of the pure gases confirm them (tests/authority/test_real_gas.py).
_NITROGEN = _Fluid(
    11.1839,
    126.192,
    (
        (0.59889711801201, 1, 0.125, 0),
        (-1.6941557480731, 1, 1.125, 0),
        (0.24579736191718, 2, 0.375, 0),
        (-0.23722456755175, 2, 1.125, 0),
        (0.017954918715141, 4, 0.625, 0),
        (0.014592875720215, 4, 1.5, 0),
        (0.10008065936206, 1, 0.625, 1),
        (0.73157115385532, 1, 2.625, 1),
        (-0.88372272336366, 1, 2.75, 1),
        (0.31887660246708, 2, 2.125, 1),
        (0.20766491728799, 3, 2.0, 1),
        (-0.019379315454158, 6, 1.75, 1),
        (-0.16936641554983, 2, 4.5, 2),
        (0.13546846041701, 3, 4.75, 2),
        (-0.033066712095307, 3, 5.0, 2),
        (-0.060690817018557, 4, 4.0, 2),
        (0.012797548292871, 4, 4.5, 2),
        (0.0058743664107299, 2, 7.5, 3),
        (-0.018451951971969, 3, 14.0, 3),
        (0.0047226622042472, 4, 11.5, 3),
        (-0.0052024079680599, 5, 26.0, 6),
        (0.043563505956635, 6, 28.0, 6),
        (-0.036251690750939, 6, 30.0, 6),
        (-0.0028974026866543, 7, 16.0, 6),
    ),
)
_OXYGEN = _Fluid(
    13.63,
    154.595,
    (
        (0.88878286369701, 1, 0.25, 0),
        (-2.4879433312148, 1, 1.125, 0),
        (0.59750190775886, 1, 1.5, 0),
        (0.0096501817061881, 2, 1.375, 0),
        (0.07197042871277, 3, 0.25, 0),
        (0.00022337443000195, 7, 0.875, 0),
        (0.18558686391474, 2, 0.625, 1),
        (-0.03812936803576, 5, 1.75, 1),
        (-0.15352245383006, 1, 3.625, 2),
        (-0.026726814910919, 4, 3.625, 2),
        (-0.025675298677127, 3, 14.5, 3),
        (0.0095714302123668, 4, 12.0, 3),
    ),
)
_HELIUM = _Fluid(
    17.399,
    5.1953,
    (
        (-0.45579024006737, 1, 0.0, 0),
        (1.2516390754925, 1, 0.125, 0),
        (-1.5438231650621, 1, 0.75, 0),
        (0.020467489707221, 4, 1.0, 0),
        (-0.34476212380781, 1, 0.75, 1),
        (-0.020858459512787, 3, 2.625, 1),
        (0.016227414711778, 5, 0.125, 1),
        (-0.057471818200892, 5, 1.25, 1),
        (0.019462416430715, 5, 2.0, 1),
        (-0.03329568012302, 2, 1.0, 2),
        (-0.010863577372367, 1, 4.5, 3),
        (-0.022173365245954, 2, 5.0, 3),
    ),
)

# Kunz & Wagner (2012), the appendix's table of pairs: how critical volumes and temperatures mix.
# (beta_v, gamma_v, beta_T, gamma_T), the betas for the pair in this order.
# From memory and confirmed likewise.
_PAIRS = {
    (_NITROGEN, _OXYGEN): (0.99952177, 0.997082328, 0.997190589, 0.995157044),
    (_NITROGEN, _HELIUM): (0.969501055, 0.932629867, 0.692868765, 1.47183158),
    (_OXYGEN, _HELIUM): (1.0, 1.0, 1.0, 1.0),
}


@dataclass(frozen=True)
class _Isotherm:
    """One gas at one temperature: compressibility as a function of density alone."""

    rt: float
    """[L·bar/mol] Gas constant times temperature."""
    reducing_mol_l: float
    groups: tuple[tuple[int, tuple[tuple[int, float], ...]], ...]
    """For each exponent c, the terms (d, a) of the sum of a·δ^d·exp(-δ^c)."""

    def compressibility(self, mol_l: float) -> tuple[float, float]:
        """Compressibility z at a density, and the slope of z·density in density (both 1 for an ideal gas)."""
        delta = mol_l / self.reducing_mol_l
        z = slope = 1.0
        for c, terms in self.groups:
            power = delta**c
            damping = math.exp(-power) if c else 1.0
            for d, a in terms:
                term = a * damping * delta**d
                log_slope = d - c * power
                z += term * log_slope
                slope += term * (log_slope + log_slope**2 - c**2 * power)
        return z, slope

    def bar(self, mol_l: float) -> float:
        """Pressure at a density. [bar]"""
        return mol_l * self.rt * self.compressibility(mol_l)[0]

    def bars(self, mol_l: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pressures at densities. [bar]"""
        delta = mol_l / self.reducing_mol_l
        z = np.ones_like(delta)
        for c, terms in self.groups:
            power = delta**c
            damping = np.exp(-power) if c else 1.0
            for d, a in terms:
                z += a * damping * delta**d * (d - c * power)
        return mol_l * self.rt * z

    def mol_l(self, bar: float) -> float:
        """Density at a pressure: Newton's method from the ideal gas, kept inside a bracket. [mol/L]

        The bracket holds one root: these gases are far above their critical temperatures, so that pressure
        rises with density throughout, and at no pressure in the range is one as dense as twice the ideal gas.
        """
        ideal = bar / self.rt
        low, high = 0.0, 2.0 * ideal
        density = ideal
        for _ in range(100):
            z, slope = self.compressibility(density)
            excess = density * z - ideal
            if abs(excess) <= 1e-13 * ideal:
                break
            if excess > 0.0:
                high = density
            else:
                low = density
            step = density - excess / slope if slope > 0.0 else low
            density = step if low < step < high else 0.5 * (low + high)
        return density


def _reducing_point(shares: dict[_Fluid, float]) -> tuple[float, float]:
    """Reducing density [mol/L] and temperature [K] of a mixture: the mixing rules of Kunz & Wagner (2012)."""
    volume = sum(x * x / fluid.critical_mol_l for fluid, x in shares.items())
    kelvin = sum(x * x * fluid.critical_k for fluid, x in shares.items())
    for one, other in combinations(shares, 2):
        beta_v, gamma_v, beta_t, gamma_t = _PAIRS[one, other]
        x, y = shares[one], shares[other]
        pair_volume = (one.critical_mol_l ** (-1 / 3) + other.critical_mol_l ** (-1 / 3)) ** 3 / 8.0
        pair_kelvin = math.sqrt(one.critical_k * other.critical_k)
        volume += 2.0 * x * y * beta_v * gamma_v * (x + y) / (beta_v**2 * x + y) * pair_volume
        kelvin += 2.0 * x * y * beta_t * gamma_t * (x + y) / (beta_t**2 * x + y) * pair_kelvin
    return 1.0 / volume, kelvin


@lru_cache(maxsize=256)
def _isotherm(mix: Mix, celsius: float) -> _Isotherm:
    """The isotherm of a mix, with temperature and composition worked into its coefficients."""
    if not MIN_CELSIUS <= celsius <= MAX_CELSIUS:
        raise ValueError(f"gas temperature {celsius:g} °C is outside {MIN_CELSIUS:g} to {MAX_CELSIUS:g} °C")
    kelvin = float(celsius) + _ICE_POINT_K
    present = {_NITROGEN: mix.n2, _OXYGEN: mix.o2, _HELIUM: mix.he}
    shares = {fluid: float(x) for fluid, x in present.items() if x > 0.0}
    reducing_mol_l, reducing_k = _reducing_point(shares)
    tau = reducing_k / kelvin
    groups: dict[int, dict[int, float]] = {}
    for fluid, x in shares.items():
        for n, d, t, c in fluid.terms:
            group = groups.setdefault(c, {})
            group[d] = group.get(d, 0.0) + x * n * tau**t
    frozen = tuple((c, tuple(terms.items())) for c, terms in groups.items())
    return _Isotherm(_GAS_CONSTANT * kelvin, reducing_mol_l, frozen)


@lru_cache(maxsize=4096)
def molar_density(mix: Mix, bar: float, celsius: float) -> float:
    """Amount of gas in a litre at a pressure and temperature. [mol/L]

    `bar` is 0 to 500 bar, `celsius` -20 to 60 °C; ValueError outside. GERG-2008 (Kunz & Wagner 2012).
    """
    if not 0.0 <= bar <= MAX_BAR:
        raise ValueError(f"gas pressure {bar:g} bar is outside 0 to {MAX_BAR:g} bar")
    return _isotherm(mix, celsius).mol_l(float(bar))


def compressibility(mix: Mix, bar: float, celsius: float) -> float:
    """Compressibility factor z: the pressure, over that of an ideal gas of the same density. [1]

    Range, errors and source as for `molar_density`.
    """
    density = molar_density(mix, bar, celsius)
    return _isotherm(mix, celsius).compressibility(density)[0]


def free_litres(mix: Mix, water_l: float, bar: float, celsius: float) -> float:
    """Gas in a cylinder, as the volume it would fill as an ideal gas of the same temperature at 1 bar. [L]

    `water_l` is the cylinder's water volume [L]; `bar` its pressure as the gauge shows it. ValueError unless
    the water volume is over 0, and outside the range of `molar_density`.
    """
    _check_water(water_l)
    density = molar_density(mix, bar, celsius)
    return float(water_l) * density * _isotherm(mix, celsius).rt


def pressure_of(mix: Mix, water_l: float, free_litres: float, celsius: float) -> float:
    """Pressure of a cylinder that holds so much gas, the inverse of the function `free_litres`. [bar]

    `water_l` is the cylinder's water volume [L]; `free_litres` the gas at 1 bar [L]. ValueError unless
    the water volume is over 0, and for less gas than none or more than the cylinder holds at 500 bar.
    """
    _check_water(water_l)
    isotherm = _isotherm(mix, celsius)
    density = float(free_litres) / (float(water_l) * isotherm.rt)
    if not 0.0 <= density <= molar_density(mix, MAX_BAR, celsius) * (1.0 + 1e-12):
        raise ValueError(f"{free_litres:g} L of gas in a cylinder of {water_l:g} L is outside 0 to {MAX_BAR:g} bar")
    return min(isotherm.bar(density), MAX_BAR)


def pressures_of(mix: Mix, water_l: float, free_litres: NDArray[np.float64], celsius: float) -> NDArray[np.float64]:
    """`pressure_of` for an array of contents. [bar] ValueError if any is out of its range."""
    _check_water(water_l)
    isotherm = _isotherm(mix, celsius)
    density = free_litres / (float(water_l) * isotherm.rt)
    if np.any((density < 0.0) | (density > molar_density(mix, MAX_BAR, celsius) * (1.0 + 1e-12))):
        raise ValueError(f"a content of a cylinder of {water_l:g} L is outside 0 to {MAX_BAR:g} bar")
    return np.minimum(isotherm.bars(density), MAX_BAR)


@lru_cache(maxsize=4096)
def pressure_at(mix: Mix, bar: float, celsius: float, to_celsius: float) -> float:
    """Pressure of a closed cylinder when its temperature changes. [bar]

    `bar` is its pressure at `celsius`. Ranges and source as for `molar_density`; at most 500 bar is answered.
    """
    return min(_isotherm(mix, to_celsius).bar(molar_density(mix, bar, celsius)), MAX_BAR)


def water_litres(rated_cubic_feet: float, working_bar: float) -> float:
    """Water volume of a cylinder that is named by its rated gas. [L]

    `rated_cubic_feet` of air, counted at one atmosphere, is what the cylinder holds at its working pressure
    `working_bar` [bar] and 21 °C (70 °F). ValueError unless both are over 0 and the pressure at most 500 bar.
    """
    if not 0.0 < rated_cubic_feet < math.inf:
        raise ValueError(f"a cylinder's rated capacity must be over 0 cubic feet, not {rated_cubic_feet:g}")
    if not 0.0 < working_bar <= MAX_BAR:
        raise ValueError(
            f"a cylinder's working pressure must be over 0 and at most {MAX_BAR:g} bar, not {working_bar:g}"
        )
    return float(rated_cubic_feet) * FREE_CUBIC_FOOT_L / free_litres(_AIR, 1.0, working_bar, RATING_CELSIUS)


def _check_water(water_l: float) -> None:
    if not 0.0 < water_l < math.inf:
        raise ValueError(f"a cylinder's water volume must be over 0 L, not {water_l:g}")
