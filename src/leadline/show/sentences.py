"""Every finding of a plan in a sentence, and in a few words for a heading, in the reader's units.

A finding holds a code and values; here is what is said of it. A new code needs an entry in `SENTENCES`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from leadline.plan.findings import EVERYONE, Finding, Severity
from leadline.plan.flying import STEP_MIN as FLYING_STEP_MIN
from leadline.plan.flying import altitude, hours
from leadline.plan.practice import MOST_RUN_TIME_MIN, USUAL
from leadline.plan.rows import up
from leadline.show.cylinders import named_cylinder, sizes
from leadline.show.last_resort import resorts
from leadline.units import SYSTEMS, System, SystemName, clock

Values = Mapping[str, Any]
Said = tuple[str, str]
"""The sentence, and the same in a few words; empty where the sentence is the heading."""

AS_PLANNED = "as planned"
MOST_NAMED = 4
"""Contingencies that a finding names; more are counted."""


@dataclass(frozen=True)
class Remark:
    """A finding in words: what a page or a sheet shows of it."""

    code: str
    severity: Severity
    message: str
    values: Mapping[str, Any] = field(default_factory=dict, hash=False)
    run_time_min: float | None = None
    depth_m: float | None = None
    heading: str = ""
    cure: str = ""
    """What would fix it; empty if not asked."""
    grave: bool = False

    @property
    def whole(self) -> str:
        """The sentence with what would fix it."""
        return self.message + (f" Fix: {self.cure}." if self.cure else "")


def worded(finding: Finding, units: SystemName) -> Remark:
    """A finding in words."""
    return Remark(
        finding.code, finding.severity, message(finding, units), finding.values, finding.run_time_min, finding.depth_m,
        heading(finding, units), finding.cure, finding.grave,
    )  # fmt: skip


def remarks(findings: Iterable[Finding], units: SystemName) -> tuple[Remark, ...]:
    """Findings in words."""
    return tuple(worded(finding, units) for finding in findings)


def message(finding: Finding, units: SystemName) -> str:
    """A finding in one sentence, beginning with the diver's name in a team."""
    said, _ = _said(finding, SYSTEMS[units])
    return f"{finding.diver}: {said}" if finding.diver else said


def heading(finding: Finding, units: SystemName) -> str:
    """A finding in a few words."""
    _, brief = _said(finding, SYSTEMS[units])
    if not brief:
        return message(finding, units).rstrip(".")
    return f"{finding.diver}: {brief}" if finding.diver and finding.diver != EVERYONE else brief


def headline(findings: Sequence[Finding], units: SystemName) -> str:
    """The verdict on a plan in one plain sentence."""
    no_gos = [finding for finding in findings if finding.severity == "no-go"]
    cautions = [finding for finding in findings if finding.severity == "caution"]
    if no_gos:
        others = f", and {count(len(no_gos) - 1, 'more reason')}" if len(no_gos) > 1 else ""
        return f"NO-GO: {heading(no_gos[0], units)}{others}"
    graves = list(dict.fromkeys(heading(finding, units) for finding in cautions if finding.grave))
    but = f", but {' and '.join(graves)}" if graves else ""
    said = f"Can be dived as planned{but}"
    return f"{said}: {count(len(cautions), 'caution')}" if cautions else "Can be dived as planned"


def _said(finding: Finding, system: System) -> Said:
    """What is said of a finding, without whose it is."""
    of_it = SENTENCES.get(finding.code)
    if of_it is None and finding.code.startswith("contingency-"):
        return _in_a_contingency(finding, system)
    if of_it is None:
        raise KeyError(f"no sentence for findings of code {finding.code!r}")
    return of_it(finding.values, finding, system)


# --- What is breathed -------------------------------------------------------------------------------------------------


def _ppo2_high(v: Values, f: Finding, s: System) -> Said:
    at = s.at(_depth(f))
    said = f"{v['source']}: ppO2 {v['ppo2_bar']:.2f} at {at} is over"
    if v["which"] == "no-go":
        brief = f"ppO2 {v['ppo2_bar']:.2f} on {v['source']} at {at}"
        return f"{said} the limit of {v['limit_bar']:.2f} ({v['key']}).", brief
    within = f", within the tolerance of {v['tolerance_bar']:g}" if "tolerance_bar" in v else ""
    return f"{said} {v['limit_bar']:.2f} ({v['key']}){within}.", ""


