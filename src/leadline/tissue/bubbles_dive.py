"""A dive under a limit that the compiled kernel does not know: the stops of the bubble model.

It goes by the kernel's own rules, grid, rates, gas switches, whole minutes, oxygen breaks, and loads tissues with the
kernel's functions; only what holds the diver down is a `Limit`. tests/tissue/test_bubbles.py puts gradient factors in
its place and finds the kernel's dives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from leadline.physics.mix import AIR_O2, WATER_VAPOUR_BAR
from leadline.tissue import kernel
from leadline.tissue.bubbles import RADII_UM, Nuclei, Supersaturation, allowed, excess, fading_min
from leadline.tissue.kernel import CLOSE

Array = NDArray[Any]

MOST_ROUNDS = 60
FEEL_M = 3.0
"""On the way down nuclei feel the pressure at least so often."""


class BubbleLimit(Protocol):
    """What holds a diver down."""

    def allows(self, tissue: Array, bar: float, first_stop_bar: float | None) -> bool:
        """Whether tissues tolerate an ambient pressure, on the way up from a first stop or before there is one."""

    def allows_direct(self, tissue: Array, bar: float) -> bool:
        """Whether tissues tolerate an ambient pressure on an ascent without stops."""

    def ceiling_bar(self, tissue: Array) -> float:
        """The lowest ambient pressure that tissues tolerate before the first stop. [bar]"""


class Course(NamedTuple):
    """A dive as the kernel takes it: see there."""

    start: Array
    levels: Array
    ways: Array
    sources: Array
    rules: kernel.Rules
    comps: kernel.Compartments


class BubbleLeg(NamedTuple):
    """As `kernel.LEG`."""

    start_min: float
    end_min: float
    start_m: float
    end_m: float
    source: int
    kind: int
    level: int
    first_stop_m: float


@dataclass(frozen=True)
class BubbleDive:
    """What a dive has come to."""

    legs: tuple[BubbleLeg, ...]
    fault: int
    """As in the kernel: FINE, NEVER_CLEARS, LEFT_TOO_EARLY."""
    fault_level: int
    fault_min: float
    tissue: Array
    """At the surface."""
    limit: BubbleLimit
    """That held on the last ascent."""
    direct: bool
    """Without stops, and within the limit."""

    @property
    def run_time_min(self) -> float:
        """At the surface."""
        return self.legs[-1].end_min


class _BubbleDiver:
    """Where a diver is, what is in the tissues, and what has been done so far."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.rules = course.rules
        self.sources = list(course.sources)
        self.oxygen = [bool(s["setpoint_bar"] == 0.0 and s["o2"] >= kernel.OXYGEN) for s in course.sources]
        self.tissue = course.start.copy()
        self.depth_m = self.run_time_min = 0.0
        self.source = -1
        self.first_stop_m = -1.0
        self.oxygen_since_min, self.break_until_min = 0.0, -1.0
        self.level = 0
        self.legs: list[BubbleLeg] = []
        self.fault = kernel.FINE

    def bar(self, depth_m: float) -> float:
        return self.rules.surface_bar + self.rules.bar_per_m * depth_m

    def breathed(self, depth_m: float, way: Array) -> int:
        source = _source_at(way, depth_m)
        if self.run_time_min < self.break_until_min - CLOSE and self.oxygen[source]:
            return self.rules.break_source
        return source

    def write(self, end_min: float, end_m: float, source: int, kind: int) -> None:
        start_min, start_m = self.run_time_min, self.depth_m
        if self.legs and kind in (kernel.LEVEL, kernel.STOP):
            last = self.legs[-1]
            if (last.kind, last.source, last.end_m) == (kind, source, end_m):
                start_min, start_m = last.start_min, last.start_m
                self.legs.pop()
        self.legs.append(BubbleLeg(start_min, end_min, start_m, end_m, source, kind, self.level, self.first_stop_m))
        self.run_time_min, self.depth_m = end_min, end_m

    def move(self, to_m: float, rate: float, way: Array) -> None:
        kind = kernel.DESCENT if to_m > self.depth_m else kernel.ASCENT
        while self.depth_m != to_m:
            here, next_m = self.depth_m, to_m
            for edge in way["from_depth_m"].tolist():
                if min(here, next_m) + CLOSE < edge < max(here, next_m) - CLOSE:
                    next_m = edge
            minutes = abs(next_m - here) / rate
            source = self.breathed(0.5 * (here + next_m), way)
            kernel.load_travel(
                self.tissue, self.bar(here), self.bar(next_m), minutes, self.sources[source], self.course.comps
            )
            self.write(self.run_time_min + minutes, next_m, source, kind)

    def stay(self, until_min: float, source: int, kind: int) -> None:
        minutes = until_min - self.run_time_min
        if minutes <= 0.0:
            return
        if abs(minutes - 1.0) < 1e-9:
            minutes = 1.0
        kernel.load_constant(self.tissue, self.bar(self.depth_m), minutes, self.sources[source], self.course.comps)
        self.write(until_min, self.depth_m, source, kind)

    def take_up(self, source: int) -> float:
        """Change to a source. Returns the run time before which the diver does not go on. [min]"""
        if source == self.source:
            return self.run_time_min
        self.source, self.oxygen_since_min, self.break_until_min = source, self.run_time_min, -1.0
        open_circuit = self.sources[source]["setpoint_bar"] == 0.0
        return self.run_time_min + (self.rules.switch_hold_min if open_circuit else 0.0)

    def wait(self, way: Array) -> None:
        """Wait at a stop until the next whole minute, taking oxygen breaks when they are due."""
        if self.rules.oxygen_on_min > 0.0 and self.oxygen[_source_at(way, self.depth_m)]:
            if self.break_until_min > 0.0 and self.run_time_min >= self.break_until_min - CLOSE:
                self.oxygen_since_min, self.break_until_min = self.break_until_min, -1.0
            on_oxygen_min = self.run_time_min - self.oxygen_since_min
            if self.break_until_min < 0.0 and on_oxygen_min >= self.rules.oxygen_on_min - CLOSE:
                self.break_until_min = self.run_time_min + self.rules.oxygen_off_min
        whole_min = math.floor(self.run_time_min + CLOSE) + 1.0
        self.stay(whole_min, self.breathed(self.depth_m, way), kernel.STOP)

    def climb(self, target_m: float, way: Array, limit: BubbleLimit) -> None:
        """Up to a depth (0: the surface), stopping wherever the limit or a gas switch holds the diver; at the last stop
        for `safety_min` at least."""
        last_stop_m = float(self.rules.stop_depths_m[1])
        with_safety = target_m < CLOSE and self.depth_m > last_stop_m + CLOSE
        if self.depth_m > self.first_stop_m + CLOSE:
            self.first_stop_m = -1.0
        give_up_min = self.run_time_min + kernel.STUCK_AFTER_MIN
        while self.depth_m > target_m + CLOSE and self.fault != kernel.NEVER_CLEARS:
            not_before_min = self.take_up(_source_at(way, self.depth_m))
            if with_safety and abs(self.depth_m - last_stop_m) < CLOSE:
                not_before_min = max(not_before_min, self.run_time_min + self.rules.safety_min)
            above = [stop_m for stop_m in self.rules.stop_depths_m.tolist() if stop_m < self.depth_m - CLOSE]
            next_m = max(above[-1], target_m)
            while not self.leaves(next_m, not_before_min, way, limit):
                self.wait(way)
                if self.run_time_min > give_up_min:
                    self.fault = kernel.NEVER_CLEARS
                    return

    def leaves(self, next_m: float, not_before_min: float, way: Array, limit: BubbleLimit) -> bool:
        """Go on to the next depth, if the limit allows it now and on arrival. It draws the first stop where it does
        not."""
        here, next_bar = self.depth_m, self.bar(next_m)
        while True:
            drawn = self.first_stop_m >= 0.0
            first_stop_bar = self.bar(self.first_stop_m) if drawn else None
            if limit.allows(self.tissue, next_bar, first_stop_bar):
                if self.run_time_min < not_before_min - CLOSE:
                    return False
                rate = self.rules.between_stops if drawn else self.rules.ascent
                if next_m < CLOSE and here <= self.rules.stop_depths_m[1] + CLOSE:
                    rate = self.rules.to_surface
                tissue, run_time_min, legs = self.tissue.copy(), self.run_time_min, len(self.legs)
                self.move(next_m, rate, way)
                if limit.allows(self.tissue, next_bar, first_stop_bar):
                    return True
                self.tissue, self.depth_m, self.run_time_min = tissue, here, run_time_min
                del self.legs[legs:]
            if drawn:
                return False
            self.first_stop_m = here  # here is the first stop; ask again on the way up from it

    def go_direct(self, way: Array, limit: BubbleLimit) -> bool:
        """Ascend without a stop, or with a safety stop alone if there is to be one and the limit leaves time for it.
        Returns whether it was within the limit at the last stop's depth and at the top, the safety stop not counted
        on."""
        began = self.tissue.copy(), self.depth_m, self.run_time_min, list(self.legs)
        within = self._straight_up(way, limit, 0.0)
        if within and self.rules.safety_min > 0.0:
            for safety_min in (self.rules.safety_min, 0.0):
                self.tissue, self.depth_m, self.run_time_min = began[0].copy(), *began[1:3]
                self.legs = list(began[3])
                if self._straight_up(way, limit, safety_min):
                    break
        return within

    def _straight_up(self, way: Array, limit: BubbleLimit, safety_min: float) -> bool:
        last_stop_m = float(self.rules.stop_depths_m[1])
        within = True
        if self.depth_m > last_stop_m:
            self.move(last_stop_m, self.rules.ascent, way)
            within = limit.allows_direct(self.tissue, self.bar(last_stop_m))
            if safety_min > 0.0:
                until_min = float(math.ceil(self.run_time_min + safety_min - CLOSE))
                self.stay(until_min, _source_at(way, last_stop_m), kernel.STOP)
        self.move(0.0, self.rules.to_surface, way)
        return within and limit.allows_direct(self.tissue, self.rules.surface_bar)


