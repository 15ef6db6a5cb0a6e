"""What the dives of an ensemble are drawn from, and the draws.

Every input is drawn on its own, through the inverse of its distribution function, cut off where no dive can be. The
numbers come from one generator (PCG64, seeded), dive by dive and in each dive input by input in the order of INPUTS,
whether the input is drawn or stays as planned: so a larger sample begins with the dives of a smaller one, and keeping
one input as planned leaves what is drawn of the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.dive_file.schema import Dive, Drawn
from leadline.many.batch import Varied
from leadline.units import SYSTEMS, System

Array = NDArray[Any]
InputName = Literal["depth", "time", "ascent", "rmv", "rmv_bottom", "rmv_deco", "setpoint", "switch"]
INPUTS: tuple[InputName, ...] = (
    "depth", "time", "ascent", "rmv", "rmv_bottom", "rmv_deco", "setpoint", "switch",
)  # fmt: skip
"""In the order drawn."""
NAMES: dict[InputName, str] = {
    "depth": "depth",
    "time": "bottom time",
    "ascent": "ascent rate",
    "rmv": "RMV",
    "rmv_bottom": "RMV until the first stop",
    "rmv_deco": "RMV from the first stop on",
    "setpoint": "setpoint",
    "switch": "time at a gas switch",
}
SHALLOWEST_M, DEEPEST_M = 0.5, 350.0
"""No level is drawn above or below."""
RATES = (0.5, 60.0)
"""[m/min]"""
RMVS = (0.1, 200.0)
"""[L/min]"""
SETPOINTS = (0.2, 1.6)
LONGEST_SWITCH_MIN = 10.0
LEAST_POSSIBLE = 0.5
"""Of a distribution. One that has less where a dive can be is not what was meant."""
UNSAID = 0.001
"""So little of a distribution is cut off without a word."""
COMMON_SWITCH_MIN = 2.0
"""How much longer than planned a gas switch takes at most. Common practice, no source."""


@dataclass(frozen=True)
class Input:
    """One thing that differs from dive to dive."""

    name: InputName
    drawn: Drawn
    planned: float
    """What it is in the plan: 0 of what is off it, 1 of a factor."""
    low: float
    """Where the distribution is cut off, for no dive can be there."""
    high: float
    common: bool
    """Whether the distribution is the common one, and not the diver's own."""

    @cached_property
    def distribution(self) -> Any:
        """The distribution before it is cut off, as SciPy has it."""
        from scipy import stats

        drawn = self.drawn
        spread, low, mode, high = (x or 0.0 for x in (drawn.spread, drawn.low, drawn.mode, drawn.high))
        if drawn.distribution == "normal":
            return stats.norm(self.planned, spread)
        if drawn.distribution == "lognormal":
            return stats.lognorm(math.log(spread), scale=self.planned)
        if drawn.distribution == "uniform":
            return stats.uniform(low, high - low)
        return stats.triang((mode - low) / (high - low), low, high - low)

    @cached_property
    def ends(self) -> tuple[float, float]:
        """The shares of the distribution that lie below `low` and below `high`, where it is cut off."""
        below, to = self.distribution.cdf((self.low, self.high))
        return float(below), float(to)

    @property
    def possible(self) -> float:
        """The share of the distribution that is not cut off."""
        below, to = self.ends
        return to - below

    def ppf(self, share: ArrayLike) -> Array:
        """The value that a share (0 to 1) of all draws does not exceed."""
        below, to = self.ends
        value = self.distribution.ppf(below + np.asarray(share, dtype=float) * (to - below))
        return cast(Array, np.clip(value, self.low, self.high))

    def in_words(self, system: System) -> str:
        """The distribution: "normal, standard deviation 1.5 m, cut off below -0.5 m"."""
        below, to = self.ends
        cut = [f"below {_said(self.name, system, self.low)}"] if below > UNSAID else []
        cut += [f"above {_said(self.name, system, self.high)}"] if 1.0 - to > UNSAID else []
        return self._whole_in_words(system) + (f", cut off {' and '.join(cut)}" if cut else "")

    def _whole_in_words(self, system: System) -> str:
        drawn, said = self.drawn, partial(_said, self.name, system)
        of = f" about {said(self.planned)}" if self.name not in ("depth", "time", "rmv") else ""
        if drawn.distribution == "normal":
            return f"normal{of}, standard deviation {said(drawn.spread)}"
        if drawn.distribution == "lognormal":
            return f"lognormal{of}, spread by a factor of {drawn.spread:g}"
        if drawn.distribution == "uniform":
            return f"uniform, {said(drawn.low)} to {said(drawn.high)}"
        return f"triangular, {said(drawn.low)} to {said(drawn.high)}, most often {said(drawn.mode)}"

    def reach(self, system: System) -> str:
        """Where it can be: "-39.5 m to 310 m"."""
        return f"{_said(self.name, system, self.low)} to {_said(self.name, system, self.high)}"