def _ppo2_low(v: Values, f: Finding, s: System) -> Said:
    return f"{v['source']}: ppO2 only {v['ppo2_bar']:.2f} at {s.at(_depth(f))}.", ""


def _diluent_rich(v: Values, f: Finding, s: System) -> Said:
    return (
        f"The diluent alone is richer than the setpoint at {s.at(_depth(f))} (ppO2 {v['ppo2_bar']:.2f}), and the stops "
        "count on that: a loop that falls to the setpoint needs longer ones. Take a leaner diluent."
    ), ""  # fmt: skip


def _end(v: Values, f: Finding, s: System) -> Said:
    end, source = s.at(v["end_m"]), v["source"]
    said = f"{source}: END {end} at {s.at(_depth(f))} is over {s.at(v['limit_m'])} ({v['key']})."
    return said, f"END {end} on {source}"


def _density(v: Values, f: Finding, s: System) -> Said:
    density, limit = v["density_g_l"], v["limit_g_l"]
    decimals = 1 if round(density, 1) > limit + 1e-9 else 2  # as many as it takes to see that it is over
    said = f"{density:.{decimals}f} g/L at {s.at(_depth(f))}"
    which = "the published limit of " if v["which"] == "published" else ""
    sentence = f"{v['source']}: {said} is over {which}{limit:g} g/L ({v['key']}); add helium or stay shallower."
    return sentence, f"gas density {said}, over {limit:g}"


def _stops_between_levels(v: Values, f: Finding, s: System) -> Said:
    return (
        f"The stops on the way to level {v['level']:g} are planned on {v['source']}; richer gases are taken up "
        f"only on the "
        "last ascent."
    ), ""  # fmt: skip


def _counterdiffusion(v: Values, f: Finding, s: System) -> Said:
    return (
        f"Counterdiffusion at {s.at(_depth(f))}, {v['from']} to {v['to']}: nitrogen rises {100 * v['n2_rise']:.0f} % "
        f"while helium falls {100 * v['he_fall']:.0f} %, over one fifth."
    ), ""  # fmt: skip


# --- Oxygen -----------------------------------------------------------------------------------------------------------


def _cns(what: str, whole: str) -> Callable[[Values, Finding, System], Said]:
    def said(v: Values, f: Finding, s: System) -> Said:
        percent, limit = v["cns_percent"], v["limit_percent"]
        brief = what.format(up(percent))
        of = whole if percent > 100.0 and limit <= 100.0 else f"{limit:g} % of {whole}"
        return f"{capital(brief)} is over {of} ({v['key']}).", brief

    return said


def _otu(v: Values, f: Finding, s: System) -> Said:
    brief, running = f"{up(v['otu'])} OTU", v["days_running"]
    more = ""
    if v["otu"] > v["most_otu"]:
        more = f"; {v['most_otu']:.0f} is the most for a single day"
    elif running:
        more = f"; so much can be taken on {running:g} days running" if running > 1 else "; only on a single day"
    return f"{brief} is over {v['limit']:g} ({v['key']}){more}.", brief


def _otu_days(v: Values, f: Finding, s: System) -> Said:
    brief = f"{up(v['otu'])} OTU in the last {v['days']:g} days"
    return f"{brief} is over {v['limit']:.0f}, the most for {v['days']:g} days.", brief


# --- Gas --------------------------------------------------------------------------------------------------------------


def _not_planned(v: Values, f: Finding, s: System) -> Said:
    return f"{named_cylinder(v)} is carried and not used in this plan.", ""


def _bottom_loss_unplanned(v: Values, f: Finding, s: System) -> Said:
    return f"The loss of {' or of '.join(v['cylinders'])} is not among the contingencies: plan it by hand.", ""


def _rated_size(v: Values, f: Finding, s: System) -> Said:
    return (
        "Sizes are rated cubic feet: common cylinders hold less than their name. Their water volume may be "
        "given instead."
    ), ""  # fmt: skip


