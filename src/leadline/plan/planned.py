"""Runs the planning in the order a diver asks: when, on what, how much, what if; and what is to be said of it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

from leadline.dive_file.errors import DiveFileError, Problem, expect
from leadline.dive_file.schema import Dive
from leadline.plan import acclimatised, causes, contingency, flying, practice, turning
from leadline.plan.breathing import Breathed, breathed
from leadline.plan.breathing import judge as judge_breathing
from leadline.plan.findings import Finding, in_order
from leadline.plan.oxygen import Before, Oxygen, carried, oxygen_exposure
from leadline.plan.oxygen import judge as judge_oxygen
from leadline.plan.scenarios import Mates, all_scenarios, ascents, marked_bailouts, minimum_gas_scenarios, told_min
from leadline.plan.schedule import Held, Schedule, dive_schedule, lay_out
from leadline.plan.supply import CylinderUse, LoopUse, cylinder_use
from leadline.plan.supply import judge as judge_supply
from leadline.tissue.known_answer import prove


@dataclass(frozen=True)
class Plan:
    """A dive, planned. The same dive gives the same plan to the last bit."""

    dive: Dive
    schedule: Schedule
    oxygen: Oxygen
    breathing: tuple[Breathed, ...]
    supply: tuple[CylinderUse, ...]
    loop: LoopUse | None
    minimum_gas: tuple[turning.MinimumGas, ...]
    turns: tuple[turning.Turn, ...]
    contingencies: tuple[contingency.Contingency, ...]
    tts: tuple[tuple[float, float], ...]
    """Run times that are marked on paper, or at which a level or a stop before the end of the last level is left, and
    TTS from there; of a team's diver that of the common ascent. [min]"""
    bailout_tts: tuple[tuple[float, float], ...]
    """Of a loop dive: run times that are marked on paper, and TTS for who leaves the loop then. [min]"""
    own: tuple[Finding, ...]
    """What is found of the planned dive alone."""
    findings: tuple[Finding, ...]
    """Of it and of every contingency: one a cause, the gravest first."""

    def __repr__(self) -> str:
        """What it is, in a line."""
        run_min, tts_min = math.ceil(self.schedule.run_time_min - 1e-6), math.ceil(self.schedule.tts_min - 1e-6)
        return f"<Plan {self.dive.title!r}: {'NO-GO, ' * self.no_go}run time {run_min} min, TTS {tts_min} min>"

    @property
    def no_go(self) -> bool:
        """Whether the plan must not be dived."""
        return any(finding.severity == "no-go" for finding in self.findings)

    @property
    def bailouts(self) -> tuple[contingency.Contingency, ...]:
        """The bailouts of a loop dive, in run-time order: from the end of every level, and where one is worse."""
        return tuple(c for c in self.contingencies if c.is_bailout)

    @property
    def longest_bailout(self) -> contingency.Contingency | None:
        """The bailout with the longest way up; None on open circuit, without a way up, or left out."""
        return max((c for c in self.bailouts if c.legs), key=lambda c: c.tts_min, default=None)

    def tts_at(self, run_time_min: float) -> float:
        """TTS at a run time of the planned dive, as if it ended then. [min]"""
        marked = (tts_min for at_min, tts_min in self.tts if abs(at_min - run_time_min) < 1e-6)
        return next(marked, float(self.schedule.track.at(run_time_min)["tts_min"]))

    @cached_property
    def after(self) -> tuple[flying.Ascent, ...]:
        """Flying, and going up to an altitude, after the dive."""
        return flying.after(self.dive, self.schedule)


