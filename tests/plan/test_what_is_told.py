"""What is told of random dives is true: no failure shortens the way up, each cause is told once and in its place, and
what is said to fix a no-go does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from random import Random

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.plan.contingency import Contingency
from leadline.plan.findings import Finding
from leadline.plan.planned import Plan
from leadline.plan.schedule import Leg
from leadline.plan.standard import loop_cylinders, standard_cylinders
from leadline.plan.team import Team, plan_team
from leadline.show.sentences import headline
from leadline.solve.cures import NONE_FOUND, cured
from tests.dives import Tables, cylinder, headed, sentence
from tests.plan.test_fit_to_breathe import Site, any_dive, planned
from tests.reference_model import VAPOUR
from tests.reference_model import gas as fractions

DIVES = 400
CURED = 30


@pytest.fixture(scope="module")
def plans() -> list[tuple[int, Plan]]:
    teams = ((seed, planned(any_dive(Random(f"told {seed}")))) for seed in range(DIVES))
    return [(seed, team.members[0].plan) for seed, team in teams if team is not None]


# --- No failure shortens the way up -----------------------------------------------------------------------------------


def inert(site: Site, legs: list[Leg]) -> dict[float, tuple[float, float]]:
    """Nitrogen and helium that reach the tissues at every half step of the grid on an ascent."""
    found = {}
    for depth_m, above_m in zip(site.grid(legs[0].start_m), site.grid(legs[0].start_m)[1:], strict=False):
        middle = 0.5 * (depth_m + above_m)
        leg = next((leg for leg in legs if leg.end_m <= middle <= leg.start_m), None)
        if leg is None:
            continue
        gas, bar = leg.source.mix.label, site.bar(middle)
        o2, he = fractions(gas)
        dry = (bar - VAPOUR) * (1.0 - o2)
        if leg.source.circuit == "closed":
            dry = bar - VAPOUR - site.ppo2(gas, "closed", leg.source.setpoint_bar, middle)
        elif leg.source.circuit == "semi-closed":
            dry = (bar - VAPOUR) * (1.0 - site.ppo2(gas, "semi-closed", None, middle) / bar)
        found[middle] = (dry * (1.0 - o2 - he) / (1.0 - o2), dry * he / (1.0 - o2)) if o2 < 1.0 else (0.0, 0.0)
    return found


def no_better(plan: Plan, found: Contingency) -> bool:
    """Whether it is on the way up from the last level as planned, and breathes there nowhere less of any inert gas."""
    last = plan.dive.levels[-1]
    whole = found.leaves_at_min is None
    if not found.legs or (not whole and (found.leaves_at_min, found.depth_m) != (last.leave_at, last.depth)):
        return False
    from_min = found.scenario.dive.levels[-1].leave_at - 1e-6
    site = Site(plan.dive)
    own = inert(site, [leg for leg in plan.schedule.legs if leg.start_min >= last.leave_at - 1e-6])
    then = inert(site, [leg for leg in found.legs if leg.start_min >= from_min])
    return all(
        mine[0] <= theirs[0] + 1e-9 and mine[1] <= theirs[1] + 1e-9
        for middle, theirs in then.items()
        if (mine := own.get(middle)) is not None
    )


def explained(plan: Plan, found: Contingency) -> bool:
    """Where less can be more: a break from oxygen that falls away, a delay where the diver off-gasses."""
    dive = plan.dive
    shallow = dive.levels[-1].depth < dive.deepest_m
    several = len({leg.source for leg in plan.schedule.legs if leg.start_min >= dive.levels[-1].leave_at - 1e-6}) > 1
    return dive.stops.oxygen_breaks is not None or (found.kind == "delay" and (shallow or several))


def test_no_failure_on_no_better_gas_shortens_the_way_up(plans):
    """From the end of the bottom to the surface. A switch that falls away saves its hold, and a stop the minute that
    is rounded up; a deeper first stop gives back a little at the shallow ones (5 %, tests/plan/test_properties.py). Of
    2500 dives more than these, two saved 6 and 7 %: a line of gradient factors drawn anew at a later level, and a
    switch's hold at 39 m that fell away."""
    short, kinds = [], dict[str, int]()
    for seed, plan in plans:
        for found in plan.contingencies:
            if not no_better(plan, found) or explained(plan, found):
                continue
            kinds[found.kind] = kinds.get(found.kind, 0) + 1
            tts_min = plan.schedule.tts_min
            saved = 1.0 + 0.05 * tts_min + plan.dive.stops.gas_switch * len(plan.schedule.switches)
            if found.tts_min < tts_min - saved - 1e-6:
                short.append((seed, found.name, found.tts_min, tts_min))
    assert short == []
    for kind in ("lost gas", "deeper", "longer", "bailout", "bailout lost", "low setpoint", "slow ascent", "delay"):
        assert kinds[kind] > 10, kinds


