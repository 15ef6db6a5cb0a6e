"""What is breathed where: the gas, or the loop and its setpoint, at every depth on the way down and up."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from leadline.dive_file.errors import DiveFileError, Problem, key_path
from leadline.dive_file.schema import OPEN_CIRCUIT_USES, Cylinder, Dive, Stops, SwitchDepths
from leadline.physics.environment import Environment
from leadline.physics.mix import WATER_VAPOUR_BAR, Mix
from leadline.tissue.kernel import OXYGEN
from leadline.units import SYSTEMS

GRID_TOLERANCE_BAR = 0.03
"""What a ppO2 limit gives way so that gases change on the stop grid: oxygen at 6 m or 20 ft."""
ROUNDING_BAR = 0.01
"""What depth tables round away: at 1.4 bar, 50 % is an 18 m gas and 28 % a 40 m gas (common practice, no source)."""
DENSITY_LIMIT_G_L = 6.2
"""Anthony & Mitchell 2016, Respiratory physiology of rebreather diving."""
MINIMUM_PPO2_BAR = 0.16
"""Below this a gas is not breathed at all (NOAA Diving Manual: hypoxia sets in); see Environment.least_ppo2."""
BREAK_PPO2_BAR = 0.21
"""A break from oxygen is taken on a gas of at least this where one is carried (common practice, no source)."""
WORTH_A_HANDOVER_BAR = 0.4
"""A mate is asked for a gas that gives so much more ppO2 than what is at hand, or else for none (our choice)."""
SEMI_CLOSED_PPO2_BAR = 0.21
"""Below this a semi-closed loop is left for open circuit (common practice, no source)."""

DEEPEST_GRID_M = 350.0
"""Deeper than any level: no gas change is looked for beyond it."""
NEXT_TO_NONE = 1e-9
"""A share of oxygen that makes no difference; the engine divides by it."""
ANY_DEPTH_M = 1e4
"""The depth of a way's first row: everything is shallower."""


@dataclass(frozen=True)
class Source:
    """What the diver breathes: a mix on open circuit, or on the loop, as diluent, at a setpoint [bar].

    `metabolised_bar` over 0: the loop is semi-closed, its oxygen gone, and fed with diluent alone; so much oxygen is
    used per litre of fresh gas at depth. `at_rest_bar` is that from the first stop on, where less is breathed.
    """

    mix: Mix
    setpoint_bar: float | None = None
    metabolised_bar: float = 0.0
    at_rest_bar: float = 0.0
    burnt_down: bool = False
    """Of a loop: at its setpoint also where the diluent alone is richer."""

    @property
    def circuit(self) -> str:
        """ "open", "closed" or "semi-closed"."""
        if self.metabolised_bar > 0.0:
            return "semi-closed"
        return "open" if self.setpoint_bar is None else "closed"

    @property
    def o2(self) -> float:
        """Oxygen of the gas, or of the diluent so far as it reaches the diver, 0 to 1."""
        return NEXT_TO_NONE if self.burnt_down else self.mix.o2

    @property
    def resting(self) -> Source:
        """The same from the first stop on."""
        return replace(self, metabolised_bar=self.at_rest_bar) if self.at_rest_bar > self.metabolised_bar else self

    def is_same(self, other: Source) -> bool:
        """Whether nothing is changed between the two: a loop at rest is the same loop."""
        return self.resting == other.resting

    def ppo2(self, bar: float) -> float:
        """ppO2 breathed at an ambient pressure; on the loop as the design's convention has it. [bar]"""
        if self.metabolised_bar > 0.0:
            m = self.metabolised_bar
            return bar * max(0.0, (bar * self.mix.o2 - m) / (bar - m)) if bar > m else 0.0
        if self.setpoint_bar is None:
            return self.mix.ppo2(bar)
        dry = bar - WATER_VAPOUR_BAR
        return min(dry, max(self.setpoint_bar, self.o2 * dry))

    def inspired(self, bar: float) -> Mix:
        """The mix in the loop, or the gas itself, as it is breathed at an ambient pressure."""
        if self.circuit == "open":
            return self.mix
        if self.metabolised_bar > 0.0:
            o2 = max(1e-6, self.ppo2(bar) / bar)
            return Mix(o2, (1.0 - o2) * self.mix.he_share)
        o2 = min(1.0, self.ppo2(bar) / (bar - WATER_VAPOUR_BAR))
        return Mix(o2, (1.0 - o2) * self.mix.he_share)

    @property
    def name(self) -> str:
        """As it is read on paper: "50 %", "loop 1.3", or "semi-closed 18/45"."""
        if self.metabolised_bar > 0.0:
            return f"semi-closed {self.mix.name}"
        return self.mix.name if self.setpoint_bar is None else f"loop {self.setpoint_bar:g}"


