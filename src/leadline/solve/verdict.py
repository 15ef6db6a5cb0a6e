"""The verdict on a dive, planned whole: which limits it breaks, named so that one dive's are the other's too."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass, field

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.schema import Dive
from leadline.physics.mix import Mix
from leadline.plan.causes import severity
from leadline.plan.findings import Finding
from leadline.plan.planned import Plan
from leadline.plan.team import Team, plan_team
from leadline.show.sentences import message

Told = Callable[[str], None]
"""Is told what is being tried, before it is."""


@dataclass(frozen=True)
class BrokenLimit:
    """Something that a dive breaks. The same limit of another dive is equal to it, whatever the numbers are."""

    code: str
    """Of the finding, "gas-short", or "refused" where the dive cannot be planned at all."""
    subject: str
    """The cylinder or the gas; the key of the dive file, of a refusal; else empty."""
    contingency: str = ""
    """Its kind, "mate out of gas"; empty for the plan itself."""
    diver: str = ""
    what: str = field(default="", compare=False)
    """As a diver would name it: "18/45 in twin set", "CNS", "TTS limit"."""
    contingency_name: str = field(default="", compare=False)
    message: str = field(default="", compare=False)
    pool: str = field(default="", compare=False)
    """Of a cylinder: alike for all that are drawn on together."""
    over: float = field(default=math.inf, compare=False)
    """What is asked over what is allowed; infinite where that is no number."""

    @property
    def name(self) -> str:
        """As a diver would name it, with whose it is and the contingency."""
        whose = f"{self.diver}: " if self.diver else ""
        return whose + self.what + (f", {self.contingency_name}" if self.contingency_name else "")

    @property
    def group(self) -> tuple[str, str, str]:
        """Whose, what of which gas: alike for all contingencies and for cylinders that are drawn on together."""
        return self.diver, self.code, self.pool or self.subject


@dataclass(frozen=True)
class Verdict:
    """What came of a dive: every limit it breaks, of the plan and of every contingency, and its main numbers."""

    limits: tuple[BrokenLimit, ...]
    run_time_min: float | None = None
    """None, as all the numbers, where the dive cannot be planned at all."""
    tts_min: float | None = None
    cns_percent: float | None = None
    otu: float | None = None
    way_up_min: float | None = None
    """The longest bailout from the worst moment; None on open circuit."""
    cautions: tuple[str, ...] = ()
    """What is to be weighed, of the plan and of every contingency."""

    @property
    def holds(self) -> bool:
        """Whether the plan and every contingency hold."""
        return not self.limits

    @property
    def refused(self) -> bool:
        """Whether the dive cannot be planned at all."""
        return self.run_time_min is None

    @property
    def over(self) -> float:
        """By how much the limit most broken is: what is asked over what is allowed."""
        return max((limit.over for limit in self.limits), default=1.0)

    @property
    def nearness(self) -> tuple[float, bool, float]:
        """How near a dive that does not hold is to holding, the nearest first: by how much the limit most broken is
        over, whether it can be planned, by how much all limits together are over."""
        return self.over, self.refused, sum(limit.over for limit in self.limits if math.isfinite(limit.over))


def judge_dive(dive: Dive, source: str = "dive") -> Verdict:
    """Plan a dive whole, every diver and every contingency of it. A dive that is refused breaks the limit "refused"."""
    try:
        problems = contradictions(dive)
        if problems:
            raise DiveFileError(source, problems)
        team = plan_team(dive, source)
    except DiveFileError as error:
        return Verdict((refusal(error.problems[0]),))
    return of_team(team)


def of_team(team: Team) -> Verdict:
    """The verdict on a dive that has been planned."""
    dive = team.dive
    limits = [limit for member in team.members for limit in _limits(member.name, member.plan)]
    if team.no_go and not limits:
        limits = [_limit(f, "", "", "", dive) for f in team.findings if f.severity == "no-go"]
    plans = [member.plan for member in team.members]
    bailouts = [bailout.tts_min for plan in plans if (bailout := plan.longest_bailout) is not None]
    return Verdict(
        limits=tuple(dict.fromkeys(limits)) if team.no_go else (),
        run_time_min=max(plan.schedule.run_time_min for plan in plans),
        tts_min=max(plan.schedule.tts_min for plan in plans),
        cns_percent=max(plan.oxygen.cns_percent for plan in plans),
        otu=max(plan.oxygen.otu for plan in plans),
        way_up_min=max(bailouts, default=None),
        cautions=tuple(message(finding, dive.units) for finding in team.findings if finding.severity == "caution"),
    )


def nearest_miss(what: str, found: Verdict) -> str:
    """In one sentence what fails by least, and what it breaks most."""
    worst = max(found.limits, key=lambda limit: limit.over)
    more = len({limit.group for limit in found.limits}) - 1
    also = f"; {more} more {'limit fails' if more == 1 else 'limits fail'}" if more else ""
    breaks = worst.message.split(". ")[0].rstrip(".")
    return f"Nearest miss, {what}: {breaks}{also}."


def _limits(diver: str, plan: Plan) -> Iterator[BrokenLimit]:
    """What one diver's plan breaks: itself, then every contingency.

    The plan's findings do not say of every contingency what the plan breaks already; here gas that runs out is kept
    apart, since a contingency can do so where the plan only breathes into the reserve.
    """
    dive = plan.dive
    own = [f for f in plan.own if f.severity == "no-go"] + [f for f in plan.findings if f.code in _OF_BAILOUT]
    yield from (_limit(finding, diver, "", "", dive) for finding in own)
    broken = {(f.code, _subject(f)) for f in own}
    for contingency in plan.contingencies:
        if severity(dive, contingency, plan.contingencies) != "no-go":
            continue
        if contingency.scenario.way == () and ("bailout-none", "") in broken:
            continue
        for finding in contingency.findings:
            told = finding.code != "gas-short" and (finding.code, _subject(finding)) in broken
            if finding.severity == "no-go" and not told:
                yield _limit(finding, diver, contingency.kind, contingency.name, contingency.scenario.dive)


def _subject(finding: Finding) -> str:
    return str(finding.values.get("cylinder", finding.values.get("gas", "")))


_OF_BAILOUT = ("bailout-none", "bailout-first-breath")
_NAMES = {
    "turn": "fill below minimum gas in {}",
    "minimum-gas": "minimum gas of {}",
    "density": "density of {}",
    "end": "END on {}",
    "ppo2-high": "ppO2 of {}",
    "cns": "CNS",
    "otu": "OTU",
    "cns-day": "oxygen of 24 hours",
    "otu-days": "OTU of several days",
    "tts": "TTS limit",
    "run-time": "run-time limit",
    "scrubber": "scrubber",
    "surface-gf": "GF before the dive",
    "no-gas": "no gas to breathe",
    "stops": "a stop that never clears",
    "bailout-none": "no bailout carried",
    "bailout-first-breath": "first breath off the loop",
    "mate-gas-short": "{} of a mate",
}
_SHARES = (
    ("needed_l", "usable_l"),
    ("needed_l", "content_l"),
    ("density_g_l", "limit_g_l"),
    ("ppo2_bar", "limit_bar"),
    ("cns_percent", "limit_percent"),
    ("otu", "limit"),
    ("minutes", "limit_min"),
    ("gf_percent", "gf_high"),
    ("minutes", "rated_min"),
)
"""What is asked and what is allowed, in the values of findings."""


def _limit(finding: Finding, diver: str, kind: str, name: str, dive: Dive) -> BrokenLimit:
    subject = _subject(finding)
    cylinder = next((c for c in dive.cylinders if c.name == subject), None)
    what, pool = subject, ""
    if cylinder is not None:
        feeds = cylinder.use if cylinder.use in ("diluent", "oxygen", "inflation") else ""
        what, pool = f"{cylinder.gas.name} in {subject}", f"{cylinder.gas.name} {feeds}".strip()
    if finding.code != "gas-short":
        said = Mix.parse(subject).name if "gas" in finding.values and cylinder is None else subject
        what = _NAMES.get(finding.code, finding.code).format(said)
    over = math.inf
    for asked, allowed in _SHARES:
        if asked in finding.values and float(finding.values.get(allowed, 0.0)) > 0.0:
            over = float(finding.values[asked]) / float(finding.values[allowed])
            break
    return BrokenLimit(finding.code, subject, kind, diver, what, name, message(finding, dive.units), pool, over)


def refusal(problem: Problem) -> BrokenLimit:
    """The limit that a dive breaks which cannot be planned at all."""
    what = "cannot be planned"
    if problem.key == "[model] gradient_factors":
        what = "a stop that never clears"
    elif problem.key.endswith("leave_at"):
        what = "a level left before it is reached"
    elif problem.key.endswith("depth") or problem.key == "[[cylinders]]":
        what = "no gas to breathe there"
    said = f"{problem.key}: {problem.message}." if problem.key else f"{problem.message}."
    return BrokenLimit("refused", problem.key, what=what, message=said)


class Tried:
    """Dives that were planned, each once."""

    def __init__(self, source: str, told: Told | None) -> None:
        """`source` names the dive file; `told` hears what is being tried."""
        self.source = source
        self.told: Told = told if told is not None else lambda said: None
        self.verdicts: dict[Hashable, Verdict] = {}

    def __call__(self, key: Hashable, made: Callable[[], Dive], said: str) -> Verdict:
        """The verdict on the dive of a key, made if it was not tried yet. What cannot be made is refused."""
        if key not in self.verdicts:
            self.told(said)
            try:
                dive = made()
            except DiveFileError as error:
                self.verdicts[key] = Verdict((refusal(error.problems[0]),))
            else:
                self.verdicts[key] = judge_dive(dive, self.source)
        return self.verdicts[key]


@dataclass(frozen=True)
class Bound:
    """A limit, and the last value before it is first broken, were the limits before it lifted."""

    limits: tuple[BrokenLimit, ...]
    """One of the plan or of a contingency, with all contingencies that break the same at the same value."""
    holds_to: int | None
    """Minutes, metres or feet; None: it is broken at every value looked at."""

    @property
    def name(self) -> str:
        """As a diver would name it, all cylinders and contingencies named."""
        first = self.limits[0]
        whats = [what.removeprefix(f"{first.what.split(' in ')[0]} in ") for what in _distinct(self.limits, "what")[1:]]
        names = [name or "as planned" for name in _distinct(self.limits, "contingency_name")]
        whose = f"{first.diver}: " if first.diver else ""
        said = whose + " and ".join([first.what, *whats])
        if first.contingency_name:
            said += f", {names[0]}"
        return said + (f"; also {', '.join(names[1:])}" if len(names) > 1 else "")


def _distinct(limits: Iterable[BrokenLimit], key: str) -> list[str]:
    return list(dict.fromkeys(getattr(limit, key) for limit in limits))


def always(broken: Verdict) -> tuple[Bound, ...]:
    """The limits of a verdict, those of one thing together."""
    grouped: dict[tuple[str, str, str], list[BrokenLimit]] = {}
    for limit in broken.limits:
        grouped.setdefault(limit.group, []).append(limit)
    return tuple(Bound(tuple(limits), None) for limits in grouped.values())


def halved(holds: Callable[[int], bool], low: int, high: int) -> int:
    """Between a value that holds and one that does not, one that holds while the next does not."""
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