def _fill_temperature(v: Values, f: Finding, s: System) -> Said:
    cooled = (f"{name} {s.pressure(read)} {s.pressure_unit} is {s.pressure(cold)}" for name, read, cold in v["fills"])
    return f"In the water a fill has another pressure: {', '.join(cooled)}.", ""


_UNCOUNTED = {
    "drysuit": "what the drysuit takes ([gas] drysuit)", "wing": "what the wing takes ([gas] wing)",
    "flushes": "flushes ([loop] flushes)",
}  # fmt: skip


def _gas_uncounted(v: Values, f: Finding, s: System) -> Said:
    return f"Gas not counted: {', '.join(_UNCOUNTED[what] for what in v['what'])}.", ""


def _unchecked(feeding: str) -> Callable[[Values, Finding, System], Said]:
    def said(v: Values, f: Finding, s: System) -> Said:
        needed = f"{s.gas_up(v['needed_l'])} {s.gas_unit}"
        holds = f"that it holds {needed}, and more in a contingency, is unchecked."
        return f"No {feeding} cylinder is listed: {holds}", ""

    return said


def _scrubber(v: Values, f: Finding, s: System) -> Said:
    whose = f"{v['mate']}: " if "mate" in v else ""
    brief = f"{whose}{up(v['minutes'])} min on the loop"
    of = "" if v["limit_percent"] == 100.0 else f"{v['limit_percent']:g} % of "
    said = f"{brief}, over {of}the scrubber's {v['rated_min']:.0f} min ({v['key']})."
    return said, f"{brief}, scrubber {v['rated_min']:.0f}"


def _gas_short(v: Values, f: Finding, s: System) -> Said:
    if "sizes" in v:
        return _pool_short(v, f, s)
    unit, name = s.gas_unit, named_cylinder(v)
    if "reserve_bar" in v:
        said = (
            f"{name} is {s.gas_up(v['short_l'])} {unit} short: {s.gas_up(v['needed_l'])} {unit} needed, "
            f"{s.gas(v['usable_l'])} {unit} usable above the reserve of {s.pressure(v['reserve_bar'])} "
            f"{s.pressure_unit}."
        )
        return said, f"{v['cylinder']} runs out" if v["needed_l"] > v[
            "content_l"
        ] + 1e-6 else f"{v['cylinder']} into its reserve"
    return f"{name} runs out{_when(f, s)}, {s.gas_up(v['short_l'])} {unit} short.", f"{v['cylinder']} runs out"


def _pool_short(v: Values, f: Finding, s: System) -> Said:
    """Cylinders that are drawn on together, of the plan and of every contingency."""
    names, wrong = v["cylinders"], [name for name in v["contingencies"] if name != AS_PLANNED]
    runs_out, one = v["needed_l"] > v["content_l"] + 1e-6, len(names) == 1
    when = ""
    if f.run_time_min is not None:
        when = f", {'runs out' if runs_out else 'down to the reserve'}{_when(f, s)}"
    others = f"; short in {len(wrong)} contingencies" if len(wrong) > 1 else ""
    if AS_PLANNED in v["contingencies"] and v["contingency"] != AS_PLANNED:
        others = f"; short as planned too{others}"
    case = AS_PLANNED if v["contingency"] == AS_PLANNED else f"in the worst case ({v['contingency']})"
    short, holders = f"{s.gas_up(v['short_l'])} {s.gas_unit} short", " and ".join(names)
    said = (
        f"{capital(holders)} ({v['mix']}): {sizes(v['sizes'], s)} {'holds' if one else 'hold'} {s.gas(v['content_l'])} "
        f"{s.gas_unit}, {s.gas(v['usable_l'])} above the reserve; needs {s.gas_up(v['needed_l'])} {s.gas_unit} {case}, "
        f"{short}{when}{others}."
    )
    does = f"{'runs' if one else 'run'} out" if runs_out else f"{'goes' if one else 'go'} into the reserve"
    return said, f"{holders} {does}, {short}"


def _reserve(v: Values, f: Finding, s: System) -> Said:
    left = f"{s.pressure(v['left_bar'])} {s.pressure_unit} left"
    return f"{named_cylinder(v)} is breathed into its reserve, {left}.", ""


