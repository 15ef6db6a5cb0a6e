"""An ensemble in words, for every place that shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from leadline.ensemble.draws import NAMES
from leadline.ensemble.drivers import Driven, Index
from leadline.ensemble.robustness import Ascents, EnsembleResult
from leadline.ensemble.statistics import QUANTILES, Chance, Quantile, Spread
from leadline.plan import Plan
from leadline.units import System

NOT_A_RISK = (
    "These are chances of gas and schedule, if the dive differs from its plan as stated. None is a chance of "
    "decompression sickness: no model gives that for a dive like this, and one within every limit can still hurt."
)
RECOMPUTED = "Stops worked out anew for what was dived"
BY_SLATE = "By the plan's slate, whatever was dived"
BY_SLATES = "By the slate that covers what was dived"
HOW_RECOMPUTED = "A diver whose dive computer works the stops out on the way."
HOW_BY_SLATE = (
    "A diver who keeps each stop for its time on the slate, from arriving to leaving, and leaves none before its run "
    "time there."
)
HOW_BY_SLATES = "The same diver with the contingency slates at hand; beyond them all, on the longest."
HOW_COVERED = (
    "The shortest that is as deep and as long as the dive: entered at the next deeper and longer, never between."
)
HOW_WHAT_IFS = "Each kind is taken to happen: how often it does is not said here."
COMMON = "common practice, no source"
SHARES = tuple(f"{100 * share:g} %" if share != 0.5 else "median" for share in QUANTILES)


@dataclass(frozen=True)
class EnsembleLine:
    """A number of the dive: in the plan, and its quantiles with their intervals."""

    name: str
    plan: str
    quantiles: tuple[tuple[str, str], ...]


def sample(found: EnsembleResult) -> str:
    """How large the sample is, and what its intervals mean."""
    return (
        f"{found.dives} dives drawn, seed {found.seed}. Behind every number, in brackets, stands the interval that "
        "holds what an endless sample would give, in 95 of 100 samples."
    )


def chance(found: Chance) -> str:
    """A chance with its interval: "99.5 % (99.3–99.6)"; only nothing at all is 0, and only all is 100."""
    percents = [100.0 * share for share in (found.share, found.low, found.high)]
    near_an_end = any(0.0 < value < 1.0 or 99.0 < value < 100.0 for value in percents)
    decimals = 2 if near_an_end else 1
    least = 10.0**-decimals

    def said(value: float) -> str:
        return f"{value:.0f}" if value in (0.0, 100.0) else f"{min(max(value, least), 100.0 - least):.{decimals}f}"

    value, low, high = map(said, percents)
    return f"{value} % ({low}–{high})"


def index(found: Index) -> str:
    """A Sobol index with its interval."""
    return f"{found.value:.2f} ({found.low:.2f}–{found.high:.2f})"


def undriven(found: Driven) -> str:
    """Why nothing is said to drive an output."""
    refused = f"{found.refused} of {found.dives} dives cannot be dived"
    return f"nothing to say, {refused if found.refused else 'it never or hardly ever changes'}"


def how_driven(found: Driven) -> str:
    """What the indices are."""
    return (
        f"Sobol indices from {found.dives} dives: the share of the variance that goes with an input, alone and with "
        "what it does together with others."
    )


def summary(found: EnsembleResult) -> list[str]:
    """What matters most, in a few sentences."""
    ascents, planned = found.recomputed, found.plan
    said = [f"All gas lasts above its reserves: {chance(ascents.all_last)}."]
    least = min(ascents.cylinders, key=lambda one: one.lasts.share, default=None)
    if least is not None and least.lasts.share < 1.0:
        said[0] = f"{said[0][:-1]}; {least.name} fails most."
    if ascents.tts_min.of:
        low, high = (ascents.tts_min.at(share).value for share in (0.05, 0.95))
        said.append(f"TTS is {low:.0f} to {high:.0f} min in 9 dives of 10; {planned.schedule.tts_min:.0f} in the plan.")
    for one in found.by_slate.limits[:2]:
        said.append(f"By the plan's slate, {one.name}: {chance(one.over)}.")
    *slates, beyond = found.slates
    others = [slate for slate in slates[1:] if slate.taken.count]
    if others:
        most = max(others, key=lambda slate: slate.taken.count)
        said.append(f"Besides the plan's slate the one needed most is: {most.name}, {chance(most.taken)}.")
    if beyond.taken.count:
        said.append(f"No slate covers what was dived: {chance(beyond.taken)}.")
    worst = next(iter(found.what_ifs), None)
    if worst is not None and worst.gas_short.count:
        said.append(
            f"The contingency whose gas fails most, were it to happen: {worst.kind}, {chance(worst.gas_short)}."
        )
    driven = [f"{one.name} by {NAMES[one.drivers[0].input]}" for one in found.driven if one.drivers]
    return [*said, *([f"What drives it most: {'; '.join(driven)}."] if driven else [])]


def lines(found: Ascents, planned: Plan, system: System) -> Iterator[EnsembleLine]:
    """TTS, run time, GF at the surface and CNS, then what is left in every cylinder."""
    schedule = planned.schedule
    surface = float(schedule.track.points[-1]["gf_surface"])
    yield _line("TTS, min", schedule.tts_min, found.tts_min, _minutes)
    yield _line("Run time, min", schedule.run_time_min, found.run_time_min, _minutes)
    yield _line("GF at the surface, %", surface, found.gf_surface, _gf)
    if found.gf_highest is not None:
        yield _line("Highest GF on the way up, %", None, found.gf_highest, _gf)
    yield _line("CNS, %", planned.oxygen.cns_percent, found.cns_percent, _whole)
    left = {use.name: use.left_bar for use in planned.supply}
    for one in found.cylinders:
        yield _line(f"{one.name} left, {system.pressure_unit}", left[one.name], one.left_bar, system.pressure)


def _minutes(minutes: float) -> str:
    return f"{minutes:.1f}"


def _gf(fraction: float) -> str:
    return f"{100.0 * fraction:.0f}"


def _whole(value: float) -> str:
    return f"{value:.0f}"


def _line(name: str, planned: float | None, found: Spread, said: Callable[[float], str]) -> EnsembleLine:
    def interval(quantile: Quantile) -> str:
        low, high = ("?" if end is None else said(end) for end in (quantile.low, quantile.high))
        return f"({low}–{high})"

    quantiles = tuple((said(quantile.value), interval(quantile)) for quantile in found.quantiles)
    return EnsembleLine(name, said(planned) if planned is not None else "", quantiles or (("", ""),) * len(SHARES))
