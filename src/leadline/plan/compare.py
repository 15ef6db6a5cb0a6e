"""Two models, or two settings of one, side by side on one dive. They say nothing of safety: see `TRIALS`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.schema import Dive
from leadline.dive_file.team import divers
from leadline.physics.mix import Mix
from leadline.plan.gases import Source
from leadline.plan.models import DecoModel, asked, surface_gradient
from leadline.plan.schedule import Leg, Stop
from leadline.plan.supply import CylinderUse, LoopUse, cylinder_use
from leadline.units import SYSTEMS

Array = NDArray[Any]

SURFACE_MIN = 120.0
"""How long after surfacing supersaturation is still counted, on air."""
PIECE_MIN = 0.25
"""Supersaturation is added up over pieces no longer than this, by the trapezoidal rule."""
GROUPS = {"fast": (1, 5), "middle": (6, 10), "slow": (11, 16)}
"""Compartments, first and last. Half-times for nitrogen: 5 to 27 min, 38.3 to 146, 187 to 635."""
TRIALS = (
    "Neither column is safer for being longer, or deeper. Supersaturation is worked out, not measured.",
    "Deep stops have been tried on people: in the U.S. Navy's comparison (NEDU TR 11-06, 2011; 170 fsw for 30 min on "
    "air) a schedule with deep stops had 11 cases of decompression sickness in 198 dives, one of the same length with "
    "shallow stops 3 in 192: both with 174 min of stops (from memory). Shorter schedules were not tried. The bubble "
    "model's deeper first stops are no argument for it.",
    "Only the file's own model plans a dive: leadline plan, with its gas, contingencies and no-gos.",
)


@dataclass(frozen=True)
class Side:
    """What one model makes of a dive. Where that cannot be dived, only the first three are filled."""

    name: str
    refused: str
    """Why it does not; empty if it does."""
    note: str = ""
    """What one must know of the model on this dive."""
    legs: tuple[Leg, ...] = ()
    ceiling_m: float = 0.0
    """As the last level is left; 0 without stops."""
    tts_min: float = 0.0
    supersaturation_bar_min: tuple[float, ...] = ()
    """Of each compartment: tension of inert gas over ambient pressure, where it is over, added up over the dive and
    SURFACE_MIN after it."""
    gf_surface: float = 0.0
    """On surfacing, under the coefficients of the file's own model; 1 is the M-value."""
    cylinders: tuple[CylinderUse, ...] = ()
    loop: LoopUse | None = None

    @property
    def run_time_min(self) -> float:
        """The whole dive; 0 if it is refused."""
        return self.legs[-1].end_min if self.legs else 0.0

    @property
    def first_stop_m(self) -> float | None:
        """The deepest stop after the last level, if there is one."""
        last = max((leg.level for leg in self.legs), default=0)
        return max((leg.end_m for leg in self.legs if leg.kind == "stop" and leg.level == last), default=None)

    def group_bar_min(self, group: str) -> float:
        """Supersaturation of a compartment of a group, in the mean."""
        first, last = GROUPS[group]
        return float(np.mean(self.supersaturation_bar_min[first - 1 : last]))


@dataclass(frozen=True)
class ComparedRow:
    """A stop depth of either side: minutes and run time of leaving it, None where a side does not stop there."""

    depth_m: float
    source: Source
    minutes: tuple[int | None, int | None]
    leave_min: tuple[float | None, float | None]


@dataclass(frozen=True)
class Comparison:
    """One dive of one diver, by two models."""

    dive: Dive
    diver: str
    """Empty without a team."""
    sides: tuple[Side, Side]

    @property
    def rows(self) -> tuple[ComparedRow, ...]:
        """Every stop depth, level by level, deepest first."""
        stops = [_stops(side.legs) for side in self.sides]
        keys = sorted({key for one in stops for key in one}, key=lambda key: (key[0], -key[1]))
        found = []
        for key in keys:
            first, second = (one.get(key) for one in stops)
            either = first or second
            assert either is not None
            minutes = None if first is None else first.minutes, None if second is None else second.minutes
            leave = None if first is None else first.leave_min, None if second is None else second.leave_min
            found.append(ComparedRow(key[1], either.source, minutes, leave))
        return tuple(found)


def compare_settings(dive: Dive, source: str = "dive") -> tuple[Comparison, ...]:
    """A dive by the two models of its `[[compare]]`: one comparison for every diver, each as if alone.

    DiveFileError (naming the file as `source`) where the dive cannot be dived under any model.
    """
    found = []
    for name, own in divers(dive):
        first, second = asked(own, source)
        found.append(Comparison(own, name, (side(own, first), side(own, second))))
    return tuple(found)


