"""How it went: a dive as dived, held against its plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.logbook.as_planned import NOT_RECORDED
from leadline.logbook.debrief import breathing_rate, deviations
from leadline.logbook.debrief.applied import Applied, applied_sheet
from leadline.logbook.debrief.breathing_rate import BreathingRates, Gauge, Offer, Span, gauge_of
from leadline.logbook.debrief.marks import (
    Change,
    DepthLine,
    Held,
    LevelDived,
    Mark,
    alike,
    changes_dived,
    find_marks,
    levels_dived,
    line_of,
    matched_changes,
    moments_of,
    stops_held,
)
from leadline.logbook.dived import Dived, problems
from leadline.logbook.retrace import SURFACED_M, Retraced, retrace_dive, surfaced_min
from leadline.physics.mix import Mix
from leadline.physics.real_gas import MAX_BAR, free_litres
from leadline.plan.oxygen import Oxygen
from leadline.plan.planned import Plan
from leadline.plan.supply import CylinderUse
from leadline.show.sentences import Remark
from leadline.tissue.loading import Residual
from leadline.units import SYSTEMS


@dataclass(frozen=True)
class HighestGf:
    """The highest gradient factor on the way up, a share, and where it was."""

    gf: float
    run_time_min: float
    depth_m: float


@dataclass(frozen=True)
class GasDived:
    """A cylinder of the dive against that of the plan. None: not recorded, or not in the plan."""

    name: str
    mix: Mix
    planned: CylinderUse | None
    start_bar: float | None
    end_bar: float | None
    used_l: float | None
    """Free litres, real gas."""

    @property
    def more_l(self) -> float | None:
        """What was used beyond the plan. [free litres]"""
        return None if self.used_l is None or self.planned is None else self.used_l - self.planned.used_l


@dataclass(frozen=True)
class Debrief:
    """A dive held against its plan."""

    dived: Dived
    plan: Plan
    retraced: Retraced
    line: DepthLine
    levels: tuple[LevelDived, ...]
    stops: tuple[Held, ...]
    marks: tuple[Mark, ...]
    changes: tuple[Change, ...]
    gas: tuple[GasDived, ...]
    rates: BreathingRates
    oxygen: Oxygen
    over_limit_min: float
    """Minutes over the ppO2 limits, beyond what a diver can hold."""
    gf_surface: float
    """On surfacing; a share."""
    planned_gf_surface: float
    highest_gf: HighestGf
    planned_highest_gf: HighestGf
    applied: Applied
    not_recorded: tuple[str, ...]
    """In words."""
    from_log: bool
    """Whether it begins as earlier dives have left the diver, rather than as the plan begins."""
    findings: tuple[Remark, ...]
    said: tuple[str, ...] = ()
    """Of how plan and dive begin, in words."""

    @property
    def caution(self) -> bool:
        """Whether there is a caution."""
        return any(finding.severity != "note" for finding in self.findings)

    @property
    def surfaced_min(self) -> float:
        """When the surface was reached. [min]"""
        return self.retraced.surfaced_min


def debrief_dive(dived: Dived, plan: Plan, residual: Residual | None = None) -> Debrief:
    """A dive held against its plan.

    `residual` is what the diver began the dive with; as the plan begins if not given. DiveFileError if the dive cannot
    be true.
    """
    if wrong := problems(dived):
        raise DiveFileError(dived.title or "dive", [Problem("", said) for said in wrong])
    line = line_of(dived)
    levels = levels_dived(plan, line)
    changes = changes_dived(dived)
    made, extra = matched_changes(plan, changes)
    stops = stops_held(plan, line, levels, surfaced_min(dived.profile))
    named = find_marks(plan, dived, line, levels, stops, made)
    retraced = retrace_dive(dived, plan.dive, residual, moments_of(named))
    named = tuple(_with_tts(mark, retraced) for mark in named)
    left_min = levels[-1].left_min
    i = retraced.look(retraced.surfaced_min)
    gas = gas_dived(plan, dived)
    rates = _rates(plan, dived, levels, stops, changes, retraced.surfaced_min)
    surface, planned_surface = float(retraced.gf_surface[i]), float(plan.schedule.track.points[-1]["gf_surface"])
    ppo2_found, over_min = deviations.ppo2(plan, dived, retraced, left_min)
    oxygen, ends_m = retraced.loaded.oxygen, line.depth(retraced.surfaced_min)
    findings = [
        *deviations.place(plan, dived),
        *deviations.depth_and_time(plan, line, levels, retraced.surfaced_min),
        *deviations.ascent_rates(plan, line, retraced.surfaced_min),
        *deviations.ceilings(plan, retraced),
        *deviations.stops(plan, line, stops, levels, retraced),
        *deviations.changes(plan, dived, made, extra, ends_m),
        *ppo2_found,
        *(deviations.surface_gf(plan, surface, planned_surface, retraced.surfaced_min) if ends_m <= SURFACED_M else ()),
        *_gas_used(plan, gas),
        *deviations.oxygen(plan, oxygen),
    ]
    return Debrief(
        dived=dived,
        plan=plan,
        retraced=retraced,
        line=line,
        levels=levels,
        stops=stops,
        marks=named,
        changes=changes,
        gas=gas,
        rates=rates,
        oxygen=oxygen,
        over_limit_min=over_min,
        gf_surface=surface,
        planned_gf_surface=planned_surface,
        highest_gf=_highest(retraced, left_min),
        planned_highest_gf=_planned_highest(plan),
        applied=applied_sheet(plan, line, levels, changes, retraced.surfaced_min),
        not_recorded=tuple(_not_recorded(dived, changes, gas)),
        from_log=residual is not None,
        findings=deviations.in_dive_order(findings),
    )


def _with_tts(mark: Mark, retraced: Retraced) -> Mark:
    """A mark with the TTS there."""
    if mark.dived is None:
        return mark
    tts_min = float(retraced.tts_min[retraced.look(mark.dived.run_time_min)])
    return replace(mark, dived=replace(mark.dived, tts_min=None if np.isnan(tts_min) else tts_min))


def _highest(retraced: Retraced, left_min: float) -> HighestGf:
    up = np.flatnonzero(
        (retraced.run_time_min >= left_min - 1e-6) & (retraced.run_time_min <= retraced.surfaced_min + 1e-6)
    )
    i = int(up[np.argmax(retraced.gf_now[up])]) if len(up) else retraced.look(retraced.surfaced_min)
    return HighestGf(float(retraced.gf_now[i]), float(retraced.run_time_min[i]), float(retraced.depth_m[i]))


def _planned_highest(plan: Plan) -> HighestGf:
    points = plan.schedule.track.points
    up = points[points["run_time_min"] >= plan.dive.levels[-1].leave_at - 1e-6]
    point = up[int(np.argmax(up["gf_now"]))]
    return HighestGf(float(point["gf_now"]), float(point["run_time_min"]), float(point["depth_m"]))


# --- Gas --------------------------------------------------------------------------------------------------------------


def gas_dived(plan: Plan, dived: Dived) -> tuple[GasDived, ...]:
    """Every cylinder of the dive, with that of the plan."""
    found = []
    for i, cylinder in enumerate(dived.cylinders):
        use = planned_use(plan, dived, i)
        gauge = gauge_of(dived, i)
        used_l = None
        if cylinder.size_l is not None and gauge.first is not None and gauge.last is not None:
            celsius = use.celsius if use is not None else plan.dive.site.temperature
            held = [free_litres(cylinder.mix, cylinder.size_l, min(bar, MAX_BAR), celsius) for bar in _ends(gauge)]
            used_l = held[0] - held[1]
        found.append(GasDived(cylinder.name, cylinder.mix, use, gauge.first, gauge.last, used_l))
    return tuple(found)


def _ends(gauge: Gauge) -> tuple[float, float]:
    assert gauge.first is not None
    assert gauge.last is not None
    return gauge.first, gauge.last


def planned_use(plan: Plan, dived: Dived, index: int) -> CylinderUse | None:
    """The plan's cylinder for one of the dive: by its name, else the only one of its gas on both sides."""
    cylinder = dived.cylinders[index]
    by_name = [use for use in plan.supply if use.name.casefold() == cylinder.name.casefold()]
    if by_name:
        return by_name[0]
    names = {one.name.casefold() for one in dived.cylinders}
    free = [use for use in plan.supply if use.name.casefold() not in names and alike(use.mix, cylinder.mix)]
    same = [one for one in dived.cylinders if alike(one.mix, cylinder.mix)]
    return free[0] if len(free) == 1 and len(same) == 1 else None


