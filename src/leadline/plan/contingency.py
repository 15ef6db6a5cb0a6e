"""What if: everything that can go wrong, each planned to the surface, and whether the gas carried survives it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from leadline.brief.errors import BriefError
from leadline.brief.schema import Dive
from leadline.plan import breathing, gases
from leadline.plan import supply as supply_
from leadline.plan.findings import Finding, Severity
from leadline.plan.gases import Source, Stretch, Way
from leadline.plan.oxygen import Oxygen, carried, oxygen
from leadline.plan.oxygen import judge as judge_oxygen
from leadline.plan.scenarios import Scenario
from leadline.plan.schedule import (
    Array,
    Layout,
    Leg,
    Schedule,
    Stop,
    Switch,
    distinct,
    level_rows,
    read_legs,
    read_stops,
    read_switches,
    source_rows,
    way_rows,
)
from leadline.plan.supply import (
    CylinderUse,
    LoopUse,
    Rmv,
    calm_rmv,
    open_circuit_cylinders,
    planned_rmv,
    stressed_rmv,
)
from leadline.tissue import kernel
from leadline.units import SYSTEMS


@dataclass(frozen=True)
class Contingency:
    """One thing that goes wrong, planned to the surface. Gas, oxygen and loop are those of the whole dive."""

    scenario: Scenario
    leaves_at_min: float | None
    """The run time at which the plan is left: where the way home is longest, or takes most gas. None: it is a whole
    dive of its own."""
    depth_m: float | None
    """Where the plan is left."""
    legs: tuple[Leg, ...]
    """From there; empty if there is no way up at all."""
    stops: tuple[Stop, ...]
    switches: tuple[Switch, ...]
    run_time_min: float
    """At the surface."""
    tts_min: float
    """From leaving the plan, sorting it out included; of a whole dive, from leaving its last level."""
    supply: tuple[CylinderUse, ...]
    loop: LoopUse | None
    oxygen: Oxygen
    breathing: tuple[breathing.Breathed, ...]
    """Of a way off the loop: every gas over all the depths it may be breathed at, whenever the loop is left."""
    findings: tuple[Finding, ...]

    @property
    def kind(self) -> str:
        """What goes wrong, in the trade's words."""
        return self.scenario.kind

    @property
    def name(self) -> str:
        """As it heads a sheet."""
        return self.scenario.name

    @property
    def survived(self) -> bool:
        """Whether it is met with every stop and within every hard limit, on the gas carried."""
        return bool(self.legs) and not any(finding.severity == "no-go" for finding in self.findings)

    @property
    def least(self) -> CylinderUse | None:
        """The cylinder that is missing most, or else has the least left: of those breathed from, if there are any."""
        used = [use for use in self.breathed if use.used_l > 1e-6] or [use for use in self.supply if use.used_l > 1e-6]
        return min(used, key=lambda use: (-use.missing_l if use.missing_l > 1e-6 else 0.0, use.left_bar), default=None)

    @property
    def breathed(self) -> tuple[CylinderUse, ...]:
        """The cylinders that are breathed from on open circuit, or could be."""
        names = {cylinder.name for cylinder in open_circuit_cylinders(self.scenario.dive)}
        return tuple(use for use in self.supply if use.name in names)


def contingencies(
    dive: Dive, layout: Layout, schedule: Schedule, supply: Sequence[CylinderUse], found: Sequence[Scenario]
) -> tuple[Contingency, ...]:
    """Scenarios, worked out. `supply` is the planned dive's. Of two gases lost only the worst pair is kept, of a bottom
    cylinder lost only the worst level."""
    ways: list[tuple[Scenario, list[Stretch], str]] = []
    for scenario in found:
        try:
            stretches = [] if scenario.points is not None else gases.stretches(scenario.dive)
            ways.append((scenario, stretches, ""))
        except BriefError as error:
            ways.append((scenario, [], error.problems[0].message))
    runs = _run(dive, layout, schedule, supply, [(s, st) for s, st, refused in ways if not refused])
    made: list[Contingency] = []
    for scenario, _, refused in ways:
        if refused:
            made.append(_refused(scenario, schedule, refused))
            continue
        longest, most_gas = next(runs)
        made.append(_worked_out(dive, schedule, scenario, longest))
        if most_gas is not None and most_gas.fault == kernel.FINE and not scenario.nothing_to_breathe:
            name = f"{scenario.name}, where it takes most gas"
            made.append(_worked_out(dive, schedule, replace(scenario, name=name), most_gas))
    return _only_the_worst(made)


