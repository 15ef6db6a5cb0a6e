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
    letter: str = "c"
    held: tuple[float, float] | None = None
    """A stop depth that is not left before a run time."""

    stops: list[tuple[float, float, float]] = field(default_factory=list)  # depth, arrival, departure
    run_time: float = 0.0

    def __post_init__(self) -> None:
        self.n2 = [(self.surface - VAPOUR) * (1.0 - 0.2098)] * 16
        self.he = [0.0] * 16
        self.depth = 0.0
        self.anchor: float | None = None
        self.breathed: str | None = None

    # --- Gas and tissues

    def pressure(self, depth: float) -> float:
        return self.surface + self.per_metre * depth

    def grid(self) -> list[float]:
        """Stop depths, deepest first, and the surface."""
        deepest = max(depth for depth, _, _ in self.levels)
        depths = [self.step * i for i in range(1, 200) if self.step * i <= deepest + 1e-9]
        return [*sorted((d for d in depths if d > self.last + 1e-9), reverse=True), self.last, 0.0]

    def gas_at(self, depth: float, own: str, deco: tuple[str, ...]) -> str:
        """Of the gas brought up and the deco gases, the richest that may be breathed at a depth."""
        best = own
        for label in deco:
            o2 = gas(label)[0]
            within = [d for d in self.grid() if d > 0 and o2 * self.pressure(d) <= 1.63]
            if within and depth <= max(within) + 1e-9 and o2 > gas(best)[0]:
                best = label
        return best

    def inspired(self, bar: float, label: str, depth: float, going_up: bool) -> tuple[float, float]:
        dry = bar - VAPOUR
        if self.loop is None:
            o2, he = gas(label)
            return dry * (1.0 - o2 - he), dry * he
        o2, he = gas(self.loop.diluent)
        setpoint = self.loop.setpoint
        if going_up and self.loop.deco_setpoint is not None and depth <= self.loop.deco_from + 1e-9:
            setpoint = self.loop.deco_setpoint
        inert = dry - min(dry, max(setpoint, o2 * dry))
        return inert * (1.0 - o2 - he) / (1.0 - o2), inert * he / (1.0 - o2)

    def load(self, start: float, end: float, minutes: float, label: str, going_up: bool) -> None:
        """Schreiner: p = p0 + R(t - 1/k) - (p0 - p_tissue - R/k)·e^(-kt)."""
        pieces = PIECES if self.loop is not None and start != end else 1
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
        return (max(lowest) - self.surface) / self.per_metre

    def gf(self, depth: float) -> float:
        if self.anchor is None or depth >= self.anchor:
            return self.gf_low
        return self.gf_high - (self.gf_high - self.gf_low) * depth / self.anchor

    # --- The diver

    def rise(self, to: float, rate: float, label: str) -> None:
        minutes = (self.depth - to) / rate
        edges = [self.depth, to]
        if self.loop is not None and to < self.loop.deco_from < self.depth:
            edges.insert(1, self.loop.deco_from)
        for start, end in itertools.pairwise(edges):
            self.load(start, end, minutes * (start - end) / (self.depth - to), label, True)
        self.run_time += minutes
        self.depth = to

    def saved(self) -> tuple[list[float], list[float], float, float]:
        return self.n2[:], self.he[:], self.depth, self.run_time

    def restore(self, state: tuple[list[float], list[float], float, float]) -> None:
        self.n2, self.he, self.depth, self.run_time = state[0][:], state[1][:], state[2], state[3]

    def direct(self, own: str) -> bool:
        """Straight to the surface, if that is within GF high at every grid depth."""
        before = self.saved()
        for to in (d for d in self.grid() if d < self.depth - 1e-9):
            rate = self.to_surface if to == 0.0 else self.ascent
            self.rise(to, rate, self.gas_at(self.depth, own, self.deco))
            if self.ceiling(self.gf_high) > to:
                self.restore(before)
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
        while self.depth > target + 1e-9:
            label = self.gas_at(self.depth, own, deco)
            not_before = self.run_time + (self.hold if label != breathed else 0.0)
            if self.held is not None and abs(self.depth - self.held[0]) < 1e-9:
                not_before = max(not_before, self.held[1])
            breathed = label
            to = max(next(d for d in self.grid() if d < self.depth - 1e-9), target)

            def rate(to: float = to) -> float:
                if to == 0.0 and self.depth <= self.last + 1e-9:
                    return self.to_surface
                return self.ascent if self.anchor is None else self.between

            if not self.may_leave(to, rate(), label):
                if self.anchor is None:
                    self.anchor = self.depth
                leave = self.may_leave(to, rate(), label) and self.run_time >= not_before - 1e-9
            else:
                leave = self.run_time >= not_before - 1e-9
            if not leave:
                arrival, arrived = self.run_time, self.saved()
                minute = math.floor(arrival + 1e-6)
                while True:
                    minute += 1
                    self.restore(arrived)
                    self.load(self.depth, self.depth, minute - arrival, label, True)
                    self.run_time = float(minute)
                    if minute < not_before - 1e-9:
                        continue
                    if self.may_leave(to, rate(), label):
                        break
                    if self.anchor is None:
                        self.anchor = self.depth
                        if self.may_leave(to, rate(), label):
                            break
                self.stops.append((self.depth, arrival, float(minute)))
            self.rise(to, rate(), label)

    def swim(self) -> Reference:
        before = ""
        for depth, leave_at, label in self.levels:
            if depth > self.depth:
                minutes = (depth - self.depth) / self.descent
                self.load(self.depth, depth, minutes, label, False)
                self.depth, self.run_time = depth, self.run_time + minutes
                self.anchor = None if self.anchor is None or depth > self.anchor else self.anchor
            else:
                self.climb(depth, before, ())
            if leave_at > self.run_time + 1e-9:
                self.load(self.depth, self.depth, leave_at - self.run_time, label, False)
                self.run_time = leave_at
            before = label
        if self.held is not None or not self.direct(before):
            self.climb(0.0, before, self.deco)
        return self