@dataclass(frozen=True)
class Step:
    """From this depth upwards, until a later step takes over, this source is breathed."""

    from_depth_m: float
    source: Source


Way = tuple[Step, ...]
"""Steps, deepest first."""


@dataclass(frozen=True)
class PpO2Limit:
    """A limit of ppO2."""

    name: str
    """As a refusal names it: "[limits] ppo2_deco"."""
    bar: float

    @classmethod
    def when_wrong(cls, dive: Dive) -> PpO2Limit:
        """When things go wrong the working limit gives way to that of the ascent."""
        bottom, deco = dive.limits.ppo2_bottom, dive.limits.ppo2_deco
        return cls("[limits] ppo2_deco", deco) if deco >= bottom else cls("[limits] ppo2_bottom", bottom)

    def allows(self, ppo2_bar: float) -> bool:
        """Whether a ppO2 is within it and the grid's tolerance. [bar]"""
        return ppo2_bar <= self.bar + GRID_TOLERANCE_BAR + 1e-9


HARD = PpO2Limit("the hard limit", 1.6)
"""Above this, tolerance aside, a gas is not breathed at all (NOAA: the end of the exposure table)."""


@dataclass(frozen=True)
class Gap:
    """Depths on a way up at which nothing fit to breathe is at hand. [m]"""

    from_m: float
    to_m: float
    """Where the next fit gas is reached; 0: there is none."""


@dataclass(frozen=True)
class Stretch:
    """What is breathed on the way to a level, at it, and on an ascent to the surface from it."""

    to: Way
    at: Source
    up: Way


def stretches(dive: Dive, source: str = "dive", wrong: bool = False) -> list[Stretch]:
    """What is breathed, level by level. `source` names the dive file in a DiveFileError: no gas fit to breathe.

    Nothing is breathed over `HARD`, nor over `Limit.when_wrong` where something has gone `wrong`; whether a plan is
    over the diver's own limits is for the findings.
    """
    _switches_within_limits(dive, source)
    limit = PpO2Limit.when_wrong(dive) if wrong else HARD
    return _on_the_loop(dive, source, limit) if dive.loop is not None else _on_open_circuit(dive, source, limit)


def deepest_within(gas: Mix, limit_bar: float, stops: Stops, where: Environment) -> float | None:
    """The deepest depth of the stop grid at which a gas is within a ppO2 limit. [m]

    The grid goes on below the dive: a gas that is usable deeper than a level is usable at the level.
    """
    grid_m = stops.depths_m(min(DEEPEST_GRID_M, max(stops.last, gas.mod(limit_bar, where)) + stops.step))
    return max((m for m in grid_m if m > 0.0 and gas.ppo2(where.pressure(m)) <= limit_bar), default=None)


def _light_enough(dive: Dive, gas: Mix, depth_m: float, others: Sequence[Step]) -> float:
    """A switch depth of a gas, moved up to where the gas is within the density limit: no further than what is breathed
    otherwise, of `others`, is lighter and carries life. [m]"""
    where = dive.site.environment
    limit_g_l = min(DENSITY_LIMIT_G_L, dive.limits.density_no_go)
    for at_m in sorted((one for one in dive.stops.depths_m(depth_m) if one > 0.0), reverse=True):
        bar = where.pressure(at_m)
        deeper = [step for step in others if step.from_depth_m >= at_m - 1e-6]
        other = min(deeper, key=lambda step: step.from_depth_m).source.mix if deeper else None
        if other is None or other.ppo2(bar) < where.least_ppo2(MINIMUM_PPO2_BAR):
            return depth_m
        depth_m = at_m
        if gas.density(bar) <= limit_g_l or other.density(bar) >= gas.density(bar):
            return depth_m
    return depth_m