ONLY_THE_WORST = ("two gases lost", "bottom cylinder lost")
"""Kinds that are worked out for more pairs, or levels, than anyone would carry on paper."""


def _only_the_worst(made: Sequence[Contingency]) -> tuple[Contingency, ...]:
    alike: dict[tuple[str, str], list[Contingency]] = {}
    for found in made:
        if found.kind in ONLY_THE_WORST:
            alike.setdefault((found.kind, found.scenario.lost), []).append(found)
    worst = [max(some, key=_gravity) for some in alike.values()]
    return tuple(c for c in made if c.kind not in ONLY_THE_WORST or any(c is one for one in worst))


def _gravity(contingency: Contingency) -> tuple[bool, float, float]:
    """Not survived, the largest share of a cylinder, the run time: the worse, the larger."""
    share = max((use.used_l / max(use.content_l, 1e-6) for use in contingency.supply), default=math.inf)
    return not contingency.survived, share, contingency.run_time_min


# --- Running them -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Run:
    """What the kernel found."""

    fault: int
    point: int
    legs: tuple[Leg, ...]


def _run(
    dive: Dive, layout: Layout, schedule: Schedule, supply: Sequence[CylinderUse],
    found: Sequence[tuple[Scenario, list[Stretch]]],
) -> Iterator[tuple[_Run, _Run | None]]:  # fmt: skip
    """Every scenario in one call of the kernel: from where the way home is longest, and from where it takes most gas if
    that is elsewhere."""
    own_ways: list[Way] = [scenario.way or () for scenario, _ in found]
    stretches = [stretch for _, of_one in found for stretch in of_one]
    breaks = [_break_source(scenario.dive) for scenario, _ in found]
    sources = tuple(
        dict.fromkeys([*layout.sources, *distinct(stretches, *own_ways), *(b for b in breaks if b is not None)])
    )
    deepest_m = max([dive.deepest_m, *(scenario.dive.deepest_m for scenario, _ in found)])
    stop_depths_m = np.array(dive.stops.depths_m(deepest_m))
    rules = layout.rules._replace(stop_depths_m=stop_depths_m, held=np.zeros((0, 2)))
    levels, ways = [layout.levels], [layout.ways]
    level_end, way_end, held = len(layout.levels), len(layout.ways), list[tuple[float, float]]()

    cases = np.zeros(len(found), kernel.CASE)
    stressed, calm, per_litre = np.zeros((3, len(found), len(sources)))
    for k, (scenario, of_one) in enumerate(found):
        case = cases[k]
        case["from_point"], case["to_point"] = scenario.points or (-1, -1)
        case["sorting_out_min"] = scenario.sorting_out_min
        case["heavy_min"], case["heavier_l_min"] = scenario.heavy_min, scenario.heavier_l_min
        case["stressed_min"] = scenario.stressed_min
        case["rate"] = scenario.rate
        case["break_source"] = sources.index(broken) if (broken := breaks[k]) is not None else -1
        case["gf_low"], case["gf_high"] = (percent / 100.0 for percent in scenario.dive.model.gradient_factors)
        case["held_first"], case["held_end"] = len(held), len(held) + len(scenario.held)
        held += scenario.held
        if of_one:
            own_levels, rows = level_rows(scenario.dive, of_one, sources, way_end)
            case["level_first"], case["level_end"] = level_end, level_end + len(own_levels)
            levels.append(own_levels)
            level_end += len(own_levels)
        else:
            rows = way_rows(scenario.way or (), sources)
            case["way_first"], case["way_end"] = way_end, way_end + len(rows)
        ways.append(rows)
        way_end += len(rows)
        if scenario.stressed:
            as_a_rule = replace(scenario, heavy_min=0.0)
            phases = (stressed, _rmv(as_a_rule, 0.0, math.inf)), (calm, _rmv(as_a_rule, 0.0, 0.0))
            for i, source in enumerate(sources):
                gives_l = _gives(scenario, source)
                # Diluent that is not listed is said to be unchecked. Of what else gives nothing, any is too much.
                if source.circuit == "open" or (source.circuit == "semi-closed" and gives_l > 0.0):
                    for phase, breaths in phases:
                        part = _semi_closed(dive) if source.circuit == "semi-closed" else 1.0
                        phase[k, i] = breaths(_on(source)) / part
                    per_litre[k, i] = 1.0 / max(gives_l, 1e-6)
    legs = np.zeros(512 * len(found) + 2048, kernel.LEG)
    kernel.what_if(
        cases, stressed, calm, per_litre, schedule.track.points, schedule.track.tensions_bar,
        _spent(dive, schedule, supply, sources), layout.start, np.concatenate(levels), np.concatenate(ways),
        np.array(held, dtype=float).reshape(-1, 2), source_rows(sources), rules, layout.comps, legs,
    )  # fmt: skip
    for case in cases:
        rows = legs[case["leg_first"] : case["leg_end"]]
        most_gas = legs[case["most_gas_leg_first"] : case["most_gas_leg_end"]]
        fault = int(case["fault"])
        yield (
            _Run(fault, int(case["point"]), read_legs(rows, sources)),
            _Run(fault, int(case["most_gas_point"]), read_legs(most_gas, sources)) if len(most_gas) else None,
        )


