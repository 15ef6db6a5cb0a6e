"""What if: the loop fails at the worst moment, and the diver comes home on open circuit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from leadline.brief.errors import BriefError, Problem
from leadline.brief.schema import Dive
from leadline.plan import breathing, gases
from leadline.plan.findings import Finding
from leadline.plan.oxygen import Oxygen, oxygen
from leadline.plan.oxygen import judge as judge_oxygen
from leadline.plan.schedule import Array, Layout, Leg, Schedule, Stop, Switch, read_legs, read_stops, read_switches
from leadline.plan.supply import CylinderUse, open_circuit_cylinders, open_circuit_supply, short_of_gas, stressed_rmv
from leadline.tissue import kernel
from leadline.units import SYSTEMS


@dataclass(frozen=True)
class Bailout:
    """The open-circuit ascent from the worst moment to leave the loop."""

    worst_moment_min: float
    """The run time, over the whole dive, at which leaving the loop asks most of the cylinders carried."""
    depth_m: float
    legs: tuple[Leg, ...]
    stops: tuple[Stop, ...]
    switches: tuple[Switch, ...]
    run_time_min: float
    """At the surface."""
    supply: tuple[CylinderUse, ...]
    oxygen: Oxygen
    """Of the whole dive: on the loop until the worst moment, then on open circuit."""
    breathing: tuple[breathing.Breathed, ...]
    """Every bailout gas over all the depths it may be breathed at, whenever the loop is left."""

    @property
    def tts_min(self) -> float:
        """From leaving the loop to the surface, sorting it out included."""
        return self.run_time_min - self.worst_moment_min


def bailout(dive: Dive, layout: Layout, schedule: Schedule, source: str = "dive") -> Bailout | None:
    """The worst bailout of a loop dive; None on open circuit, or if nothing is carried to bail out to.

    Every point of the track is tried. The worst is the one that takes the largest share of what some cylinder can
    give; among equals, the one with the longest way home.
    """
    cylinders = open_circuit_cylinders(dive)
    if dive.loop is None or not cylinders:
        return None
    way = gases.bailout_way(dive)
    way_rows = layout.way_rows(way)
    track, rmv = schedule.track, stressed_rmv(dive)
    rows = np.zeros(2048, kernel.LEG)

    def leave_the_loop(points: Array, tensions: Array) -> tuple[int, int, Array, Array]:
        used, surfacing_min = np.zeros((len(points), len(layout.sources))), np.zeros(len(points))
        fault, filled = kernel.bail_out_everywhere(
            points, tensions, dive.diver.sorting_out, rmv, way_rows, layout.source_rows, layout.rules, layout.comps,
            used, surfacing_min, rows,
        )  # fmt: skip
        return fault, filled, used, surfacing_min

    fault, _, used, surfacing_min = leave_the_loop(track.points, track.tensions_bar)
    if fault != kernel.FINE:
        said = "the stops of a bailout never clear on the gas carried; carry a richer bailout gas, or raise GF high"
        raise BriefError(source, [Problem("[[cylinders]]", said)])
    carried = open_circuit_supply(dive, cylinders, (), lambda leg: rmv)
    usable = [sum(use.usable_l for use in carried if gases.Source(use.mix) == of) for of in layout.sources]
    asked = (used / np.maximum(usable, 1e-9)).max(axis=1)  # the largest share of any mix, moment by moment
    tts = surfacing_min - track.points["run_time_min"]
    worst = int(np.lexsort((tts, asked))[-1])

    _, filled, _, _ = leave_the_loop(track.points[worst : worst + 1], track.tensions_bar[worst : worst + 1])
    legs = read_legs(rows[:filled], layout.sources)
    point = track.points[worst]
    first = Switch(float(point["depth_m"]), float(point["run_time_min"]), legs[0].source)
    return Bailout(
        worst_moment_min=float(point["run_time_min"]),
        depth_m=float(point["depth_m"]),
        legs=legs,
        stops=read_stops(legs),
        switches=(first, *read_switches(legs)),
        run_time_min=float(surfacing_min[worst]),
        supply=open_circuit_supply(dive, cylinders, legs, lambda leg: rmv),
        oxygen=oxygen((*_until(schedule.legs, legs[0].start_min), *legs), dive.site.environment),
        breathing=breathing.breathed_in_a_bailout(dive, way, legs[0].start_min),
    )


def in_a_bailout(findings: Iterable[Finding]) -> list[Finding]:
    """Findings of the bailout's own: codes that begin with "bailout-", and messages that say so."""
    return [replace(f, code=f"bailout-{f.code}", message=f"Bailout: {f.message}") for f in findings]


def _until(legs: Sequence[Leg], run_time_min: float) -> Iterator[Leg]:
    """The legs before a run time, the last cut off there."""
    for leg in legs:
        if leg.end_min <= run_time_min:
            yield leg
        elif leg.start_min < run_time_min:
            share = (run_time_min - leg.start_min) / leg.minutes
            yield replace(leg, end_min=run_time_min, end_m=leg.start_m + share * (leg.end_m - leg.start_m))


def judge(dive: Dive, found: Bailout | None) -> list[Finding]:
    """Nothing to bail out to, too little of it, or gas that cannot be breathed where it is needed, is a no-go."""
    if dive.loop is None:
        return []
    if found is None:
        message = "No open-circuit cylinder is carried: there is nothing to bail out to."
        return [Finding("bailout-none", "no-go", message)]
    system = SYSTEMS[dive.units]
    at = f"{found.worst_moment_min:.0f} min, {system.at(found.depth_m)}"
    short = in_a_bailout(finding for use in found.supply if (finding := short_of_gas(dive, use)) is not None)
    breathed = in_a_bailout([*breathing.judge(dive, found.breathing, found.legs), *judge_oxygen(found.oxygen)])
    for part in found.breathing:
        if part.ppo2_low_bar < gases.MINIMUM_PPO2_BAR:
            breathed.append(
                Finding(
                    "bailout-hypoxic", "no-go",
                    f"Bailout: {part.source.name} is hypoxic at {system.at(part.shallowest_m)} "
                    f"(ppO2 {part.ppo2_low_bar:.2f}); carry a richer gas for the shallows.",
                    {"ppo2_bar": part.ppo2_low_bar, "gas": part.source.mix.label}, None, part.shallowest_m,
                )
            )  # fmt: skip
    if short or any(finding.severity == "no-go" for finding in breathed):
        return [*short, *breathed]
    message = f"Bailout at the worst moment ({at}) is met with every stop, {math.ceil(found.tts_min - 1e-6)} min up."
    values: dict[str, float | str] = {"worst_moment_min": found.worst_moment_min, "tts_min": found.tts_min}
    return [
        *breathed,
        Finding("bailout-holds", "note", message, values, found.worst_moment_min, found.depth_m),
    ]
