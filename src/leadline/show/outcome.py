"""What comes of a contingency, in a few words each."""

from __future__ import annotations

import math
from collections.abc import Callable

from leadline.plan.contingency import Contingency
from leadline.plan.gases import Gap
from leadline.plan.supply import CylinderUse
from leadline.show.sentences import heading
from leadline.units import SYSTEMS, System


def in_words(found: Contingency) -> tuple[str, ...]:
    """What comes of a contingency in a few words each, the gravest first: "gas runs out at 43 min, 21 m, 340 L short",
    "over CNS 100 %"."""
    units = found.scenario.dive.units
    system, answers, said = SYSTEMS[units], found.answers, list[str]()
    if answers.breathable == "no":
        return ("no gas to breathe" + ("" if found.no_gas is None else f" {_depths(found.no_gas.gap, system)}"),)
    if answers.stops == "not met":
        return ("stops not met",)
    if answers.gas == "not planned":
        return tuple(heading(finding, units) for finding in found.findings)
    empty = _first_to_end(found, _content)
    thin = _first_to_end(found, _usable)
    if empty is not None:
        use, at = empty
        what = "suit gas" if use.use == "inflation" and answers.gas != "runs out" else "gas"
        missing_l = sum(one.missing_l for one in found.supply if (one.mix, one.use) == (use.mix, use.use))
        said.append(f"{what} runs out{at}, {system.gas_up(missing_l)} {system.gas_unit} short")
    elif thin is not None and any(finding.code == "gas-short" for finding in found.findings):
        use, at = thin
        short_l = sum(one.short_l for one in found.supply if (one.mix, one.use) == (use.mix, use.use))
        said.append(f"gas goes into the reserve{at}, {system.gas_up(short_l)} {system.gas_unit} of it")
    elif any(finding.code == "mate-gas-short" for finding in found.findings):
        short = (heading(f, units).replace(" runs out", "") for f in found.findings if f.code == "mate-gas-short")
        said.append(f"gas runs out: {' and '.join(short)}")
    elif answers.gas == "into the reserve":
        least = min((use for use in found.supply if use.short_l > 1e-6), key=lambda use: use.left_bar)
        left = f"{system.pressure(least.left_bar)} {system.pressure_unit} left"
        said.append(f"gas lasts, into the reserve: {left}")
    else:
        said.append("gas lasts")
    if answers.exposure == "over":
        said.append(f"over {' and '.join(_LIMITS.get(code, code) for code in found.over)}")
    return tuple(said)


def in_brief(found: Contingency) -> str:
    """The first thing that does not hold, to stand over a sheet: "gas runs out"; empty where all does."""
    if found.holds:
        return ""
    for holds_l, what in ((_content, "runs out"), (_usable, "goes into the reserve")):
        ends = _first_to_end(found, holds_l)
        if ends is not None:
            use, at = ends
            return f"{use.name} {what}{at}"
    return in_words(found)[0]


def _content(use: CylinderUse) -> float:
    return use.content_l


def _usable(use: CylinderUse) -> float:
    return use.usable_l


def _first_to_end(found: Contingency, holds_l: Callable[[CylinderUse], float]) -> tuple[CylinderUse, str] | None:
    """The cylinder that first has given so much, breathed ones before a suit's, and when and where, in words."""
    system = SYSTEMS[found.scenario.dive.units]
    ends = [(use, use.reaches(holds_l(use))) for use in found.supply if use.used_l > holds_l(use) + 1e-6]
    if not ends:
        return None
    use, at = min(ends, key=lambda one: (one[0].use == "inflation", one[1][0] if one[1] is not None else math.inf))
    return use, "" if at is None else f" at {math.floor(at[0])} min, {system.at(at[1])}"


_LIMITS = {
    "cns": "CNS", "cns-day": "CNS of 24 h", "otu": "OTU", "otu-days": "OTU of several days", "density": "density",
    "end": "END", "scrubber": "scrubber",
}  # fmt: skip


def _depths(gap: Gap, system: System) -> str:
    return f"from {system.at(gap.from_m)} to {system.at(gap.to_m) if gap.to_m > 0.0 else 'the surface'}"
