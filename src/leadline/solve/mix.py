"""The best bottom gas or diluent for the deepest level, from a list or free."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from leadline.dive_file import divers
from leadline.dive_file.schema import Cylinder, Dive, Level, Loop
from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.plan.breathing import DENSITY_RECOMMENDED_G_L, HYPOXIC_CAUTION_BAR, hard_density_g_l
from leadline.plan.gases import MINIMUM_PPO2_BAR, ROUNDING_BAR, Source
from leadline.solve.verdict import Told, Tried, Verdict, nearest_miss

END_TOLERANCE_M = 0.5
DENSITY_TOLERANCE_G_L = 0.005
"""What the findings on END and density let pass as rounding."""


@dataclass(frozen=True)
class FreeMix:
    """The mix that suits a depth, free to be blended in whole percent."""

    mix: Mix
    least_for: str
    """Which limit one percent less helium breaks: "END", "density", or both; empty without helium."""
    hard: Mix | None
    """The one with the least helium for the diver's hard limit of density in place of the recommended one."""
    recommended: bool
    """Whether the recommended density is met; if not, it is the hard limit."""
    ppo2_bar: float
    end_m: float
    density_g_l: float
    where: Environment

    @property
    def surface_ppo2_bar(self) -> float:
        """ppO2 at the surface of the site, on open circuit. [bar]"""
        return self.mix.ppo2(self.where.surface_bar)

    @property
    def hypoxic(self) -> str:
        """What is to be said of breathing it at the surface, if anything."""
        said = f"ppO2 {self.surface_ppo2_bar:.2f} at the surface"
        if self.surface_ppo2_bar < self.where.least_ppo2(MINIMUM_PPO2_BAR):
            return f"{self.mix.name} is hypoxic at the surface ({said}): it takes a travel gas."
        if self.surface_ppo2_bar < self.where.least_ppo2(HYPOXIC_CAUTION_BAR):
            return f"{self.mix.name} is thin at the surface ({said})."
        return ""


@dataclass(frozen=True)
class MixChoice:
    """A mix, and what came of the whole plan with it. On a loop ppO2, END and density are the loop's."""

    mix: Mix
    verdict: Verdict
    ppo2_bar: float
    end_m: float
    density_g_l: float


@dataclass(frozen=True)
class MixAnswer:
    """The best bottom gas or diluent."""

    dive: Dive
    """With the best mix; the dive file's own if none holds."""
    depth_m: float
    listed: bool
    """Whether the mixes are those of [solve] gases; else it is the free one alone."""
    choices: tuple[MixChoice, ...]
    """Those that hold, the best first; then those that do not, the one that fails by least first."""
    free: FreeMix | None
    """None: no mix of oxygen, nitrogen and helium is within END and density at the depth."""
    lightest: Mix
    """The least dense mix within ppO2."""
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether a mix holds."""
        return bool(self.choices) and self.choices[0].verdict.holds

    @property
    def quickest(self) -> MixChoice | None:
        """The one with the shortest run time of those that hold."""
        holding = [choice for choice in self.choices if choice.verdict.holds]
        return min(holding, key=lambda choice: choice.verdict.run_time_min or 0.0, default=None)

    @property
    def nearest_miss(self) -> str:
        """Where no mix holds: what fails by least, in one sentence."""
        if self.found or not self.choices:
            return ""
        return nearest_miss(self.choices[0].mix.name, self.choices[0].verdict)


def best_mix(dive: Dive, source: str = "dive", told: Told | None = None) -> MixAnswer:
    """The best mix for the deepest level: of [solve] gases, among those with which everything holds, the one with the
    fewest cautions, then the shortest run time, then least helium, then most oxygen; without a list the one of
    `free_mix`."""
    tried = Tried(source, told)
    free = free_mix(dive)
    listed = tuple(dict.fromkeys(dive.solve.gases))
    lightest = _lightest(dive)
    sought = listed or ((free.mix,) if free is not None else (lightest,))
    choices, complete = [], True
    try:
        for mix in sought:
            found = tried(mix, lambda mix=mix: with_mix(dive, mix), mix.name)  # type: ignore[misc]
            choices.append(MixChoice(mix, found, *_breathed_at_depth(dive, mix)))
    except KeyboardInterrupt:
        complete = False
    holding = [choice for choice in choices if choice.verdict.holds]
    failing = [choice for choice in choices if not choice.verdict.holds]
    holding.sort(key=_preferred)
    failing.sort(key=lambda choice: (choice.verdict.nearness, choice.mix.he))
    best = with_mix(dive, holding[0].mix) if holding else dive
    return MixAnswer(
        best, dive.deepest_m, bool(listed), (*holding, *failing), free, lightest, complete, len(choices)
    )  # fmt: skip


def _preferred(choice: MixChoice) -> tuple[int, float, float, float]:
    found, mix = choice.verdict, choice.mix
    return len(found.cautions), found.run_time_min or 0.0, mix.he, -mix.o2


def with_mix(dive: Dive, mix: Mix) -> Dive:
    """A dive with another gas in every bottom cylinder or, on a loop, another diluent; every diver's in a team."""
    own = _loop_with(dive.loop, mix)
    team = tuple(
        diver.model_copy(
            update={
                "loop": _loop_with(diver.loop, mix),
                "cylinders": None if diver.cylinders is None else _refilled(diver.cylinders, mix),
            }
        )
        for diver in dive.team
    )
    old = {cylinder.gas for _, diver in divers(dive) for cylinder in diver.cylinders if cylinder.use == "bottom"}
    levels = tuple(
        Level.model_construct(depth=level.depth, leave_at=level.leave_at, gas=mix if level.gas in old else level.gas)
        for level in dive.levels
    )
    stops, breaks = dive.stops, dive.stops.oxygen_breaks
    if breaks is not None and breaks.gas in old:
        stops = stops.model_copy(update={"oxygen_breaks": breaks.model_copy(update={"gas": mix})})
    changed = {"loop": own, "cylinders": _refilled(dive.cylinders, mix), "levels": levels, "stops": stops, "team": team}
    return dive.model_copy(update=changed)