def dive(
    course: Course, limit_now: Callable[[float], BubbleLimit], feel: Callable[[float, Array], None], direct: bool
) -> BubbleDive:
    """The whole dive: every level, then the ascent.

    `limit_now` gives the limit for an ascent that begins at a run time; `feel` is told ambient pressure and tissues
    on the way. `direct`: no stops after the last level. A level that is left late is a fault, but the dive goes on.
    """
    diver = _BubbleDiver(course)
    rules = course.rules
    fault, fault_level, fault_min = kernel.FINE, 0, 0.0
    feel(rules.surface_bar, diver.tissue)
    for i, level in enumerate(course.levels):
        diver.level = i
        way = course.ways[level["to_first"] : level["to_end"]]
        depth_m, leave_at_min = float(level["depth_m"]), float(level["leave_at_min"])
        if depth_m > diver.depth_m:
            began, tissue = len(diver.legs), diver.tissue.copy()
            diver.move(depth_m, rules.descent, way)
            _feel(course, tissue, diver.legs[began:], feel)
        else:
            diver.climb(depth_m, way, limit_now(diver.run_time_min))
        if diver.fault != kernel.FINE:
            fault, fault_level, fault_min = diver.fault, i, diver.run_time_min
            break
        if diver.run_time_min > leave_at_min + CLOSE and fault == kernel.FINE:
            fault, fault_level, fault_min = kernel.LEFT_TOO_EARLY, i, diver.run_time_min
        if depth_m > diver.first_stop_m + CLOSE:
            diver.first_stop_m = -1.0
        feel(diver.bar(depth_m), diver.tissue)
        diver.stay(leave_at_min, int(level["source"]), kernel.LEVEL)
        diver.source = int(level["source"])
        feel(diver.bar(depth_m), diver.tissue)
    last = course.levels[-1]
    up = course.ways[last["up_first"] : last["up_end"]]
    limit = limit_now(diver.run_time_min)
    within = False
    if fault != kernel.NEVER_CLEARS:
        if direct:
            within = diver.go_direct(up, limit)
        else:
            diver.climb(0.0, up, limit)
        if diver.fault != kernel.FINE:
            fault, fault_level, fault_min = diver.fault, len(course.levels) - 1, diver.run_time_min
    return BubbleDive(tuple(diver.legs), fault, fault_level, fault_min, diver.tissue, limit, within)


