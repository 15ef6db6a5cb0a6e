"""When to turn: minimum gas, and the turn pressure that the diver's rule makes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile

from leadline.dive_file.schema import Dive
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres, pressure_of
from leadline.plan import gases
from leadline.plan.contingency import Contingency
from leadline.plan.findings import Finding
from leadline.plan.gases import Source
from leadline.plan.schedule import Leg
from leadline.plan.supply import CylinderUse


@dataclass(frozen=True)
class MinimumGas:
    """What brings two stressed divers from the end of a level to the next usable gas, or to the surface."""

    level: int
    mix: Mix
    run_time_min: float
    depth_m: float
    to_m: float
    """Where another gas is usable; 0: the surface."""
    minutes: float
    litres: float
    """[free litres] of all cylinders of the mix together."""


@dataclass(frozen=True)
class Turn:
    """When a cylinder of bottom gas must be turned on."""

    cylinder: str
    mix: Mix
    rule: str
    kept_bar: float
    """Minimum gas, or the reserve where that is more."""
    out_l: float
    """What may be breathed before turning. [free litres]"""
    turn_bar: float
    turn_at_min: float | None
    """The run time at which the planned dive is down to it; None if it never is."""


def minimum_gas(found: Sequence[Contingency]) -> tuple[MinimumGas, ...]:
    """Minimum gas at the end of each level, from the ascents with a mate out of gas."""
    made = []
    for contingency in found:
        if not contingency.legs or contingency.leaves_at_min is None or contingency.depth_m is None:
            continue
        level = contingency.legs[0].level
        mix = gases.stretches(contingency.scenario.dive)[level].at.mix
        ways = [contingency.legs, *(mate.legs for mate in contingency.mates if mix in mate.given)]
        on_it = max((_while_on(Source(mix), way) for way in ways), key=lambda legs: legs[-1].end_min if legs else 0.0)
        if not on_it:  # another gas is usable at once
            continue
        litres = sum(
            use.litres
            for cylinder in contingency.supply
            if cylinder.mix == mix
            for use in cylinder.legs
            if use.start_min >= contingency.leaves_at_min - 1e-6 and use.end_min <= on_it[-1].end_min + 1e-6
        )
        made.append(
            MinimumGas(
                level=level,
                mix=mix,
                run_time_min=contingency.leaves_at_min,
                depth_m=contingency.depth_m,
                to_m=on_it[-1].end_m,
                minutes=on_it[-1].end_min - contingency.leaves_at_min,
                litres=litres,
            )
        )
    # In a team, of the mates the one who needs most.
    levels = dict.fromkeys(gas.level for gas in made)
    return tuple(max((gas for gas in made if gas.level == level), key=lambda gas: gas.litres) for level in levels)


def _while_on(source: Source, legs: Sequence[Leg]) -> list[Leg]:
    return list(takewhile(lambda leg: leg.source == source, legs))


def turns(dive: Dive, supply: Sequence[CylinderUse], minimum: Sequence[MinimumGas]) -> tuple[Turn, ...]:
    """Turn pressures of the bottom gas, by the dive file's rule.

    What is kept is minimum gas, the most of any level, or the reserve where that is more. "thirds": a third of the fill
    goes out, but never more than half of what is above the kept gas; "halves": half of it; "all usable": all of it; a
    number: that part of it. Common practice, no source.
    """
    found = []
    bottom = [use.mix for use in supply if use.use == "bottom" and use.legs]
    for mix in dict.fromkeys(bottom) if dive.loop is None else ():
        alike = [use for use in supply if use.mix == mix and use.use == "bottom"]
        content_l = sum(use.content_l for use in alike)
        kept_l = max((gas.litres for gas in minimum if gas.mix == mix), default=0.0)
        kept_l = max(kept_l, content_l - sum(use.usable_l for use in alike))
        out_l = out_litres(dive.gas.turn, content_l, kept_l)
        usable_l = sum(use.usable_l for use in alike)
        for use in alike:
            share = use.content_l / content_l
            # Gas is drawn by what is above the reserves: so all come to their turn together.
            drawn = use.usable_l / usable_l if usable_l > 0.0 else share
            out, kept = out_l * drawn, use.content_l - max(0.0, content_l - kept_l) * drawn
            found.append(
                Turn(
                    cylinder=use.name,
                    mix=mix,
                    rule=_said(dive.gas.turn),
                    kept_bar=pressure_left(use, kept),
                    out_l=out,
                    turn_bar=pressure_left(use, use.content_l - out),
                    turn_at_min=reached[0] if (reached := use.reaches(out)) is not None else None,
                )
            )
    return tuple(found)


def out_litres(rule: str | float, content_l: float, kept_l: float) -> float:
    """What may be breathed before turning; 0 if the kept gas leaves nothing. [free litres]"""
    usable_l = max(0.0, content_l - kept_l)
    if rule == "thirds":
        return min(content_l / 3.0, usable_l / 2.0)
    if rule == "halves":
        return usable_l / 2.0
    return usable_l if isinstance(rule, str) else rule * usable_l


def pressure_left(use: CylinderUse, litres: float) -> float:
    """The pressure of a cylinder that holds so much. Never over its fill. [bar]"""
    return min(use.start_bar, pressure_of(use.mix, use.water_l, min(litres, use.content_l), use.celsius))


def down_to(use: CylinderUse, bar: float) -> tuple[float, float] | None:
    """The run time [min] and depth [m] at which a cylinder is down to a pressure [bar]; None where it never is."""
    return use.reaches(use.content_l - free_litres(use.mix, use.water_l, bar, use.celsius))


def _said(rule: str | float) -> str:
    if rule == 1.0:
        return "all usable"
    if rule == "thirds":
        return "thirds of the fill"
    return rule if isinstance(rule, str) else f"{rule:g} of what is usable"


def below_minimum(supply: Sequence[CylinderUse], minimum: Sequence[MinimumGas]) -> list[Finding]:
    """Less than minimum gas when a level is left is a no-go."""
    found = []
    for gas in minimum:
        alike = [use for use in supply if use.mix == gas.mix and use.use == "bottom"]
        left_l = sum(use.content_l - float(use.used_by(gas.run_time_min)) for use in alike)
        if left_l < gas.litres - 1e-6:
            values = {
                "minimum_l": gas.litres, "left_l": left_l, "gas": gas.mix.label, "mix": gas.mix.name, "to_m": gas.to_m
            }  # fmt: skip
            found.append(Finding("minimum-gas", "no-go", values, gas.run_time_min, gas.depth_m))
    return found


def last_left_min(dive: Dive, turn: Turn, minimum: Sequence[MinimumGas]) -> float:
    """The run time at which the last level on a cylinder's gas is left. [min]"""
    return max((gas.run_time_min for gas in minimum if gas.mix == turn.mix), default=dive.levels[-1].leave_at)


def judge(dive: Dive, found: Sequence[Turn], minimum: Sequence[MinimumGas] = ()) -> list[Finding]:
    """A cylinder that holds no more than must be kept leaves nothing to dive on: a no-go."""
    findings = []
    for turn in found:
        values = {
            "cylinder": turn.cylinder, "gas": turn.mix.label, "mix": turn.mix.name, "kept_bar": turn.kept_bar,
            "rule": turn.rule,
        }  # fmt: skip
        if turn.out_l <= 0.0:
            findings.append(Finding("turn", "no-go", values))
            continue
        left_min = last_left_min(dive, turn, minimum)
        if turn.turn_at_min is not None and turn.turn_at_min < left_min - 1e-6:
            values |= {"turn_bar": turn.turn_bar, "left_min": left_min}
            findings.append(Finding("turn-reached", "caution", values, turn.turn_at_min))
    return findings
