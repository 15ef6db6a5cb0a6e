"""A plan as if it had been dived to the letter: what is logged where nothing was recorded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import pairwise

from leadline.logbook.dived import Column, CylinderCarried, Dived, GasBreathed, Profile
from leadline.plan.gases import Source
from leadline.plan.planned import Plan
from leadline.plan.schedule import Leg
from leadline.plan.supply import open_circuit_cylinders

SAMPLES_A_MIN = 6
"""A sample every ten seconds."""
NEAR_MIN = 1e-3
"""A sample as near as this to a corner of the profile is the corner."""
NOT_RECORDED = "Dived as planned; not recorded."


def dived_as_planned(plan: Plan, began: datetime, diver: str = "") -> Dived:
    """The dive of a plan, dived exactly so: a sample every 10 s and at every corner, and the pressures planned for.

    `began` is on the clock of the place. Where several cylinders hold one mix, the first of them is what is breathed.
    The dive file is not in a plan: whoever has read it keeps it with the dive.
    """
    legs = [leg for leg in plan.schedule.legs if leg.minutes > 0.0]
    times = sample_times(legs)
    changes = [legs[0], *(leg for before, leg in pairwise(legs) if leg.source != before.source)]
    carried = [CylinderCarried(use.name, use.mix, use.water_l, use.start_bar, use.left_bar) for use in plan.supply]
    breathed = []
    for leg in changes:
        place = _place(plan, leg.source)
        if place is None:  # a diluent that no cylinder is listed for
            unlisted = CylinderCarried(leg.source.mix.name, leg.source.mix)
            carried += [unlisted] if unlisted not in carried else []
            place = carried.index(unlisted)
        breathed.append(GasBreathed(leg.start_min, place, leg.source.setpoint_bar))
    pressures: list[Column] = [tuple(use.bars_at(times)) for use in plan.supply]
    return Dived(
        began=began,
        profile=Profile(
            run_time_min=times,
            depth_m=_depths(legs, times),
            pressure_bar=(*pressures, *((),) * (len(carried) - len(pressures))),
        ),
        cylinders=tuple(carried),
        breathed=tuple(breathed),
        title=plan.dive.title,
        diver=diver,
        altitude_m=plan.dive.site.altitude,
        water=plan.dive.site.water,
        notes=NOT_RECORDED,
    )


def sample_times(legs: Sequence[Leg]) -> tuple[float, ...]:
    """Run times of the samples: each end of a leg, and every ten seconds between. [min]"""
    corners = [0.0, *(leg.end_min for leg in legs)]
    found = [0.0]
    for start, end in pairwise(corners):
        first = int(start * SAMPLES_A_MIN) + 1
        between = (i / SAMPLES_A_MIN for i in range(first, int(end * SAMPLES_A_MIN) + 1))
        found += [at for at in between if start + NEAR_MIN < at < end - NEAR_MIN]
        found.append(end)
    return tuple(found)


def _depths(legs: Iterable[Leg], times: Sequence[float]) -> tuple[float, ...]:
    """Depths at run times that have every corner among them. [m]"""
    remaining = iter(legs)
    leg = next(remaining)
    found = []
    for at in times:
        while at > leg.end_min:
            leg = next(remaining)
        share = (at - leg.start_min) / leg.minutes
        found.append(leg.end_m if at == leg.end_min else leg.start_m + share * (leg.end_m - leg.start_m))
    return tuple(found)


def _place(plan: Plan, source: Source) -> int | None:
    """Which cylinder a source is breathed from, or has its diluent in; None if none is listed."""
    if source.setpoint_bar is None:
        holding = [cylinder for cylinder in open_circuit_cylinders(plan.dive) if cylinder.gas == source.mix]
    else:
        holding = [cylinder for cylinder in plan.dive.cylinders if cylinder.use == "diluent"]
    return plan.dive.cylinders.index(holding[0]) if holding else None