def bubble_dive(course: Course, rest_um: tuple[float, float] = RADII_UM) -> BubbleDive:
    """A dive under the bubble model, with nuclei of given radii at rest, nitrogen and helium. [µm]

    How much supersaturation is allowed hangs on how long it lasts, and that on the stops. From the least that can be
    allowed on, each round takes the time of the round before; the ascents get shorter until two rounds are the same.
    As for the kernel, an ascent without stops is tried first.
    """
    for direct in (True, False):
        rounds: list[BubbleDive] = []
        lasts_min = np.full(kernel.COMPARTMENTS, np.inf)
        while len(rounds) < MOST_ROUNDS:
            found = _round(course, rest_um, lasts_min, direct)
            if found.fault == kernel.NEVER_CLEARS:
                return found
            before = [one.legs for one in rounds]
            if found.legs in before and (not direct or before[-1] == found.legs):
                # The same legs again are a fixed point; were several to follow each other for ever, the longest counts.
                alike = [*rounds[before.index(found.legs) + 1 :], found]
                found = max(alike, key=lambda one: one.run_time_min)
                if found.direct or not direct:
                    return found
                break
            rounds.append(found)
            lasts_min = lasting_min(course, found)
    return max(rounds[-8:], key=lambda one: one.run_time_min)


def _round(course: Course, rest_um: tuple[float, float], lasts_min: Array, direct: bool) -> BubbleDive:
    nuclei = Nuclei(rest_um, course.rules.surface_bar)

    def limit_now(run_time_min: float) -> BubbleLimit:
        return Supersaturation(allowed(nuclei.radius_um(run_time_min), nuclei.rest_um, lasts_min))

    return dive(course, limit_now, nuclei.feel, direct)