def _loop_with(loop: Loop | None, mix: Mix) -> Loop | None:
    return None if loop is None else loop.model_copy(update={"diluent": mix})


def _refilled(cylinders: Iterable[Cylinder], mix: Mix) -> tuple[Cylinder, ...]:
    return tuple(
        cylinder.model_copy(update={"gas": mix}) if cylinder.use in ("bottom", "diluent") else cylinder
        for cylinder in cylinders
    )


def free_mix(dive: Dive) -> FreeMix | None:
    """The richest whole percent of oxygen within ppO2 at the deepest level, then the least whole percent of helium
    within [limits] end and the recommended density; without any such, within the hard limit of density.

    Open circuit: ppO2 within [limits] ppo2_bottom as depth tables round. On a loop: also no richer than the setpoint,
    so that a flush can bring the loop down; END and density are the loop's. None if no mix is within END and density.
    """
    richest = _richest_percent(dive)
    hard_g_l = hard_density_g_l(dive)
    recommended_g_l = min(DENSITY_RECOMMENDED_G_L, hard_g_l)
    hard = _least_helium(dive, richest, hard_g_l)
    for o2 in range(richest, _leanest_percent(dive) - 1, -1):
        for limit_g_l in (recommended_g_l, hard_g_l) if o2 == richest else (recommended_g_l,):
            mix = _least_helium(dive, o2, limit_g_l)
            if mix is not None:
                ppo2_bar, end_m, density_g_l = _breathed_at_depth(dive, mix)
                return FreeMix(
                    mix=mix,
                    least_for=" and ".join(_broken_with_less(dive, mix, limit_g_l)),
                    hard=hard,
                    recommended=limit_g_l == recommended_g_l,
                    ppo2_bar=ppo2_bar,
                    end_m=end_m,
                    density_g_l=density_g_l,
                    where=dive.site.environment,
                )
    return None


def within_ppo2(dive: Dive, mix: Mix) -> bool:
    """Whether a mix is within the bottom limit of ppO2 at the deepest level and, as a diluent, the setpoint."""
    bar = dive.site.environment.pressure(dive.deepest_m)
    if mix.ppo2(bar) > dive.limits.ppo2_bottom + ROUNDING_BAR + 1e-9:
        return False
    loop = dive.loop
    return loop is None or Source(mix, 0.0).ppo2(bar) <= loop.setpoint + 1e-9


def _percent(o2: int, he: int = 0) -> Mix:
    return Mix.parse("oxygen" if o2 == 100 else f"{o2}/{he}" if he else f"{o2}")


def _richest_percent(dive: Dive) -> int:
    return max((o2 for o2 in range(1, 101) if within_ppo2(dive, _percent(o2))), default=1)


def _leanest_percent(dive: Dive) -> int:
    where = dive.site.environment
    least_bar, bar = where.least_ppo2(HYPOXIC_CAUTION_BAR), where.pressure(dive.deepest_m)
    return max(1, math.ceil(100.0 * least_bar / bar - 1e-9)) if dive.loop is None else 1


def _lightest(dive: Dive) -> Mix:
    o2 = _richest_percent(dive)
    return _percent(o2, min(99, 100 - o2))


def _breathed_at_depth(dive: Dive, mix: Mix) -> tuple[float, float, float]:
    """ppO2 [bar], END [m] and density [g/L] of a mix at the deepest level; on a loop of what is in the loop."""
    where = dive.site.environment
    bar = where.pressure(dive.deepest_m)
    source = Source(mix, dive.loop.setpoint if dive.loop is not None else None)
    breathed = source.inspired(bar)
    end_m = breathed.end(dive.deepest_m, where, oxygen_narcotic=dive.limits.oxygen_narcotic)
    return source.ppo2(bar), end_m, breathed.density(bar)


def _broken(dive: Dive, mix: Mix, density_limit_g_l: float) -> list[str]:
    """What of END and density a mix is over at the deepest level."""
    _, end_m, density_g_l = _breathed_at_depth(dive, mix)
    over = {
        "END": end_m > dive.limits.end_caution + END_TOLERANCE_M,
        "density": density_g_l > density_limit_g_l + DENSITY_TOLERANCE_G_L,
    }
    return [name for name, is_over in over.items() if is_over]


def _least_helium(dive: Dive, o2: int, density_limit_g_l: float) -> Mix | None:
    mixes = (_percent(o2, he) for he in range(min(99, 100 - o2) + 1))
    return next((mix for mix in mixes if not _broken(dive, mix, density_limit_g_l)), None)


def _broken_with_less(dive: Dive, mix: Mix, density_limit_g_l: float) -> list[str]:
    he = round(100.0 * mix.he)
    return _broken(dive, _percent(round(100.0 * mix.o2), he - 1), density_limit_g_l) if he else []