def _said(name: InputName, system: System, value: float | None) -> str:
    size, unit_name, decimals = unit(name, system)
    return f"{round((value or 0.0) / size, decimals) + 0.0:g} {unit_name}".rstrip()


def unit(name: InputName, system: System) -> tuple[float, str, int]:
    """What an input is shown in: how much of the metric unit that is, its name, and how many decimals."""
    if name == "depth":
        return system.depth_m, system.depth_unit, 1
    if name == "ascent":
        return system.depth_m, f"{system.depth_unit}/min", 1
    if name in ("rmv_bottom", "rmv_deco"):
        return system.flow_l, "L/min" if system.name == "metric" else "cuft/min", system.flow_decimals + 1
    return {"rmv": (1.0, "", 3), "setpoint": (1.0, "bar", 3)}.get(name, (1.0, "min", 1))


def inputs(dive: Dive) -> tuple[Input, ...]:
    """What differs from dive to dive of one diver's ensemble, in the order drawn."""
    given, found = dive.ensemble, []
    for name in INPUTS:
        own = getattr(given, name)
        drawn = own if own is not None else _common(dive, name)
        if drawn is None or drawn.distribution == "as planned" or not _has(dive, name):
            continue
        found.append(Input(name, drawn, _planned(dive, name), *_bounds(dive, name), common=own is None))
    return tuple(found)


def _has(dive: Dive, name: InputName) -> bool:
    """Whether the dive has such an input: of both RMVs drawn on their own there is no common factor left."""
    if name == "setpoint":
        return dive.loop is not None
    both = dive.ensemble.rmv_bottom is not None and dive.ensemble.rmv_deco is not None
    return name != "rmv" or not both


def _common(dive: Dive, name: InputName) -> Drawn | None:
    """What an input is drawn from if the diver does not say. Common practice, no source."""
    imperial, foot_m = dive.units == "imperial", SYSTEMS["imperial"].depth_m
    if name == "depth":
        return Drawn("normal", spread=5.0 * foot_m if imperial else 1.5)
    if name == "time":
        return Drawn("normal", spread=2.0)
    if name == "ascent":
        return Drawn("normal", spread=5.0 * foot_m if imperial else 1.5)
    if name == "rmv":
        return Drawn("lognormal", spread=1.15)
    if name == "setpoint":
        return Drawn("normal", spread=0.05)
    if name == "switch" and any(cylinder.use in ("deco", "travel") for cylinder in dive.cylinders):
        planned = dive.stops.gas_switch
        most = min(planned + COMMON_SWITCH_MIN, LONGEST_SWITCH_MIN)
        return Drawn("triangular", low=planned, mode=planned, high=most) if most > planned else None
    return None


def _planned(dive: Dive, name: InputName) -> float:
    if name in ("depth", "time"):
        return 0.0
    if name == "rmv":
        return 1.0
    if name == "setpoint":
        return dive.loop.setpoint if dive.loop is not None else 0.0
    of: dict[str, float] = {
        "ascent": dive.rates.ascent,
        "rmv_bottom": dive.diver.rmv_bottom,
        "rmv_deco": dive.diver.rmv_deco,
        "switch": dive.stops.gas_switch,
    }
    return of[name]


def _bounds(dive: Dive, name: InputName) -> tuple[float, float]:
    """Where an input's distribution is cut off."""
    if name == "depth":
        return SHALLOWEST_M - min(level.depth for level in dive.levels), DEEPEST_M - dive.deepest_m
    if name == "time":
        level = dive.levels[_turning(dive)]
        before = dive.levels[_turning(dive) - 1] if _turning(dive) else None
        down_m = level.depth - (before.depth if before is not None else 0.0)
        arrival_min = (before.leave_at if before is not None else 0.0) + down_m / dive.rates.descent
        return min(0.0, arrival_min - level.leave_at), 24.0 * 60.0
    if name == "ascent":
        return RATES
    if name == "rmv":
        least, most = sorted((dive.diver.rmv_bottom, dive.diver.rmv_deco))
        return RMVS[0] / least, RMVS[1] / most
    if name == "setpoint":
        return SETPOINTS
    return (0.0, LONGEST_SWITCH_MIN) if name == "switch" else RMVS


def _turning(dive: Dive) -> int:
    """The level whose time is drawn: the first of the deepest; later ones follow."""
    return [level.depth for level in dive.levels].index(dive.deepest_m)


def generator(seed: int) -> np.random.Generator:
    """What the draws come from."""
    return np.random.Generator(np.random.PCG64(seed))


def drawn(found: Sequence[Input], numbers: np.random.Generator, dives: int) -> Array:
    """The next so many draws. [dives, inputs, metric]"""
    uniform = numbers.random((dives, len(INPUTS)))
    columns = [one.ppf(uniform[:, INPUTS.index(one.name)]) for one in found]
    return np.stack(columns, axis=1) if columns else np.zeros((dives, 0))