def _break_source(dive: Dive) -> Source | None:
    """What is breathed in oxygen breaks; without a gas for them there are none."""
    try:
        return gases.break_source(dive)
    except BriefError:
        return None


def _gives(scenario: Scenario, source: Source) -> float:
    """What the cylinders of a source give, as the scenario is judged: the bailout above their reserves, any other down
    to the last. Of a semi-closed loop, the diluent's. [free litres]"""
    dive = scenario.dive
    measure = supply_.usable if scenario.kind == "bailout" else supply_.content
    if source.circuit == "semi-closed":
        return sum(supply_.content(dive, c) for c in dive.cylinders if c.use == "diluent")
    return sum(measure(dive, c) for c in open_circuit_cylinders(dive) if c.gas == source.mix)


def _spent(dive: Dive, schedule: Schedule, supply: Sequence[CylinderUse], sources: Sequence[Source]) -> Array:
    """What the planned dive has taken of each source by each point of the track. [points, sources, free litres]"""
    times = schedule.track.points["run_time_min"]
    spent = np.zeros((len(times), len(sources)))
    breathed = {cylinder.name for cylinder in open_circuit_cylinders(dive)}
    for i, source in enumerate(sources):
        for use in supply:
            of_it = use.use == "diluent" if source.circuit == "semi-closed" else use.name in breathed
            if of_it and use.mix == source.mix and source.circuit != "closed":
                spent[:, i] += use.used_by(times)
    return spent


def _semi_closed(dive: Dive) -> float:
    return dive.loop.semi_closed if dive.loop is not None else 1.0


def _on(source: Source) -> Leg:
    return Leg("level", 0.0, 1.0, 0.0, 0.0, source, 0, False)


def calm_from(legs: Sequence[Leg], stressed_min: float) -> float:
    """The run time at which stressed breathing is over, once the plan is left with `legs`, as `kernel.calm_from` has
    it. [min]"""
    for leg in legs:
        if leg.source.mix.o2 > legs[0].source.mix.o2 + 1e-9:
            return max(leg.start_min, legs[0].start_min + stressed_min)
    return math.inf


def _rmv(scenario: Scenario, from_min: float, calm_min: float) -> Rmv:
    """RMV of a scenario: as planned until it begins, then as it has it; where it is stressed, until the run time at
    which that is over."""
    dive, mates = scenario.dive, scenario.mates
    planned, stressed, calm = planned_rmv(dive), stressed_rmv(dive), calm_rmv(dive)
    bottom = {cylinder.gas for cylinder in dive.cylinders if cylinder.use == "bottom"}
    until_min = from_min + scenario.heavy_min

    def breaths(leg: Leg) -> float:
        if leg.start_min < from_min - 1e-6:
            return planned(leg)
        if leg.source.circuit == "semi-closed":
            return dive.diver.rmv_bottom
        heavier = scenario.heavier_l_min * max(0.0, min(leg.end_min, until_min) - leg.start_min) / leg.minutes
        if not scenario.stressed:
            return planned(leg) + heavier
        with_mate = mates is not None and leg.source.mix in bottom
        before = stressed + (mates.rmv_stressed if mates is not None and with_mate else 0.0)
        after = calm + (mates.rmv_bailout if mates is not None and with_mate else 0.0)
        calm_part = min(1.0, max(0.0, leg.end_min - calm_min) / leg.minutes)
        return before + (after - before) * calm_part + heavier

    return breaths


# --- What comes of them -----------------------------------------------------------------------------------------------