def _gas_used(plan: Plan, gas: Sequence[GasDived]) -> Iterator[Remark]:
    """More gas used than planned, or a reserve breathed into."""
    system = SYSTEMS[plan.dive.units]
    for one in gas:
        if one.planned is None or one.end_bar is None:
            continue
        use = one.planned
        if one.end_bar < use.reserve_bar - 1.0 and use.left_bar >= use.reserve_bar - 1.0:
            yield Remark(
                "gas-reserve", "caution",
                f"{one.name} came back with {system.pressure(one.end_bar)} {system.pressure_unit}, below its reserve "
                f"of {system.pressure(use.reserve_bar)}; planned {system.pressure(use.left_bar)}.",
                {"cylinder": one.name, "end_bar": one.end_bar, "reserve_bar": use.reserve_bar,
                 "planned_bar": use.left_bar},
            )  # fmt: skip
        if one.used_l is None:
            continue
        least_l = use.water_l * deviations.MORE_BAR
        if one.used_l > deviations.MORE_GAS * use.used_l + 1e-6 and one.used_l - use.used_l > least_l:
            yield Remark(
                "gas-used", "note",
                f"{system.gas_up(one.used_l)} {system.gas_unit} used of {one.name}: "
                f"{system.gas_up(one.used_l - use.used_l)} {system.gas_unit} more than planned.",
                {"cylinder": one.name, "used_l": one.used_l, "planned_l": use.used_l},
            )  # fmt: skip


