"""The gas as it is read: what every cylinder holds, gives and has left; what must be kept, and when to turn.

Gas that is asked for is rounded up, what there is down, a pressure that must be there up to what a gauge is read to.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from leadline.plan import Plan
from leadline.plan.rows import up
from leadline.plan.supply import CylinderUse, calm_rmv, stressed_rmv
from leadline.plan.turning import MinimumGas, Turn
from leadline.show.table import Column, Line, Table
from leadline.units import SYSTEMS, System


def amount(system: System, litres: float) -> str:
    """An amount of gas that is asked for, with its unit."""
    return f"{system.gas_up(litres)} {system.gas_unit}"


def reserve(system: System, use: CylinderUse) -> str:
    """The reserve of a cylinder as it was given, without its unit."""
    return f"{use.reserve_bar / system.pressure_bar:.0f}"


def supply_table(system: System, supply: Iterable[CylinderUse], title: str = "Gas") -> Table:
    """Every cylinder over a dive; marked where it does not last above its reserve."""
    pressure, gas = system.pressure_unit, system.gas_unit
    columns = (
        Column("name", "Cylinder", figures=False), Column("gas", "Gas", figures=False),
        Column("use", "Use", figures=False), Column("start", "Start", pressure), Column("holds", "Holds", gas),
        Column("used", "Used", gas), Column("left", "Left", pressure), Column("reserve", "Reserve", pressure),
        Column("short", "", figures=False),
    )  # fmt: skip
    lines = tuple(_cylinder(system, use) for use in supply)
    return Table(title, columns, lines).with_used_columns("short")


def _cylinder(system: System, use: CylinderUse) -> Line:
    short = use.short_l > 1e-6
    cells = {
        "name": use.name, "gas": use.mix.name, "use": use.use, "start": system.pressure(use.start_bar),
        "holds": system.gas(use.content_l), "used": system.gas_up(use.used_l), "left": system.pressure(use.left_bar),
        "reserve": reserve(system, use), "short": f"SHORT by {amount(system, use.short_l)}" if short else "",
    }  # fmt: skip
    return Line(cells, "fails" if short else "", ("left", "short") if short else ())


def breathing_line(plan: Plan) -> str:
    """On a loop what it takes, on open circuit what is breathed, in a sentence."""
    system, own = SYSTEMS[plan.dive.units], plan.dive.loop
    if plan.loop is None or own is None:
        bottom, deco = system.flow(plan.dive.diver.rmv_bottom), system.flow(plan.dive.diver.rmv_deco)
        return f"RMV {bottom} {system.gas_unit}/min until the first stop, {deco} from it on."
    loop = plan.loop
    rated = f" of {loop.scrubber_min:.0f} rated" if loop.scrubber_min is not None else ""
    return (
        f"Loop: diluent {own.diluent.name}, setpoint {own.setpoint:g}; oxygen {amount(system, loop.oxygen_l)}, diluent "
        f"{amount(system, loop.diluent_l)}, {up(loop.minutes)} min on the scrubber{rated}."
    )


def emergency_line(plan: Plan) -> str:
    """What is breathed off the loop, in a sentence."""
    system, diver = SYSTEMS[plan.dive.units], plan.dive.diver
    return (
        f"RMV {system.flow(stressed_rmv(plan.dive))} {system.gas_unit}/min until the first change to a richer gas, at "
        f"least {diver.stressed_for:g} min; then {system.flow(calm_rmv(plan.dive))}. {diver.sorting_out:g} min at "
        "depth first."
    )


# --- What must be kept ------------------------------------------------------------------------------------------------


def minimum_line(system: System, gas: MinimumGas) -> str:
    """Minimum gas at the end of a level, in a sentence."""
    return (
        f"From {system.at(gas.depth_m)} at {up(gas.run_time_min)} min, two divers to {brought_to(system, gas)}: "
        f"{amount(system, gas.litres)} of {gas.mix.name}, {up(gas.minutes)} min."
    )


def brought_to(system: System, gas: MinimumGas) -> str:
    """Where minimum gas brings two divers: "21 m", "the surface"."""
    return system.at(gas.to_m) if gas.to_m > 1e-6 else "the surface"


@dataclass(frozen=True)
class TurnShown:
    """A turn pressure as it is read."""

    cylinder: str
    kept: str
    turn: str
    rule: str
    reached: str
    """When the plan is down to it, in words."""

    def line(self, unit: str) -> str:
        """In a sentence."""
        return f"{self.cylinder}: keep {self.kept} {unit}, turn at {self.turn} {unit} ({self.rule}); {self.reached}."


def turn_shown(plan: Plan, turn: Turn) -> TurnShown:
    """A diver's own turn pressure."""
    system, last_min = SYSTEMS[plan.dive.units], plan.dive.levels[-1].leave_at
    if turn.turn_at_min is None:
        reached = "the plan stays above it"
    else:
        where = "before the last level is left" if turn.turn_at_min < last_min - 1e-6 else "on the way up"
        reached = f"the plan is down to it at {math.floor(turn.turn_at_min)} min, {where}"
    return TurnShown(
        turn.cylinder, system.pressure_up(turn.kept_bar), system.pressure_up(turn.turn_bar), f"{turn.rule}", reached
    )


def turning_lines(plan: Plan) -> list[str]:
    """Minimum gas and turn pressures, a sentence each; none where there is no turn."""
    system = SYSTEMS[plan.dive.units]
    if not plan.turns:
        return []
    minimum = [minimum_line(system, gas) for gas in plan.minimum_gas]
    return [*minimum, *(turn_shown(plan, turn).line(system.pressure_unit) for turn in plan.turns)]


def capacity(asked_l: float, carried_l: float, system: System) -> tuple[str, str]:
    """What is asked of a cylinder and what it carries; the same where it is just enough."""
    carried = system.gas(carried_l)
    return (carried if abs(asked_l - carried_l) <= 1e-6 else system.gas_up(asked_l)), carried
