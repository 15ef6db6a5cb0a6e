"""Whole dives, every stop, against an independent planner."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property, partial

from leadline.dive_file import parse_dive
from leadline.plan import schedule as planning
from leadline.plan.schedule import Schedule
from leadline.units import SYSTEMS
from leadline.verify.check import Point, Series
from leadline.verify.published import Table, load, source_of

TOPIC = "Schedules"
SAME_DEPTH_M = 1e-6
COMPARTMENTS = (1, 5, 16)
"""Of sixteen, so many are compared on surfacing; the tests compare all."""


def series() -> Iterator[Series]:
    """When each stop is left, the run time, and the tissues on surfacing."""
    table = load("schedules")
    source = source_of(table)
    dives = [_Dive(name, given) for name, given in table["dive"].items()]
    yield Series(
        TOPIC, "Stops: the minute each is left", "stop", "min", 0, "equal", 1e-6, "whole minutes of run time", source,
        tuple(point for dive in dives for point in dive.points()), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Run time", "dive", "min", 3, "equal", 1e-3, "the digits written", source,
        tuple(Point(dive.name, dive.given["run_time_min"], dive.run_time) for dive in dives), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Tissues on surfacing", "compartment and gas", "bar", 5, "equal", 2e-5,
        "the digits written; the planner cuts travel on a loop into pieces", source,
        tuple(
            Point(f"{number} {gas}", bar, partial(dive.tension, i, number - 1), dive.name)
            for dive in dives
            for i, (gas, key) in enumerate((("N2", "n2_bar"), ("He", "he_bar")))
            for number, bar in zip(COMPARTMENTS, dive.given[key], strict=True)
        ),
        finer=0,
    )  # fmt: skip


class _Dive:
    """A dive of which the independent planner's answer is known."""

    def __init__(self, name: str, given: Table) -> None:
        unit = SYSTEMS[given["file"]["units"]].depth_unit
        levels = ", ".join(f"{one['depth']:g} {unit} to {one['leave_at']:g} min" for one in given["file"]["levels"])
        self.name = f"{name}: {levels}"
        self.given = given

    @cached_property
    def swum(self) -> Schedule:
        """What Leadline makes of it, now."""
        dive = parse_dive(self.given["file"])
        return planning.dive_schedule(dive, planning.lay_out(dive))

    def points(self) -> Iterator[Point]:
        """How many stops, and when each is left."""
        system = SYSTEMS[self.given["file"]["units"]]
        yield Point("in all", len(self.given["stops"]), lambda: len(self.stops), self.name)
        for i, (depth_m, leave_min) in enumerate(self.given["stops"]):
            yield Point(system.at(depth_m), leave_min, partial(self.left_at, i, depth_m), self.name)

    @cached_property
    def stops(self) -> list[tuple[float, float]]:
        """Depth [m] and when it is left; stops that go on at one depth, through a change of gas, are one."""
        found: list[tuple[float, float]] = []
        left_min = -1.0
        for stop in self.swum.stops:
            goes_on = bool(found) and found[-1][0] == stop.depth_m and left_min == stop.arrive_min
            found[-1 if goes_on else len(found) :] = [(stop.depth_m, stop.leave_min)]
            left_min = stop.leave_min
        return found

    def left_at(self, i: int, depth_m: float) -> float:
        """When the i-th stop is left. LookupError if it is at another depth, or not there."""
        if i >= len(self.stops):
            raise LookupError(f"there are only {len(self.stops)} stops")
        found_m, left_min = self.stops[i]
        if abs(found_m - depth_m) > SAME_DEPTH_M:
            raise LookupError(f"the stop is at {found_m:g} m")
        return left_min

    def run_time(self) -> float:
        """From the surface to the surface. [min]"""
        return self.swum.run_time_min

    def tension(self, gas: int, i: int) -> float:
        """Of a compartment on surfacing, nitrogen (0) or helium (1). [bar]"""
        return float(self.swum.track.tensions_bar[-1][gas, i])
