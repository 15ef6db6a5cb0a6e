"""Dive files for the tests, as tables, and the short way from them to a schedule."""

from __future__ import annotations

from typing import Any

from leadline.dive_file import Dive, parse_dive
from leadline.plan import schedule as planning
from leadline.plan.findings import Finding
from leadline.plan.schedule import Layout, Schedule
from leadline.show import sentences
from leadline.units import SystemName

Tables = dict[str, Any]
UNHELD: Tables = {"gas_switch": 0}


def cylinder(gas: str, use: str, **more: Any) -> Tables:
    """A cylinder. Its size does not matter to a schedule."""
    return {"name": f"{use} {gas}", "gas": gas, "size": "12 L", "pressure": "200 bar", "use": use, **more}


def tables(
    depth: float | str,
    leave_at: float,
    bottom: str = "air",
    deco: tuple[str, ...] = (),
    gf: tuple[float, float] = (40, 80),
    units: str = "metric",
    **more: Any,
) -> Tables:
    """A dive file with one level on open circuit; `more` are further tables, [levels] among them. No switch holds the
    diver unless it is said."""
    return {
        "stops": UNHELD | more.pop("stops", {}),
        "units": units,
        "model": {"gradient_factors": list(gf)},
        "levels": [{"depth": depth, "leave_at": leave_at}],
        "cylinders": [cylinder(bottom, "bottom"), *(cylinder(gas, "deco") for gas in deco)],
        **more,
    }


def looped(depth: float, leave_at: float, diluent: str, gf: tuple[float, float] = (40, 80), **more: Any) -> Tables:
    """A dive file with one level on the loop; `more` are keys of [loop], or its own tables. No switch holds the diver
    unless it is said."""
    apart = {name: more.pop(name) for name in ("site", "rates") if name in more}
    apart["stops"] = UNHELD | more.pop("stops", {})
    return {
        "units": "metric",
        "model": {"gradient_factors": list(gf)},
        "levels": [{"depth": depth, "leave_at": leave_at}],
        "loop": {"diluent": diluent, **more},
        **apart,
    }


def laid_out(given: Tables) -> tuple[Dive, Layout]:
    """The dive of a dive file, and its layout for the kernel."""
    dive = parse_dive(given)
    return dive, planning.lay_out(dive)


def scheduled(given: Tables) -> Schedule:
    """The schedule of a dive file."""
    return planning.dive_schedule(*laid_out(given))


def timer(minutes: float) -> str:
    """A moment as a bottom timer shows it: 25, 25:40."""
    seconds = int(minutes * 60.0 + 1e-3)
    return f"{seconds // 60}" if seconds % 60 == 0 else f"{seconds // 60}:{seconds % 60:02d}"


def sentence(finding: Finding, units: SystemName = "metric") -> str:
    """What is said of a finding."""
    return sentences.message(finding, units)


def headed(finding: Finding, units: SystemName = "metric") -> str:
    """A finding in a few words."""
    return sentences.heading(finding, units)
