"""What is wrong with a plan, one finding a cause: what the plan and all its contingencies break, put together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from leadline.dive_file.schema import Cylinder, Dive
from leadline.plan.contingency import Contingency
from leadline.plan.findings import Finding, Severity, as_planned
from leadline.plan.gases import Gap
from leadline.plan.supply import CylinderUse, open_circuit_cylinders

AS_PLANNED = "as planned"


def judge(
    dive: Dive, planned: Iterable[Finding], supply: Sequence[CylinderUse], found: Sequence[Contingency],
    mates_give: bool = False,
) -> list[Finding]:  # fmt: skip
    """The findings of a plan and of its contingencies. `planned` and `supply` are those of the planned dive;
    `mates_give`: a team shares bailout."""
    planned, every = list(planned), found
    if dive.loop is not None and not mates_give and not open_circuit_cylinders(dive):
        planned.append(Finding("bailout-none", "no-go"))
        found = [c for c in found if not (c.no_gas is not None and c.scenario.way == ())]
    graded = [(contingency, severity(dive, contingency, found)) for contingency in found]
    short = list(_short_of_gas(dive, planned, supply, graded))
    told = {str(finding.values["gas"]) for finding in short if finding.severity == "no-go"}
    rest = [f for f in planned if f.code != "gas-short" and not (f.code == "turn" and f.values.get("gas") in told)]
    return [
        *_no_gas(graded),
        *short,
        *_mates_short(graded),
        *_alike("stops", graded),
        *_worst_of_each_gas(rest),
        *_alike("level-missed", graded),
        *_exposure(planned, found),
        *_reserves(found),
        *(_bailout_holds(c) for c in found if c.is_bailout and c.holds),
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
        yield _short([carried[name] for name in names], gravest, counted)


def _pool(cylinder: Cylinder) -> tuple[str, str]:
    """Alike for cylinders that are drawn on together."""
    return cylinder.gas.label, cylinder.use if cylinder.use in ("diluent", "oxygen", "inflation") else ""


def _short(
    cylinders: Sequence[Cylinder], severity: Severity,
    cases: Sequence[tuple[str, Severity, Finding, Sequence[CylinderUse]]],
) -> Finding:  # fmt: skip
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
    in_them = tuple(dict.fromkeys(case[0] for case in cases))
    values = {
        "cylinder": cylinders[0].name, "cylinders": tuple(c.name for c in cylinders), "gas": cylinders[0].gas.label,
        "mix": cylinders[0].gas.name, "sizes": tuple(cylinders), "needed_l": needed_l, "content_l": content_l,
        "usable_l": usable_l, "short_l": needed_l - (content_l if runs_out else usable_l), "contingency": worst[0],
        "contingencies": in_them,
    }  # fmt: skip
    at_min, at_m = first if first is not None else (None, None)
    return Finding("gas-short", severity, values, at_min, at_m)


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
        values = {**worst.values, "contingencies": tuple(c.name for c, _, _ in counted)}
        yield replace(worst, severity=gravest, values=values)


def _no_gas(graded: Sequence[tuple[Contingency, Severity]]) -> Iterator[Finding]:
    """Contingencies with nothing fit to breathe, those over the same depths together."""
    alike: dict[Gap | str, list[tuple[Contingency, Severity]]] = {}
    for contingency, severity in graded:
        if contingency.no_gas is not None:
            alike.setdefault(contingency.no_gas.gap, []).append((contingency, severity))
        elif any(finding.code == "no-gas" for finding in contingency.findings):
            alike.setdefault(str(contingency.findings[0].values["refused"]), []).append((contingency, severity))
    for group in alike.values():
        first, no_gas = group[0][0].findings[0], group[0][0].no_gas
        gravest: Severity = "no-go" if any(grade == "no-go" for _, grade in group) else "caution"
        values = {**first.values, "contingencies": tuple(c.name for c, _ in group)}
        if no_gas is not None:
            values["left"] = no_gas.left
        yield replace(first, severity=gravest, values=values)


def _alike(code: str, graded: Sequence[tuple[Contingency, Severity]]) -> Iterator[Finding]:
    """One finding for all contingencies that end in it for the same reason."""
    groups: dict[object, list[tuple[Contingency, Severity, Finding]]] = {}
    for contingency, severity in graded:
        for finding in contingency.findings:
            if finding.code == code:
                groups.setdefault(finding.alike, []).append((contingency, severity, finding))
    for group in groups.values():
        own = group[0][2]
        gravest: Severity = "no-go" if any(grade == "no-go" for _, grade, _ in group) else "caution"
        yield replace(
            own,
            severity=gravest if own.severity == "no-go" else own.severity,
            values={**own.values, "contingencies": tuple(contingency.name for contingency, _, _ in group)},
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
        values = {"contingency": contingency.name, "contingencies": tuple(c.name for c, _ in group), **worst.values}
        yield replace(worst, code=f"contingency-{worst.code}", values=values, grave=False)


# --- What is good to know ---------------------------------------------------------------------------------------------


def _reserves(found: Sequence[Contingency]) -> Iterator[Finding]:
    """One caution for all contingencies that breathe into a reserve."""
    left: dict[str, list[tuple[str, float]]] = {}
    for contingency in found:
        for finding in contingency.findings:
            if finding.code == "reserve":
                of_it = str(finding.values["cylinder"]), float(finding.values["left_bar"])
                left.setdefault(contingency.name, []).append(of_it)
    if left:
        values = {"contingencies": float(len(left)), "left": tuple((name, tuple(of)) for name, of in left.items())}
        yield Finding("contingency-reserve", "caution", values)


def _bailout_holds(found: Contingency) -> Finding:
    values = {
        "leave_min": found.leaves_at_min, "tts_min": found.tts_min,
        "into_the_reserve": found.answers.gas != "lasts",
    }  # fmt: skip
    return Finding("bailout-holds", "note", values, found.leaves_at_min, found.depth_m)


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
    values: dict[str, Any] = {"gas_lasts": float(lasts), "planned": float(of)}
    holding = [c for c in found if c.holds]
    if holding:
        longest = max(holding, key=lambda contingency: contingency.tts_min)
        values |= {"longest": longest.name, "longest_min": longest.tts_min}
    yield Finding("contingencies", "note", values)
