"""Before anything is planned: does the engine still give the answers that are known, on this machine, in this process?

The coefficients are summed up and compared, and two dives are swum whose stops were worked out by an independent
planner from the equations (tests/reference_model.py; the test beside this module holds the two together). It takes
less than a millisecond, so it is done before every plan.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from typing import Any, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from leadline.tissue import kernel
from leadline.tissue.coefficients import SetName, coefficient_set
from leadline.tissue.fault import EngineFault
from leadline.tissue.loading import compartments, saturated

COEFFICIENTS_SHA256 = "f59b230289b8dfd70d2fd39cc857123baa48354ecca4d2edb2e6bc150b1eef73"
"""Of all figures of the three sets, as they are written."""
TENSION_BAR = 1e-6
"""How far a tension at the surface may be off. Another processor's logarithm differs by some 1e-16."""


class Known(NamedTuple):
    """A dive and its answer."""

    name: str
    setpoint_bar: float
    """0: open circuit."""
    stops: tuple[tuple[float, float], ...]
    """Depth [m] and the run time [min] at which it is left."""
    run_time_min: float
    tension_bar: tuple[float, float]
    """Nitrogen and helium in compartment 5 at the surface."""


OPEN_CIRCUIT = Known(
    "60 m for 25 min on 18/45, 50 % and oxygen, GF 40/80,",
    0.0,
    ((27, 30), (24, 32), (21, 34), (18, 36), (15, 39), (12, 43), (9, 50), (6, 58), (3, 73)),
    73 + 1 / 3,
    (0.7730859453155, 0.1401320677355),
)
LOOP = Known(
    "60 m for 25 min on a loop at 1.3 bar with 18/45, GF 40/80,",
    1.3,
    ((27, 29), (24, 31), (21, 33), (18, 35), (15, 38), (12, 43), (9, 49), (6, 58), (3, 72)),
    72 + 1 / 3,
    (0.6326598, 0.2263301),
)


def prove() -> None:
    """Nothing, if all is well. EngineFault, with the reason in words, if not."""
    if (found := summed_up()) != COEFFICIENTS_SHA256:
        raise _fault(f"the ZH-L16 coefficients are not those that were checked (their sum is {found[:12]}…)")
    comps = compartments("ZH-L16C")
    if not np.allclose(comps.minute, -np.expm1(-comps.rate), rtol=1e-12, atol=0.0):
        # It says when to look again whether a stop may be left, so a dive need not show that it is wrong.
        raise _fault("what a minute brings the compartments is not what is right for their half-times")
    for known in (OPEN_CIRCUIT, LOOP):
        _prove(known)


def summed_up() -> str:
    """SHA-256 of all figures of the three coefficient sets."""
    text = "\n".join(repr(coefficient_set(name)) for name in get_args(SetName))
    return hashlib.sha256(text.encode()).hexdigest()


def swum(known: Known) -> tuple[tuple[tuple[float, float], ...], float, tuple[float, float]]:
    """A known dive, swum now: stops, run time and tensions as in `Known`."""
    tissue = saturated(1.01325)
    rows = np.zeros(256, kernel.LEG)
    levels, ways, sources, rules = _laid_out(known)
    n, _, fault, _, _ = kernel.simulate(tissue, levels, ways, sources, rules, compartments("ZH-L16C"), rows)
    if fault != kernel.FINE:
        raise _fault(f"{known.name} cannot be planned (fault {fault})")
    legs = rows[:n].tolist()
    stops = tuple((leg[3], leg[1]) for leg in legs if leg[5] == kernel.STOP)
    return stops, float(legs[-1][1]), (float(tissue[0, 4]), float(tissue[1, 4]))


def _prove(known: Known) -> None:
    stops, run_time_min, tension_bar = swum(known)
    for given, right in zip(stops, known.stops, strict=False):
        if max(abs(given[0] - right[0]), abs(given[1] - right[1])) > kernel.CLOSE:
            said = f"leaves {given[0]:g} m at {given[1]:g} min, where {right[0]:g} m at {right[1]:g} min is right"
            raise _fault(f"{known.name} {said}")
    if len(stops) != len(known.stops) or abs(run_time_min - known.run_time_min) > kernel.CLOSE:
        said = f"takes {run_time_min:g} min with {len(stops)} stops"
        raise _fault(f"{known.name} {said}, where {known.run_time_min:g} with {len(known.stops)} are right")
    if max(abs(given - right) for given, right in zip(tension_bar, known.tension_bar, strict=True)) > TENSION_BAR:
        said = f"leaves {tension_bar[0]:.7f} bar of nitrogen and {tension_bar[1]:.7f} bar of helium in compartment 5"
        right_n2, right_he = known.tension_bar
        raise _fault(f"{known.name} {said}, where {right_n2:.7f} and {right_he:.7f} are right")


def _fault(said: str) -> EngineFault:
    return EngineFault(
        f"the planning engine has gone wrong on this machine: {said}. Nothing it plans may be dived. "
        "Install Leadline anew, with an empty cache of compiled code; if that does not help, use another machine."
    )


@lru_cache
def _laid_out(known: Known) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any], kernel.Rules]:
    gases = [(0.18, 0.45 / 0.82), (0.50, 0.0), (1.0, 0.0)]
    sources = np.array([(o2, he_share, known.setpoint_bar, 0.0) for o2, he_share in gases], kernel.SOURCE)
    changes = [(60.0, 0), (21.0, 1), (6.0, 2)] if known.setpoint_bar == 0.0 else [(60.0, 0)]
    levels = np.array([(60.0, 25.0, 0, 0, 1, 1, 1 + len(changes))], kernel.LEVEL_ROW)
    ways = np.array([(60.0, 0), *changes], kernel.WAY)
    grid_m = np.arange(0.0, 61.0, 3.0)
    rules = kernel.Rules(
        surface_bar=1.01325, bar_per_m=0.1, gf_low=0.4, gf_high=0.8, descent=20.0, ascent=9.0, between_stops=9.0,
        to_surface=9.0, switch_hold_min=0.0, safety_min=0.0, oxygen_on_min=0.0, oxygen_off_min=0.0,
        break_source=-1, stop_depths_m=grid_m, held=np.zeros((0, 2)),
    )  # fmt: skip
    return levels, ways, sources, rules
