"""Plans the dives of a chunk of a sweep: whole, one by one, or many of one layout in one call of the kernel."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pyarrow.parquet as pq
from numba import get_num_threads, set_num_threads

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.schema import Dive
from leadline.dive_file.team import divers
from leadline.many.batch import Varied, simulate_many
from leadline.plan.oxygen import carried, oxygen_exposure
from leadline.plan.schedule import common_stops, dive_schedule, lay_out
from leadline.plan.supply import cylinder_use
from leadline.plan.team import plan_team
from leadline.sweep.axes import Array, Axis, Place, SweepPlan
from leadline.sweep.columns import Figures, axis_column, empty, figures_of_many, figures_of_one, figures_of_plan, table
from leadline.tissue import kernel
from leadline.tissue.known_answer import prove

Chunk = tuple[int, int]
"""Dives from one to before another, counted from 0."""

FEW = 64
"""Fewer dives of a layout are swum on one core: to wake the others takes longer than they save."""

_FAULTS = {
    kernel.LEFT_TOO_EARLY: "[[levels]] leave_at: a level is left before the way to it, with its stops, is done",
    kernel.NEVER_CLEARS: "[model] gradient_factors: a stop never clears on the gas breathed there",
    kernel.TOO_MANY_LEGS: "[[levels]]: the ascent has more legs than any dive",
}


@dataclass(frozen=True)
class Part:
    """A finished chunk, as a Parquet file."""

    content: bytes
    dives: int


def quick(place: Place) -> bool:
    """Whether dives that differ in a place share a layout."""
    first, *rest = place.loc
    return (
        (first == "levels" and rest[1:] == ["leave_at"])
        or place.loc == ("model", "gradient_factors")
        or first == "rates"
        or place.loc == ("stops", "gas_switch")
        or place.loc in (("diver", "rmv_bottom"), ("diver", "rmv_deco"))
    )


def is_quick(axis: Axis) -> bool:
    """Whether dives that differ on an axis share a layout."""
    return all(map(quick, axis.places))


def evaluate(sweep: SweepPlan, digest: str, chunk: Chunk) -> Part:
    """Plan the dives of a chunk. EngineFault where the engine fails its known answers."""
    prove()
    first, end = chunk
    chosen = sweep.indices(first, end)
    one_by_one = sweep.contingencies or bool(sweep.file.dive.team)
    found = (_plan_each if one_by_one else _plan_together)(sweep, chosen, end - first)
    names = [name for name, _ in divers(sweep.file.dive)]
    found["dive"] = np.repeat(np.arange(first + 1, end + 1), len(names))
    if names[0]:
        found["diver"] = np.array(names * (end - first), dtype=object)
    for axis, of_dive in zip(sweep.axes, chosen, strict=True):
        found[axis.name] = np.repeat(axis_column(axis, of_dive), len(names))
    content = io.BytesIO()
    pq.write_table(table(sweep, digest, found), content, compression="zstd")
    return Part(content.getvalue(), end - first)


def _plan_together(sweep: SweepPlan, chosen: Sequence[Array], dives: int) -> Figures:
    """Dives that share a layout are swum in one go."""
    found = empty(sweep, dives)
    slow = [i for i, axis in enumerate(sweep.axes) if not is_quick(axis)]
    if slow:
        which = np.stack([chosen[i] for i in slow], axis=1)
        combinations, of_dive = np.unique(which, axis=0, return_inverse=True)
    else:
        combinations, of_dive = np.zeros((1, 0), dtype=int), np.zeros(dives, dtype=int)
    apart = _far_apart(sweep)
    order = np.argsort(of_dive.ravel(), kind="stable")
    ends = np.cumsum(np.bincount(of_dive.ravel(), minlength=len(combinations)))
    for k, values in enumerate(combinations.tolist()):
        rows = order[ends[k - 1] if k else 0 : ends[k]]
        try:
            same = [(sweep.axes[i], value) for i, value in zip(slow, values, strict=True)]
            dive = _dive(sweep, same + apart, alone=False)
            layout = lay_out(dive, sweep.file.name)
            carried(dive)
        except DiveFileError as error:
            found["refused"][rows] = _why(error)
            continue
        varied, wrong = _varied(sweep, dive, [of_axis[rows] for of_axis in chosen])
        with _cores(None if len(rows) >= FEW else 1):
            swum = simulate_many(dive, layout, varied, len(rows))
        fine = (swum.figures["fault"] == kernel.FINE) & ~wrong
        for fault, said in _FAULTS.items():
            found["refused"][rows[swum.figures["fault"] == fault]] = said
        found["refused"][rows[wrong]] = "[model] gradient_factors: GF low is over GF high"
        for name, figures in figures_of_many(dive, layout, swum).items():
            found[name][rows[fine]] = figures[fine]
    return found


def _far_apart(sweep: SweepPlan) -> list[tuple[Axis, int]]:
    """Of quick axes of half a pair of gradient factors, the lowest GF low and the highest GF high: no layout is refused
    for a half that its dives do not have."""
    found = []
    for axis in filter(is_quick, sweep.axes):
        halves = {place.half for place in axis.places} - {None}
        if len(halves) == 1:
            chosen = np.argmin(axis.read) if halves == {0} else np.argmax(axis.read)
            found.append((axis, int(chosen)))
    return found


@contextmanager
def _cores(most: int | None) -> Iterator[None]:
    """The kernel on so many cores at most."""
    cores = get_num_threads()
    set_num_threads(min(cores, most or cores))
    try:
        yield
    finally:
        set_num_threads(cores)


def _varied(sweep: SweepPlan, dive: Dive, chosen: Sequence[Array]) -> tuple[Varied, Array]:
    """What differs between dives of one layout, and which of them have GF low over GF high."""
    dives = len(chosen[0])
    leave_at_min = np.tile([level.leave_at for level in dive.levels], (dives, 1))
    gf = np.tile(dive.model.gradient_factors, (dives, 1)).astype(float)
    numbers: dict[str, Array] = {}
    for axis, of_dive in zip(sweep.axes, chosen, strict=True):
        if not is_quick(axis):
            continue
        for place, read in zip(axis.places, axis.reads, strict=True):
            values = np.array(read, dtype=float)[of_dive]
            key = str(place.loc[-1])
            if key == "gradient_factors":
                gf[:, slice(None) if place.half is None else place.half] = values
            elif key == "leave_at":
                leave_at_min[:, int(place.loc[1])] = values
            else:
                numbers["switch_hold_min" if key == "gas_switch" else key] = values
    for key in ("between_stops", "to_surface"):  # as ascent, where the file has none
        if "ascent" in numbers and getattr(dive.rates, key) is None:
            numbers.setdefault(key, numbers["ascent"])
    wrong = gf[:, 0] > gf[:, 1]
    gf[wrong, 0] = gf[wrong, 1]
    varied = Varied(leave_at_min=leave_at_min, gf_low=gf[:, 0] / 100.0, gf_high=gf[:, 1] / 100.0, **numbers)
    return varied, wrong


def _plan_each(sweep: SweepPlan, chosen: Sequence[Array], dives: int) -> Figures:
    """Dives of a team, or with their contingencies, planned one after the other: a row for each diver."""
    several = len(divers(sweep.file.dive))
    found = empty(sweep, dives * several)
    for i in range(dives):
        rows = range(i * several, (i + 1) * several)
        try:
            dive = _dive(sweep, [(axis, int(of_dive[i])) for axis, of_dive in zip(sweep.axes, chosen, strict=True)])
            figures = list(
                _planned(dive, sweep.file.name) if sweep.contingencies else _scheduled(dive, sweep.file.name)
            )
        except DiveFileError as error:
            found["refused"][rows.start : rows.stop] = _why(error)
            continue
        for row, of_diver in zip(rows, figures, strict=True):
            for name, figure in of_diver.items():
                found[name][row] = figure
    return found


def _planned(dive: Dive, source: str) -> Iterator[Figures]:
    team = plan_team(dive, source)
    for member in team.members:
        yield figures_of_plan(team, member.name, member.plan)


def _scheduled(dive: Dive, source: str) -> Iterator[Figures]:
    """Of every diver on the team's stops, without the contingencies."""
    named = [own for _, own in divers(dive)]
    held = common_stops(named) if len(named) > 1 else ()
    for own in named:
        found = dive_schedule(own, lay_out(own, source, held), source)
        cylinders, loop = cylinder_use(own, found.legs)
        yield figures_of_one(
            own, found, oxygen_exposure(found.legs, own.site.environment, carried(own)), cylinders, loop
        )


def _dive(sweep: SweepPlan, chosen: Sequence[tuple[Axis, int]], alone: bool = True) -> Dive:
    """The dive with chosen values. DiveFileError where its parts do not agree; if it is not `alone`, but a layout for
    dives with other times, whether a level is left too early is left to the kernel."""
    dive = sweep.file.changed(sweep.tables(chosen))
    problems = [
        p for p in contradictions(dive) if alone or not (p.key.startswith("[[levels]]") and "leave_at" in p.key)
    ]
    if problems:
        raise DiveFileError(sweep.file.name, problems)
    return dive


def _why(error: DiveFileError) -> str:
    first = error.problems[0]
    return f"{first.key}: {first.message}" if first.key else first.message
