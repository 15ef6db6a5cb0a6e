"""A dive, planned once more: slowly, in plain Python, from the equations alone.

Nothing here is shared with Leadline. What it stands on: Bühlmann's tables (data/zhl16.toml), Haldane's and
Schreiner's equations, Baker's gradient factors, and the conventions of the method page: the grid, the first
stop, the leave rule, whole minutes of run time, gases changed at the deepest grid depth within 1.63 bar.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

from tests.authority.published import ZHL16

Gas = tuple[float, float]
"""Oxygen and helium fraction."""

GASES: dict[str, Gas] = {"air": (0.2098, 0.0), "oxygen": (1.0, 0.0)}
VAPOUR = 0.0627
PIECES = 400
"""Into how many a travel on the loop is cut, in place of working out where its regime changes."""


def gas(label: str) -> Gas:
    if label in GASES:
        return GASES[label]
    o2, _, he = label.partition("/")
    return float(o2) / 100.0, float(he or 0) / 100.0


@dataclass
class Loop:
    diluent: str
    setpoint: float
    deco_setpoint: float | None = None
    deco_from: float = 0.0
    low_setpoint: float | None = None
    high_from: float = 0.0
    low_from: float = -1.0

    def held_at(self, depth: float, deepest_left: bool) -> float:
        """By `high_from` until the deepest level is left, then by `deco_from` and `low_from`."""
        if not deepest_left:
            return self.low_setpoint if self.low_setpoint and depth < self.high_from - 1e-9 else self.setpoint
        if self.low_setpoint and depth <= self.low_from + 1e-9:
            return self.low_setpoint
        return self.deco_setpoint if self.deco_setpoint and depth <= self.deco_from + 1e-9 else self.setpoint

    def changes(self, deepest_left: bool) -> tuple[float, ...]:
        """The depths at which the setpoint changes."""
        if not deepest_left:
            return (self.high_from,) if self.low_setpoint else ()
        return tuple(
            depth
            for depth, given in ((self.deco_from, self.deco_setpoint), (self.low_from, self.low_setpoint))
            if given
        )


class LeftTooEarlyError(Exception):
    """A level is due before the stops on the way to it are done."""


@dataclass
class Reference:
    """A dive to be planned. Metres, minutes, bar; gradient factors 0 to 1."""

    levels: list[tuple[float, float, str]]  # depth, run time at which it is left, gas
    deco: tuple[str, ...] = ()
    loop: Loop | None = None
    gf_low: float = 0.4
    gf_high: float = 0.8
    surface: float = 1.01325
    per_metre: float = 0.1
    step: float = 3.0
    last: float = 3.0
    descent: float = 20.0
    ascent: float = 9.0
    between: float = 9.0
    to_surface: float = 9.0
    hold: float = 0.0
    safety: float = 0.0
    density: float = 6.2
    letter: str = "c"
    held: dict[float, float] = field(default_factory=dict)
    """Stop depths that are not left before a run time, on the last ascent."""
    travel: tuple[str, ...] = ()
    """Breathed on the way down, and usable as a deco gas is."""
    other_bottom: tuple[str, ...] = ()
    """Bottom gases; a richer one is taken up on the way up within the bottom limit."""
    switch: dict[str, float] = field(default_factory=dict)
    """Switch depths of the diver's own, by gas."""
    ppo2_bottom: float = 1.4
    ppo2_deco: float = 1.6
    breaks: tuple[float, float, str] | None = None
    """Minutes on oxygen, minutes off it, and the gas breathed then."""
    pieces: int = PIECES
    came_from: float | None = None
    """Air pressure where the diver lived before coming up (or down) to the site; None: lives there."""
    there: float = 0.0
    """Minutes at the site since then."""

    stops: list[tuple[float, float, float]] = field(default_factory=list)  # depth, arrival, departure
    run_time: float = 0.0

    def __post_init__(self) -> None:
        at_home = self.surface if self.came_from is None else self.came_from
        self.n2 = [(at_home - VAPOUR) * (1.0 - 0.2098)] * 16
        self.he = [0.0] * 16
        self.depth = 0.0
        self.anchor: float | None = None
        self.breathed: str | None = None
        self.reached: dict[float, float] = {}
        """When each depth was last come to."""
        self.deepest_left = self.surfacing = True
        self.on_since = 0.0
        self.off_until: float | None = None
        self.leading = 1
        """The compartment with the deepest ceiling, when it was last asked for."""
        self.breaths: list[tuple[float, float, float, str]] = []
        """Run time, minutes, mean pressure and gas of all that was breathed."""
        self.rest(self.there)

    def rest(self, minutes: float, label: str = "air") -> None:
        """A surface interval: Haldane's equation at the surface."""
        loop, self.loop = self.loop, None
        if minutes > 0.0:
            self.load(0.0, 0.0, minutes, label, True)
        self.loop = loop

    # --- Gas and tissues

    def pressure(self, depth: float) -> float:
        return self.surface + self.per_metre * depth

    def grid(self, deepest: float | None = None) -> list[float]:
        """Stop depths, deepest first, and the surface. A last stop off the grid replaces the grid depth nearer to it
        than half a step."""
        deepest = deepest if deepest is not None else max(depth for depth, _, _ in self.levels)
        depths = [self.step * i for i in range(1, 200) if self.step * i <= deepest + 1e-6]
        return [*sorted((d for d in depths if d - self.last > self.step / 2 - 1e-6), reverse=True), self.last, 0.0]

    def gas_at(self, depth: float, own: str, deco: tuple[str, ...]) -> str:
        """Of the gas brought up and the deco gases, the richest that may be breathed at a depth."""
        best = own
        usable = [(label, self.ppo2_deco + 0.03) for label in (*deco, *(self.travel if self.surfacing else ()))]
        usable += [(label, self.ppo2_bottom + 0.01) for label in (self.other_bottom if self.surfacing else ())]
        for label, limit in sorted(usable, key=lambda one: gas(one[0])[0]):
            from_depth = self.usable_from(label, limit, other=best)
            if from_depth is not None and depth <= from_depth + 1e-6 and gas(label)[0] > gas(best)[0]:
                best = label
        return best

    def usable_from(self, label: str, limit: float, other: str = "") -> float | None:
        """The diver's own switch depth, or the deepest grid depth within a limit, be it below the dive; from there up
        as long as it is too dense, and `other` lighter and not hypoxic."""
        if label in self.switch:
            return self.switch[label]
        within = sorted(
            (d for d in self.grid(350.0) if d > 0 and gas(label)[0] * self.pressure(d) <= limit), reverse=True
        )
        while len(within) > 1 and other and self.grams(label, within[0]) > min(6.2, self.density):
            if self.grams(other, within[0]) >= self.grams(label, within[0]):
                break
            if gas(other)[0] * self.pressure(within[1]) < 0.16:
                break
            within = within[1:]
        return max(within, default=None)

    def grams(self, label: str, depth: float) -> float:
        """Density in g/L, of gases at 0 °C and one atmosphere from the CRC Handbook."""
        o2, he = gas(label)
        return (1.429 * o2 + 1.251 * (1.0 - o2 - he) + 0.1786 * he) * self.pressure(depth) / 1.01325

    def inspired(self, bar: float, label: str, depth: float, going_up: bool) -> tuple[float, float]:
        """Nitrogen and helium that reach the tissues. `going_up`: the deepest level is left."""
        dry = bar - VAPOUR
        if self.loop is None:
            o2, he = gas(label)
            return dry * (1.0 - o2 - he), dry * he
        o2, he = gas(self.loop.diluent)
        setpoint = self.loop.held_at(depth, going_up)
        inert = dry - min(dry, max(setpoint, o2 * dry))
        return inert * (1.0 - o2 - he) / (1.0 - o2), inert * he / (1.0 - o2)

    def load(self, start: float, end: float, minutes: float, label: str, going_up: bool) -> None:
        """Schreiner: p = p0 + R(t - 1/k) - (p0 - p_tissue - R/k)·e^(-kt)."""
        self.breaths.append((self.run_time, minutes, self.pressure(0.5 * (start + end)), label))
        pieces = self.pieces if self.loop is not None and start != end else 1
        for i in range(pieces):
            a, b = (start + (end - start) * j / pieces for j in (i, i + 1))
            t = minutes / pieces
            middle = 0.5 * (a + b)
            first = self.inspired(self.pressure(a), label, middle, going_up)
            then = self.inspired(self.pressure(b), label, middle, going_up)
            for tissue, half_times, p0, p1 in (
                (self.n2, ZHL16["n2_half_time_min"], first[0], then[0]),
                (self.he, ZHL16["he_half_time_min"], first[1], then[1]),
            ):
                rate = (p1 - p0) / t
                for c in range(16):
                    k = math.log(2.0) / half_times[c]
                    tissue[c] = p0 + rate * (t - 1.0 / k) - (p0 - tissue[c] - rate / k) * math.exp(-k * t)

    def ceiling(self, gf: float) -> float:
        """The shallowest depth tolerated under a gradient factor, negative above the surface."""
        lowest = []
        for c in range(16):
            n2, he = self.n2[c], self.he[c]
            p = n2 + he
            a = (ZHL16[f"n2_a_bar_zhl16{self.letter}"][c] * n2 + ZHL16["he_a_bar"][c] * he) / p
            b = (ZHL16["n2_b"][c] * n2 + ZHL16["he_b"][c] * he) / p
            lowest.append((p - a * gf) / (gf / b - gf + 1.0))
        self.leading = lowest.index(max(lowest)) + 1
        return (max(lowest) - self.surface) / self.per_metre

    def gf(self, depth: float) -> float:
        if self.anchor is None or depth >= self.anchor:
            return self.gf_low
        return self.gf_high - (self.gf_high - self.gf_low) * depth / self.anchor

    # --- The diver

    def travelled(self, to: float, rate: float, label: str) -> None:
        """Up or down to a depth, in parts where the setpoint changes on the way."""
        minutes, here = abs(self.depth - to) / rate, self.depth
        changes = self.loop.changes(self.deepest_left) if self.loop is not None else ()
        between = [depth for depth in changes if min(here, to) < depth < max(here, to)]
        for start, end in itertools.pairwise([here, *sorted(between, reverse=to < here), to]):
            self.load(start, end, minutes * abs((start - end) / (here - to)), label, self.deepest_left)
        self.run_time += minutes
        self.depth = to
        self.reached[to] = self.run_time

    def rise(self, to: float, rate: float, label: str) -> None:
        self.travelled(to, rate, label)

    def descend(self, to: float, label: str) -> None:
        """Down to the first level, on travel gases as deep as each is usable."""
        changed = {
            min(depth, to): one
            for one in sorted(self.travel, key=lambda one: gas(one)[0])
            if one != label and (depth := self.usable_from(one, self.ppo2_bottom + 0.01, other=label)) is not None
        }
        for depth, one in sorted(changed.items()):
            if depth > self.depth:
                self.travelled(depth, self.descent, one)
        if to > self.depth:
            self.travelled(to, self.descent, label)

    def off(self, label: str) -> str:
        """What is breathed instead of a gas during an oxygen break."""
        broken = self.breaks is not None and self.off_until is not None and self.run_time < self.off_until - 1e-6
        return self.breaks[2] if broken and self.breaks is not None and gas(label)[0] >= 0.9 else label

    def begin_or_end_break(self, label: str) -> None:
        """At a stop, at the end of each minute: is a break due, or over?"""
        if self.breaks is None or gas(label)[0] < 0.9:
            return
        if self.off_until is not None and self.run_time >= self.off_until - 1e-6:
            self.on_since, self.off_until = self.off_until, None
        if self.off_until is None and self.run_time - self.on_since >= self.breaks[0] - 1e-6:
            self.off_until = self.run_time + self.breaks[1]

    def saved(self) -> tuple[list[float], list[float], float, float]:
        return self.n2[:], self.he[:], self.depth, self.run_time

    def restore(self, state: tuple[list[float], list[float], float, float]) -> None:
        self.n2, self.he, self.depth, self.run_time = state[0][:], state[1][:], state[2], state[3]
        self.breaths = [breath for breath in self.breaths if breath[0] < self.run_time - 1e-9]

    def litres(self, left: float, stressed: float, at_least: float, calm: float) -> dict[str, float]:
        """Free litres breathed after the plan is left: stressed until a richer gas, and so long at least."""
        breaths = [breath for breath in self.breaths if breath[0] >= left - 1e-9]
        richer = [t for t, _, _, label in breaths if gas(label)[0] > gas(breaths[0][3])[0]]
        over = max(richer[0], left + at_least) if richer else math.inf
        found: dict[str, float] = {}
        for t, minutes, bar, label in breaths:
            under_stress = min(minutes, max(0.0, over - t))
            asked = bar * (stressed * under_stress + calm * (minutes - under_stress))
            found[label] = found.get(label, 0.0) + asked
        return found

    def direct(self, own: str) -> bool:
        """Straight to the surface, if that is within GF high at every grid depth; with the safety stop, if it then is
        as well."""
        before = self.saved()
        if not self.straight_up(own, 0.0):
            self.restore(before)
            return False
        if self.safety and before[2] > self.last:
            self.restore(before)
            if not self.straight_up(own, self.safety):
                self.restore(before)
                self.stops.pop()
                self.straight_up(own, 0.0)
        return True

    def straight_up(self, own: str, safety: float) -> bool:
        for to in (d for d in self.grid() if d < self.depth - 1e-9):
            if safety and self.depth == self.last:
                arrival, leave = self.run_time, math.ceil(self.run_time + safety - 1e-6)
                label = self.gas_at(self.depth, own, self.deco)
                self.load(self.depth, self.depth, leave - arrival, label, self.deepest_left)
                self.run_time = float(leave)
                self.stops.append((self.depth, arrival, float(leave)))
            rate = self.to_surface if to == 0.0 else self.ascent
            self.rise(to, rate, self.gas_at(self.depth, own, self.deco))
            if self.ceiling(self.gf_high) > to:
                return False
        return True

    def may_leave(self, to: float, rate: float, label: str) -> bool:
        """The ceiling, under the next depth's gradient factor, is at or above it: now, and on arrival."""
        if self.ceiling(self.gf(to)) > to:
            return False
        before = self.saved()
        self.rise(to, rate, label)
        fine = self.ceiling(self.gf(to)) <= to
        self.restore(before)
        return fine

    def start_on(self, label: str) -> None:
        """Breathe a gas already when the climb begins, so that taking it up holds nobody."""
        self.breathed = label

    def climb(self, target: float, own: str, deco: tuple[str, ...]) -> None:
        if self.anchor is not None and self.depth > self.anchor + 1e-9:
            self.anchor = None
        breathed = own if self.breathed is None else self.breathed
        from_below = target == 0.0 and self.depth > self.last + 1e-9
        while self.depth > target + 1e-9:
            label = self.gas_at(self.depth, own, deco)
            not_before = self.run_time + (self.hold if label != breathed else 0.0)
            if label != breathed or self.breathed is None:
                self.on_since, self.off_until, self.breathed = self.run_time, None, label
            for depth, until in self.held.items() if target == 0.0 else ():
                if abs(self.depth - depth) < 1e-6:
                    not_before = max(not_before, until)
            if from_below and abs(self.depth - self.last) < 1e-9:
                not_before = max(not_before, self.run_time + self.safety)
            breathed = label
            to = max(next(d for d in self.grid() if d < self.depth - 1e-9), target)

            def rate(to: float = to) -> float:
                if to == 0.0 and self.depth <= self.last + 1e-9:
                    return self.to_surface
                return self.ascent if self.anchor is None else self.between

            if not self.may_leave(to, rate(), self.off(label)):
                if self.anchor is None:
                    self.anchor = self.depth
                leave = self.may_leave(to, rate(), self.off(label)) and self.run_time >= not_before - 1e-9
            else:
                leave = self.run_time >= not_before - 1e-9
            if not leave:
                arrival = self.run_time
                minute = math.floor(arrival + 1e-6)
                while True:
                    minute += 1
                    self.begin_or_end_break(label)
                    self.load(self.depth, self.depth, minute - self.run_time, self.off(label), self.deepest_left)
                    self.run_time = float(minute)
                    if minute < not_before - 1e-9:
                        continue
                    if self.may_leave(to, rate(), self.off(label)):
                        break
                    if self.anchor is None:
                        self.anchor = self.depth
                        if self.may_leave(to, rate(), self.off(label)):
                            break
                    if minute - arrival > 3000:
                        raise ValueError("a stop that never clears")
                self.stops.append((self.depth, arrival, float(minute)))
            self.rise(to, rate(), self.off(label))

    def swim(self, levels: int | None = None) -> Reference:
        """The whole dive, or as far as the end of so many levels."""
        before = ""
        self.deepest_left = self.surfacing = False
        deepest = max(range(len(self.levels)), key=lambda i: self.levels[i][0])
        for i, (depth, leave_at, label) in enumerate(self.levels[:levels]):
            if depth > self.depth:
                if i == 0:
                    self.descend(depth, label)
                else:
                    self.travelled(depth, self.descent, label)
                self.anchor = None if self.anchor is None or depth > self.anchor else self.anchor
            else:
                self.breathed = None
                self.climb(depth, before, ())
            if self.run_time > leave_at + 1e-6:
                raise LeftTooEarlyError(i, self.run_time)
            if leave_at > self.run_time + 1e-9:
                self.load(self.depth, self.depth, leave_at - self.run_time, label, self.deepest_left)
                self.run_time = leave_at
            before = label
            self.deepest_left = i >= deepest
        if levels is not None:
            return self
        self.breathed, self.surfacing = None, True
        if self.held or not self.direct(before):
            self.climb(0.0, before, self.deco)
        return self

    def no_stop_limit(self) -> int:
        """The longest whole-minute bottom time at the deepest level, from rest, with a direct ascent after it."""
        depth, _, label = max(self.levels)
        self.deepest_left = False
        self.descend(depth, label)
        limit, minute = 0, math.ceil(self.run_time - 1e-6)
        while minute <= 999:
            if minute > self.run_time:
                self.load(depth, depth, minute - self.run_time, label, self.deepest_left)
                self.run_time = float(minute)
            arrived = self.saved()
            self.deepest_left = True
            fine = self.ceiling(self.gf_high) <= depth and self.direct(label)
            self.deepest_left = False
            self.restore(arrived)
            if not fine:
                break
            limit, minute = minute, minute + 1
        return limit