def bailout_way(dive: Dive, given: Collection[str] = ()) -> Way:
    """What is breathed at every depth after leaving the loop, richest usable first. Empty: no bailout carried.

    Deeper than any gas is usable the way begins with the one that comes first: whether that is fit there, `gap` says.
    Cylinders `given` by mates are asked for where the diver's own are not fit, or they give WORTH_A_HANDOVER_BAR more.
    """
    steps = _bailout_steps(dive)
    shared = (Step(ANY_DEPTH_M, steps[0].source), *steps[1:]) if steps else ()
    carried = tuple(cylinder for cylinder in dive.cylinders if cylinder.name not in given)
    own = bailout_way(dive.model_copy(update={"cylinders": carried})) if given else ()
    return _own_where_it_does(dive, own, shared) if own and own != shared else shared


def _own_where_it_does(dive: Dive, own: Way, shared: Way) -> Way:
    """The way on a diver's own gases, or what is breathed already, as long as these are fit and what all share is not
    worth a handover."""
    limit, where = PpO2Limit.when_wrong(dive), dive.site.environment
    way = [shared[0]]
    for depth_m, above_m in pairwise(reversed(dive.stops.depths_m(DEEPEST_GRID_M))):
        bar, richest = where.pressure(depth_m), source_at(shared, depth_m)
        # Never back from a mate's gas to a leaner one of one's own.
        own_or_breathed = sorted((source_at(own, depth_m), way[-1].source), key=lambda one: -one.ppo2(bar))
        at_hand = (
            one
            for one in own_or_breathed
            if richest.ppo2(bar) < one.ppo2(bar) + WORTH_A_HANDOVER_BAR
            and all(is_fit(dive, one, at_m, limit) for at_m in (depth_m, above_m))
        )
        breathed = next(at_hand, richest)
        if breathed != way[-1].source:
            way.append(Step(depth_m, breathed))
    return tuple(way)


def _bailout_steps(dive: Dive) -> list[Step]:
    return _richest_usable(dive, [cylinder for cylinder in dive.cylinders if cylinder.use in OPEN_CIRCUIT_USES])


def gap(dive: Dive, way: Way, from_m: float) -> Gap | None:
    """The deepest stretch of a way up from a depth on which what the way says is not fit to breathe; None if all is."""
    limit = PpO2Limit.when_wrong(dive)
    depths_m = [from_m, *(d for d in reversed(dive.stops.depths_m(from_m)) if d < from_m - 1e-6)]
    unfit_from: float | None = None
    for depth_m, above_m in pairwise(depths_m):
        breathed = source_at(way, 0.5 * (depth_m + above_m)) if way else None
        fit = breathed is not None and all(is_fit(dive, breathed, d, limit) for d in (depth_m, above_m))
        if not fit and unfit_from is None:
            unfit_from = depth_m
        elif fit and unfit_from is not None:
            return Gap(unfit_from, depth_m)
    return None if unfit_from is None else Gap(unfit_from, 0.0)


def is_fit(dive: Dive, source: Source, depth_m: float, limit: PpO2Limit) -> bool:
    """Whether a source keeps a diver awake at a depth, and is within a limit of ppO2 there. A semi-closed loop is held
    to it at rest, at any depth: where the first stop will be is not known beforehand."""
    ppo2_bar = source.resting.ppo2(dive.site.environment.pressure(depth_m))
    least = dive.site.environment.least_ppo2(MINIMUM_PPO2_BAR)
    if source.circuit == "semi-closed":
        least = SEMI_CLOSED_PPO2_BAR
    return ppo2_bar >= least - 1e-9 and limit.allows(ppo2_bar)


def way_up(dive: Dive, at: Mix) -> Way:
    """What is breathed on an ascent on open circuit from a level where `at` is breathed."""
    breathed = [cylinder for cylinder in dive.cylinders if cylinder.use in ("bottom", "travel", "deco")]
    return (Step(ANY_DEPTH_M, Source(at)), *_richest_usable(dive, breathed, at))