@dataclass(frozen=True)
class DrawnDive:
    """What is really dived in each draw, in metric arrays by dive; None: as planned."""

    depth_m: Array
    """[dives, levels]"""
    leave_at_min: Array
    """[dives, levels]"""
    ascent_factor: Array
    """Of all rates of the way up."""
    rmv_bottom: Array
    rmv_deco: Array
    setpoint_bar: Array | None
    switch_min: Array

    def varied(self, dive: Dive) -> Varied:
        """As the kernel takes it."""
        rates = dive.rates
        between = rates.between_stops if rates.between_stops is not None else rates.ascent
        to_surface = rates.to_surface if rates.to_surface is not None else rates.ascent
        return Varied(
            depth_m=self.depth_m,
            leave_at_min=self.leave_at_min,
            ascent=rates.ascent * self.ascent_factor,
            between_stops=between * self.ascent_factor,
            to_surface=to_surface * self.ascent_factor,
            switch_hold_min=self.switch_min,
            setpoint_bar=self.setpoint_bar,
            rmv_bottom=self.rmv_bottom,
            rmv_deco=self.rmv_deco,
        )

    def some(self, which: Array | slice) -> DrawnDive:
        """Some of the dives."""
        return DrawnDive(
            self.depth_m[which], self.leave_at_min[which], self.ascent_factor[which], self.rmv_bottom[which],
            self.rmv_deco[which], self.setpoint_bar[which] if self.setpoint_bar is not None else None,
            self.switch_min[which],
        )  # fmt: skip

    def dive(self, dive: Dive, i: int) -> Dive:
        """One of the draws as a dive file would say it, to be planned whole, on the gases that the levels of `dive`
        name."""
        diver, loop = dive.diver, dive.loop
        rmv = {"rmv_bottom": float(self.rmv_bottom[i]), "rmv_deco": float(self.rmv_deco[i])}
        if diver.rmv_stressed is not None:
            rmv["rmv_stressed"] = diver.rmv_stressed * rmv["rmv_bottom"] / diver.rmv_bottom
        if diver.rmv_bailout is not None:
            rmv["rmv_bailout"] = diver.rmv_bailout * rmv["rmv_bottom"] / diver.rmv_bottom
        factor = float(self.ascent_factor[i])
        rates = {key: rate * factor for key, rate in dive.rates if key != "descent" and rate is not None}
        levels = tuple(
            level.model_copy(update={"depth": float(self.depth_m[i, k]), "leave_at": float(self.leave_at_min[i, k])})
            for k, level in enumerate(dive.levels)
        )
        edited: dict[str, Any] = {
            "levels": levels,
            "diver": diver.model_copy(update=rmv),
            "rates": dive.rates.model_copy(update=rates),
            "stops": dive.stops.model_copy(update={"gas_switch": float(self.switch_min[i])}),
        }
        if loop is not None and self.setpoint_bar is not None:
            edited["loop"] = loop.model_copy(update={"setpoint": float(self.setpoint_bar[i])})
        return dive.model_copy(update=edited)


def dived(dive: Dive, found: Sequence[Input], values: Array) -> DrawnDive:
    """What the draws [dives, inputs] make of a dive."""
    column = {one.name: values[:, k] for k, one in enumerate(found)}
    dives = len(values)
    planned = np.ones(dives)
    factor = column["ascent"] / dive.rates.ascent if "ascent" in column else planned
    breaths = column.get("rmv", planned)
    off_m = column.get("depth", 0.0 * planned)
    depth_m = np.maximum(np.array([level.depth for level in dive.levels]) + off_m[:, None], SHALLOWEST_M)
    return DrawnDive(
        depth_m=depth_m,
        leave_at_min=_leave_at(dive, depth_m, column.get("time", 0.0 * planned), factor),
        ascent_factor=factor,
        rmv_bottom=column.get("rmv_bottom", dive.diver.rmv_bottom * breaths),
        rmv_deco=column.get("rmv_deco", dive.diver.rmv_deco * breaths),
        setpoint_bar=column.get("setpoint"),
        switch_min=column.get("switch", dive.stops.gas_switch * planned),
    )


def _leave_at(dive: Dive, depth_m: Array, off_min: Array, ascent_factor: Array) -> Array:
    """Run times at which the levels are left: the first of the deepest by what is drawn, those after it as much later.
    None is left before it is reached; later ones follow. [dives, levels]"""
    shift, left, at_m = np.zeros(len(depth_m)), np.zeros(len(depth_m)), np.zeros(len(depth_m))
    found = np.empty_like(depth_m)
    for i, level in enumerate(dive.levels):
        travelled = depth_m[:, i] - at_m
        rate = np.where(travelled >= 0.0, dive.rates.descent, dive.rates.ascent * ascent_factor)
        reached = left + np.abs(travelled) / rate
        if i == _turning(dive):
            shift = shift + off_min
        shift = np.maximum(shift, reached - level.leave_at)
        left, at_m = level.leave_at + shift, depth_m[:, i]
        found[:, i] = left
    return found
