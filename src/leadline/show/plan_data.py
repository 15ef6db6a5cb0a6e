"""A plan, or the plans of a team, as plain data: metric, with keys that stay the same. docs/json.md explains them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from leadline.dive_file.schema import Dive
from leadline.plan.breathing import Breathed
from leadline.plan.contingency import Contingency, Handover
from leadline.plan.day import Day, DivedBefore, PlannedDive
from leadline.plan.flying import Ascent
from leadline.plan.gases import Source
from leadline.plan.line import anchor_m, holding_compartments
from leadline.plan.oxygen import Oxygen
from leadline.plan.planned import Plan
from leadline.plan.rows import Row, contingency_rows, givings, mates_rows, planned_rows
from leadline.plan.schedule import Leg, Stop, Switch, Track
from leadline.plan.supply import CylinderUse, LoopUse, planned_rmv
from leadline.plan.team import Team
from leadline.plan.turning import MinimumGas, Turn
from leadline.show.outcome import in_words
from leadline.show.sentences import Remark, headline, remarks
from leadline.tissue import kernel

VERSION = 2
"""Of the layout of the report; it changes when a key changes its name or meaning."""


def as_data(plan: Plan) -> dict[str, Any]:
    """The plan as dictionaries, lists, numbers and text, ready for JSON. No NaN, no infinity."""
    dive = plan.dive
    return {
        "version": VERSION,
        "title": dive.title,
        "units": "metric",
        "no_go": plan.no_go,
        "verdict": headline(plan.findings, plan.dive.units),
        "model": {
            "coefficients": dive.model.coefficients,
            "gradient_factors": list(dive.model.gradient_factors),
        },
        "site": {
            "surface_bar": dive.site.environment.surface_bar,
            "bar_per_m": dive.site.environment.bar_per_m,
            "temperature_c": dive.site.temperature,
            "acclimatised_min": dive.site.acclimatised,
            "came_from_m": dive.site.came_from_m,
        },
        "levels": [{"depth_m": level.depth, "leave_at_min": level.leave_at} for level in dive.levels],
        "schedule": _schedule(plan),
        "oxygen": _oxygen(plan.oxygen),
        "breathing": [_breathed(part) for part in plan.breathing],
        "supply": [_cylinder(use) for use in plan.supply],
        "loop": _loop(plan.loop),
        "minimum_gas": [_minimum_gas(gas) for gas in plan.minimum_gas],
        "turns": [_turn(turn) for turn in plan.turns],
        "bailouts": [_bailout(bailout) for bailout in plan.bailouts],
        "tts": [{"run_time_min": at_min, "tts_min": tts_min} for at_min, tts_min in plan.tts],
        "bailout_tts": [{"run_time_min": at_min, "tts_min": tts_min} for at_min, tts_min in plan.bailout_tts],
        "contingencies": [_contingency(contingency, plan) for contingency in plan.contingencies],
        "after": [_after(ascent) for ascent in plan.after],
        "findings": findings_as_data(remarks(plan.findings, plan.dive.units)),
    }


def team_as_data(team: Team) -> dict[str, Any]:
    """The plans of a team, as `as_data` has each diver's, and what the divers share."""
    plans = {member.name: member.plan for member in team.members}
    return {
        "version": VERSION,
        "title": team.dive.title,
        "units": "metric",
        "no_go": team.no_go,
        "verdict": headline(team.findings, team.dive.units),
        "demanding": team.demanding,
        "divers": [
            {
                "name": member.name,
                "alone_min": member.alone_min,
                "plan": as_data(member.plan),
                "gives": [
                    {
                        "to": giving.receiver,
                        "kind": giving.contingency.kind,
                        "name": giving.name,
                        "rows": [_row(row) for row in giving.rows],
                    }
                    for giving in givings(team, member)
                    if giving.gives
                ],
            }
            for member in team.members
        ],
        "turns": [{"diver": turn.diver, "cylinder": turn.cylinder, "turn_bar": turn.turn_bar} for turn in team.turns],
        "bailouts": [
            {
                "diver": bailout.diver,
                "contingency": _contingency(bailout.contingency, plans[bailout.diver]),
                "handovers": [_handover(given) for given in bailout.handovers],
            }
            for bailout in team.bailouts
        ],
        "carries": [
            {"diver": carry.diver, "cylinder": carry.cylinder, "gas": carry.mix.label, "litres": carry.litres}
            for carry in team.carries
        ],
        "findings": findings_as_data(remarks(team.findings, team.dive.units)),
    }