def semi_closed_way(dive: Dive, given: Collection[str] = ()) -> Way:
    """What is breathed on the way up with the loop's oxygen gone: the loop, semi-closed on diluent, up to the depth
    where a richer gas than the diluent is usable or the loop falls below SEMI_CLOSED_PPO2_BAR; from there bailout."""
    assert dive.loop is not None
    where, loop = dive.site.environment, dive.loop
    used_bar = loop.metabolic_oxygen * loop.semi_closed
    rmv_bottom, at_rest = dive.diver.rmv_bottom, min(dive.diver.rmv_bottom, dive.diver.rmv_deco)
    source = Source(loop.diluent, None, used_bar / rmv_bottom, used_bar / at_rest)
    off = bailout_way(dive, given)
    richer = [step.from_depth_m for step in _bailout_steps(dive) if step.source.mix.o2 > loop.diluent.o2]
    leaves_m = max(richer, default=0.0)
    if off:
        # Left at the last depth that is not thin: on the way to the next one it would fall below.
        grid_m = dive.stops.depths_m(dive.deepest_m)
        thin = [depth_m for depth_m in grid_m if source.resting.ppo2(where.pressure(depth_m)) < SEMI_CLOSED_PPO2_BAR]
        fit = [depth_m for depth_m in grid_m if depth_m > max(thin, default=-1.0)]
        if thin:
            leaves_m = max(leaves_m, min(fit, default=ANY_DEPTH_M))
    way = [Step(ANY_DEPTH_M, source)]
    if leaves_m > 0.0:
        way.append(Step(leaves_m, source_at(off, leaves_m)))
    return (*way, *(step for step in off if step.from_depth_m < leaves_m - 1e-6))


def break_source(dive: Dive, source: str = "dive") -> Source | None:
    """What is breathed in an oxygen break: the diver's choice, or the leanest gas carried that is no thinner than air
    at the last stop, else the richest. None on the loop. `source` names the dive file in a DiveFileError."""
    breaks = dive.stops.oxygen_breaks
    if breaks is None or dive.loop is not None:
        return None
    where = dive.site.environment
    bar, least_bar = where.pressure(dive.stops.last), where.least_ppo2(MINIMUM_PPO2_BAR)
    if breaks.gas is not None:
        _within_limits(
            dive, source, Source(breaks.gas), dive.stops.last, key_path("stops", "oxygen_breaks", "gas"), HARD
        )
        return Source(breaks.gas)
    carried = [c.gas for c in dive.cylinders if c.use in ("bottom", "travel", "deco")]
    breathable = [gas for gas in carried if gas.ppo2(bar) >= least_bar and gas.o2 < OXYGEN]
    if not breathable:
        last = SYSTEMS[dive.units].at(dive.stops.last)
        said = f"no gas carried can be breathed in an oxygen break at {last}: all are oxygen, or hypoxic there"
        raise DiveFileError(source, [Problem("[stops] oxygen_breaks", f"{said}; carry one, or leave the breaks out")])
    rich = [gas for gas in breathable if gas.ppo2(bar) >= where.least_ppo2(BREAK_PPO2_BAR)]
    return Source(min(rich, key=lambda gas: gas.o2) if rich else max(breathable, key=lambda gas: gas.o2))


def break_source_if_any(dive: Dive) -> Source | None:
    """What is breathed in an oxygen break; without a gas for it there are none."""
    try:
        return break_source(dive)
    except DiveFileError:
        return None


def _richest_usable(dive: Dive, cylinders: Iterable[Cylinder], at: Mix | None = None) -> list[Step]:
    """One step a gas, deepest first, each richer in oxygen than the one before it, and than what is breathed `at` the
    level. The first gas off a loop, where there is nothing else, is not moved by its density."""
    where = dive.site.environment
    found: list[tuple[float, Mix, bool]] = []
    for cylinder in cylinders:
        own_m = cylinder.switch_up
        depth_m = own_m or deepest_within(cylinder.gas, _limit(dive, cylinder), dive.stops, where)
        if depth_m is not None:
            found.append((depth_m, cylinder.gas, own_m is not None))
    others = [Step(ANY_DEPTH_M, Source(at))] if at is not None else []
    steps: list[Step] = []
    for depth_m, gas, is_own in _each_richer(found, at):
        at_m = depth_m if is_own else _light_enough(dive, gas, depth_m, [*others, *steps])
        steps.append(Step(at_m, Source(gas)))
    moved = [(step.from_depth_m, step.source.mix, True) for step in steps]
    return [Step(depth_m, Source(gas)) for depth_m, gas, _ in _each_richer(moved, at)]


def _each_richer(found: Iterable[tuple[float, Mix, bool]], at: Mix | None) -> Iterator[tuple[float, Mix, bool]]:
    """Gases with their switch depths, the deepest first, without those that are no richer than one before them."""
    richest = at.o2 if at is not None else 0.0
    for one in sorted(found, key=lambda each: (-each[0], -each[1].o2)):
        if one[1].o2 > richest + 1e-9:
            yield one
            richest = one[1].o2