# --- One finding a cause, the gravest first ---------------------------------------------------------------------------

RANKS = {"bailout-none": 0, "bailout-first-breath": 0, "no-gas": 0, "gas-short": 1, "turn": 1, "minimum-gas": 1}
RANKS |= {"stops": 2, "surface-gf": 2}
SEVERITIES = ["no-go", "caution", "note"]


def cause(plan: Plan, finding: Finding) -> tuple[object, ...]:
    """Alike for findings of one cause: the depths of a gap, the gas that runs out, what else is over."""
    values = finding.values
    if finding.code == "no-gas":
        return (finding.code, values["from_m"], values["to_m"]) if "from_m" in values else (sentence(finding),)
    if finding.code == "gas-short":
        feeds = {c.name: c.use for c in plan.dive.cylinders}.get(str(values["cylinder"]), "")
        return finding.code, values["gas"], feeds if feeds in ("diluent", "oxygen", "inflation") else ""
    if finding.code in ("level-missed", "stops"):
        return finding.code, sentence(finding).split(":")[0]
    return finding.code, values.get("gas", values.get("cylinder")), sentence(finding) if not values else ""


def test_each_cause_is_told_once_and_the_gravest_first(plans):
    no_gos = 0
    for seed, plan in plans:
        found = plan.findings
        told = [cause(plan, f) for f in found if f.severity == "no-go"]
        assert len(told) == len(set(told)), (seed, told)
        short = [cause(plan, f) for f in found if f.code == "gas-short"]
        assert len(short) == len(set(short)), (seed, short)
        order = [(SEVERITIES.index(f.severity), RANKS.get(f.code, 3) if f.severity == "no-go" else 0) for f in found]
        assert order == sorted(order), (seed, order)
        assert plan.no_go == any(f.severity == "no-go" for f in found)
        said = headline(found, "metric")
        if plan.no_go:
            no_gos += 1
            assert said.startswith(f"NO-GO: {headed(found[0])}"), (seed, said)
        else:
            assert said.startswith("Can be dived as planned"), (seed, said)
        fails = [c for c in plan.contingencies if not c.holds and not c.scenario.two_failures]
        bailouts = [c for c in plan.contingencies if c.kind == "bailout"]
        light = {"oxygen gone"} if bailouts and all(c.holds for c in bailouts) else set()
        missed = [c for c in fails if any(f.code == "level-missed" for f in c.findings)]
        grave = [c for c in fails if c.kind not in light and c not in missed]
        assert plan.no_go or not grave, (seed, [c.name for c in grave])
    assert no_gos > 50


def test_what_the_plan_breaks_is_no_finding_of_a_contingency(plans):
    """A contingency's exposure is told where the plan itself does not break the same limit for the same gas, or of a
    dose takes less than ten elevenths of it."""
    told = 0
    for seed, plan in plans:
        graves = {(f.code, f.values.get("gas")): f for f in plan.own if f.grave}
        for finding in plan.findings:
            if finding.code.startswith("contingency-") and finding.code != "contingency-reserve":
                told += 1
                code = finding.code.removeprefix("contingency-")
                same = graves.get((code, finding.values.get("gas")))
                dose = next((key for key in ("cns_percent", "otu", "minutes") if key in finding.values), "")
                much_worse = same is not None and dose and finding.values[dose] > 1.1 * same.values[dose]
                assert same is None or much_worse, (seed, sentence(finding))
                assert finding.severity == "caution"
        for found in plan.contingencies:
            if found.answers.exposure == "as the plan":
                assert graves or any(f.code == "end" for f in plan.own), (seed, found.name)
    assert told > 20


# --- What would fix it ------------------------------------------------------------------------------------------------