def _rates(
    plan: Plan, dived: Dived, levels: Sequence[LevelDived], stops: Sequence[Held], changes: Sequence[Change],
    surfaced: float,
) -> BreathingRates:  # fmt: skip
    """What the diver breathed."""
    dive = plan.dive
    first_stop = next((stop.arrive_min for stop in stops if stop.last_ascent and stop.arrive_min is not None), surfaced)
    edges = [0.0, levels[0].arrive_min, levels[-1].left_min, first_stop, surfaced]
    for i in range(1, len(edges)):
        edges[i] = min(surfaced, max(edges[i], edges[i - 1]))
    names: tuple[breathing_rate.Part, ...] = ("descent", "bottom", "ascent", "stops")
    parts = [Span(name, edges[i], edges[i + 1]) for i, name in enumerate(names)]
    feeding = {i for i in range(len(dived.cylinders)) if (use := planned_use(plan, dived, i)) and use.use in _FEEDING}
    celsius = dive.site.temperature
    volume_l = (dive.gas.drysuit or 0.0) + (dive.gas.wing or 0.0)
    legs, missing = breathing_rate.legs_rmv(
        dived, changes, parts, (_inflates(plan, dived), volume_l), celsius, apart=feeding
    )  # fmt: skip
    planned = {"rmv_bottom": dive.diver.rmv_bottom, "rmv_deco": dive.diver.rmv_deco}
    found: list[Offer] = breathing_rate.offers(legs, planned) if dive.loop is None else []
    if dive.loop is not None:
        oxygen = next(
            (i for i in range(len(dived.cylinders)) if (u := planned_use(plan, dived, i)) and u.use == "oxygen"), None
        )
        ends = [*(change.run_time_min for change in changes[1:]), surfaced]
        loop = [
            (change.run_time_min, end)
            for change, end in zip(changes, ends, strict=True)
            if change.source.circuit == "closed"
        ]
        offer, said = breathing_rate.metabolic_oxygen(dived, oxygen, loop, celsius, dive.loop.metabolic_oxygen)
        found += [offer] if offer is not None else []
        missing += [said] if said else []
    if dived.notes == NOT_RECORDED:
        found, missing = [], ["Not recorded: the pressures are those of the plan, and say nothing of the diver"]
    return BreathingRates(tuple(legs), tuple(found), tuple(missing))


_FEEDING = ("diluent", "oxygen", "inflation")


def _inflates(plan: Plan, dived: Dived) -> Mix | None:
    """The gas of the dive that fills drysuit and wing, as the plan has it."""
    uses = [planned_use(plan, dived, i) for i in range(len(dived.cylinders))]
    apart = any(use is not None and use.use == "inflation" for use in plan.supply)
    wanted = "bottom" if plan.dive.loop is None else "diluent"
    if apart:
        return None
    return next((dived.cylinders[i].mix for i, use in enumerate(uses) if use is not None and use.use == wanted), None)


def _not_recorded(dived: Dived, changes: Sequence[Change], gas: Sequence[GasDived]) -> Iterator[str]:
    """What nothing can be said of."""
    breathed = [change.source for change in changes]
    pressures = [one.name for one in gas if one.start_bar is None or one.end_bar is None]
    if pressures:
        yield f"pressure of {', '.join(pressures)}"
    sizes = [cylinder.name for cylinder in dived.cylinders if cylinder.size_l is None]
    if sizes:
        yield f"size of {', '.join(sizes)}"
    if any(source.circuit == "closed" for source in breathed) and not dived.profile.ppo2_bar:
        yield "ppO2 in the loop (the setpoint is taken instead)"
    unplanned = [one.name for one in gas if one.planned is None]
    if unplanned:
        yield f"what was planned of {', '.join(unplanned)} (no such cylinder in the plan)"
