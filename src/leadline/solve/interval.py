"""The shortest surface interval after the dive before: what binds below it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.schema import Dive
from leadline.plan.flying import hours
from leadline.solve.verdict import Bound, Told, Tried, Verdict, always, halved, nearest_miss

LOOKED_AT_MIN = (
    0, 15, 30, 45, 60, 90, 120, 150, 180, 240, 300, 360, 480, 600, 720, 960, 1200, 1440, 2160, 2880, 4320, 5760, 7200,
    10080, 14400, 20160,
)  # fmt: skip
"""Between the last of these that fails and the next, every minute counts. The last is the longest a dive file takes."""
CONFIRMED_MIN = 30
"""So many minutes from the model's own answer on are each looked at."""
LEAST_MIN = 60
"""No shorter surface interval is given as an answer, whatever the model says. Common practice, no source."""


def with_interval(dive: Dive, minutes: float) -> Dive:
    """A dive begun after another surface interval [min]; what is breathed of it on oxygen stays."""
    last = dive.previous[-1].model_copy(update={"surface_interval": float(minutes)})
    return dive.model_copy(update={"previous": (*dive.previous[:-1], last)})


@dataclass(frozen=True)
class IntervalAnswer:
    """The shortest surface interval."""

    dive: Dive
    """As the answer has it; the dive file's own if there is none."""
    given_min: float
    """What the dive file says."""
    given_holds: bool | None
    """None: not looked at."""
    looked_from: int
    """As long as what is breathed of it on oxygen, or 0."""
    looked_to: int
    model_min: int | None
    """By the model, whole minutes. One less fails, or is shorter than `looked_from`; of the longer ones looked at all
    hold."""
    best: int | None
    """The longer of the model's and LEAST_MIN."""
    verdict: Verdict | None
    """Of the answer."""
    binding: tuple[Bound, ...]
    """What one minute less than the model's breaks; without an answer what the longest looked at breaks."""
    holds_below: tuple[int, ...]
    """Shorter ones than the model's that were looked at and hold, with one that fails after them."""
    nearest_miss: str
    """Where there is no answer: what fails by least of what was looked at, in one sentence."""
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether there is an answer."""
        return self.best is not None


def shortest_interval(dive: Dive, source: str = "dive", told: Told | None = None) -> IntervalAnswer:
    """The shortest surface interval after the last dive before this one, in whole minutes, at which the plan and every
    contingency hold; LEAST_MIN at least. DiveFileError for a dive that comes after none.

    All of LOOKED_AT_MIN first; from the last of them that fails halving up to the next, and then every minute for
    CONFIRMED_MIN; behind one that fails among those the search goes on.
    """
    if not dive.previous:
        said = "is missing: no dive comes before this one; name the one whose surface interval is sought"
        raise DiveFileError(source, [Problem("[[previous]]", said)])
    tried, given_min = Tried(source, told), dive.previous[-1].surface_interval
    low = math.ceil(dive.previous[-1].oxygen - 1e-6)
    verdicts: dict[int, Verdict] = {}

    def at(minutes: float) -> Verdict:
        return tried(minutes, lambda: with_interval(dive, minutes), f"surface interval {hours(minutes)}")

    def holds(minutes: int) -> bool:
        verdicts[minutes] = at(float(minutes))
        return verdicts[minutes].holds

    model_min, best, complete, given_holds = None, None, True, None
    try:
        given_holds = at(given_min).holds
        model_min = _shortest(holds, low)
        if model_min is not None:
            best = max(model_min, LEAST_MIN)
            holds(best)
    except KeyboardInterrupt:
        complete = False
    last = max(verdicts, default=low)
    fails = last if model_min is None else model_min - 1
    miss = ""
    if complete and best is None:
        value = min(verdicts, key=lambda minutes: (verdicts[minutes].nearness, minutes))
        miss = nearest_miss(hours(value), verdicts[value])
    return IntervalAnswer(
        dive=dive if best is None else with_interval(dive, best),
        given_min=given_min,
        given_holds=given_holds,
        looked_from=low,
        looked_to=last,
        model_min=model_min,
        best=best,
        verdict=verdicts[best] if best is not None else None,
        binding=always(verdicts[fails]) if fails in verdicts and complete else (),
        holds_below=tuple(m for m in sorted(verdicts) if model_min is not None and m < model_min and verdicts[m].holds),
        nearest_miss=miss,
        complete=complete,
        tried=len(tried.verdicts),
    )


def _shortest(holds: Callable[[int], bool], low: int) -> int | None:
    """Of all that is looked at, one more than the last that fails; None if that is the last of all."""
    looked_at = [low, *(minutes for minutes in LOOKED_AT_MIN if minutes > low)]
    i = max((i for i, minutes in enumerate(looked_at) if not holds(minutes)), default=-1)
    if i == len(looked_at) - 1:
        return None
    best = looked_at[0]
    if i >= 0:
        best = -halved(lambda minutes: holds(-minutes), -looked_at[i + 1], -looked_at[i])
    confirmed = best
    while confirmed < min(best + CONFIRMED_MIN, LOOKED_AT_MIN[-1]):
        confirmed += 1
        if not holds(confirmed):
            best = confirmed + 1
    return best