def _worked_out(dive: Dive, schedule: Schedule, scenario: Scenario, run: _Run) -> Contingency:
    own = scenario.dive
    where = own.site.environment
    if scenario.nothing_to_breathe or (run.fault != kernel.FINE and run.fault != kernel.LEFT_TOO_EARLY):
        said = (
            "there is nothing to breathe; carry another cylinder"
            if scenario.nothing_to_breathe
            else "the stops never clear on the gas left; carry a richer gas"
        )
        return _refused(scenario, schedule, said, run.point)
    if run.fault == kernel.LEFT_TOO_EARLY:
        said = "a level is due before the stops on the way to it are done: leave it out and surface"
        return _refused(scenario, schedule, said, severity="caution")
    legs, before = run.legs, tuple[Leg, ...]()
    leaves_at_min: float | None = None
    depth_m: float | None = None
    if scenario.points is None:
        switches = read_switches(legs)
        tts_from_min = own.levels[-1].leave_at
    else:
        point = schedule.track.points[run.point]
        leaves_at_min, depth_m = float(point["run_time_min"]), float(point["depth_m"])
        before = tuple(_until(schedule.legs, leaves_at_min))
        breathing_now = schedule.track.sources[int(point["source"])]
        changed = bool(legs) and legs[0].source != breathing_now
        first = (Switch(depth_m, leaves_at_min, legs[0].source),) if changed else ()
        switches = (*first, *read_switches(legs))
        tts_from_min = leaves_at_min
    whole = (*before, *legs)
    begins_min = leaves_at_min
    if begins_min is None:  # a whole dive: breathed as planned, but more heavily from reaching the bottom
        begins_min = next((leg.start_min for leg in legs if leg.kind == "level" and leg.start_m == own.deepest_m), 0.0)
    lost = (scenario.lost, begins_min) if scenario.lost else None
    rmv = _rmv(scenario, begins_min, calm_from(legs, scenario.stressed_min))
    used, loop = supply_.supply(own, whole, rmv, scenario.given, lost)
    run_time_min = legs[-1].end_min if legs else schedule.run_time_min
    off_the_loop = own.loop is not None and scenario.way is not None
    judged = _held_to_the_deco_limit(own)
    breathed = (
        breathing.breathed_in_a_bailout(judged, scenario.way or (), legs[0].start_min)
        if off_the_loop
        else breathing.breathed(judged, whole)
    )
    exposure = oxygen(whole, where, carried(own))
    found = Contingency(
        scenario=scenario,
        leaves_at_min=leaves_at_min,
        depth_m=depth_m,
        legs=legs,
        stops=read_stops(legs),
        switches=switches,
        run_time_min=run_time_min,
        tts_min=run_time_min - tts_from_min,
        supply=used,
        loop=loop,
        oxygen=exposure,
        breathing=breathed,
        findings=(),
    )
    return replace(found, findings=tuple(_weighed(judged, found)))


def _held_to_the_deco_limit(dive: Dive) -> Dive:
    """When things go wrong the working limit of ppO2 gives way to the one of the ascent."""
    limits = dive.limits
    limit = max(limits.ppo2_bottom, limits.ppo2_deco)
    return dive.model_copy(update={"limits": limits.model_copy(update={"ppo2_bottom": limit})})


def _refused(
    scenario: Scenario, schedule: Schedule, said: str, point: int = -1, severity: Severity = "no-go"
) -> Contingency:
    """A contingency without a way to the surface."""
    at_min: float | None = None
    depth_m: float | None = None
    if scenario.points is not None and point >= 0:
        at_min, depth_m = (float(schedule.track.points[point][key]) for key in ("run_time_min", "depth_m"))
    code = "no-way-up" if severity == "no-go" else "level-missed"
    return Contingency(
        scenario=scenario,
        leaves_at_min=at_min,
        depth_m=depth_m,
        legs=(),
        stops=(),
        switches=(),
        run_time_min=schedule.run_time_min,
        tts_min=0.0,
        supply=(),
        loop=None,
        oxygen=Oxygen(0.0, 0.0, 0.0),
        breathing=(),
        findings=(Finding(code, severity, f"{said}.", {}, at_min, depth_m),),
    )


