"""The verdict and the findings behind it, in sentences."""

from __future__ import annotations

from leadline.plan.contingency import Contingency
from leadline.plan.rows import up
from leadline.show.last_resort import resorts
from leadline.show.outcome import in_words
from leadline.show.sentences import message
from leadline.units import SYSTEMS, clock


def no_way_up(found: Contingency) -> tuple[str, str]:
    """Of a contingency that is not planned to the surface: what is wrong, in capitals where there is nothing to
    breathe, and what is left to try."""
    if found.no_gas is None:
        return " ".join(message(finding, found.scenario.dive.units) for finding in found.findings), ""
    minutes = f"{up(found.no_gas.minutes)} min at the ascent rate."
    return "; ".join(in_words(found)).upper(), f"{minutes} Left to try: {resorts(found.no_gas.left)}."


def bailout_heading(found: Contingency) -> str:
    """A bailout, where the loop is left and how far it is: "Bailout: leave the loop at 60 m at 20 min; 57 min to the
    surface"."""
    units = found.scenario.dive.units
    named = f"{found.name[:1].upper()}{found.name[1:]}"
    if found.left_at is None:
        return named
    at_min, depth_m = found.left_at
    to_go = f"; {up(found.tts_min)} min to the surface" if found.legs else ""
    return f"{named}: leave the loop at {SYSTEMS[units].at(depth_m)} at {clock(at_min)} min{to_go}"
