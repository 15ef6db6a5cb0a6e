"""A debrief in words and rows of text, in the units of the dive file: what the terminal and the page both say."""

from __future__ import annotations

from dataclasses import dataclass

from leadline.logbook.debrief.against_plan import Debrief, GasDived
from leadline.logbook.debrief.deviations import minutes
from leadline.logbook.debrief.marks import Mark, Moment, alike
from leadline.plan.rows import up
from leadline.units import SYSTEMS, System

OMITTED = (
    "The surface was reached over GF high, with stops left to do: follow your agency's procedure for omitted "
    "decompression, stay with company, and at any symptom get medical help."
)


@dataclass(frozen=True)
class MarkRow:
    """A moment that the plan names."""

    name: str
    planned: str
    dived: str
    later: str
    depth: str
    """Of the dive then."""
    planned_tts: str
    tts: str
    gas: str


def system_of(found: Debrief) -> System:
    """The units of the dive file."""
    return SYSTEMS[found.plan.dive.units]


def heading(found: Debrief) -> str:
    """Title and diver."""
    title = found.plan.dive.title
    return f"{title}, {found.dived.diver}" if found.dived.diver else title


def verdict(found: Debrief) -> str:
    """In one line."""
    cautions = sum(finding.severity != "note" for finding in found.findings)
    notes = len(found.findings) - cautions
    if not found.findings:
        return "Dived as planned: no deviation found."
    counted = [_count(cautions, "caution")] if cautions else []
    counted += [_count(notes, "note")] if notes else []
    return f"Otherwise than planned: {' and '.join(counted)}."


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def rules(found: Debrief) -> str:
    """The model, and when the dive was."""
    low, high = found.plan.dive.model.gradient_factors
    return f"{found.dived.began:%Y-%m-%d %H:%M}; {found.plan.dive.model.coefficients}, GF {low:g}/{high:g}"


def notices(found: Debrief) -> list[str]:
    """How it begins, and what nothing is known of."""
    missing = [f"Not recorded: {'; '.join(found.not_recorded)}."] if found.not_recorded else []
    return [*([OMITTED] if _omitted(found) else []), *found.said, *missing]


def _omitted(found: Debrief) -> bool:
    """Whether the diver surfaced with stops left to do."""
    return any(finding.code == "gf-surface" for finding in found.findings)


def mark_rows(found: Debrief) -> list[MarkRow]:
    """The moments that the plan names, in its order."""
    return [_mark_row(found, mark) for mark in found.marks]


def _mark_row(found: Debrief, mark: Mark) -> MarkRow:
    system, dived = system_of(found), mark.dived
    names = {
        "leave": f"leave {system.at(mark.depth_m)}",
        "arrive": f"arrive {system.at(mark.depth_m)}",
        "switch": f"change to {mark.planned.source.name}",
        "surface": "surface",
    }
    later = ""
    if dived is not None:
        late_min = dived.run_time_min - mark.planned.run_time_min
        later = f"{late_min:+.1f}" if abs(late_min) >= 0.05 else "0"
    return MarkRow(
        name=names[mark.what],
        planned=minutes(mark.planned.run_time_min),
        dived="-" if dived is None else minutes(dived.run_time_min),
        later=later,
        depth="" if dived is None else system.depth(dived.depth_m),
        planned_tts=_tts(mark.planned),
        tts="" if dived is None else _tts(dived),
        gas=_gas(mark),
    )


def _tts(moment: Moment) -> str:
    """Whole minutes, a begun one counted; not a few seconds of one."""
    return "" if moment.tts_min is None else up(max(0.0, moment.tts_min - 0.1))


def _gas(mark: Mark) -> str:
    """What is breathed from then on; plan and dive, if they differ."""
    if mark.what == "surface":
        return ""
    planned, dived = mark.planned.source, mark.dived.source if mark.dived is not None else mark.planned.source
    same = planned.circuit == dived.circuit and alike(planned.mix, dived.mix) and planned.name == dived.name
    return planned.name if same else f"{dived.name}, not {planned.name}"


def gas_columns(found: Debrief) -> tuple[str, ...]:
    """The heads of `gas_rows`."""
    system = system_of(found)
    gas, bar = system.gas_unit, system.pressure_unit
    return ("cylinder", "gas", f"planned use {gas}", f"used {gas}", f"planned left {bar}", f"left {bar}")


def gas_rows(found: Debrief) -> list[tuple[str, ...]]:
    """Every cylinder: name, gas, planned use and use, planned and real pressure at the end."""
    return [_gas_row(system_of(found), one) for one in found.gas]


def _gas_row(system: System, one: GasDived) -> tuple[str, ...]:
    use = one.planned
    return (
        one.name,
        one.mix.name,
        system.gas_up(use.used_l) if use is not None else "-",
        system.gas_up(max(0.0, one.used_l)) if one.used_l is not None else "not recorded",
        system.pressure(use.left_bar) if use is not None else "-",
        system.pressure(one.end_bar) if one.end_bar is not None else "not recorded",
    )


def rmv_columns(found: Debrief) -> tuple[str, ...]:
    """The heads of `rmv_rows`."""
    system = system_of(found)
    flow, bar = flow_unit(system), system.pressure_unit
    step = _gauge_step(system)
    return ("part", "gas", "from", "min", f"RMV {flow}", f"{step:g} {bar} is", f"{5 * step:g} {bar} is")


