"""After the dive: how long at the surface before flying, or driving up to an altitude.

The model's own number, with the published guidance beside it; the longer of the two is the advice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from leadline.dive_file.schema import Dive, Previous
from leadline.physics.environment import surface_pressure
from leadline.physics.mix import AIR_O2, WATER_VAPOUR_BAR
from leadline.plan.schedule import Array, Schedule, planned_before, starting_tissue
from leadline.tissue.loading import compartments, weighted
from leadline.units import FOOT_M, SYSTEMS, SystemName

CABIN_M = 8000.0 * FOOT_M
"""The highest a cabin's pressure altitude may be in normal flight: 14 CFR 25.841(a) and CS 25.841(a)."""
LONGEST_MIN = 14 * 1440
"""As far as is looked: 31 half-times of the slowest compartment."""
STEP_MIN = 5
"""Times are shown rounded up to this."""
NO_HIGHER_M = 300.0
"""A site that is less than this above the last one is not taken to be higher (Leadline's choice)."""
UNPUBLISHED = (
    "Nothing published covers decompression dives on trimix or on a loop well. The model's number alone is no advice."
)
"""To be said beside every time at the surface that is the model's."""
ONE_SPELL_MIN = 48 * 60.0
"""Dives that ended less than this before another belong together with it (Leadline's choice)."""


@dataclass(frozen=True)
class Guidance:
    """What is published for a kind of dive."""

    dive: str
    words: str
    minutes: int
    """What is counted for it."""


ONE_DIVE = Guidance("a single dive without stops", "at least 12 h", 12 * 60)
SEVERAL_DIVES = Guidance("several dives or days of diving", "at least 18 h", 18 * 60)
WITH_STOPS = Guidance("dives with stops", "substantially longer than 18 h, counted as 24 h", 24 * 60)
"""No number is published; 24 h is common practice, no source. All three: P. J. Sheffield, R. D. Vann (ed.), DAN Flying
After Recreational Diving Workshop Proceedings 2002, 2004; words from memory of it."""
GUIDED_FROM_M = 2000.0 * FOOT_M
"""The guidance is for cabins from here to CABIN_M."""


@dataclass(frozen=True)
class Ascent:
    """Going up to an altitude after a dive."""

    altitude_m: float
    flight: bool
    """In a cabin, as high as one may be; else to where the dive file says."""
    model_min: int | None
    """The shortest whole minutes on air at the surface after which every compartment is within GF high at that
    altitude's pressure, then and from then on; None: no time is long enough."""
    guidance: Guidance

    @property
    def advice_min(self) -> int | None:
        """The longer of model and guidance; None: no time is long enough for the model."""
        return None if self.model_min is None else max(self.model_min, self.guidance.minutes)


def after(dive: Dive, found: Schedule) -> tuple[Ascent, ...]:
    """Flying after a dive, and going up to the altitude that the dive file names."""
    tissue, guidance = found.track.tensions_bar[-1], guidance_for(dive, found)
    wanted = [(CABIN_M, True), *([(dive.after.altitude, False)] if dive.after.altitude is not None else [])]
    return tuple(
        Ascent(altitude_m, flight, wait_min(tissue, dive, altitude_m), guidance) for altitude_m, flight in wanted
    )


def going_up(dive: Dive) -> Ascent | None:
    """Going up to the site of a dive after the one before it; None where that is not higher, or there is none."""
    if not dive.previous or dive.site.altitude < dive.previous[-1].altitude_m + NO_HIGHER_M:
        return None
    last = dive.previous[-1]
    at_once = last.model_copy(update={"surface_interval": 0.0, "oxygen": 0.0})
    tissue = starting_tissue(dive.model_copy(update={"previous": (*dive.previous[:-1], at_once)}))
    wait = wait_min(tissue, dive, dive.site.altitude, surface_pressure(last.altitude_m))
    before = list(_of_one_spell(dive))
    stops = any(map(_needed_stops, before))
    return Ascent(
        dive.site.altitude, False, wait, WITH_STOPS if stops else SEVERAL_DIVES if before[1:] else ONE_DIVE
    )  # fmt: skip


