"""A dive under the bubble model, planned once more: slowly, in plain Python, from the equations of docs/models.md.

It shares nothing with Leadline. The dive is `tests/reference_model.py`'s; in place of gradient factors stands what
nuclei allow. One level, to depths at which the skin of nuclei stays permeable.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.authority.published import ZHL16
from tests.reference_model import VAPOUR, Reference

GAMMA, SKIN = 0.179, 2.57  # bar µm
OTHER = 102.0 / 760.0 * 1.01325
LAMBDA = 6500.0 / 33.0 * 1.01325
UNSHRUNK = -1.0
"""Asked of `ceiling`: before a first stop there is nothing to shrink."""


@dataclass
class BubbleReference(Reference):
    radii: tuple[float, float] = (0.55, 0.45)
    lasts: list[float] = field(default_factory=lambda: [math.inf] * 16)
    """What supersaturation is taken to last, compartment by compartment."""
    stopping: bool = True
    within: bool = False

    def __post_init__(self) -> None:
        super().__post_init__()
        self.gf_high, self.pieces = UNSHRUNK, 1
        self.crush, self.over_minutes = [0.0] * 16, 0.0

    # --- What the diver feels

    def gas_in(self, c: int) -> float:
        return self.n2[c] + self.he[c] + OTHER

    def over(self, depth: float) -> float:
        return max(self.gas_in(c) for c in range(16)) - self.pressure(depth)

    def load(self, start: float, end: float, minutes: float, label: str, going_up: bool) -> None:
        count = max(1, math.ceil(minutes / (0.05 if start != end else 1.0)))
        for i in range(count):
            a, b = (start + (end - start) * j / count for j in (i, i + 1))
            before = self.over(a)
            super().load(a, b, minutes / count, label, going_up)
            after = self.over(b)
            if before > 0.0 and after > 0.0:
                self.over_minutes += minutes / count
            elif before > 0.0 or after > 0.0:  # linear where it crosses
                self.over_minutes += minutes / count * max(before, after) / abs(after - before)
            at_rest = self.surface - (self.surface - VAPOUR) * 0.7902 - OTHER
            if not self.surfacing:
                for c in range(16):
                    self.crush[c] = max(self.crush[c], self.pressure(b) - self.gas_in(c) - at_rest)

    def saved(self) -> tuple[list[float], list[float], float, float]:
        self.kept = getattr(self, "kept", [])
        self.kept.append(self.over_minutes)
        return super().saved()

    def restore(self, state: tuple[list[float], list[float], float, float]) -> None:
        self.over_minutes = self.kept.pop()
        super().restore(state)

    def lasted(self) -> list[float]:
        """At the surface: how long supersaturation has lasted and will, fading summed in steps of 0.1 min."""
        found = []
        inspired = (self.surface - VAPOUR) * 0.7902
        for c in range(16):
            k2, kh = (math.log(2.0) / ZHL16[key][c] for key in ("n2_half_time_min", "he_half_time_min"))
            n2, he = self.n2[c] - inspired, self.he[c]
            first, area, step = n2 + he, 0.0, 0.1
            q2, qh = math.exp(-k2 * step), math.exp(-kh * step)
            n2, he = n2 * math.sqrt(q2), he * math.sqrt(qh)
            while first > 0.0 and n2 + he > 1e-7 * first:
                area += (n2 + he) * step
                n2, he = n2 * q2, he * qh
            found.append(self.over_minutes + (area / first if first > 0.0 else 0.0))
        return found

    # --- What nuclei allow

    def allowed(self, c: int, rest: float) -> float:
        """Supersaturation of one gas in one compartment. [bar]"""
        squeeze = 2.0 * (SKIN - GAMMA)
        assert self.crush[c] < 8.2 * 1.01325, "the skin would close"
        crushed = 1.0 / (1.0 / rest + self.crush[c] / squeeze)
        radius = rest - (rest - crushed) * math.exp(-self.levels[-1][1] / 20160.0)
        least = GAMMA * squeeze / (SKIN * radius)
        left = squeeze * (1.0 / radius - 1.0 / rest)
        low, high = least, least + 1e4
        for _ in range(80):  # the balance of the critical volume, halved down
            x = 0.5 * (low + high)
            grows = GAMMA * squeeze / (SKIN * x - GAMMA * left)
            freed = (1.0 - grows / rest) * x * self.lasts[c] if math.isfinite(self.lasts[c]) else math.inf
            low, high = (x, high) if freed < LAMBDA * GAMMA / SKIN else (low, x)
        return low

    def shrunk(self, allowed: float, depth: float) -> float:
        """Boyle from the first stop: the radius that holds the same gas, halved down."""
        if self.anchor is None or depth == UNSHRUNK:
            return allowed
        first, bar, r1 = self.pressure(self.anchor), self.pressure(depth), 2.0 * GAMMA / allowed
        low, high = r1, 20.0 * r1
        for _ in range(60):
            r = 0.5 * (low + high)
            low, high = (r, high) if (bar + 2.0 * GAMMA / r) * r**3 < (first + allowed) * r1**3 else (low, r)
        return 2.0 * GAMMA / low

    def gf(self, depth: float) -> float:
        return depth

    def ceiling(self, gf: float) -> float:
        """The shallowest depth tolerated on the way to a depth."""
        key = (tuple(self.lasts), tuple(self.crush))
        if getattr(self, "worked_out", (None,))[0] != key:
            self.worked_out = key, [[self.allowed(c, rest) for rest in self.radii] for c in range(16)]
        lowest = []
        for c, (n2_allowed, he_allowed) in enumerate(self.worked_out[1]):
            n2, he = self.n2[c], self.he[c]
            mean = (n2 * self.shrunk(n2_allowed, gf) + he * self.shrunk(he_allowed, gf)) / (n2 + he)
            lowest.append(self.gas_in(c) - mean)
        return (max(lowest) - self.surface) / self.per_metre

    def direct(self, own: str) -> bool:
        if self.stopping:
            return False
        self.within = True
        for to in (d for d in self.grid() if d < self.depth - 1e-9):
            self.rise(to, self.to_surface if to == 0.0 else self.ascent, self.gas_at(self.depth, own, self.deco))
            self.within = self.within and self.ceiling(UNSHRUNK) <= to
        return True


def planned(make: Callable[[], BubbleReference]) -> BubbleReference:
    """The dive without stops, if it may be; or else with them, round by round until two are the same."""
    lasts = [math.inf] * 16
    for _ in range(2):
        straight = make()
        straight.stopping, straight.lasts = False, lasts
        straight.swim()
        lasts = straight.lasted()
    if straight.within:
        return straight
    lasts, before = [math.inf] * 16, None
    while True:
        found = make()
        found.lasts = lasts
        found.swim()
        if before is not None and before.stops == found.stops:
            return found
        lasts, before = found.lasted(), found