def rmv_rows(found: Debrief) -> list[tuple[str, ...]]:
    """RMV of every part on every gas, and what a gauge read wrong makes of it."""
    system = system_of(found)
    step_bar = _gauge_step(system) * system.pressure_bar
    return [
        (
            leg.part,
            leg.mix.name,
            ", ".join(leg.cylinders),
            minutes(leg.minutes),
            flow(system, leg.rmv),
            flow(system, leg.one_bar * step_bar),
            flow(system, 5.0 * leg.one_bar * step_bar),
        )
        for leg in found.rates.legs
    ]


def _gauge_step(system: System) -> float:
    """What gauges are told apart by: 1 bar or 10 psi."""
    return 1.0 if system.name == "metric" else 10.0


def flow_unit(system: System) -> str:
    """The unit of a rate of breathing."""
    return "L/min" if system.name == "metric" else "cuft/min"


def flow(system: System, litres_per_min: float) -> str:
    """A rate of breathing, finer than it is planned with."""
    return f"{litres_per_min / system.flow_l:.{system.flow_decimals + 1}f}"


def offer_lines(found: Debrief) -> list[str]:
    """What can be pasted into a dive file."""
    lines: list[str] = []
    for offer in found.rates.offers:
        head = f"[{offer.table}]"
        lines += [] if head in lines else [head]
        lines.append(offer.line(found.plan.dive.units))
    return lines


def offer_words(found: Debrief) -> list[str]:
    """How much each offer can be relied on."""
    system = system_of(found)
    step = _gauge_step(system)
    said = []
    for offer in found.rates.offers:
        wrong = offer.one_bar * step * system.pressure_bar
        rests = f"{offer.stretches} stretches of at least 3 min" if offer.stretches > 1 else "one stretch"
        said.append(
            f"{offer.key}: planned {flow(system, offer.planned)} {flow_unit(system)}; rests on {offer.minutes:.0f} "
            f"min, {rests}; {step:g} {system.pressure_unit} read wrong at either end is {flow(system, wrong)}, "
            f"{5 * step:g} {system.pressure_unit} {flow(system, 5 * wrong)}."
        )
    return [*said, *(f"{line}." for line in found.rates.not_known)]


def oxygen_rows(found: Debrief) -> list[tuple[str, str, str]]:
    """What, planned, dived."""
    planned, oxygen = found.plan.oxygen, found.oxygen
    before = found.from_log or bool(found.plan.dive.previous)
    return [
        (
            "CNS, with what was left before" if before else "CNS",
            f"{planned.cns_percent:.0f} %",
            f"{oxygen.cns_percent:.0f} %",
        ),
        ("OTU of 24 hours" if before else "OTU", f"{planned.otu:.0f}", f"{oxygen.otu:.0f}"),
        ("highest ppO2", f"{planned.highest_ppo2_bar:.2f} bar", f"{oxygen.highest_ppo2_bar:.2f} bar"),
        ("minutes over the ppO2 limits", "0", minutes(found.over_limit_min)),
    ]


def gf_rows(found: Debrief) -> list[tuple[str, str, str]]:
    """What, planned, dived."""
    system = system_of(found)
    highest, planned = found.highest_gf, found.planned_highest_gf

    def where(depth_m: float, run_time_min: float) -> str:
        at = "at the surface" if depth_m < 0.5 else f"at {system.at(depth_m)}"
        return f"{at}, {minutes(run_time_min)} min"

    ends = (
        "GF on surfacing" if found.line.depth(found.surfaced_min) <= 1.0 else "GF at the surface from the last sample"
    )
    return [
        (ends, f"{100 * found.planned_gf_surface:.0f} %", f"{100 * found.gf_surface:.0f} %"),
        (
            "highest GF on the way up",
            f"{100 * planned.gf:.0f} % {where(planned.depth_m, planned.run_time_min)}",
            f"{100 * highest.gf:.0f} % {where(highest.depth_m, highest.run_time_min)}",
        ),
    ]


def sheet_words(found: Debrief) -> list[str]:
    """Which sheet would have applied, and how its stops were met."""
    applied, system = found.applied, system_of(found)
    happened = applied.happened[0].upper() + applied.happened[1:]
    if not applied.name:
        return [f"{happened}: no sheet of this plan covers that. Plan it anew before such a dive is dived again."]
    if applied.kind == "plan":
        first = f"{happened}: the plan itself applied."
    else:
        where = "on the slate" if applied.on_the_slate else "in the wet notes and the briefing, not on the slate"
        first = f"{happened}: the sheet that applied is “{applied.name}” ({where})."
        if applied.slate_name:
            first += f" On the slate “{applied.slate_name}” covers it too."
    if not applied.stops:
        return [first, "It asks for no stop."]
    short = [stop for stop in applied.stops if not stop.met]
    if not short:
        return [first, "Every stop of it was met."]
    said = ", ".join(
        f"{system.at(stop.depth_m)} {minutes(stop.held_min)} of {minutes(stop.asked_min)} min" for stop in short
    )
    return [first, f"Not met of its stops: {said}."]
