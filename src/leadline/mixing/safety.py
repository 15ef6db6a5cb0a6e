"""What is to be said of a fill: oxygen, heat, pressure, and what stays behind."""

from __future__ import annotations

from leadline.mixing.fill import Fill, FillRules, percents
from leadline.plan.findings import in_order
from leadline.show.sentences import Remark

OXYGEN_CLEAN_OVER = 0.40
"""Fraction of oxygen over which cylinder, valve and whip are for oxygen service. Common practice, no source."""
OFF = 0.01
"""A blend that misses oxygen or helium by more is not what was planned. Common practice, no source."""
WORTH_SAYING = 0.0025

HANDLING = (
    "Oxygen feeds fire: clean parts, oxygen-compatible lubricant and seals only; no oil, no grease, no sparks.",
    "Open valves slowly and fill slowly: at most 5 bar (70 psi) a minute with oxygen or rich gas; common practice.",
    "Air that goes onto oxygen must be oxygen-compatible: filtered free of oil.",
    "Let a cylinder settle before the next step; read the gauge then, and mix and analyse before it is dived.",
    "Blending is for those trained for it: defer to your gas supplier, local codes and licensed practice.",
)
"""Cautions that stand under every fill."""


def judge(fill: Fill, rules: FillRules) -> tuple[Remark, ...]:
    """The findings of a fill; of one that cannot be done only what the pressure asked for is."""
    if not fill.done:
        return in_order(_settled(fill, rules))
    return in_order([*_oxygen(fill), *_settled(fill, rules), *_pressures(fill, rules), *_remnant(fill)])


def _oxygen(fill: Fill) -> list[Remark]:
    """Whether there is rich gas anywhere on the way: what is let in, and what is in the cylinder then."""
    places = [(fill.job.start.o2, "in it now")] if fill.job.start_bar > 0.0 else []
    for step in fill.steps:
        places += [(step.gas.o2, f"in the {step.gas.name} let in"), (step.mix.o2, f"in it after {step.gas.name}")]
    richest, where = max(places, default=(0.0, ""))
    if richest <= OXYGEN_CLEAN_OVER + 1e-9:
        return []
    values: dict[str, float | str] = {"o2": richest, "limit": OXYGEN_CLEAN_OVER, "where": where}
    said = f"over {100 * OXYGEN_CLEAN_OVER:.0f} % of oxygen on the way ({100 * richest:.0f} % {where})"
    if fill.job.oxygen_clean:
        return [Remark("oxygen-clean", "note", f"{said[0].upper()}{said[1:]}: cylinder and valve are clean.", values)]
    if fill.job.oxygen_clean is False:
        message = f"The cylinder is not clean for oxygen, and there is {said}."
        return [Remark("oxygen-clean", "no-go", message, values)]
    message = f"Cylinder, valve and whip must be clean for oxygen: there is {said}."
    return [Remark("oxygen-clean", "caution", message, values)]


def _settled(fill: Fill, rules: FillRules) -> list[Remark]:
    job = fill.job
    if abs(job.target_celsius - rules.room_celsius) <= 0.05:
        return []
    message = (
        f"The dive counts on {rules.said(job.target_bar)} at {_degrees(job.target_celsius, rules)}: "
        f"{rules.said(fill.settled_bar)} at {_degrees(rules.room_celsius, rules)}."
    )
    values: dict[str, float | str] = {"target_bar": job.target_bar, "settled_bar": fill.settled_bar}
    return [Remark("settled-pressure", "note", message, values)]


def _pressures(fill: Fill, rules: FillRules) -> list[Remark]:
    job, found = fill.job, []
    if fill.drain_to_bar is not None:
        message = f"What is in it is in the way: drain it to {rules.said(fill.drain_to_bar)} first."
        found.append(Remark("drain", "note", message, {"drain_to_bar": fill.drain_to_bar}))
    if job.working_bar is not None:
        settled_bar = max((step.settles_bar for step in fill.steps), default=fill.result_bar)
        hot_bar = max((step.to_bar for step in fill.steps), default=settled_bar)
        over = f"over its working pressure of {rules.said(job.working_bar)}"
        values: dict[str, float | str] = {"settled_bar": settled_bar, "filling_bar": hot_bar}
        values["working_bar"] = job.working_bar
        if settled_bar > job.working_bar + rules.gauge_step_bar:
            message = f"Settled it is at {rules.said(settled_bar)}, {over}."
            found.append(Remark("working-pressure", "caution", message, values))
        elif hot_bar > job.working_bar + rules.gauge_step_bar:
            message = f"While filling it is at {rules.said(hot_bar)}, {over}; it settles below."
            found.append(Remark("working-pressure", "note", message, values))
    return found


def _remnant(fill: Fill) -> list[Remark]:
    """How far the tape leads from the target: the gauge's steps, and what an empty cylinder still holds."""
    assert fill.result is not None
    target, result = fill.job.target, fill.result
    off = max(abs(result.o2 - target.o2), abs(result.he - target.he))
    values: dict[str, float | str] = {"o2": result.o2, "he": result.he, "off": off}
    said = f"These steps make {percents(result)} of {target.name}"
    if off > OFF:
        message = f"{said}, over {100 * OFF:g} % off: the steps of the gauge are too coarse for so little gas."
        return [Remark("off-target", "caution", message, values)]
    if off > WORTH_SAYING:
        message = f"{said}: for the steps of the gauge, and what an empty cylinder still holds."
        return [Remark("off-target", "note", message, values)]
    return []


def _degrees(celsius: float, rules: FillRules) -> str:
    if rules.units == "imperial":
        return f"{32.0 + 1.8 * celsius:.0f} °F"
    return f"{celsius:g} °C"