def lasting_min(course: Course, dived: BubbleDive) -> Array:
    """How long supersaturation lasts: in the leading compartment under water, and fading at the surface. [16, min]"""
    tissue, minutes = course.start.copy(), 0.0
    for leg in dived.legs:
        over_before, _ = _over(course, tissue, leg, leg.start_min)
        over_after, after = _over(course, tissue, leg, leg.end_min)
        if over_before > 0.0 and over_after > 0.0:
            minutes += leg.end_min - leg.start_min
        elif over_before > 0.0 or over_after > 0.0:
            low_min, high_min = leg.start_min, leg.end_min
            for _ in range(40):
                middle_min = 0.5 * (low_min + high_min)
                if (_over(course, tissue, leg, middle_min)[0] > 0.0) == (over_before > 0.0):
                    low_min = middle_min
                else:
                    high_min = middle_min
            minutes += low_min - leg.start_min if over_before > 0.0 else leg.end_min - low_min
        tissue = after
    inspired_bar = (course.rules.surface_bar - WATER_VAPOUR_BAR) * (1.0 - AIR_O2)
    return np.maximum(minutes + fading_min(tissue, inspired_bar, course.comps.rate), CLOSE)


def _over(course: Course, tissue: Array, leg: BubbleLeg, run_time_min: float) -> tuple[float, Array]:
    """Supersaturation [bar] and tissues at a run time in a leg; `tissue` as it is at the start of the leg."""
    found, depth_m = in_leg(course, tissue, leg, run_time_min)
    return excess(found, course.rules.surface_bar + course.rules.bar_per_m * depth_m), found


def in_leg(course: Course, tissue: Array, leg: BubbleLeg, run_time_min: float) -> tuple[Array, float]:
    """Tissues and depth [m] at a run time in a leg; `tissue` as it is at the start of the leg."""
    rules, found, minutes = course.rules, tissue.copy(), run_time_min - leg.start_min
    start_bar = rules.surface_bar + rules.bar_per_m * leg.start_m
    source = course.sources[leg.source]
    if leg.start_m == leg.end_m:
        kernel.load_constant(found, start_bar, minutes, source, course.comps)
        return found, leg.start_m
    depth_m = leg.start_m + (leg.end_m - leg.start_m) * minutes / (leg.end_min - leg.start_min)
    kernel.load_travel(found, start_bar, rules.surface_bar + rules.bar_per_m * depth_m, minutes, source, course.comps)
    return found, depth_m


def _feel(course: Course, tissue: Array, legs: list[BubbleLeg], feel: Callable[[float, Array], None]) -> None:
    """Let nuclei feel a descent, at least every FEEL_M."""
    for leg in legs:
        pieces = math.ceil(abs(leg.end_m - leg.start_m) / FEEL_M)
        for i in range(1, pieces + 1):
            at_min = leg.start_min + (leg.end_min - leg.start_min) * i / pieces
            found, depth_m = in_leg(course, tissue, leg, at_min)
            feel(course.rules.surface_bar + course.rules.bar_per_m * depth_m, found)
        tissue = in_leg(course, tissue, leg, leg.end_min)[0]


def _source_at(way: Array, depth_m: float) -> int:
    """The source breathed at a depth: the last row whose depth is reached."""
    found = 0
    for i, from_m in enumerate(way["from_depth_m"].tolist()):
        if i == 0 or from_m >= depth_m - CLOSE:
            found = i
    return int(way["source"][found])