def fixed(given: Tables, finding: Finding, fix: str) -> Tables:
    """The dive file changed as a fix says it."""
    units = given["units"]
    if match := re.fullmatch(r"leave the (?:bottom|deepest level) at (\d+) min", fix):
        return left_at(given, int(match[1]))
    if match := re.fullmatch(r"(.+) in place of (.+)", fix):
        old = [c["gas"] for c in given["cylinders"] if match[2] in (f"{c['gas']} %", c["gas"], "every bottom gas")]
        return refilled(given, match[1].removesuffix(" %"), old)
    added = re.fullmatch(r"add (.+?), (.+)", fix)
    count, size, unit, pressure = re.fullmatch(  # type: ignore[union-attr]
        r"(?:(\d+) × )?([\d.]+) (L|cu ft) at ([\d,]+) (?:bar|psi)", added[2] if added else fix
    ).groups()
    more: Tables = {"pressure": f"{pressure.replace(',', '')} {'bar' if unit == 'L' else 'psi'}", "size": f"{size} L"}
    names = finding.values.get("cylinders", (finding.values.get("cylinder", ""),))
    parts = int(count or 1) / (1 if added else len(names))
    if unit == "L":
        more["size"] = f"{float(size) * parts:g} L"
    else:
        held = float(size)
        listed = [*standard_cylinders(units), *standard_cylinders(units, pair=True), *loop_cylinders(units)]
        working = next(
            one.cylinder.working_pressure for one in listed
            if abs(one.cylinder.size.cubic_feet - held * parts) < 1e-6 and f"{one.cylinder.pressure / 0.0689475729:.0f}"
            == pressure.replace(",", "")
        )  # fmt: skip
        more |= {"size": f"{held * parts:g} cuft", "working_pressure": f"{working} bar"}
    if added:
        use = "bailout" if "loop" in given else "deco"
        gas = added[1].removesuffix(" %")
        return given | {"cylinders": [*given["cylinders"], cylinder(gas, use, name="added", **more)]}
    assert set(names) <= {one["name"] for one in given["cylinders"]}
    return given | {"cylinders": [one | more if one["name"] in names else one for one in given["cylinders"]]}


def refilled(given: Tables, mix: str, old: list[str]) -> Tables:
    """Another bottom gas or diluent in place of some, wherever they are."""
    cylinders = [
        one | {"gas": mix} if one["gas"] in old and one["use"] in ("bottom", "diluent") else one
        for one in given["cylinders"]
    ]
    levels = [level | {"gas": mix} if level.get("gas") in old else level for level in given["levels"]]
    loop = {"loop": given["loop"] | {"diluent": mix}} if "loop" in given else {}
    return given | {"cylinders": cylinders, "levels": levels} | loop


def left_at(given: Tables, minutes: int) -> Tables:
    """The first of the deepest levels is left at another run time, and the later ones as much later or earlier."""
    deepest = max(level["depth"] for level in given["levels"])
    first = [level["depth"] for level in given["levels"]].index(deepest)
    shift = minutes - given["levels"][first]["leave_at"]
    levels = [
        level | {"leave_at": level["leave_at"] + shift} if i >= first else level
        for i, level in enumerate(given["levels"])
    ]
    return given | {"levels": levels}


def still(team: Team | None, before: Plan, finding: Finding) -> bool:
    """Whether the plan of a changed dive is still a no-go for the same cause; a file that is refused is no cure."""
    if team is None:
        return True
    plan = team.members[0].plan
    no_gos = [f for f in plan.findings if f.severity == "no-go"]
    if finding.code in ("gas-short", "turn", "minimum-gas"):
        return cause(before, finding) in [cause(plan, f) for f in no_gos]
    return finding.code in [f.code for f in no_gos]


def fixes(finding: Finding) -> Iterator[str]:
    if finding.cure != NONE_FOUND:
        yield from re.sub(r" \(but then: .*?\)(?=, or |$)", "", finding.cure).split(", or ")


def test_what_is_said_to_fix_a_no_go_does(plans):
    """Each fix by itself, written into the dive file and planned again; and a minute longer at the bottom does not."""
    wrong, kinds, tried = [], dict[str, int](), 0
    for seed, plan in plans:
        if tried >= CURED:
            break
        if not plan.no_go:
            continue
        tried += 1
        given = any_dive(Random(f"told {seed}"))
        for finding in cured(plan_team(parse_dive(given))).findings:
            assert (finding.severity == "no-go") == bool(finding.cure), (seed, sentence(finding))
            for fix in fixes(finding) if finding.severity == "no-go" else ():
                verbs = {"add": "add", "leave": "leave"} | ({fix.split()[0]: "mix"} if " in place of " in fix else {})
                kind = verbs.get(fix.split()[0], "cylinders")
                kinds[kind] = kinds.get(kind, 0) + 1
                if still(changed(fixed(given, finding, fix)), plan, finding):
                    wrong.append((seed, sentence(finding), fix))
                if kind == "leave":
                    minutes = int(re.search(r"at (\d+) min", fix)[1]) + 1  # type: ignore[index]
                    longer = left_at(given, minutes)
                    if not still(changed(longer), plan, finding):
                        wrong.append((seed, sentence(finding), f"{fix}, and later too"))
    assert wrong == []
    assert set(kinds) == {"cylinders", "add", "leave", "mix"}, kinds


def changed(given: Tables) -> Team | None:
    try:
        return plan_team(parse_dive(given))
    except DiveFileError:
        return None