def day_as_data(found: Day) -> dict[str, Any]:
    """The plan of the dive asked for, or of its team, with `day`: all dives in order; null where it comes after none.

    `no_go` is that of the whole day.
    """
    team = found.asked_for.team
    data = as_data(team.members[0].plan) if len(team.members) == 1 else team_as_data(team)
    dives = [
        _of_a_day(one, begins_min) for one, begins_min in zip(found.dives, found.begins_min(), strict=True)
    ]  # fmt: skip
    return {**data, "no_go": found.no_go, "day": dives if len(dives) > 1 else None}


def _of_a_day(one: PlannedDive | DivedBefore, begins_min: float | None) -> dict[str, Any]:
    if isinstance(one, DivedBefore):
        return {
            "title": one.title,
            "dived": True,
            "divers": [{"name": name, "cns_percent": left.cns_percent} for name, left in one.left],
        }
    return {
        "title": one.title,
        "dived": False,
        "file": one.file,
        "begins_min": begins_min,
        "surface_interval_min": one.interval_min,
        "oxygen_min": one.oxygen_min,
        "no_go": one.team.no_go,
        "deepest_m": one.team.dive.deepest_m,
        "leave_at_min": one.team.dive.levels[-1].leave_at,
        "run_time_min": one.run_time_min,
        "divers": [
            {
                "name": member.name,
                "gf_surface_percent": [numbers.gf_start, numbers.gf_end],
                "cns_percent": [numbers.cns_start, numbers.cns_end],
                "otu": [numbers.otu_start, numbers.otu_end],
                "day_percent": numbers.day_percent,
                "stops": _stops(member.plan.schedule.stops, member.plan.supply),
            }
            for member in one.team.members
            for numbers in [one.numbers(member.name)]
        ],
    }


def _schedule(plan: Plan) -> dict[str, Any]:
    dive, schedule = plan.dive, plan.schedule
    held = holding_compartments(dive, schedule)
    return {
        "rows": [_row(row) for row in planned_rows(plan)],
        "stops": [
            {**stop, "holding_compartment": c}
            for stop, c in zip(_stops(schedule.stops, plan.supply), held, strict=True)
        ],
        "anchor_m": anchor_m(schedule),
        "legs": _legs(dive, schedule.legs),
        "switches": _switches(schedule.switches),
        "run_time_min": schedule.run_time_min,
        "tts_min": schedule.tts_min,
        "ndl_min": schedule.ndl_min,
        "track": _track(schedule.track),
    }


def _legs(dive: Dive, legs: Iterable[Leg]) -> list[dict[str, Any]]:
    rmv = planned_rmv(dive)
    return [
        {
            "kind": leg.kind,
            "start_min": leg.start_min,
            "end_min": leg.end_min,
            "start_m": leg.start_m,
            "end_m": leg.end_m,
            **_source(leg.source),
            "rmv_l_min": rmv(leg) if leg.source.circuit == "open" else None,
        }
        for leg in legs
    ]


def findings_as_data(findings: Iterable[Remark]) -> list[dict[str, Any]]:
    """Findings, each with where in the dive it is."""
    return [
        {
            "code": finding.code,
            "severity": finding.severity,
            "message": finding.message,
            "values": plain_values(finding),
            "cure": finding.cure or None,
            "run_time_min": finding.run_time_min,
            "depth_m": finding.depth_m,
        }
        for finding in findings
    ]


_NOT_DATA = ("sizes", "why", "left", "fills", "outside", "alone")
"""Values of findings that only their sentence is made of."""


def plain_values(remark: Remark) -> dict[str, Any]:
    """The values of a finding as JSON has them."""
    return {key: _plain(value) for key, value in remark.values.items() if key not in _NOT_DATA}


def _plain(value: object) -> object:
    """A value as JSON has it; several names in one text."""
    if isinstance(value, tuple):
        return "; ".join(map(str, value))
    return "never" if value == math.inf else value


def _oxygen(oxygen: Oxygen) -> dict[str, Any]:
    return {
        "cns_percent": oxygen.cns_percent,
        "otu": oxygen.otu,
        "highest_ppo2_bar": oxygen.highest_ppo2_bar,
        "day_percent": oxygen.day_percent,
        "days": [{"days": of.days, "otu": of.otu, "most_otu": of.most_otu} for of in oxygen.windows],
    }


