"""What the dives of the log carry into the next one: tissues, CNS and oxygen doses."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise

from leadline.dive_file.reader import Log
from leadline.dive_file.schema import Kept
from leadline.logbook.database.store import Logbook, NoSuchDive
from leadline.logbook.dived import Dived
from leadline.logbook.retrace import residual, rested, site_of
from leadline.plan.acclimatised import FROM_M, just_arrived_at
from leadline.tissue.coefficients import SetName

REACH_DAYS = 14.0
"""How far back dives count: tissues have forgotten sooner, the daily doses of oxygen hardly matter later."""


def from_log(url: str | None = None) -> Log:
    """The log of a URL (the environment's or the user's own if None), as a dive file asks it. It is opened only where a
    dive file names a dive of it."""

    def kept(number: int, coefficients: SetName, diver: str, interval_min: float) -> Kept:
        with Logbook.open(url) as log:
            try:
                dived = log.dive(number).dived
            except NoSuchDive as error:
                raise LookupError(error.problems[0].message) from None
            if diver and dived.diver and dived.diver.casefold() != diver.casefold():
                raise LookupError(f"dive {number} of the log was dived by {dived.diver}, not by {diver}")
            if between := log.after(number, interval_min):
                said = f"{between[-1].began:%Y-%m-%d %H:%M}, within that surface interval; name that one"
                raise LookupError(f"after dive {number} the log has dive {between[-1].number}, {said}")
            before = with_intervals([*(earlier.dived for earlier in log.before(number, REACH_DAYS)), dived])
        which = ", ".join(
            part for part in (f"dive {number} of the log", dived.diver, f"{dived.began:%Y-%m-%d}") if part
        )
        title = f"{dived.title} ({which})" if dived.title else which
        left, site = residual(dived, coefficients, before), site_of(before[0][0] if before else dived)
        if site.altitude <= FROM_M or site.acclimatised is not None:
            return Kept(title, dived.altitude_m, left)
        start = rested(just_arrived_at(site), coefficients)
        return Kept(title, dived.altitude_m, left, residual(dived, coefficients, before, start))

    return kept


def with_intervals(dives: Sequence[Dived]) -> list[tuple[Dived, float]]:
    """Every dive but the last, each with the surface interval behind it [min]."""
    return [
        (dived, (next_.began - dived.began) / timedelta(minutes=1) - dived.run_time_min)
        for dived, next_ in pairwise(dives)
    ]