def wait_min(tissue: Array, dive: Dive, altitude_m: float, surface_bar: float | None = None) -> int | None:
    """The shortest whole minutes on air at the surface until an altitude [m] can be gone up to.

    It is the surface of the dive's site, or one where the pressure is `surface_bar`. `tissue` is [2, 16, bar] on
    surfacing. From then on every compartment must tolerate that altitude's pressure under GF high: the fast ones can
    first take up nitrogen after an ascent on oxygen. Who goes up later than that, or stays there, is within it too: up
    there is less nitrogen to breathe, helium leaves alike, and with the same helium less nitrogen always tolerates less
    pressure. None: not within LONGEST_MIN.
    """
    comps, gf = compartments(dive.model.coefficients), dive.model.gradient_factors[1] / 100.0
    bar = surface_bar if surface_bar is not None else dive.site.environment.surface_bar
    breathed = np.array([[1.0 - AIR_O2], [0.0]]) * (bar - WATER_VAPOUR_BAR)
    minutes = np.arange(LONGEST_MIN + 1.0)[:, None, None]
    n2, he = np.moveaxis(breathed + (tissue - breathed) * np.exp(-comps.rate * minutes), 1, 0)
    total = n2 + he
    a, b = weighted(n2, he, comps)
    tolerated = (total - a * gf) / (gf / b + 1.0 - gf)
    over = np.flatnonzero((tolerated > surface_pressure(altitude_m)).any(axis=1))
    if not len(over):
        return 0
    return int(over[-1]) + 1 if over[-1] < LONGEST_MIN else None


# --- Guidance ---------------------------------------------------------------------------------------------------------


def guidance_for(dive: Dive, found: Schedule) -> Guidance:
    """The guidance for a dive by its own facts and those of the dives before it."""
    before = list(_of_one_spell(dive))
    if _needs_stops(found) or any(map(_needed_stops, before)):
        return WITH_STOPS
    return SEVERAL_DIVES if before else ONE_DIVE


def _of_one_spell(dive: Dive) -> Iterator[Previous]:
    """The dives before a dive, the last first, as long as they are of one spell with it."""
    ago_min = 0.0
    while dive.previous:
        earlier = dive.previous[-1]
        ago_min += earlier.surface_interval
        if ago_min >= ONE_SPELL_MIN:
            return
        yield earlier
        if earlier.left is not None:
            return
        dive = planned_before(earlier).dive
        ago_min += planned_before(earlier).schedule.run_time_min


def _needs_stops(found: Schedule) -> bool:
    """Whether the surface is ever out of reach: a stop can be made on a level, too. A safety stop is not needed."""
    return any(leg.after_first_stop for leg in found.legs) or bool((found.track.points["ceiling_m"] > 0.0).any())


def _needed_stops(earlier: Previous) -> bool:
    """Of a dive of the log that is not known: it is taken to have needed them."""
    return earlier.left is not None or _needs_stops(planned_before(earlier).schedule)


# --- In words ---------------------------------------------------------------------------------------------------------


def hours(minutes: float, step_min: int = 1) -> str:
    """A time in hours and minutes, rounded up: "17 h 35 min", "18 h", "35 min"."""
    whole = math.ceil(minutes / step_min - 1e-6) * step_min
    parts = [f"{whole // 60} h"] * (whole >= 60) + [f"{whole % 60} min"] * (whole % 60 > 0 or whole < 60)
    return " ".join(parts)


def in_words(ascent: Ascent, units: SystemName) -> tuple[str, str, str, str]:
    """Where to; how long to wait for it; what the model says; what is published, and for what: a row of a table."""
    where_to, guided = altitude(ascent.altitude_m, units), ascent.guidance.dive
    where = f"Flying, cabin at {where_to}" if ascent.flight else f"Up to {where_to}"
    if not GUIDED_FROM_M - 0.5 <= ascent.altitude_m <= CABIN_M + 0.5:
        guided += f" and {'higher' if ascent.altitude_m < GUIDED_FROM_M else 'lower'} cabins"
    guided += f": {ascent.guidance.words}"
    if ascent.model_min is None or ascent.advice_min is None:
        return where, "do not", "never: GF high is too low for it", guided
    return where, hours(ascent.advice_min, STEP_MIN), hours(ascent.model_min, STEP_MIN), guided


def note(units: SystemName) -> str:
    """What the guidance is, and what it is not."""
    return (
        "Guidance: consensus of the 2002 Flying After Recreational Diving Workshop, for cabins at "
        f"{altitude(GUIDED_FROM_M, units)} to {altitude(CABIN_M, units)} after recreational dives on air and nitrox. "
        f"{UNPUBLISHED}"
    )


def altitude(metres: float, units: SystemName) -> str:
    """An altitude as it is written, "1500 m"."""
    system = SYSTEMS[units]
    return f"{metres / system.depth_m:.0f} {system.depth_unit}"
