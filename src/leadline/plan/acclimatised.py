"""What it means for a dive at altitude that the dive file does not say how long its divers have been up there."""

from __future__ import annotations

from typing import Any

from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.schema import Dive, Kept, Site
from leadline.plan.findings import Finding
from leadline.plan.flying import hours
from leadline.plan.schedule import Held, Schedule, run_time

FROM_M = 300.0
"""Up to here a site counts as sea level (common practice, no source)."""


def judge(dive: Dive, found: Schedule, held: Held = ()) -> list[Finding]:
    """How much longer a dive would be for divers who had just come up from sea level to the first dive of the row.

    Of a dive after others that is said only where it would be longer.
    """
    first = _not_said(dive)
    if first is None:
        return []
    earlier, logged, altitude_m = first
    try:
        arrived_min = run_time(just_arrived(dive), held)
    except DiveFileError:
        arrived_min = None
    more_min = None if arrived_min is None else arrived_min - found.run_time_min
    if dive.previous and more_min is not None and more_min < 1e-6:
        return []
    values: dict[str, Any] = {
        "key": "[site] acclimatised", "altitude_m": altitude_m, "dive": earlier, "logged": logged
    }  # fmt: skip
    if more_min is not None and arrived_min is not None:
        values |= {"more_min": more_min, "run_time_min": arrived_min}
    return [Finding("not-acclimatised", "caution", values)]


def _not_said(dive: Dive) -> tuple[str, str, float] | None:
    """Where it is missing, if the first dive of the row is up there and does not say: of which earlier dive file or
    dive of the log, neither of the dive itself, and the altitude there [m]."""
    earlier = ""
    while dive.previous:
        last = dive.previous[-1]
        if last.left is not None:
            return ("", last.title, last.altitude_m) if last.arrived is not None else None
        dive, earlier = last.dive, last.name
    if dive.site.acclimatised is not None or dive.site.altitude <= FROM_M:
        return None
    return earlier, "", dive.site.altitude


def since(dive: Dive) -> str:
    """How long the divers have been at the site, behind its altitude: " for 5 h", " for good". Empty where it is no
    matter, or the dives before say it."""
    if dive.previous or (dive.site.acclimatised is None and dive.site.altitude <= FROM_M):
        return ""
    return " for good" if dive.site.acclimatised is None else f" for {hours(dive.site.acclimatised)}"


def just_arrived(dive: Dive) -> Dive:
    """A dive, begun by divers who came up from sea level just before the first dive of its row."""
    if not dive.previous:
        return dive.model_copy(update={"site": just_arrived_at(dive.site)})
    *before, last = dive.previous
    if last.left is None:
        begun = last.read_as(just_arrived(last.dive))
    else:
        begun = last.found_as({last.diver: Kept(last.title, last.altitude_m, last.arrived or last.left)})
    return dive.model_copy(update={"previous": (*before, begun)})


def just_arrived_at(site: Site) -> Site:
    """A site, for divers who have just come up from sea level."""
    return site.model_copy(update={"acclimatised": 0.0, "from_altitude": 0.0})