def _after(ascent: Ascent) -> dict[str, Any]:
    return {
        "altitude_m": ascent.altitude_m,
        "flight": ascent.flight,
        "model_min": ascent.model_min,
        "guidance": {
            "dive": ascent.guidance.dive,
            "words": ascent.guidance.words,
            "minutes": ascent.guidance.minutes,
        },
        "advice_min": ascent.advice_min,
    }


def _loop(loop: LoopUse | None) -> dict[str, Any] | None:
    if loop is None:
        return None
    return {
        "oxygen_l": loop.oxygen_l,
        "diluent_l": loop.diluent_l,
        "minutes": loop.minutes,
        "scrubber_min": loop.scrubber_min,
    }


def _minimum_gas(gas: MinimumGas) -> dict[str, Any]:
    return {
        "level": gas.level + 1,
        "gas": gas.mix.label,
        "run_time_min": gas.run_time_min,
        "depth_m": gas.depth_m,
        "to_m": gas.to_m,
        "minutes": gas.minutes,
        "litres": gas.litres,
    }


def _turn(turn: Turn) -> dict[str, Any]:
    return {
        "cylinder": turn.cylinder,
        "gas": turn.mix.label,
        "rule": turn.rule,
        "kept_bar": turn.kept_bar,
        "out_l": turn.out_l,
        "turn_bar": turn.turn_bar,
        "turn_at_min": turn.turn_at_min,
    }


def _source(source: Source) -> dict[str, Any]:
    return {"gas": source.mix.label, "circuit": source.circuit, "setpoint_bar": source.setpoint_bar}


def _stops(stops: Iterable[Stop], supply: Sequence[CylinderUse]) -> list[dict[str, Any]]:
    drawn_on = [use for use in supply if use.used_l > 0.0]
    return [
        {
            "depth_m": stop.depth_m,
            "arrive_min": stop.arrive_min,
            "leave_min": stop.leave_min,
            **_source(stop.source),
            "pressures": {use.name: use.bar_at(stop.leave_min) for use in drawn_on},
        }
        for stop in stops
    ]


def _switches(switches: Iterable[Switch]) -> list[dict[str, Any]]:
    return [
        {"depth_m": switch.depth_m, "run_time_min": switch.run_time_min, **_source(switch.source)}
        for switch in switches
    ]


def _track(track: Track) -> list[dict[str, Any]]:
    names = kernel.POINT.names or ()
    tensions = track.tensions_bar.tolist()
    rows = []
    for values, (n2, he) in zip(track.points.tolist(), tensions, strict=True):
        point = dict(zip(names, values, strict=True))
        rows.append(
            {
                "run_time_min": point["run_time_min"],
                "depth_m": point["depth_m"],
                **_source(track.sources[point["source"]]),
                "ceiling_m": point["ceiling_m"],
                "ndl_min": point["ndl_min"],
                "tts_min": point["tts_min"],
                "gf_now_percent": 100.0 * point["gf_now"],
                "gf_surface_percent": 100.0 * point["gf_surface"],
                "leading_compartment": point["leading"],
                "ppo2_bar": point["ppo2_bar"],
                "n2_bar": n2,
                "he_bar": he,
            }
        )
    return rows


def _breathed(part: Breathed) -> dict[str, Any]:
    return {
        **_source(part.source),
        "on_the_way_up": part.on_the_way_up,
        "shallowest_m": part.shallowest_m,
        "deepest_m": part.deepest_m,
        "ppo2_low_bar": part.ppo2_low_bar,
        "ppo2_high_bar": part.ppo2_high_bar,
        "end_m": part.end_m,
        "ead_m": part.ead_m,
        "density_g_l": part.density_g_l,
        "mod_m": part.mod_m,
        "mod_ppo2_bar": part.limit_bar,
        "tolerated_m": part.tolerated_m,
        "tolerance_bar": part.tolerance_bar,
    }


def _cylinder(use: CylinderUse) -> dict[str, Any]:
    return {
        "name": use.name,
        "gas": use.mix.label,
        "use": use.use,
        "start_bar": use.start_bar,
        "content_l": use.content_l,
        "reserve_bar": use.reserve_bar,
        "usable_l": use.usable_l,
        "used_l": use.used_l,
        "left_bar": use.left_bar,
        "short_l": use.short_l,
        "missing_l": use.missing_l,
        "legs": [
            {"start_min": leg.start_min, "end_min": leg.end_min, "depth_m": leg.depth_m, "litres": leg.litres}
            for leg in use.legs
        ],
    }


