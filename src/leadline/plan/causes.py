"""What is wrong with a plan, one finding a cause: what the plan and all its contingencies break, put together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from leadline.dive_file.schema import Cylinder, Dive
from leadline.plan.contingency import Contingency
from leadline.plan.findings import Finding, Severity, as_planned
from leadline.plan.gases import Gap, PpO2Limit
from leadline.plan.supply import CylinderUse, open_circuit_cylinders
from leadline.units import SYSTEMS, RatedCubicFeet, System, clock

AS_PLANNED = "as planned"
MOST_NAMED = 4
"""Contingencies that a finding names; more are counted."""


def judge(
    dive: Dive, planned: Iterable[Finding], supply: Sequence[CylinderUse], found: Sequence[Contingency],
    mates_give: bool = False,
) -> list[Finding]:  # fmt: skip
    """The findings of a plan and of its contingencies. `planned` and `supply` are those of the planned dive;
    `mates_give`: a team shares bailout."""
    planned, every = list(planned), found
    if dive.loop is not None and not mates_give and not open_circuit_cylinders(dive):
        message = "No open-circuit cylinder is carried: there is nothing to bail out to."
        planned.append(Finding("bailout-none", "no-go", message, brief="no bailout is carried"))
        found = [c for c in found if not (c.no_gas is not None and c.scenario.way == ())]
    graded = [(contingency, severity(dive, contingency, found)) for contingency in found]
    short = list(_short_of_gas(dive, planned, supply, graded))
    told = {str(finding.values["gas"]) for finding in short if finding.severity == "no-go"}
    rest = [f for f in planned if f.code != "gas-short" and not (f.code == "turn" and f.values.get("gas") in told)]
    return [
        *_no_gas(dive, graded),
        *short,
        *_mates_short(graded),
        *_alike("stops", graded),
        *_worst_of_each_gas(rest),
        *_alike("level-missed", graded),
        *_exposure(planned, found),
        *_reserves(dive, found),
        *(_bailout_holds(dive, c) for c in found if c.is_bailout and c.holds),
        *_counted(every),
    ]


def severity(dive: Dive, contingency: Contingency, found: Sequence[Contingency]) -> Severity:
    """What it means that one of the contingencies found fails: a no-go, but for two failures at once what the dive file
    says, and a caution where the oxygen is gone and every bailout holds."""
    if contingency.scenario.two_failures:
        return dive.contingencies.two_failures
    bailouts = [one.holds for one in found if one.is_bailout]
    return "caution" if contingency.failure.nothing_left_of == "oxygen" and bailouts and all(bailouts) else "no-go"


# --- Gas --------------------------------------------------------------------------------------------------------------


def _short_of_gas(
    dive: Dive,
    planned: Sequence[Finding],
    supply: Sequence[CylinderUse],
    graded: Sequence[tuple[Contingency, Severity]],
) -> Iterator[Finding]:
    """One finding for cylinders that are drawn on together, of the plan and of every contingency."""
    carried = {cylinder.name: cylinder for cylinder in dive.cylinders}
    cases: list[tuple[str, Severity, Finding, Sequence[CylinderUse]]] = []
    cases += [(AS_PLANNED, "no-go", f, supply) for f in planned if f.code == "gas-short"]
    for contingency, severity in graded:
        short = (f for f in contingency.findings if f.code == "gas-short")
        cases += [(contingency.name, severity, f, contingency.supply) for f in short]
        carried |= {c.name: c for c in contingency.scenario.dive.cylinders if c.name not in carried}
    pools: dict[tuple[str, str], list[tuple[str, Severity, Finding, Sequence[CylinderUse]]]] = {}
    for case in cases:
        pools.setdefault(_pool(carried[str(case[2].values["cylinder"])]), []).append(case)
    for pool in pools.values():
        gravest: Severity = "no-go" if any(case[1] == "no-go" for case in pool) else "caution"
        counted = [case for case in pool if case[1] == gravest]
        names = list(dict.fromkeys(str(case[2].values["cylinder"]) for case in pool))
        yield _short(dive, [carried[name] for name in names], gravest, counted)


def _pool(cylinder: Cylinder) -> tuple[str, str]:
    """Alike for cylinders that are drawn on together."""
    return cylinder.gas.label, cylinder.use if cylinder.use in ("diluent", "oxygen", "inflation") else ""


def _short(
    dive: Dive, cylinders: Sequence[Cylinder], severity: Severity,
    cases: Sequence[tuple[str, Severity, Finding, Sequence[CylinderUse]]],
) -> Finding:  # fmt: skip
    system = SYSTEMS[dive.units]
    names = {cylinder.name for cylinder in cylinders}

    def asked(case: tuple[str, Severity, Finding, Sequence[CylinderUse]]) -> float:
        return sum(use.used_l for use in case[3] if use.name in names)

    worst = max(cases, key=asked)
    uses = [use for use in worst[3] if use.name in names]
    needed_l, content_l, usable_l = (
        sum(getattr(use, key) for use in uses) for key in ("used_l", "content_l", "usable_l")
    )
    runs_out = needed_l > content_l + 1e-6
    reached = [at for use in uses if (at := use.reaches(use.content_l if runs_out else use.usable_l)) is not None]
    first = min(reached, default=None)
    when = ""
    if first is not None:
        what = "runs out" if runs_out else "down to the reserve"
        when = f", {what} at {math.floor(first[0])} min, {system.at(first[1])}"
    holders = " and ".join(cylinder.name for cylinder in cylinders)
    in_them = list(dict.fromkeys(case[0] for case in cases))
    going_wrong = [name for name in in_them if name != AS_PLANNED]
    others = f"; short in {len(going_wrong)} contingencies" if len(going_wrong) > 1 else ""
    if AS_PLANNED in in_them and worst[0] != AS_PLANNED:
        others = f"; short as planned too{others}"
    short_l = needed_l - (content_l if runs_out else usable_l)
    short = f"{system.gas_up(short_l)} {system.gas_unit} short"
    message = (
        f"{_capital(holders)} ({cylinders[0].gas.name}): {sizes(cylinders, system)} "
        f"{'holds' if len(cylinders) == 1 else 'hold'} {system.gas(content_l)} {system.gas_unit}, "
        f"{system.gas(usable_l)} above the reserve; needs {system.gas_up(needed_l)} {system.gas_unit} "
        f"{AS_PLANNED if worst[0] == AS_PLANNED else f'in the worst case ({worst[0]})'}, {short}{when}{others}."
    )
    values: dict[str, float | str] = {
        "cylinder": cylinders[0].name, "cylinders": "; ".join(c.name for c in cylinders), "gas": cylinders[0].gas.label,
        "needed_l": needed_l, "content_l": content_l, "usable_l": usable_l,
        "short_l": short_l, "contingency": worst[0],
        "contingencies": "; ".join(in_them),
    }  # fmt: skip
    verb = "runs" if len(cylinders) == 1 else "run"
    goes = "goes" if len(cylinders) == 1 else "go"
    brief = f"{holders} {f'{verb} out' if runs_out else f'{goes} into the reserve'}, {short}"
    at_min, at_m = first if first is not None else (None, None)
    return Finding("gas-short", severity, message, values, at_min, at_m, brief=brief)


def _mates_short(graded: Sequence[tuple[Contingency, Severity]]) -> Iterator[Finding]:
    """One finding for every cylinder of a mate that runs out while all come up together."""
    cases: dict[tuple[object, object], list[tuple[Contingency, Severity, Finding]]] = {}
    for contingency, severity in graded:
        for finding in contingency.findings:
            if finding.code == "mate-gas-short":
                of = finding.values["mate"], finding.values["mates_cylinder"]
                cases.setdefault(of, []).append((contingency, severity, finding))
    for group in cases.values():
        gravest: Severity = "no-go" if any(severity == "no-go" for _, severity, _ in group) else "caution"
        counted = [case for case in group if case[1] == gravest]
        _, _, worst = max(counted, key=lambda case: float(case[2].values["short_l"]))
        names = _named([contingency.name for contingency, _, _ in counted])
        values = {**worst.values, "contingencies": "; ".join(c.name for c, _, _ in counted)}
        yield replace(worst, severity=gravest, message=f"{worst.message.rstrip('.')}: {names}.", values=values)


def sizes(cylinders: Sequence[Cylinder], system: System) -> str:
    """Cylinders as a diver asks for them: "11 L at 200 bar", "2 × 80 cu ft at 3,000 psi"."""
    said = [
        (
            f"{c.size.cubic_feet:g} cu ft" if isinstance(c.size, RatedCubicFeet) else f"{c.water_l:g} L",
            f"{system.pressure(c.pressure)} {system.pressure_unit}",
        )
        for c in cylinders
    ]
    parts = [
        f"{f'{said.count(one)} × ' if said.count(one) > 1 else ''}{one[0]} at {one[1]}" for one in dict.fromkeys(said)
    ]
    return " and ".join(parts)


def _no_gas(dive: Dive, graded: Sequence[tuple[Contingency, Severity]]) -> Iterator[Finding]:
    """Contingencies with nothing fit to breathe, those over the same depths together."""
    alike: dict[Gap | str, list[tuple[Contingency, Severity]]] = {}
    for contingency, severity in graded:
        if contingency.no_gas is not None:
            alike.setdefault(contingency.no_gas.gap, []).append((contingency, severity))
        elif any(finding.code == "no-gas" for finding in contingency.findings):
            alike.setdefault(contingency.findings[0].message, []).append((contingency, severity))
    for group in alike.values():
        first, no_gas = group[0][0].findings[0], group[0][0].no_gas
        gravest: Severity = "no-go" if any(grade == "no-go" for _, grade in group) else "caution"
        left = "" if no_gas is None else f" Left to try: {last_resorts(group[0][0])}."
        named = _named([contingency.name for contingency, _ in group])
        values: dict[str, float | str] = {**first.values, "contingencies": "; ".join(c.name for c, _ in group)}
        message = f"{first.message.rstrip('.')}: {named}.{left}"
        yield replace(first, severity=gravest, message=message, values=values)


def last_resorts(contingency: Contingency) -> str:
    """What is left to try where nothing fit to breathe is at hand, in words."""
    said = []
    limit = PpO2Limit.when_wrong(contingency.scenario.dive)
    for resort in contingency.no_gas.left if contingency.no_gas is not None else ():
        named = {
            "own gas": resort.cylinder, "mate's gas": f"{resort.whose}'s {resort.cylinder}",
            "loop flushed": "the loop, flushed with diluent or semi-closed",
            "diluent on open circuit": "diluent on open circuit",
        }[resort.what]  # fmt: skip
        but = ["over the diver's own limit"] if not limit.allows(resort.ppo2_bar) else []
        but += ["hypoxic further up"] if resort.hypoxic_above else []
        said.append(f"{named} ({resort.ppo2_bar:.2f} bar{''.join(f', {one}' for one in but)})")
    return " or ".join(said) if said else "nothing"


def _alike(code: str, graded: Sequence[tuple[Contingency, Severity]]) -> Iterator[Finding]:
    """One finding for all contingencies that end in it for the same reason."""
    groups: dict[str, list[tuple[Contingency, Severity, Finding]]] = {}
    for contingency, severity in graded:
        for finding in contingency.findings:
            if finding.code == code:
                groups.setdefault(finding.message, []).append((contingency, severity, finding))
    for message, group in groups.items():
        own = group[0][2]
        gravest: Severity = "no-go" if any(grade == "no-go" for _, grade, _ in group) else "caution"
        yield replace(
            own,
            severity=gravest if own.severity == "no-go" else own.severity,
            message=f"{message.rstrip('.')}: {_named([contingency.name for contingency, _, _ in group])}.",
            values={**own.values, "contingencies": "; ".join(contingency.name for contingency, _, _ in group)},
        )


# --- Exposure ---------------------------------------------------------------------------------------------------------


def _worst_of_each_gas(planned: Sequence[Finding]) -> Iterator[Finding]:
    """The findings of a plan; of those that a gas draws on the way down and up for one reason, the worst."""
    alike: dict[tuple[str, object], list[Finding]] = {}
    for finding in planned:
        if "gas" in finding.values and finding.code in ("density", "end", "ppo2-high", "ppo2-low"):
            alike.setdefault(finding.of_what, []).append(finding)
    for finding in planned:
        group = alike.get(finding.of_what, [finding])
        sign = -1.0 if finding.code == "ppo2-low" else 1.0
        worst = max(group, key=lambda one: (one.severity == "no-go", sign * one.how_much))
        if finding is worst or finding not in group:
            yield finding


def _exposure(planned: Sequence[Finding], found: Sequence[Contingency]) -> Iterator[Finding]:
    """What contingencies take of oxygen, density, narcosis and scrubber over the hard limits, and a bailout over any:
    where the plan itself does not, or of a dose much less. When things go wrong that is a caution."""
    own = [finding for finding in planned if finding.severity != "note"]
    graves = [finding for finding in planned if finding.grave]
    groups: dict[tuple[str, object], list[tuple[Contingency, Finding]]] = {}
    for contingency in found:
        for finding in contingency.findings:
            told = finding.grave or (contingency.is_bailout and finding.code not in ("gas-short", "reserve"))
            exposed = finding.code not in ("no-gas", "stops", "level-missed") and finding.severity == "caution"
            again = as_planned(finding, graves if finding.grave else own)
            if told and exposed and not contingency.scenario.two_failures and not again:
                groups.setdefault(finding.of_what, []).append((contingency, finding))
    for group in groups.values():
        contingency, worst = max(group, key=lambda one: one[1].how_much)
        others = (
            f"; also in {_count(len(group) - 1, 'other contingency', 'other contingencies')}" if len(group) > 1 else ""
        )
        message = f"{_capital(contingency.name)}: {worst.message.rstrip('.')}{others}."
        values: dict[str, float | str] = {
            "contingency": contingency.name, "contingencies": "; ".join(c.name for c, _ in group), **worst.values
        }  # fmt: skip
        yield replace(worst, code=f"contingency-{worst.code}", message=message, values=values, grave=False)


# --- What is good to know ---------------------------------------------------------------------------------------------


def _reserves(dive: Dive, found: Sequence[Contingency]) -> Iterator[Finding]:
    """One caution for all contingencies that breathe into a reserve."""
    system = SYSTEMS[dive.units]
    left: dict[str, list[str]] = {}
    for contingency in found:
        for finding in contingency.findings:
            if finding.code == "reserve":
                pressure = system.pressure(float(finding.values["left_bar"]))
                left.setdefault(contingency.name, []).append(f"{finding.values['cylinder']} {pressure}")
    if left:
        said = "; ".join(f"{name} ({', '.join(cylinders)})" for name, cylinders in left.items())
        message = f"Breathed into the reserve, with what is then left in {system.pressure_unit}: {said}."
        yield Finding("contingency-reserve", "caution", message, {"contingencies": float(len(left))})


def _bailout_holds(dive: Dive, found: Contingency) -> Finding:
    assert found.leaves_at_min is not None
    assert found.depth_m is not None
    at = f"{SYSTEMS[dive.units].at(found.depth_m)} at {clock(found.leaves_at_min)} min"
    gas = "gas lasts" if found.answers.gas == "lasts" else "gas lasts, into the reserve"
    message = f"Bailout from {at}: {gas}, all stops done, {math.ceil(found.tts_min - 1e-6)} min to the surface."
    values: dict[str, float | str] = {"leave_min": found.leaves_at_min, "tts_min": found.tts_min}
    return Finding("bailout-holds", "note", message, values, found.leaves_at_min, found.depth_m)


def lasting(found: Sequence[Contingency]) -> tuple[int, int]:
    """In how many contingencies the gas lasts, and of how many."""
    counted = [c for c in found if not any(finding.code == "level-missed" for finding in c.findings)]
    names = [{use.name for use in c.supply if use.use != "inflation"} for c in counted]
    short = [
        any(f.code == "gas-short" and f.values["cylinder"] in breathed for f in c.findings)
        for c, breathed in zip(counted, names, strict=True)
    ]
    lasts = (c.answers.gas in ("lasts", "into the reserve") for c in counted)
    return sum(one and not other for one, other in zip(lasts, short, strict=True)), len(counted)


def _counted(found: Sequence[Contingency]) -> Iterator[Finding]:
    """In how many the gas lasts, and the longest way up among those that hold."""
    lasts, of = lasting(found)
    if not of:
        return
    message, holding = f"Gas lasts in {lasts} of {of} contingencies", [c for c in found if c.holds]
    if holding:
        longest = max(holding, key=lambda contingency: contingency.tts_min)
        message += f"; the longest way up is {math.ceil(longest.tts_min - 1e-6)} min ({longest.name})"
    yield Finding("contingencies", "note", f"{message}.", {"gas_lasts": float(lasts), "planned": float(of)})


# --- A contingency in words -------------------------------------------------------------------------------------------


def in_words(found: Contingency) -> tuple[str, ...]:
    """What comes of a contingency in a few words each, the gravest first: "gas runs out at 43 min, 21 m, 340 L short",
    "over CNS 100 %"."""
    system = SYSTEMS[found.scenario.dive.units]
    answers, said = found.answers, list[str]()
    if answers.breathable == "no":
        return ("no gas to breathe" + ("" if found.no_gas is None else f" {_depths(found.no_gas.gap, system)}"),)
    if answers.stops == "not met":
        return ("stops not met",)
    if answers.gas == "not planned":
        return tuple(finding.heading for finding in found.findings)
    empty = _first_to_end(found, _content)
    thin = _first_to_end(found, _usable)
    if empty is not None:
        use, at = empty
        what = "suit gas" if use.use == "inflation" and answers.gas != "runs out" else "gas"
        missing_l = sum(one.missing_l for one in found.supply if (one.mix, one.use) == (use.mix, use.use))
        said.append(f"{what} runs out{at}, {system.gas_up(missing_l)} {system.gas_unit} short")
    elif thin is not None and any(finding.code == "gas-short" for finding in found.findings):
        use, at = thin
        short_l = sum(one.short_l for one in found.supply if (one.mix, one.use) == (use.mix, use.use))
        said.append(f"gas goes into the reserve{at}, {system.gas_up(short_l)} {system.gas_unit} of it")
    elif any(finding.code == "mate-gas-short" for finding in found.findings):
        short = (f.brief.replace(" runs out", "") for f in found.findings if f.code == "mate-gas-short")
        said.append(f"gas runs out: {' and '.join(short)}")
    elif answers.gas == "into the reserve":
        least = min((use for use in found.supply if use.short_l > 1e-6), key=lambda use: use.left_bar)
        left = f"{system.pressure(least.left_bar)} {system.pressure_unit} left"
        said.append(f"gas lasts, into the reserve: {left}")
    else:
        said.append("gas lasts")
    if answers.exposure == "over":
        said.append(f"over {' and '.join(_LIMITS.get(code, code) for code in found.over)}")
    return tuple(said)


def in_brief(found: Contingency) -> str:
    """The first thing that does not hold, to stand over a sheet: "gas runs out"; empty where all does."""
    if found.holds:
        return ""
    for holds_l, what in ((_content, "runs out"), (_usable, "goes into the reserve")):
        ends = _first_to_end(found, holds_l)
        if ends is not None:
            use, at = ends
            return f"{use.name} {what}{at}"
    return in_words(found)[0]


def _content(use: CylinderUse) -> float:
    return use.content_l


def _usable(use: CylinderUse) -> float:
    return use.usable_l


def _first_to_end(found: Contingency, holds_l: Callable[[CylinderUse], float]) -> tuple[CylinderUse, str] | None:
    """The cylinder that first has given so much, breathed ones before a suit's, and when and where, in words."""
    system = SYSTEMS[found.scenario.dive.units]
    ends = [(use, use.reaches(holds_l(use))) for use in found.supply if use.used_l > holds_l(use) + 1e-6]
    if not ends:
        return None
    use, at = min(ends, key=lambda one: (one[0].use == "inflation", one[1][0] if one[1] is not None else math.inf))
    return use, "" if at is None else f" at {math.floor(at[0])} min, {system.at(at[1])}"


_LIMITS = {
    "cns": "CNS", "cns-day": "CNS of 24 h", "otu": "OTU", "otu-days": "OTU of several days", "density": "density",
    "end": "END", "scrubber": "scrubber",
}  # fmt: skip


def _depths(gap: Gap, system: System) -> str:
    return f"from {system.at(gap.from_m)} to {system.at(gap.to_m) if gap.to_m > 0.0 else 'the surface'}"


# --- Words ------------------------------------------------------------------------------------------------------------


def _named(names: Sequence[str]) -> str:
    names = list(dict.fromkeys(names))
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    return f"{', '.join(names[:MOST_NAMED])} and {len(names) - MOST_NAMED} more"


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