def _weighed(dive: Dive, found: Contingency) -> Iterator[Finding]:
    """Everything to be said of a contingency: gas, ppO2, density, narcosis, oxygen, scrubber."""
    scenario, at = found.scenario, SYSTEMS[dive.units].at
    loop = found.loop
    for use in found.supply:
        finding = supply_.short_of_gas(dive, use) if scenario.kind == "bailout" else _runs_out(dive, use)
        if finding is not None:
            yield finding
    others = [*breathing.judge(dive, found.breathing, found.legs), *judge_oxygen(found.oxygen)]
    if loop is not None and loop.scrubber_min is not None:
        others += supply_.scrubber(loop)
    for part in found.breathing:
        if part.ppo2_low_bar < gases.MINIMUM_PPO2_BAR:
            message = (
                f"{part.source.name} is hypoxic at {at(part.shallowest_m)} (ppO2 {part.ppo2_low_bar:.2f}); "
                "carry a richer gas for the shallows."
            )
            values: dict[str, float | str] = {"ppo2_bar": part.ppo2_low_bar, "gas": part.source.mix.label}
            others.append(Finding("hypoxic", "no-go", message, values, None, part.shallowest_m))
    yield from others


def _runs_out(dive: Dive, use: CylinderUse) -> Finding | None:
    """A cylinder that does not last, and what would mend it; or the reserve that is breathed."""
    system = SYSTEMS[dive.units]
    if use.short_l <= 1e-6:
        return None
    name = f"{use.name} ({use.mix.name})"
    values: dict[str, float | str] = {
        "cylinder": use.name, "needed_l": use.used_l, "content_l": use.content_l, "left_bar": use.left_bar
    }  # fmt: skip
    if use.missing_l <= 1e-6:
        message = f"{name} is breathed into its reserve, {system.pressure(use.left_bar)} {system.pressure_unit} left."
        return Finding("reserve", "caution", message, values, *(use.reaches(use.usable_l) or (None, None)))
    when = use.reaches(use.content_l)
    where = f" at {math.floor(when[0])} min, {system.at(when[1])}" if when is not None else ""
    short = f"{system.gas_up(use.missing_l)} {system.gas_unit}"
    message = (
        f"{name} runs out{where}, {short} short. A cylinder that holds {system.gas_up(use.used_l)} {system.gas_unit}, "
        "another gas or a shorter bottom would mend it."
    )
    values["short_l"] = use.missing_l
    return Finding("gas-short", "no-go", message, values, *(when or (None, None)))


def _until(legs: Sequence[Leg], run_time_min: float) -> Iterator[Leg]:
    """The legs before a run time, the last cut off there."""
    for leg in legs:
        if leg.end_min <= run_time_min:
            yield leg
        elif leg.start_min < run_time_min:
            share = (run_time_min - leg.start_min) / leg.minutes
            yield replace(leg, end_min=run_time_min, end_m=leg.start_m + share * (leg.end_m - leg.start_m))


# --- The verdict ------------------------------------------------------------------------------------------------------


def judge(
    dive: Dive, found: Sequence[Contingency], planned: Iterable[Finding] = (), mates_give: bool = False
) -> list[Finding]:
    """A contingency that the gas carried does not survive is a no-go, or as grave as the dive file says if two things
    had to fail. What the plan itself is already found to break (`planned`) is not said of every contingency again.
    `mates_give`: a team shares bailout."""
    findings: list[Finding] = []
    broken = {_of_what(finding) for finding in planned if finding.severity == "no-go" and not _only_reserve(finding)}
    if dive.loop is not None and not mates_give and not open_circuit_cylinders(dive):
        message = "No open-circuit cylinder is carried: there is nothing to bail out to."
        findings.append(Finding("bailout-none", "no-go", message))
        found = [contingency for contingency in found if not contingency.scenario.nothing_to_breathe]
    bailout_met = any(contingency.kind == "bailout" and contingency.survived for contingency in found)
    reserves: list[tuple[Contingency, Finding]] = []
    told: set[str] = set()
    for contingency in found:
        for finding in contingency.findings:
            grave = finding.severity == "no-go"
            if finding.code == "reserve":
                reserves.append((contingency, finding))
            elif grave and contingency.kind == "oxygen gone" and bailout_met:
                said = f"{finding.message} Bail out instead, or from there."
                findings.append(_as_of(contingency, replace(finding, severity="caution", message=said)))
            elif not contingency.scenario.two_failures and (
                (contingency.kind == "bailout" and (grave or finding.message not in told))
                or finding.code == "level-missed"
                or (grave and _of_what(finding) not in broken)
            ):
                findings.append(_as_of(contingency, finding))
        told |= {finding.message for finding in contingency.findings} if contingency.kind == "bailout" else set()
        if contingency.scenario.two_failures and any(f.severity == "no-go" for f in contingency.findings):
            findings.append(_not_met(dive, contingency))
        if contingency.kind == "bailout" and contingency.survived:
            findings.append(_bailout_holds(dive, contingency))
    if reserves:
        findings.append(_reserves(dive, reserves))
    return [*findings, *_met(found)]