def _mate_gas_short(v: Values, f: Finding, s: System) -> Said:
    whose, missing = f"{v['mate']}'s {v['mates_cylinder']}", f"{s.gas_up(v['short_l'])} {s.gas_unit} short"
    return _told(v, f"{whose} ({v['mix']}) runs out{_when(f, s)}, {missing}."), f"{whose} runs out, {missing}"


def _minimum_gas(v: Values, f: Finding, s: System) -> Said:
    to = s.at(v["to_m"]) if v["to_m"] > 0.0 else "the surface"
    said = (
        f"On leaving {s.at(_depth(f))} at {math.floor(_time(f))} min {s.gas(v['left_l'])} {s.gas_unit} of "
        f"{v['mix']} are "
        f"left; minimum gas, to bring two divers to {to}, is {s.gas_up(v['minimum_l'])}."
    )
    return said, f"{v['mix']} below minimum gas"


def _turn(v: Values, f: Finding, s: System) -> Said:
    said = (
        f"{named_cylinder(v)} holds no more than minimum gas, {s.pressure_up(v['kept_bar'])} {s.pressure_unit} "
        f"or over: the "
        "turn rule leaves nothing to breathe."
    )
    return said, f"{v['cylinder']} holds no more than minimum gas"


def _turn_reached(v: Values, f: Finding, s: System) -> Said:
    whose = "the team's" if v.get("team") else "its"
    return (
        f"{named_cylinder(v)} is down to {whose} turn pressure, {s.pressure_up(v['turn_bar'])} {s.pressure_unit}, at "
        f"{math.floor(_time(f))} min; the last level on it is left at {math.floor(v['left_min'])}."
    ), ""  # fmt: skip


def _bailout_none(v: Values, f: Finding, s: System) -> Said:
    return "No open-circuit cylinder is carried: there is nothing to bail out to.", "no bailout is carried"


def _first_breath(v: Values, f: Finding, s: System) -> Said:
    at = s.at(_depth(f))
    if "needed_l" not in v:
        said = (
            f"Nothing is carried that can be breathed at {at}: the first breath off the loop would be a mate's. "
            f"Carry a gas "
            "for it."
        )
        return said, f"nothing of one's own to breathe at {at}"
    said = (
        f"The {v['minutes']:g} min to solve the problem at {at} take {s.gas_up(v['needed_l'])} {s.gas_unit} of "
        f"{v['source']}; "
        f"{s.gas(v['usable_l'])} above the reserve are one's own: the rest would be a mate's. Carry more."
    )
    return said, f"one's own {v['source']} does not last to solve the problem at {at}"


# --- Nothing to breathe, stops ----------------------------------------------------------------------------------------


def _no_gas(v: Values, f: Finding, s: System) -> Said:
    if "refused" in v:
        return _told(v, f"{capital(v['refused'])}."), "no gas within its limits"
    where = f"from {s.at(v['from_m'])} to {s.at(v['to_m']) if v['to_m'] > 0.0 else 'the surface'}"
    said = f"No gas to breathe {where}, {up(v['minutes'])} min at the ascent rate."
    left = f" Left to try: {resorts(v['left'])}." if "left" in v else ""
    return _told(v, said) + left, f"no gas to breathe {where}"


def _stops(v: Values, f: Finding, s: System) -> Said:
    on = f" on {v['source']}" if "source" in v else ""
    return _told(v, f"The stops never clear{on}: carry a richer gas."), "stops never clear"


def _level_missed(v: Values, f: Finding, s: System) -> Said:
    said = (
        "A level is to be left before the stops on the way to it are done: leave that level out and begin the last "
        "ascent, with all its stops."
    )
    return _told(v, said), "a level is due before its stops are done"


def _in_a_contingency(finding: Finding, system: System) -> Said:
    """Exposure of a contingency, or of several."""
    v = finding.values
    inner = Finding(
        finding.code.removeprefix("contingency-"), finding.severity,
        {key: value for key, value in v.items() if key != "contingencies"},
        finding.run_time_min, finding.depth_m,
    )  # fmt: skip
    said, brief = _said(inner, system)
    more = len(v["contingencies"]) - 1
    others = f"; also in {count(more, 'other contingency', 'other contingencies')}" if more else ""
    return f"{capital(v['contingency'])}: {said.rstrip('.')}{others}.", brief


