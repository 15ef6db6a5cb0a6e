"""One cylinder filled: drained if it must be, then step by step to pressures on the gauge, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from leadline.mixing.bank import BankDraw, Supply, draw
from leadline.mixing.contents import IDEAL, MOST_BAR, REAL, Contents, Law, rt
from leadline.mixing.continuous import Continuous, blend_continuously
from leadline.mixing.doses import CLOSE, MATCH, REMNANT, Way, drain_to, nearest, next_dose, ways, why_not
from leadline.physics.mix import AIR_O2, Mix
from leadline.show.sentences import Remark
from leadline.units import SYSTEMS, System, SystemName

AIR = Mix(AIR_O2, 0.0, "air")
IDEAL_WITHIN = 0.05
"""How far off its target the blend of an ideal gas may be, of the same gases, to be shown beside."""


@dataclass(frozen=True)
class FillRules:
    """How a station fills. Temperatures in °C, pressures in bar."""

    helium_first: bool = True
    room_celsius: float = 20.0
    filling_celsius: float = 20.0
    gauge_step_bar: float = 1.0
    overshoot_bar: float = 5.0
    drain: bool = True
    units: SystemName = "metric"

    @property
    def system(self) -> System:
        """How numbers are shown."""
        return SYSTEMS[self.units]

    def rounded(self, bar: float) -> float:
        """To the nearest step of the gauge."""
        return round(bar / self.gauge_step_bar) * self.gauge_step_bar

    def rounded_down(self, bar: float) -> float:
        """To the next lower step of the gauge."""
        return math.floor(bar / self.gauge_step_bar + 1e-6) * self.gauge_step_bar

    def said(self, bar: float) -> str:
        """A pressure with its unit, as finely as the gauge is read."""
        return f"{self.pressure(bar)} {self.system.pressure_unit}"

    def pressure(self, bar: float) -> str:
        """A pressure without its unit, as finely as the gauge is read."""
        step = self.gauge_step_bar / self.system.pressure_bar
        decimals = 0 if abs(step - round(step)) < 1e-6 else 1 if abs(10 * step - round(10 * step)) < 1e-6 else 2
        return f"{round(bar / self.system.pressure_bar, decimals) + 0.0:.{decimals}f}"  # never "-0"


@dataclass(frozen=True)
class Job:
    """A cylinder to be filled. Pressures are on the gauge. [bar]"""

    diver: str
    cylinder: str
    use: str
    water_l: float
    start: Mix
    start_bar: float
    target: Mix
    target_bar: float
    target_celsius: float
    """At which the dive counts on the target pressure."""
    oxygen_clean: bool | None = None
    working_bar: float | None = None
    given: bool = True
    """Whether the file says what is in it; if not it is taken as empty."""


@dataclass(frozen=True)
class Missed:
    """The mix in the end, if a step is missed and all others are filled to the pressures on the tape."""

    to_bar: float
    mix: Mix
    end_bar: float


@dataclass(frozen=True)
class FillStep:
    """One gas, filled to one pressure. [bar on the gauge]"""

    gas: Mix
    from_bar: float
    """Settled."""
    to_bar: float
    """While filling, to the step of the gauge: what stands on the tape."""
    exact_bar: float
    """Before it was rounded."""
    settles_bar: float
    """Cooled to the temperature of the room."""
    ideal_bar: float | None
    """What an ideal gas would ask for."""
    litres: float
    """[free litres at the temperature of the room]"""
    mix: Mix
    """In the cylinder after the step."""
    drawn: tuple[BankDraw, ...]
    cost: float | None
    over: Missed | None = None
    under: Missed | None = None


@dataclass(frozen=True)
class TopUp:
    """What one gets by filling up with one gas."""

    gas: Mix
    mix: Mix
    from_bar: float
    to_bar: float
    mod_m: float = 0.0


@dataclass(frozen=True)
class Fill:
    """How a cylinder is filled, or why it cannot be."""

    job: Job
    settled_bar: float
    """The target pressure at the temperature of the room."""
    drain_to_bar: float | None = None
    """None: nothing is drained."""
    steps: tuple[FillStep, ...] = ()
    result: Mix | None = None
    """Of the steps as they are rounded; None where it cannot be filled."""
    result_bar: float = 0.0
    """Settled."""
    result_mod_m: float = 0.0
    ideal: Mix | None = None
    """What the pressures of an ideal gas would really give."""
    cost: float | None = None
    """None where a price is missing."""
    continuous: Continuous | None = None
    top_ups: tuple[TopUp, ...] = ()
    findings: tuple[Remark, ...] = ()
    refused: str = ""
    """Why it cannot be filled and what would be right; empty where it can."""
    most_bar: float | None = None
    """The highest target pressure that the sources reach, settled, where they do not reach the one asked for."""

    @property
    def done(self) -> bool:
        """Whether it can be filled."""
        return not self.refused


def plan_fill(
    job: Job, bank: tuple[Supply, ...], rules: FillRules, less: bool = False
) -> tuple[Fill, tuple[Supply, ...]]:
    """Fill a cylinder from a bank. Returns how, and the bank afterwards; the bank as it was where it cannot be.

    With `less`, where the sources do not reach, the highest pressure is sought that they do reach.
    """
    gases = tuple(dict.fromkeys(one.gas for one in bank))
    try:
        start = Contents.of(job.start, job.water_l, job.start_bar, rules.room_celsius)
        wanted = Contents.of(job.target, job.water_l, job.target_bar, job.target_celsius)
        settled_bar = wanted.bar(rules.room_celsius)
    except ValueError:
        said = f"no fill over {rules.system.pressure(MOST_BAR)} {rules.system.pressure_unit} can be worked out"
        return Fill(job, job.target_bar, refused=f"{said}; a lower pressure is needed"), bank
    blank = Fill(job, settled_bar, top_ups=tuple(_top_ups(job, start, settled_bar, gases, rules)))
    if not gases:
        return replace(blank, refused="no gas is at hand; name the sources, [[fills.sources]]"), bank
    drain_bar, refused = _drained_to(job, start, wanted, gases, rules)
    if refused:
        return replace(blank, refused=refused), bank
    real_start = start if drain_bar is None else start.drained(drain_bar, rules.room_celsius)
    blank = replace(
        blank, drain_to_bar=drain_bar, continuous=blend_continuously(real_start, wanted, gases, rules.filling_celsius)
    )
    reasons: list[str] = []
    for way in _preferred(_ways(real_start, wanted, gases), bank):
        steps, left, reason = _steps(job, real_start, wanted, way, bank, rules)
        if not reason:
            return _finished(blank, real_start, steps, rules), left
        reasons.append(reason)
    most_bar = _most(job, bank, rules, settled_bar) if less else None
    said = reasons[0]
    if most_bar is not None:
        said += f"; or fill it to {rules.said(most_bar)}, as far as these sources reach, and plan with that"
    return replace(blank, refused=said, most_bar=most_bar), bank


def _most(job: Job, bank: tuple[Supply, ...], rules: FillRules, settled_bar: float) -> float | None:
    """The highest pressure, settled in the room, to which the sources make the mix; None if it is under half of it."""
    low, high = math.ceil(0.5 * settled_bar / rules.gauge_step_bar), math.floor(settled_bar / rules.gauge_step_bar)
    reached = None
    while high - low > 1:
        middle = (low + high) // 2
        bar = middle * rules.gauge_step_bar
        found, _ = plan_fill(replace(job, target_bar=bar, target_celsius=rules.room_celsius), bank, rules)
        reached, low, high = (bar, middle, high) if found.done else (reached, low, middle)
    return reached


def _ways(start: Contents, wanted: Contents, gases: Sequence[Mix]) -> list[Way]:
    near = nearest(start, wanted, gases)
    return ways(start, wanted, gases) or ([] if near is None else [near])


def _preferred(found: Iterable[Way], bank: Sequence[Supply]) -> list[Way]:
    """The cheapest first, where every gas has a price; those of fewest gases first, where not."""

    def cost(way: Way) -> float:
        prices = {one.gas: one.price for one in bank}
        return sum((prices[gas] or 0.0) * mol for gas, mol in zip(way.gases, way.mol, strict=True))

    found = list(found)
    priced = all(one.price is not None for one in bank)
    return sorted(found, key=lambda way: round(cost(way), 9)) if priced else found


def _drained_to(
    job: Job, start: Contents, wanted: Contents, gases: Sequence[Mix], rules: FillRules
) -> tuple[float | None, str]:
    """How far to drain, None for not at all; and why the mix cannot be made, empty if it can."""
    as_it_is = nearest(start, wanted, gases)
    if as_it_is is not None and as_it_is.miss <= CLOSE:
        return None, ""
    empty = start.drained(0.0, rules.room_celsius) if job.start_bar > 0.0 else start
    found = drain_to(start, wanted, gases, job.start_bar, rules.room_celsius) if job.start_bar > 0.0 else None
    if found is None:
        near = nearest(empty, wanted, gases)
        of_nothing = nearest(replace(empty, o2=0.0, he=0.0, n2=0.0), wanted, gases)
        if near is None or of_nothing is None or of_nothing.miss > MATCH:
            said = why_not(job.target, gases)
            if near is not None and near.miss < 0.2:
                said += f". The nearest that these sources make of an empty cylinder is {percents(near.made)}"
            return None, said
        if near.miss > REMNANT:
            said = f"the atmosphere of {job.start.name} in a cylinder at 0 makes it {percents(near.made)}"
            return None, f"{said}; flush it with {near.gases[0].name}, and say what is in it then"
        if job.start_bar <= 0.0:
            return None, ""
        found = 0.0
    to_bar = rules.rounded_down(found)
    if not rules.drain:
        said = f"what is in it, {job.start.name} at {rules.said(job.start_bar)}, is in the way of {job.target.name}"
        return None, f"{said}; drain it to {rules.said(to_bar)}, or allow it, drain = true"
    return to_bar, ""


# --- Steps ------------------------------------------------------------------------------------------------------------


def _in_order(gases: Iterable[Mix], bank: Sequence[Supply], helium_first: bool) -> list[Mix]:
    """Helium and oxygen in the order asked for, then mixes, the lowest supply first, a compressor last."""

    def rank(gas: Mix) -> tuple[int, float]:
        if gas.he > 0.9 or gas.o2 > 0.9:
            return (0 if (gas.he > 0.9) == helium_first else 1), 0.0
        bars = [math.inf if one.bar is None else one.bar for one in bank if one.gas == gas]
        return 2, max(bars, default=math.inf)

    return sorted(gases, key=rank)


def _fill_to(start: Contents, way: Way, order: Sequence[Mix], celsius: float, law: Law) -> list[float]:
    """The pressure to fill to with each gas. [bar]"""
    mol = dict(zip(way.gases, way.mol, strict=True))
    contents, found = start, []
    for gas in order:
        contents = contents.plus(gas, mol[gas])
        found.append(contents.bar(celsius, law))
    return found


def _steps(
    job: Job, start: Contents, wanted: Contents, way: Way, bank: tuple[Supply, ...], rules: FillRules
) -> tuple[tuple[FillStep, ...], tuple[Supply, ...], str]:
    """The steps of one way, the bank after them, and why it cannot be done; empty if it can."""
    order = _in_order(way.gases, bank, rules.helium_first)
    try:
        exact = _fill_to(start, way, order, rules.filling_celsius, REAL)
        steps, left, short = _drawn(start, wanted, order, exact, bank, rules)
    except ValueError:
        return (), bank, f"while filling it would be over {rules.said(MOST_BAR)}; fill cooler or to less"
    if short:
        turned = _in_order(way.gases, bank, not rules.helium_first)
        hint = ""
        if turned != order:
            other = _fill_to(start, way, turned, rules.filling_celsius, REAL)
            if not _drawn(start, wanted, turned, other, bank, rules)[2]:
                hint = f'; or fill {"oxygen" if rules.helium_first else "helium"} first, which works, order = "'
                hint += f'{"oxygen" if rules.helium_first else "helium"} first"'
        return (), bank, short + hint
    ideal = _ideal(job, start, wanted, way, order, rules)
    steps = [replace(step, ideal_bar=bar) for step, bar in zip(steps, ideal, strict=True)] if ideal else steps
    kept = [step for step in steps if step.litres > 0.0]
    return tuple(_with_misses(start, kept, rules)), left, ""


def _drawn(
    start: Contents,
    wanted: Contents,
    order: Sequence[Mix],
    exact: Sequence[float],
    bank: tuple[Supply, ...],
    rules: FillRules,
) -> tuple[list[FillStep], tuple[Supply, ...], str]:
    """The steps to pressures that are rounded to the gauge, from the bank.

    What rounding one step does to oxygen is made good in the next.
    """
    contents = start
    steps: list[FillStep] = []
    for i, (gas, exact_bar) in enumerate(zip(order, exact, strict=True)):
        mol = next_dose(contents, wanted, order[i:])
        wanted_bar = exact_bar if mol is None else contents.plus(gas, mol).bar(rules.filling_celsius)
        from_bar, to_bar = contents.bar(rules.room_celsius), rules.rounded(wanted_bar)
        taken = draw(bank, contents, gas, to_bar, rules.room_celsius, rules.filling_celsius)
        if taken.short:
            return [], bank, _too_low(bank, gas, to_bar, taken.reached_bar, rules)
        costs = [one.cost for one in taken.drawn]
        steps.append(
            FillStep(
                gas=gas,
                from_bar=from_bar,
                to_bar=to_bar,
                exact_bar=exact_bar,
                settles_bar=taken.contents.bar(rules.room_celsius),
                ideal_bar=None,
                litres=(taken.contents.mol - contents.mol) * rt(rules.room_celsius),
                mix=taken.contents.mix,
                drawn=taken.drawn,
                cost=None if None in costs else math.fsum(cost for cost in costs if cost is not None),
            )
        )
        contents, bank = taken.contents, taken.bank
    return steps, bank, ""


def _too_low(bank: Sequence[Supply], gas: Mix, to_bar: float, reached_bar: float, rules: FillRules) -> str:
    sources = [one for one in bank if one.gas == gas]
    best = max(one.bar or 0.0 for one in sources)
    if best < to_bar:
        at = rules.said(rules.rounded_down(best))
        said = f"the supply of {gas.name}, {at}, is too low to fill to {rules.said(to_bar)}"
    else:
        reached = rules.said(rules.rounded_down(reached_bar))
        said = f"the bank of {gas.name} runs low: it fills to {reached}, and {rules.said(to_bar)} is needed"
    return f"{said}; a booster is needed, or a supply at more than that"


def _ideal(
    job: Job, start: Contents, wanted: Contents, way: Way, order: Sequence[Mix], rules: FillRules
) -> list[float] | None:
    """The pressures that an ideal gas would ask for, with the same gases; None where it could not be made so."""
    room = rules.room_celsius
    there = Contents.of(start.mix, job.water_l, start.bar(room), room, IDEAL)
    asked = Contents.of(job.target, job.water_l, wanted.bar(room), room, IDEAL)
    found = [one for one in ways(there, asked, way.gases, IDEAL_WITHIN) if set(one.gases) == set(way.gases)]
    return _fill_to(there, found[0], order, rules.filling_celsius, IDEAL) if found else None


def after_steps(start: Contents, steps: Iterable[tuple[Mix, float]], filling_celsius: float) -> Contents:
    """What is in a cylinder that was filled with gases to pressures, one after the other.

    A step to a pressure that is reached already lets nothing in.
    """
    for gas, to_bar in steps:
        start = start.filled(gas, to_bar, filling_celsius)
    return start


def _with_misses(start: Contents, steps: Sequence[FillStep], rules: FillRules) -> Iterable[FillStep]:
    tape = [(step.gas, step.to_bar) for step in steps]
    contents = start
    for i, step in enumerate(steps):
        over, under = (
            _missed(contents, step, by_bar, tape[i + 1 :], rules)
            for by_bar in (rules.overshoot_bar, -rules.overshoot_bar)
        )
        yield replace(step, over=over, under=under)
        contents = contents.filled(step.gas, step.to_bar, rules.filling_celsius)


def _missed(
    contents: Contents, step: FillStep, by_bar: float, rest: Sequence[tuple[Mix, float]], rules: FillRules
) -> Missed | None:
    """What becomes of a step missed by a pressure; None where it cannot be, being over before it began."""
    to_bar = step.to_bar + by_bar
    if to_bar > MOST_BAR or to_bar <= contents.bar(rules.filling_celsius):
        return None
    found = after_steps(contents, [(step.gas, to_bar), *rest], rules.filling_celsius)
    return Missed(to_bar, found.mix, found.bar_or_more(rules.room_celsius))


def _finished(blank: Fill, start: Contents, steps: Sequence[FillStep], rules: FillRules) -> Fill:
    made = after_steps(start, [(step.gas, step.to_bar) for step in steps], rules.filling_celsius)
    ideal = None
    if steps and all(step.ideal_bar is not None for step in steps):
        asked = [(step.gas, step.ideal_bar) for step in steps if step.ideal_bar is not None]
        ideal = after_steps(start, asked, rules.filling_celsius).mix
    costs = [step.cost for step in steps]
    return replace(
        blank,
        steps=tuple(steps),
        result=made.mix,
        result_bar=made.bar(rules.room_celsius),
        ideal=ideal,
        cost=None if None in costs else math.fsum(cost for cost in costs if cost is not None),
    )


def _top_ups(job: Job, start: Contents, settled_bar: float, gases: Sequence[Mix], rules: FillRules) -> Iterable[TopUp]:
    """What one gets by filling up with air, or with a mix at hand; of a cylinder that has something in it."""
    if job.start_bar <= 0.0 or start.bar(rules.room_celsius) >= settled_bar:
        return
    for gas in dict.fromkeys([AIR, *(gas for gas in gases if gas.he < 0.9 and gas.o2 < 0.9)]):
        yield TopUp(gas, start.filled(gas, settled_bar, rules.room_celsius).mix, job.start_bar, settled_bar)


def percents(mix: Mix) -> str:
    """A mix to a tenth of a percent: "17.9/45.2", "31.8 %"."""
    return f"{100 * mix.o2:.1f}/{100 * mix.he:.1f}" if mix.he >= MATCH / 2 else f"{100 * mix.o2:.1f} %"