def _limit(dive: Dive, cylinder: Cylinder) -> float:
    """The ppO2 within which a gas is changed to on the way up: a bottom gas is held to the bottom limit there too."""
    if cylinder.use == "bottom" and dive.loop is None:
        return dive.limits.ppo2_bottom + ROUNDING_BAR
    return dive.limits.ppo2_deco + GRID_TOLERANCE_BAR


# --- Open circuit -----------------------------------------------------------------------------------------------------


def _on_open_circuit(dive: Dive, source: str, limit: PpO2Limit) -> list[Stretch]:
    found: list[Stretch] = []
    before: Source | None = None
    for i, level in enumerate(dive.levels):
        at = Source(level.gas if level.gas is not None else _bottom_gas(dive, level.depth))
        _within_limits(dive, source, at, level.depth, key_path("levels", i, "depth"), limit)
        if before is None:
            to = (Step(ANY_DEPTH_M, at), *_travel(dive, at.mix))
        elif level.depth > dive.levels[i - 1].depth:
            to = (Step(ANY_DEPTH_M, at),)
        else:
            to = (Step(ANY_DEPTH_M, before),)
        found.append(Stretch(to, at, way_up(dive, at.mix)))
        before = at
    depth_m = 0.0
    for i, (stretch, level) in enumerate(zip(found, dive.levels, strict=True)):
        _never_hypoxic(dive, source, stretch.to, min(depth_m, level.depth), f"to level {i + 1}" if i else "down")
        depth_m = level.depth
    _never_hypoxic(dive, source, found[-1].up, 0.0, "up")
    return found


def _bottom_gas(dive: Dive, depth_m: float) -> Mix:
    """The richest bottom gas within the bottom limit at a depth; if there is none, the leanest."""
    bar = dive.site.environment.pressure(depth_m)
    gases = [cylinder.gas for cylinder in dive.cylinders if cylinder.use == "bottom"]
    usable = [gas for gas in gases if gas.ppo2(bar) <= dive.limits.ppo2_bottom + ROUNDING_BAR]
    return max(usable, key=lambda gas: gas.o2) if usable else min(gases, key=lambda gas: gas.o2)


def _travel(dive: Dive, bottom: Mix) -> list[Step]:
    """Travel gases on the way down, each as deep as the bottom limit and its density let it."""
    where, limit_bar = dive.site.environment, dive.limits.ppo2_bottom + ROUNDING_BAR
    found: list[tuple[float, Mix, bool]] = []
    for cylinder in dive.cylinders:
        if cylinder.use == "travel" and cylinder.gas != bottom:
            own_m = cylinder.switch_down
            depth_m = own_m or deepest_within(cylinder.gas, limit_bar, dive.stops, where)
            if depth_m is not None:
                found.append((depth_m, cylinder.gas, own_m is not None))
    steps: list[Step] = []
    for depth_m, gas, is_own in sorted(found, key=lambda each: (-each[0], each[1].o2)):
        others = [Step(ANY_DEPTH_M, Source(bottom)), *steps]
        steps.append(Step(depth_m if is_own else _light_enough(dive, gas, depth_m, others), Source(gas)))
    return sorted(steps, key=lambda step: (-step.from_depth_m, step.source.mix.o2))


def _switches_within_limits(dive: Dive, source: str) -> None:
    """A switch depth of the diver's own must be on the stop grid and within the limits of any gas."""
    for i, cylinder in enumerate(dive.cylinders):
        for direction, own_m in {"down": cylinder.switch_down, "up": cylinder.switch_up}.items():
            if own_m is None:
                continue
            apart = (direction,) if isinstance(cylinder.switch_depth, SwitchDepths) else ()
            key = key_path("cylinders", i, "switch_depth", *apart)
            grid_m = dive.stops.depths_m(DEEPEST_GRID_M)
            if not any(abs(own_m - depth_m) < 1e-6 for depth_m in grid_m):
                system = SYSTEMS[dive.units]
                nearest = min(grid_m[1:], key=lambda depth_m: abs(depth_m - own_m))
                said = f"{system.at(own_m)} is not on the stop grid"
                raise DiveFileError(source, [Problem(key, f"{said}; nearest is {system.at(nearest)}")])
            _within_limits(dive, source, Source(cylinder.gas), own_m, key, HARD)