def _contingency_reserve(v: Values, f: Finding, s: System) -> Said:
    said = "; ".join(
        f"{name} ({', '.join(f'{cylinder} {s.pressure(bar)}' for cylinder, bar in left)})" for name, left in v["left"]
    )
    return f"Breathed into the reserve, with what is then left in {s.pressure_unit}: {said}.", ""


# --- Time, the dives before, settings ---------------------------------------------------------------------------------


def _too_long(name: str) -> Callable[[Values, Finding, System], Said]:
    def said(v: Values, f: Finding, s: System) -> Said:
        return f"{name} of {up(v['minutes'])} min is over the limit of {v['limit_min']:g}.", ""

    return said


def _repetitive(v: Values, f: Finding, s: System) -> Said:
    hours_, minutes = divmod(round(v["surface_interval_min"]), 60)
    return (
        f"Begins {hours_} h {minutes:02d} min after {v['before']}, with what it has left in the tissues, CNS "
        f"{up(v['cns_percent'])} % and {up(v['otu'])} OTU."
    ), ""  # fmt: skip


def _surface_gf(v: Values, f: Finding, s: System) -> Said:
    over = "the M-value" if v["gf_percent"] > 100.0 else f"GF high {v['gf_high']:g} %"
    remedy = f"a longer {v['longer']} would fix it"
    return f"GF {math.ceil(v['gf_percent'])} % at the surface before the dive, over {over}: {remedy}.", ""


def _altitude_soon(v: Values, f: Finding, s: System) -> Said:
    model = "never" if v["model_min"] is None else f"after {hours(v['model_min'], FLYING_STEP_MIN)}"
    return (
        f"Up at {altitude(v['altitude_m'], s.name)} within {hours(v['interval_min'])} of {v['before']}: "
        f"published guidance "
        f"for going up after {v['guided']} is {v['guidance']}; by the model {model}."
    ), ""  # fmt: skip


def _left_out(v: Values, f: Finding, s: System) -> Said:
    return f"Left out of the contingencies by the dive file: {', '.join(v['left_out'])}.", ""


def _not_acclimatised(v: Values, f: Finding, s: System) -> Said:
    where = f"{v['dive']}: {v['key']}" if v["dive"] else v["key"]
    if v["logged"]:
        where = f"How long the diver had been up there before {v['logged']}"
    if "more_min" not in v:
        said = "could not dive this plan"
    elif v["more_min"] < 1e-6:
        said = "needs no longer, and surfaces with more gas in the tissues"
    else:
        said = f"needs {up(v['more_min'])} min more, run time {up(v['run_time_min'])} min"
    return (
        f"{where} is not given: planned for divers who live at {s.at(v['altitude_m'])}. Whoever has just come "
        f"up from sea "
        f"level {said}."
    ), ""  # fmt: skip


def _setting_unusual(v: Values, f: Finding, s: System) -> Said:
    if v["key"] == "[[levels]] leave_at":
        run = f"the run time is {up(v['value'])} min"
        return f"Outside common practice: {run}; usual is at most {MOST_RUN_TIME_MIN:g} min.", ""
    usual = next(one for one in USUAL if one.key == v["key"])
    shown = ", ".join(f"{of} {usual.shown(value, s.name)}".strip() for of, value in v["outside"])
    return f"Outside common practice: {v['key']} is {shown}; usual is {usual.text(s.name)}.", ""


def _bailout_holds(v: Values, f: Finding, s: System) -> Said:
    gas = "gas lasts, into the reserve" if v["into_the_reserve"] else "gas lasts"
    at = f"{s.at(_depth(f))} at {clock(v['leave_min'])} min"
    return f"Bailout from {at}: {gas}, all stops done, {up(v['tts_min'])} min to the surface.", ""


def _contingencies(v: Values, f: Finding, s: System) -> Said:
    said = f"Gas lasts in {v['gas_lasts']:g} of {v['planned']:g} contingencies"
    if "longest" in v:
        said += f"; the longest ascent is {up(v['longest_min'])} min ({v['longest']})"
    return f"{said}.", ""


