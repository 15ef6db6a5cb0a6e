"""The gas on paper: who carries what, what must be left, when to turn, what every gauge should show on the way."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from leadline.dive_file.schema import Cylinder, Dive
from leadline.plan import Plan, rows
from leadline.plan.breathing import Breathed
from leadline.plan.rows import up
from leadline.plan.supply import CylinderUse
from leadline.plan.team import Member, Team
from leadline.plan.turning import MinimumGas, down_to
from leadline.sheets.schedules import breakable, mod
from leadline.show.breathing import breathing_table
from leadline.show.gas import amount, brought_to, reserve, supply_table
from leadline.units import IMPERIAL, SYSTEMS, RatedCubicFeet, System

Data = dict[str, Any]

KEPT = "\u00a0"
"""A blank at which no line is broken."""


def gas_table(dive: Dive, breathing: Iterable[Breathed]) -> list[Data]:
    """What is breathed, and what it does at its deepest."""
    parts = list(breathing)
    return [
        {
            **line.cells,
            "diluent": f"diluent {part.source.mix.name}" if part.source.circuit == "closed" else "",
            "mod": mod(dive, part),
            "end": f"{line['end']} {SYSTEMS[dive.units].depth_unit}",
        }
        for part, line in zip(parts, breathing_table(dive, parts).lines, strict=True)
    ]


def supply_data(dive: Dive, supply: Iterable[CylinderUse]) -> list[Data]:
    """Every cylinder: what it starts with, what is used, what is left, what is to be left."""
    lines = supply_table(SYSTEMS[dive.units], supply).lines
    return [
        {**line.cells, "name": breakable(line["name"]), "short": line["short"].replace("SHORT", "short")}
        for line in lines
    ]


def labelled(use: CylinderUse) -> str:
    """A cylinder with its gas, unless the name says just that."""
    mix = use.mix.name.replace(" ", KEPT)
    return breakable(use.name) if use.name == use.mix.name else f"{breakable(use.name)}, {mix}"


def left_list(dive: Dive, supply: Iterable[CylinderUse]) -> list[Data]:
    """What is left in every cylinder that gas is taken from; what is missing where one does not last."""
    system = SYSTEMS[dive.units]
    return [
        {
            "name": labelled(use),
            "left": f"{system.pressure(use.left_bar)}{KEPT}{system.pressure_unit}",
            "short": f"{amount(system, use.missing_l)} short" if use.missing_l > 1e-6 else "",
        }
        for use in supply
        if use.used_l > 1e-6
    ]


def least_left(dive: Dive, least: CylinderUse | None) -> str:
    """What is left in the cylinder with the least, or missing in the one that is missing most."""
    if least is None:
        return ""
    system = SYSTEMS[dive.units]
    name = labelled(least)
    if least.missing_l > 1e-6:
        return f"{name}: {amount(system, least.missing_l)} short"
    return f"{name}: {system.pressure(least.left_bar)}{KEPT}{system.pressure_unit}"


# --- Who carries what -------------------------------------------------------------------------------------------------


def carried_by(team: Team) -> list[Data]:
    """Who carries what; divers who carry the same share it."""
    found: list[Data] = []
    for member in team.members:
        cylinders = carried(member)
        alike = next((one for one in found if one["cylinders"] == cylinders), None)
        if alike is not None:
            alike["divers"] += f", {breakable(member.name)}"
        else:
            found.append({"divers": breakable(member.name), "cylinders": cylinders})
    return found


def carried(member: Member) -> list[Data]:
    """Every cylinder of one diver, as it goes into the water."""
    dive = member.plan.dive
    system, warm = SYSTEMS[dive.units], dive.gas.fill_temperature is not None
    uses = {use.name: use for use in member.plan.supply}
    found = []
    for cylinder in dive.cylinders:
        use = uses[cylinder.name]
        found.append(
            {
                "name": breakable(cylinder.name),
                "gas": cylinder.gas.name,
                "size": size(dive, cylinder),
                "fill": system.pressure(cylinder.pressure),
                "cooled": system.pressure(use.start_bar) if warm else "",
                "holds": system.gas(use.content_l),
                "reserve": reserve(system, use),
                "use": cylinder.use,
            }
        )
    return found


def size(dive: Dive, cylinder: Cylinder) -> str:
    """The size of a cylinder as it was written: water litres, or the cubic feet it is rated at."""
    if isinstance(cylinder.size, RatedCubicFeet):
        assert cylinder.working_pressure is not None
        system = SYSTEMS[dive.units]
        rated_at = f"{cylinder.working_pressure / system.pressure_bar:.0f} {system.pressure_unit}"
        return f"{cylinder.size.cubic_feet:g} {IMPERIAL.gas_unit} at {rated_at}"
    return f"{cylinder.size:g} L"


def other_gas(plan: Plan) -> str:
    """What drysuit, wing and flushes take, where it is planned; empty where nothing is."""
    dive, system = plan.dive, SYSTEMS[plan.dive.units]
    parts = [
        f"{name} {volume_l / system.flow_l:.3g} {system.gas_unit}, kept filled on the way down"
        for name, volume_l in (("drysuit", dive.gas.drysuit), ("wing", dive.gas.wing))
        if volume_l
    ]
    if dive.loop is not None and dive.loop.flushes:
        times = f"{dive.loop.flushes:g} {'time' if dive.loop.flushes == 1 else 'times'}"
        parts.append(f"loop flushed {times} at each level")
    return capital_list(parts)


def capital_list(parts: Sequence[str]) -> str:
    """Parts as one sentence; empty without any."""
    said = "; ".join(parts)
    return f"{said[:1].upper()}{said[1:]}." if said else ""


# --- What must be left, and when to turn ------------------------------------------------------------------------------


def minimum_list(plan: Plan) -> list[Data]:
    """Minimum gas at the end of each level: how much of which gas, from where to where."""
    system = SYSTEMS[plan.dive.units]
    return [
        {
            "gas": gas.mix.name,
            "amount": amount(system, gas.litres),
            "from": f"run time {up(gas.run_time_min)}, {system.at(gas.depth_m)}",
            "to": _usable_from(system, gas),
            "minutes": up(gas.minutes),
        }
        for gas in plan.minimum_gas
    ]


def _usable_from(system: System, gas: MinimumGas) -> str:
    to = brought_to(system, gas)
    return to if gas.to_m <= 1e-6 else f"the next gas, {to}"


def turn_list(team: Team, member: Member) -> list[Data]:
    """Minimum gas and turn pressure of every cylinder of bottom gas; in a team the turn is the one matched, if higher.

    Cylinders that say the same share a line.
    """
    plan, system = member.plan, SYSTEMS[member.plan.dive.units]
    matched = {turn.cylinder: turn.turn_bar for turn in team.turns if turn.diver == member.name}
    found: dict[tuple[str, ...], list[str]] = {}
    for turn in plan.turns:
        for_team = matched.get(turn.cylinder, 0.0) > turn.turn_bar + 1e-6
        turn_bar = max(turn.turn_bar, matched.get(turn.cylinder, 0.0))
        use = next(use for use in plan.supply if use.name == turn.cylinder)
        reached = down_to(use, turn_bar)
        said = (
            turn.mix.name,
            system.pressure_up(turn.kept_bar),
            system.pressure_up(turn_bar),
            turn.rule,
            "the team's" if for_team else "own",
            "not reached" if reached is None else f"at {math.floor(reached[0])} min",
        )
        found.setdefault(said, []).append(breakable(turn.cylinder))
    return [
        {
            "cylinders": ", ".join(cylinders),
            "gas": gas,
            "minimum": minimum,
            "turn": turn_at,
            "rule": rule,
            "whose": whose,
            "reached": reached_at,
        }
        for (gas, minimum, turn_at, rule, whose, reached_at), cylinders in found.items()
    ]


# --- On the way -------------------------------------------------------------------------------------------------------


def pressure_list(plan: Plan) -> list[Data]:
    """What every cylinder in use should show when a level or a stop is left; on the loop, oxygen and diluent."""
    system, found = SYSTEMS[plan.dive.units], []
    for row in rows.planned_rows(plan):
        if row.kind not in ("level", "stop"):
            continue
        used = rows.breathed_then(plan.supply, row)
        if row.source.circuit == "closed":
            used = [use for use in plan.supply if use.use in ("oxygen", "diluent")]
        found.append(
            {
                "depth": system.depth(row.depth_m),
                "leave": up(row.leave_min),
                "gas": row.source.name,
                "changed": row.changed,
                "cylinders": [
                    {"name": breakable(use.name), "bar": system.pressure(use.bar_at(row.leave_min))} for use in used
                ],
            }
        )
    return found if any(line["cylinders"] for line in found) else []