def _within_limits(dive: Dive, source: str, breathed: Source, depth_m: float, key: str, limit: PpO2Limit) -> None:
    """Refuse what nobody breathes at a depth."""
    where, system = dive.site.environment, SYSTEMS[dive.units]
    ppo2_bar = breathed.ppo2(where.pressure(depth_m))
    gas = breathed.mix
    at = f"{breathed.name} at {system.at(depth_m)} is"
    if not limit.allows(ppo2_bar):
        over = "hyperoxic: ppO2" if limit == HARD else f"over the ppO2 limit, {limit.name} {limit.bar:g}:"
        mod = f"its depth limit at {limit.bar:g} is {system.at(gas.mod(limit.bar, where))}"
        raise DiveFileError(source, [Problem(key, f"{at} {over} {ppo2_bar:.2f} bar, {mod}; choose a leaner gas")])
    least_bar = where.least_ppo2(MINIMUM_PPO2_BAR)
    if ppo2_bar < least_bar:
        said = f"{at} hypoxic: ppO2 {ppo2_bar:.2f} bar, at least {least_bar:.2f} keeps a diver awake"
        raise DiveFileError(source, [Problem(key, f"{said}; choose a richer gas")])


def _never_hypoxic(dive: Dive, source: str, way: Way, top_m: float, direction: str) -> None:
    """Refuse a way, dived as far up as `top_m`, on which a gas is breathed shallower than it carries life."""
    where, system = dive.site.environment, SYSTEMS[dive.units]
    least_bar = where.least_ppo2(MINIMUM_PPO2_BAR)
    for step, above in zip(way, (*way[1:], None), strict=True):
        shallowest_m = max(top_m, above.from_depth_m) if above is not None else top_m
        ppo2_bar = step.source.ppo2(where.pressure(shallowest_m))
        if ppo2_bar < least_bar:
            breathable = where.depth(least_bar / step.source.mix.o2)
            raise DiveFileError(
                source,
                [
                    Problem(
                        "[[cylinders]]",
                        f"no breathable gas on the way {direction} at {system.depth(shallowest_m)} "
                        f"{system.depth_unit}: {step.source.mix.name} is hypoxic there (ppO2 {ppo2_bar:.2f} bar, "
                        f"least {least_bar:.2f}), breathable only below {system.depth(breathable)} "
                        f"{system.depth_unit}; "
                        + ("add a richer deco gas" if direction == "up" else 'add a cylinder with use = "travel"'),
                    )
                ],
            )


# --- The loop ---------------------------------------------------------------------------------------------------------


def _on_the_loop(dive: Dive, source: str, limit: PpO2Limit) -> list[Stretch]:
    """On the loop only the setpoint changes: by the way-down depths until the deepest level is left, then by the
    way-up depths."""
    loop, where = dive.loop, dive.site.environment
    assert loop is not None
    high = Source(loop.diluent, loop.setpoint, burnt_down=loop.burnt_down)
    down: list[Step] = [Step(ANY_DEPTH_M, high)]
    up: list[Step] = [Step(ANY_DEPTH_M, high)]
    if loop.deco_from is not None:
        up.append(Step(loop.deco_from, Source(loop.diluent, loop.deco_setpoint)))
    if loop.high_from is not None:
        low = Source(loop.diluent, loop.low_setpoint)
        down.append(Step(loop.high_from, low))
        if loop.low_from is not None:
            up.append(Step(loop.low_from, low))
    deepest = max(range(len(dive.levels)), key=lambda i: dive.levels[i].depth)
    found = []
    for i, level in enumerate(dive.levels):
        way = tuple(down if i <= deepest else up)
        # A level on the very depth of a change has changed.
        arrived_m = level.depth + 1e-3 if i <= deepest else level.depth
        at = source_at(way, arrived_m)
        key = key_path("levels", i, "depth")
        if not limit.allows(loop.diluent.ppo2(where.pressure(level.depth))):  # what a flush brings the loop to
            _within_limits(dive, source, Source(loop.diluent), level.depth, key, limit)
        _within_limits(dive, source, at, level.depth, key, limit)
        found.append(Stretch(way, at, tuple(up)))
    return found


def source_at(way: Way, depth_m: float) -> Source:
    """The source breathed at a depth on a way."""
    return [step for step in way if step.from_depth_m >= depth_m - 1e-6][-1].source