def _team(v: Values, f: Finding, s: System) -> Said:
    alone = ", ".join(f"{name} {up(minutes)}" for name, minutes in v["alone"])
    longest = max(minutes for _, minutes in v["alone"])
    whose = [name for name, minutes in v["alone"] if minutes == longest]
    asked = f"{whose[0]}'s rules are the most demanding"
    if len(whose) > 1:
        asked = f"{', '.join(whose[:-1])} and {whose[-1]} ask for the longest"
    return f"{asked}: run time alone {alone} min; together {up(v['run_time_min'])}.", ""


def _day(v: Values, f: Finding, s: System) -> Said:
    said = f"{v['dive']}, a dive before this one, must not be dived: {heading(v['why'], s.name)}."
    return said, f"the dive before, {v['dive']}, is a no-go"


SENTENCES: dict[str, Callable[[Values, Finding, System], Said]] = {
    "altitude-soon": _altitude_soon,
    "bailout-first-breath": _first_breath,
    "bailout-holds": _bailout_holds,
    "bailout-none": _bailout_none,
    "bottom-loss-unplanned": _bottom_loss_unplanned,
    "cns": _cns("CNS {} %", "NOAA's single-exposure limit"),
    "cns-day": _cns("oxygen of 24 hours {} %", "NOAA's limit for a day"),
    "contingencies": _contingencies,
    "contingency-reserve": _contingency_reserve,
    "counterdiffusion": _counterdiffusion,
    "day": _day,
    "density": _density,
    "diluent-rich": _diluent_rich,
    "diluent-unchecked": _unchecked("diluent"),
    "end": _end,
    "fill-temperature": _fill_temperature,
    "gas-short": _gas_short,
    "gas-uncounted": _gas_uncounted,
    "left-out": _left_out,
    "level-missed": _level_missed,
    "mate-gas-short": _mate_gas_short,
    "minimum-gas": _minimum_gas,
    "no-gas": _no_gas,
    "not-acclimatised": _not_acclimatised,
    "not-planned": _not_planned,
    "otu": _otu,
    "otu-days": _otu_days,
    "oxygen-unchecked": _unchecked("oxygen"),
    "ppo2-high": _ppo2_high,
    "ppo2-low": _ppo2_low,
    "rated-size": _rated_size,
    "repetitive": _repetitive,
    "reserve": _reserve,
    "run-time": _too_long("Run time"),
    "scrubber": _scrubber,
    "scrubber-unchecked": lambda v, f, s: ("No scrubber time is given: it is unchecked.", ""),
    "setting-unusual": _setting_unusual,
    "stops": _stops,
    "stops-between-levels": _stops_between_levels,
    "surface-gf": _surface_gf,
    "team": _team,
    "tts": _too_long("TTS"),
    "turn": _turn,
    "turn-reached": _turn_reached,
}
"""By code. "contingency-..." is that code's own sentence, in a contingency."""


# --- Words ------------------------------------------------------------------------------------------------------------


def _depth(finding: Finding) -> float:
    assert finding.depth_m is not None
    return finding.depth_m


def _time(finding: Finding) -> float:
    assert finding.run_time_min is not None
    return finding.run_time_min


def _when(finding: Finding, system: System) -> str:
    """Where and when, if that is known: " at 43 min, 21 m"."""
    if finding.run_time_min is None or finding.depth_m is None:
        return ""
    return f" at {math.floor(finding.run_time_min)} min, {system.at(finding.depth_m)}"


def _told(values: Values, sentence: str) -> str:
    """A sentence of several contingencies, with their names behind it."""
    if "contingencies" not in values:
        return sentence
    names = list(dict.fromkeys(values["contingencies"]))
    shown = ", ".join(names[:MOST_NAMED])
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"{sentence.rstrip('.')}: {shown}{more}."


def count(number: int, one: str, many: str = "") -> str:
    """A number of things: "1 caution", "3 cautions"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def capital(words: str) -> str:
    """At the head of a sentence."""
    return words[:1].upper() + words[1:]