def plan_dive(dive: Dive, source: str = "dive", held: Held = (), mates: Mates | None = None) -> Plan:
    """Plan the dive of one diver, with everything that can go wrong.

    Parameters
    ----------
    dive : Dive
        As `read_dive` gives it.
    source : str
        The dive file's name, for refusals.
    held : sequence of (depth [m], run time [min])
        Stops that are not left before a run time, for the others' sake; given by `plan_team`.
    mates : Mates, optional
        What the others of a team dive and could give; given by `plan_team`.

    Returns
    -------
    Plan

    Raises
    ------
    DiveFileError
        If the dive cannot be planned as written: no breathable gas at some depth, a level left before its stops are
        done, a stop that never clears; or if it is of several divers, which `plan_team` plans.
    EngineFault
        If the engine fails its known answers.
    TypeError
        If it is no dive.

    Examples
    --------
    >>> import leadline
    >>> plan = leadline.plan_dive(leadline.read_dive("examples/marigold-trimix.toml"))
    >>> plan
    <Plan 'Marigold, keel': run time 58 min, TTS 38 min>
    >>> [(stop.depth_m, stop.minutes) for stop in plan.schedule.stops][-1]
    (6.0, 18)
    """
    expect(dive, Dive, "plan_dive", "a Dive, as read_dive gives")
    if dive.team:
        raise DiveFileError(source, [Problem("[[team]]", "several divers are planned together, by plan_team")])
    prove()
    layout = lay_out(dive, source, held)
    found = dive_schedule(dive, layout, source)
    before = carried(dive)
    exposure = oxygen_exposure(found.legs, dive.site.environment, before)
    breathing = breathed(dive, found.legs)
    cylinders, loop = cylinder_use(dive, found.legs)
    planned, for_minimum = all_scenarios(dive, found, mates), minimum_gas_scenarios(dive, found, mates)
    own = [*judge_oxygen(dive, exposure), *judge_breathing(dive, breathing, found.legs)]
    own += judge_supply(dive, cylinders, loop)
    worked_out = partial(contingency.contingencies, dive, layout, found, cylinders)
    what_if = worked_out(planned, own, mates)
    minimum = turning.minimum_gas(worked_out(for_minimum, mates=mates))
    marked = contingency.ways_up(dive, layout, found, cylinders, marked_bailouts(dive, found, mates), mates)
    told = told_min(dive, found)
    if mates is None:
        up = [(at_min, float(found.track.at(at_min)["tts_min"])) for at_min in told]
    else:  # the common ascent can be longer
        up = [*contingency.ways_up(dive, layout, found, cylinders, ascents(dive, found, told), mates)]
    turns = turning.turns(dive, cylinders, minimum)
    planned_findings = [
        *own,
        *turning.judge(dive, turns, minimum),
        # Where a mate out of gas is planned for, that says it: of every point of the dive.
        *(turning.below_minimum(cylinders, minimum) if "mate out of gas" in dive.contingencies.leave_out else ()),
        *_long(dive, found),
        *_repetitive(dive, before),
        *_too_soon(dive, found),
        *acclimatised.judge(dive, found, held),
        *practice.judge(dive, found),
        *_left_out(dive),
    ]
    mates_give = mates is not None and bool(mates.bailout)
    findings = causes.judge(dive, planned_findings, cylinders, what_if, mates_give)
    return Plan(
        dive=dive,
        schedule=found,
        oxygen=exposure,
        breathing=breathing,
        supply=cylinders,
        loop=loop,
        minimum_gas=minimum,
        turns=turns,
        contingencies=what_if,
        tts=tuple(up),
        bailout_tts=tuple(marked),
        own=tuple(planned_findings),
        findings=in_order(findings),
    )


def _left_out(dive: Dive) -> list[Finding]:
    """What the dive file takes out of the contingencies, so that whoever reads the plan knows."""
    given = dive.contingencies
    minutes = {"longer": given.longer, "delay": given.delay, "heavy breathing": (given.heavy_breathing,)}
    none = [name for name, values in ({"deeper": given.deeper} | minutes).items() if not any(values)]
    left_out = dict.fromkeys([*given.leave_out, *none])
    if not left_out:
        return []
    return [Finding("left-out", "note", {"left_out": tuple(left_out)})]


def _repetitive(dive: Dive, carried: Before) -> list[Finding]:
    """What a dive after others begins with."""
    if not dive.previous:
        return []
    last = dive.previous[-1]
    values = {
        "surface_interval_min": last.surface_interval, "cns_percent": carried.cns_percent, "otu": carried.otu,
        "before": last.title,
    }  # fmt: skip
    return [Finding("repetitive", "note", values)]


def _too_soon(dive: Dive, found: Schedule) -> Iterator[Finding]:
    """What dives before, or life further down, have left, against the surface pressure that this dive begins at; and
    going up to it."""
    if not dive.previous and dive.site.acclimatised is None:
        return
    high = dive.model.gradient_factors[1]
    gf, up = 100.0 * float(found.track.points[0]["gf_surface"]), flying.going_up(dive)
    if gf > high + 0.5:
        grave = up is not None or gf > 100.0
        longer = "surface interval" if dive.previous else "time at the site"
        values: dict[str, Any] = {"gf_percent": gf, "gf_high": high, "longer": longer}
        yield Finding("surface-gf", "no-go" if grave else "caution", values, 0.0, 0.0)
    last = dive.previous[-1] if dive.previous else None
    if up is not None and last is not None and last.surface_interval < up.guidance.minutes:
        values = {
            "altitude_m": up.altitude_m, "guidance_min": float(up.guidance.minutes), "before": last.title,
            "interval_min": last.surface_interval, "guided": up.guidance.dive, "guidance": up.guidance.words,
            "model_min": up.model_min,
        }  # fmt: skip
        yield Finding("altitude-soon", "caution", values)


def _long(dive: Dive, found: Schedule) -> list[Finding]:
    """TTS and run time against the diver's own limits."""
    judged = []
    for code, minutes, limit in (
        ("tts", found.tts_min, dive.limits.tts),
        ("run-time", found.run_time_min, dive.limits.run_time),
    ):
        if limit is not None and minutes > limit + 1e-6:
            judged.append(Finding(code, "no-go", {"minutes": minutes, "limit_min": limit}))
    return judged