def _bailout(bailout: Contingency) -> dict[str, Any]:
    """Without a way up there are no numbers of one: null, or empty."""
    way_up = bool(bailout.legs)
    return {
        "name": bailout.name,
        "level": None if bailout.scenario.level is None else bailout.scenario.level + 1,
        "leaves_at_min": bailout.leaves_at_min,
        "depth_m": bailout.depth_m,
        "stops": _stops(bailout.stops, bailout.supply),
        "switches": _switches(bailout.switches),
        "run_time_min": bailout.run_time_min if way_up else None,
        "tts_min": bailout.tts_min if way_up else None,
        "supply": [_cylinder(use) for use in bailout.breathed],
        "oxygen": {"cns_percent": bailout.oxygen.cns_percent, "otu": bailout.oxygen.otu} if way_up else None,
        "breathing": [_breathed(part) for part in bailout.breathing],
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "kind": row.kind,
        "depth_m": row.depth_m,
        "minutes": row.minutes,
        "arrive_min": row.arrive_min,
        "leave_min": row.leave_min,
        "tts_min": row.tts_min,
        **_source(row.source),
        "changed": row.changed,
        "cylinder": row.handed or None,
        "mate": row.mate or None,
    }


def _handover(given: Handover) -> dict[str, Any]:
    return {
        "giver": given.giver,
        "cylinder": given.cylinder,
        "gas": given.mix.label,
        "run_time_min": given.run_time_min,
        "depth_m": given.depth_m,
        "litres": given.litres,
    }


def _no_gas(found: Contingency) -> dict[str, Any] | None:
    no_gas = found.no_gas
    if no_gas is None:
        return None
    return {
        "from_m": no_gas.gap.from_m,
        "to_m": no_gas.gap.to_m,
        "minutes": no_gas.minutes,
        "left": [
            {
                "what": resort.what,
                "gas": resort.gas,
                "ppo2_bar": resort.ppo2_bar,
                "mate": resort.whose or None,
                "cylinder": resort.cylinder or None,
                "hypoxic_above": resort.hypoxic_above,
            }
            for resort in no_gas.left
        ],
    }


def _contingency(found: Contingency, plan: Plan) -> dict[str, Any]:
    planned = {use.name: use.used_l for use in plan.supply}
    way_up = bool(found.legs)
    return {
        "kind": found.kind,
        "name": found.name,
        "leaves_at_min": found.left_at[0] if found.left_at is not None else None,
        "depth_m": found.left_at[1] if found.left_at is not None else None,
        "level": None if found.scenario.level is None else found.scenario.level + 1,
        "holds": found.holds,
        "answers": {
            "gas": found.answers.gas,
            "stops": found.answers.stops,
            "breathable": found.answers.breathable,
            "exposure": found.answers.exposure,
            "over": list(found.over),
        },
        "in_words": list(in_words(found)),
        "no_gas": _no_gas(found),
        "two_failures": found.scenario.two_failures,
        "rows": [_row(row) for row in contingency_rows(plan, found)],
        "handovers": [_handover(given) for given in found.handovers],
        "mates": [
            {
                "diver": mate.name,
                "rows": [_row(row) for row in mates_rows(found, "", mate.name)],
                "supply": [_cylinder(use) for use in mate.supply],
                "given": sorted(mix.label for mix in mate.given),
            }
            for mate in found.mates
        ],
        "stops": _stops(found.stops, found.supply),
        "switches": _switches(found.switches),
        "run_time_min": found.run_time_min if way_up else None,
        "tts_min": found.tts_min if way_up else None,
        "longer_min": found.run_time_min - plan.schedule.run_time_min if way_up else None,
        "supply": [{**_cylinder(use), "used_more_l": use.used_l - planned.get(use.name, 0.0)} for use in found.supply],
        "loop": _loop(found.loop),
        "oxygen": _oxygen(found.oxygen) if way_up else None,
        "breathing": [_breathed(part) for part in found.breathing],
        "findings": findings_as_data(remarks(found.findings, found.scenario.dive.units)),
    }