def _only_reserve(finding: Finding) -> bool:
    """Whether a plan is short only of a cylinder's reserve: a contingency that runs it dry is another matter."""
    needed, content = finding.values.get("needed_l"), finding.values.get("content_l")
    return isinstance(needed, float) and isinstance(content, float) and needed <= content


def _of_what(finding: Finding) -> tuple[str, object]:
    return finding.code, finding.values.get("gas", finding.values.get("cylinder"))


_MENDS = {
    "ppo2-high": "A leaner gas or a shallower dive would mend it.",
    "cns": "A lower setpoint, a leaner gas or a shorter bottom would mend it.",
    "otu": "A lower setpoint, a leaner gas or a shorter bottom would mend it.",
    "cns-day": "A longer surface interval, a leaner gas or a shorter bottom would mend it.",
    "otu-days": "A longer surface interval, a leaner gas or a shorter bottom would mend it.",
    "scrubber": "A scrubber of longer rating or a shorter bottom would mend it.",
}
"""What to do about a finding that does not say so itself."""


def _as_of(contingency: Contingency, finding: Finding) -> Finding:
    """A finding as the plan says it: the code begins with the kind, the message with the name; a no-go ends with what
    would mend it."""
    name = contingency.name[0].upper() + contingency.name[1:]
    if finding.severity == "no-go" and finding.code in _MENDS:
        finding = replace(finding, message=f"{finding.message} {_MENDS[finding.code]}")
    code = f"{contingency.kind.replace(' ', '-')}-{finding.code}"
    values: dict[str, float | str] = {"contingency": contingency.name, **finding.values}
    return replace(finding, code=code, message=f"{name}: {finding.message}", values=values)


def _not_met(dive: Dive, found: Contingency) -> Finding:
    """Two failures at once that are not survived: all reasons in one, as grave as the dive file says."""
    reasons = [finding for finding in found.findings if finding.severity == "no-go"]
    one = replace(reasons[0], code="not-met", severity=dive.contingencies.two_failures)
    said = " ".join(finding.message[0].upper() + finding.message[1:] for finding in reasons)
    return _as_of(found, replace(one, message=f"not survived. {said}"))


def _bailout_holds(dive: Dive, found: Contingency) -> Finding:
    assert found.leaves_at_min is not None
    assert found.depth_m is not None
    at = f"{math.floor(found.leaves_at_min + 1e-6)} min, {SYSTEMS[dive.units].at(found.depth_m)}"
    which = "Bailout at the worst moment" if found.name == "bailout" else found.name[0].upper() + found.name[1:]
    message = f"{which} ({at}) is met with every stop, {math.ceil(found.tts_min - 1e-6)} min up."
    values: dict[str, float | str] = {"worst_moment_min": found.leaves_at_min, "tts_min": found.tts_min}
    return Finding("bailout-holds", "note", message, values, found.leaves_at_min, found.depth_m)


def _reserves(dive: Dive, reserves: Sequence[tuple[Contingency, Finding]]) -> Finding:
    """One caution for all contingencies that breathe into a reserve."""
    system = SYSTEMS[dive.units]
    left: dict[str, list[str]] = {}
    for contingency, finding in reserves:
        pressure = system.pressure(float(finding.values["left_bar"]))
        left.setdefault(contingency.name, []).append(f"{finding.values['cylinder']} {pressure}")
    said = "; ".join(f"{name} ({', '.join(cylinders)})" for name, cylinders in left.items())
    message = f"Breathed into the reserve, with what is then left in {system.pressure_unit}: {said}."
    return Finding("contingency-reserve", "caution", message, {"contingencies": float(len(left))})


def _met(found: Sequence[Contingency]) -> list[Finding]:
    """How many contingencies are met, and the longest way up among them."""
    met = [contingency for contingency in found if contingency.survived]
    if not met:
        return []
    longest = max(met, key=lambda contingency: contingency.tts_min)
    message = (
        f"{len(met)} of {len(found)} contingencies are met on the gas carried; "
        f"the longest way up is {math.ceil(longest.tts_min - 1e-6)} min ({longest.name})."
    )
    return [Finding("contingencies-met", "note", message, {"met": float(len(met)), "planned": float(len(found))})]