def side(dive: Dive, model: DecoModel) -> Side:
    """What a model makes of a dive."""
    tissue = model.start()
    try:
        legs = tuple(model.schedule())
    except DiveFileError as error:
        return Side(model.name, "; ".join(problem.message for problem in error.problems), model.note)
    left_min = dive.levels[-1].leave_at
    ceiling_m = 0.0
    for leg in legs:
        tissue = model.load(tissue, leg)
        if leg.end_min <= left_min + 1e-6:
            ceiling_m = model.ceiling_m(tissue)
    cylinders, loop = cylinder_use(dive, legs)
    found = Side(
        name=model.name,
        refused="",
        note=model.note,
        legs=legs,
        ceiling_m=ceiling_m,
        tts_min=legs[-1].end_min - left_min,
        supersaturation_bar_min=tuple(_supersaturation(model, dive, legs).tolist()),
        gf_surface=surface_gradient(tissue, dive.site.environment.surface_bar, dive),
        cylinders=cylinders,
        loop=loop,
    )
    return found if found.first_stop_m is not None else replace(found, ceiling_m=0.0)


def _supersaturation(model: DecoModel, dive: Dive, legs: Sequence[Leg]) -> Array:
    """Of each compartment, over the dive and SURFACE_MIN after it. [16, bar min]"""
    where, tissue, total = dive.site.environment, model.start(), np.zeros(16)
    end_min = legs[-1].end_min
    air = Source(Mix.parse("air"))
    after = replace(legs[-1], start_min=end_min, end_min=end_min + SURFACE_MIN, start_m=0.0, end_m=0.0, source=air)
    over = np.maximum(0.0, tissue.sum(axis=0) - where.surface_bar)
    for piece in _pieces([*legs, after]):
        tissue = model.load(tissue, piece)
        then = np.maximum(0.0, tissue.sum(axis=0) - where.pressure(piece.end_m))
        total += 0.5 * piece.minutes * (over + then)
        over = then
    return total


def _pieces(legs: Sequence[Leg]) -> Iterator[Leg]:
    for leg in legs:
        count = max(1, int(np.ceil(leg.minutes / PIECE_MIN)))
        minutes, metres = leg.minutes / count, (leg.end_m - leg.start_m) / count
        for i in range(count):
            yield replace(
                leg,
                start_min=leg.start_min + i * minutes,
                end_min=leg.start_min + (i + 1) * minutes,
                start_m=leg.start_m + i * metres,
                end_m=leg.start_m + (i + 1) * metres,
            )


def _stops(legs: Sequence[Leg]) -> dict[tuple[int, float], Stop]:
    """Stops by the level they are on the way to and their depth; a change of gas does not part them."""
    found: dict[tuple[int, float], Stop] = {}
    for leg in legs:
        if leg.kind == "stop":
            key = leg.level, leg.end_m
            before = found.get(key)
            arrive_min, source = (leg.start_min, leg.source) if before is None else (before.arrive_min, before.source)
            found[key] = Stop(leg.end_m, arrive_min, leg.end_min, source)
    return found


def compared_as_data(found: Sequence[Comparison]) -> dict[str, Any]:
    """Comparisons as plain data: metric, with keys that stay the same. docs/models.md explains them."""
    return {
        "version": 1,
        "units": "metric",
        "surface_min": SURFACE_MIN,
        "groups": {name: list(compartments) for name, compartments in GROUPS.items()},
        "comparisons": [
            {"title": one.dive.title, "diver": one.diver, "sides": [_side_as_data(side) for side in one.sides]}
            for one in found
        ],
        "notes": list(TRIALS),
    }


def _side_as_data(side: Side) -> dict[str, Any]:
    if side.refused:
        return {"model": side.name, "refused": side.refused, "note": side.note}
    return {
        "model": side.name,
        "refused": "",
        "note": side.note,
        "stops": [
            {
                "depth_m": stop.depth_m,
                "arrive_min": stop.arrive_min,
                "leave_min": stop.leave_min,
                "minutes": stop.minutes,
                "gas": stop.source.mix.label,
                "circuit": stop.source.circuit,
                "setpoint_bar": stop.source.setpoint_bar,
            }
            for stop in _stops(side.legs).values()
        ],
        "run_time_min": side.run_time_min,
        "tts_min": side.tts_min,
        "first_stop_m": side.first_stop_m,
        "ceiling_m": side.ceiling_m,
        "supersaturation_bar_min": list(side.supersaturation_bar_min),
        "gf_surface": side.gf_surface,
        "cylinders": [
            {"name": use.name, "gas": use.mix.label, "used_l": use.used_l, "left_bar": use.left_bar,
             "short_l": use.short_l}
            for use in side.cylinders
        ],
        "loop": None if side.loop is None else {"oxygen_l": side.loop.oxygen_l, "diluent_l": side.loop.diluent_l},
    }  # fmt: skip


def gauge(dive: Dive, use: CylinderUse) -> str:
    """What is left in a cylinder, in the dive's units: "85 bar", or "SHORT"."""
    system = SYSTEMS[dive.units]
    short = " SHORT" if use.short_l > 1e-6 else ""
    return f"{system.pressure(use.left_bar)}{short}"
