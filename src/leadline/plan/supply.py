"""How much gas the dive takes, cylinder by cylinder, and what is left.

Open circuit: RMV times ambient pressure times minutes, in free litres (1 bar). Cylinders of one mix share what is drawn
in proportion to what each can give. Loop: oxygen as the diver burns it, diluent to fill the loop on each descent, to
flush it, and to feed it when it is semi-closed. Drysuit and wing are filled on each descent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leadline.dive_file.schema import OPEN_CIRCUIT_USES, Cylinder, Dive, Use
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres, pressure_at, pressure_of
from leadline.plan.findings import Finding
from leadline.plan.schedule import Leg
from leadline.units import PSI_BAR, RatedCubicFeet

STRESS = 1.5
"""RMV in a bailout, of the bottom RMV, if the diver does not say. Common practice, no source."""

Array = NDArray[Any]
Rmv = Callable[[Leg], float]
"""How much is breathed on a leg, on open circuit. [L/min]"""


@dataclass(frozen=True)
class LegUse:
    """What one leg of the dive takes from a cylinder. [free litres]"""

    start_min: float
    end_min: float
    start_m: float
    end_m: float
    litres: float

    @property
    def depth_m(self) -> float:
        """The mean."""
        return 0.5 * (self.start_m + self.end_m)

    def part(self, share: float) -> LegUse:
        """A share of it."""
        return replace(self, litres=self.litres * share)

    def depth_at(self, run_time_min: float) -> float:
        """Depth at a run time. [m]"""
        share = (run_time_min - self.start_min) / max(self.end_min - self.start_min, 1e-9)
        return self.start_m + min(max(share, 0.0), 1.0) * (self.end_m - self.start_m)


@dataclass(frozen=True)
class CylinderUse:
    """A cylinder over the dive. Litres are free litres (1 bar); content is real gas at the water's temperature."""

    name: str
    mix: Mix
    use: str
    start_bar: float
    """In the water: a warm fill has cooled."""
    water_l: float
    celsius: float
    content_l: float
    reserve_bar: float
    usable_l: float
    """Above the reserve."""
    used_l: float
    legs: tuple[LegUse, ...]
    """What is breathed from it, or feeds the loop or the suit."""

    @property
    def short_l(self) -> float:
        """What is missing to finish with the reserve intact; 0 if nothing is. [free litres]"""
        return max(0.0, self.used_l - self.usable_l)

    @property
    def missing_l(self) -> float:
        """What is asked beyond all that it holds; 0 if nothing is. [free litres]"""
        return max(0.0, self.used_l - self.content_l)

    @property
    def left_bar(self) -> float:
        """At the surface; 0 if more is asked than it holds."""
        return self._bar(self.used_l)

    def used_by(self, run_times_min: ArrayLike) -> Array:
        """What has been taken from it by run times. [free litres]"""
        times = np.asarray(run_times_min, dtype=float)
        used = np.zeros(times.shape)
        for use in self.legs:
            minutes = use.end_min - use.start_min
            share = np.clip((times - use.start_min) / minutes, 0.0, 1.0) if minutes > 0.0 else times >= use.start_min
            used += use.litres * share
        return used

    def bar_at(self, run_time_min: float) -> float:
        """The pressure at a run time; 0 once more has been asked than it holds. [bar]"""
        return self._bar(float(self.used_by(run_time_min)))

    def bars_at(self, run_times_min: ArrayLike) -> list[float]:
        """The pressures at many run times. [bar]"""
        return [self._bar(used_l) for used_l in self.used_by(run_times_min).tolist()]

    def reaches(self, used_l: float) -> tuple[float, float] | None:
        """When and where so much has been used: run time [min] and depth [m]; None if it never is."""
        times = sorted({moment for use in self.legs for moment in (use.start_min, use.end_min)})
        used = self.used_by(times)
        later = np.flatnonzero(used > used_l + 1e-9)  # one that is down to it, and drawn on later, goes on from there
        if len(later) == 0:
            return None
        i = max(int(later[0]), 1)
        share = (used_l - used[i - 1]) / (used[i] - used[i - 1])
        at_min = float(times[i - 1] + max(0.0, share) * (times[i] - times[i - 1]))
        drawn = (use for use in self.legs if use.start_min - 1e-9 <= at_min <= use.end_min + 1e-9)
        return at_min, next(drawn).depth_at(at_min)

    def _bar(self, used_l: float) -> float:
        if used_l == 0.0:
            return self.start_bar
        return pressure_of(self.mix, self.water_l, max(0.0, self.content_l - used_l), self.celsius)


@dataclass(frozen=True)
class LoopUse:
    """What the loop takes over the dive. [free litres, min]"""

    oxygen_l: float
    diluent_l: float
    minutes: float
    scrubber_min: float | None


def reserve(dive: Dive, cylinder: Cylinder) -> float:
    """The pressure that is not planned to be breathed: the diver's own, or the common one. [bar]"""
    if cylinder.reserve is not None:
        return cylinder.reserve
    on_a_loop_dive = dive.loop is not None
    if dive.units == "imperial":
        return (300.0 if on_a_loop_dive else 700.0) * PSI_BAR
    return 20.0 if on_a_loop_dive else 50.0


def start_bar(dive: Dive, cylinder: Cylinder) -> float:
    """Pressure of a cylinder in the water: as it was read, or cooled from where it was read. [bar]"""
    filled_at = dive.gas.fill_temperature
    if filled_at is None:
        return cylinder.pressure
    return pressure_at(cylinder.gas, cylinder.pressure, filled_at, dive.site.temperature)


def planned_rmv(dive: Dive) -> Rmv:
    """RMV by leg: the deco RMV on the way up from the first stop on, the bottom RMV everywhere else. [L/min]"""

    def breathed(leg: Leg) -> float:
        decompressing = leg.after_first_stop and leg.kind in ("ascent", "stop")
        return dive.diver.rmv_deco if decompressing else dive.diver.rmv_bottom

    return breathed


def stressed_rmv(dive: Dive) -> float:
    """RMV in a bailout, until the stress is over. [L/min]"""
    return dive.diver.rmv_stressed if dive.diver.rmv_stressed is not None else STRESS * dive.diver.rmv_bottom


def calm_rmv(dive: Dive) -> float:
    """RMV in a bailout once the stress is over. [L/min]"""
    return dive.diver.rmv_bailout if dive.diver.rmv_bailout is not None else dive.diver.rmv_bottom


def cylinder_use(
    dive: Dive, legs: Sequence[Leg], rmv: Rmv | None = None, given: Sequence[str] = (),
    lost: tuple[str, float] | None = None, shared: Iterable[tuple[Leg, float]] = (),
) -> tuple[tuple[CylinderUse, ...], LoopUse | None]:  # fmt: skip
    """Every cylinder over a dive, in the order of the dive file, and what the loop takes.

    `rmv`: the planned one if not said. Cylinders `given` by mates are breathed once the diver's own are down to their
    reserves; `shared` are the legs of a mate on the diver's gas, with his RMV. A cylinder `lost` at a run time [min] is
    drawn on until then alone, and left out of what is found.
    """
    rmv = rmv if rmv is not None else planned_rmv(dive)
    pools = [*_open_circuit(dive, legs, rmv, given, shared), *_inflation(dive, legs)]
    if lost is not None:
        pools = [part for pool in pools for part in _without(pool, *lost)]
    loop = None
    if dive.loop is not None:
        oxygen, diluent = _fed(dive, legs, rmv)
        pools += [(_used_for(dive, "oxygen"), oxygen), (_used_for(dive, "diluent"), diluent)]
        loop = LoopUse(
            oxygen_l=sum(use.litres for use in oxygen),
            diluent_l=sum(use.litres for use in diluent),
            minutes=sum(leg.minutes for leg in legs if leg.source.circuit != "open"),
            scrubber_min=dive.loop.scrubber,
        )
    drawn: dict[str, list[LegUse]] = {cylinder.name: [] for cylinder in dive.cylinders}
    for cylinders, uses in _together(pools):
        spent_l = [sum(use.litres for use in drawn[cylinder.name]) for cylinder in cylinders]
        shares = _shares(dive, cylinders, spent_l, sum(use.litres for use in uses))
        for cylinder, share in zip(cylinders, shares, strict=True):
            drawn[cylinder.name] += uses if share == 1.0 else [use.part(share) for use in uses]
    left = [cylinder for cylinder in dive.cylinders if lost is None or cylinder.name != lost[0]]
    return tuple(_cylinder_use(dive, cylinder, drawn[cylinder.name]) for cylinder in left), loop


Pool = tuple[list[Cylinder], list[LegUse]]
"""Cylinders that are drawn on together, and what is drawn."""


def _without(pool: Pool, lost: str, from_min: float) -> list[Pool]:
    """A pool that loses a cylinder at a run time. No use of it goes on over that."""
    cylinders, uses = pool
    rest = [cylinder for cylinder in cylinders if cylinder.name != lost]
    before = [use for use in uses if use.start_min < from_min - 1e-6]
    return [(cylinders, before), (rest, [use for use in uses if use.start_min >= from_min - 1e-6])]


def _together(pools: Iterable[Pool]) -> list[Pool]:
    """Pools of the same cylinders as one, so that they are shared as one."""
    found: dict[tuple[str, ...], Pool] = {}
    for cylinders, uses in pools:
        names = tuple(cylinder.name for cylinder in cylinders)
        found[names] = (cylinders, [*found[names][1], *uses] if names in found else uses)
    return list(found.values())


def _open_circuit(
    dive: Dive, legs: Iterable[Leg], rmv: Rmv, given: Sequence[str], shared: Iterable[tuple[Leg, float]] = ()
) -> list[Pool]:  # fmt: skip
    drawn: dict[Mix, list[LegUse]] = {}
    every = [*((leg, rmv(leg)) for leg in legs if leg.source.circuit == "open"), *shared]
    for leg, rmv_l_min in sorted(every, key=lambda one: one[0].start_min):
        drawn.setdefault(leg.source.mix, []).append(_breathed(dive, leg, rmv_l_min))
    pools: list[Pool] = []
    for mix, uses in drawn.items():
        alike = [cylinder for cylinder in open_circuit_cylinders(dive) if cylinder.gas == mix]
        mates_give = any(cylinder.name in given for cylinder in alike)
        if not mates_give:
            pools.append((alike, uses))
            continue
        # A diver's own first, then what mates give, one cylinder after the other, the fullest first: down to the
        # reserves, and then in the same order to the last. What is asked beyond that is asked of the last.
        own = [cylinder for cylinder in alike if cylinder.name not in given]
        turns = [own, *([c] for c in sorted(alike, key=lambda c: -usable(dive, c)) if c.name in given)]
        above = [[usable(dive, cylinder) for cylinder in turn] for turn in turns]
        below = [[content(dive, c) - usable(dive, c) for c in turn] for turn in turns]
        for turn, litres in (*zip(turns, above, strict=True), *zip(turns, below, strict=True)):
            first, uses = _split(uses, sum(litres))
            for cylinder, share in zip(turn, _parts(litres), strict=True):
                pools.append(([cylinder], [use.part(share) for use in first]))
        pools.append((turns[-1], uses))
    return pools


def _split(uses: Iterable[LegUse], litres: float) -> tuple[list[LegUse], list[LegUse]]:
    """The first so many litres of what is drawn, and the rest."""
    first, then = list[LegUse](), list[LegUse]()
    for use in uses:
        part = min(use.litres, litres)
        at_min = use.start_min + (use.end_min - use.start_min) * (part / use.litres if use.litres > 0.0 else 1.0)
        if part > 0.0:
            first.append(replace(use, end_min=at_min, end_m=use.depth_at(at_min), litres=part))
        if use.litres > part:
            then.append(replace(use, start_min=at_min, start_m=use.depth_at(at_min), litres=use.litres - part))
        litres -= part
    return first, then


def _inflation(dive: Dive, legs: Iterable[Leg]) -> list[Pool]:
    """What drysuit and wing take on the way down: from inflation cylinders, else the diluent or the bottom gas."""
    volume_l = (dive.gas.drysuit or 0.0) + (dive.gas.wing or 0.0)
    alike = inflation_cylinders(dive)
    if volume_l == 0.0 or not alike:
        return []
    return [(alike, [_filled(dive, leg, volume_l) for leg in legs if leg.end_m > leg.start_m])]


def inflation_cylinders(dive: Dive) -> list[Cylinder]:
    """The cylinders that drysuit and wing are filled from."""
    feeding = _used_for(dive, "inflation") or _used_for(dive, "bottom" if dive.loop is None else "diluent")
    return [cylinder for cylinder in feeding if cylinder.gas == feeding[0].gas]


def _fed(dive: Dive, legs: Iterable[Leg], rmv: Rmv) -> tuple[list[LegUse], list[LegUse]]:
    """What the loop takes of oxygen and of diluent: the first as it is burnt, the second to fill, flush and feed it."""
    assert dive.loop is not None
    loop, oxygen, diluent = dive.loop, list[LegUse](), list[LegUse]()
    flushed = -1
    for leg in legs:
        if leg.source.circuit == "semi-closed":
            diluent.append(_breathed(dive, leg, rmv(leg) / loop.semi_closed))
        if leg.source.circuit != "closed":
            continue
        burnt_l = loop.metabolic_oxygen * leg.minutes
        oxygen.append(LegUse(leg.start_min, leg.end_min, leg.start_m, leg.end_m, burnt_l))
        if leg.end_m > leg.start_m:
            diluent.append(_filled(dive, leg, loop.volume))
        if leg.kind == "level" and leg.level != flushed:
            flushed = leg.level
            litres = (loop.flushes or 0.0) * loop.volume * dive.site.environment.pressure(leg.start_m)
            diluent.append(LegUse(leg.start_min, leg.end_min, leg.start_m, leg.start_m, litres))
    return oxygen, diluent


def _breathed(dive: Dive, leg: Leg, rmv_l_min: float) -> LegUse:
    depth_m = 0.5 * (leg.start_m + leg.end_m)
    litres = rmv_l_min * dive.site.environment.pressure(depth_m) * leg.minutes
    return LegUse(leg.start_min, leg.end_min, leg.start_m, leg.end_m, litres)


def _filled(dive: Dive, leg: Leg, volume_l: float) -> LegUse:
    """To keep a volume filled on the way down."""
    where = dive.site.environment
    litres = volume_l * (where.pressure(leg.end_m) - where.pressure(leg.start_m))
    return LegUse(leg.start_min, leg.end_min, leg.start_m, leg.end_m, litres)


def judge(dive: Dive, cylinders: Sequence[CylinderUse], loop: LoopUse | None) -> list[Finding]:
    """Gas short is a no-go; so is a scrubber past its rated time. What is not counted is said."""
    found = [finding for use in cylinders if (finding := short_of_gas(use)) is not None]
    for use in cylinders if dive.loop is None else ():
        if use.used_l <= 0.0 and use.use != "inflation":
            found.append(Finding("not-planned", "note", {"cylinder": use.name, "mix": use.mix.name}))
    bottom = [use for use in cylinders if use.use == "bottom" and use.used_l > 0.0]
    joined = {cylinder.name for cylinder in dive.cylinders if cylinder.manifold}
    alone = [use.name for use in bottom if use.name not in joined and sum(o.mix == use.mix for o in bottom) == 1]
    if dive.loop is None and len(bottom) > 1 and alone:
        found.append(Finding("bottom-loss-unplanned", "caution", {"cylinders": tuple(alone)}))
    if any(isinstance(cylinder.size, RatedCubicFeet) for cylinder in dive.cylinders):
        found.append(Finding("rated-size", "note"))
    read = {cylinder.name: cylinder.pressure for cylinder in dive.cylinders}
    fills = [(use.name, read[use.name], use.start_bar) for use in cylinders if use.name in read]
    cooled = tuple(one for one in fills if abs(one[2] - one[1]) > 0.5)
    if dive.gas.fill_temperature is not None and cooled:
        found.append(Finding("fill-temperature", "note", {"fills": cooled}))
    uncounted = {
        "drysuit": dive.gas.drysuit is None, "wing": dive.gas.wing is None,
        "flushes": dive.loop is not None and dive.loop.flushes is None,
    }  # fmt: skip
    if any(uncounted.values()):
        what = tuple(name for name, missing in uncounted.items() if missing)
        found.append(Finding("gas-uncounted", "note", {"what": what}))
    if loop is None:
        return found
    for feeding, litres in (("oxygen", loop.oxygen_l), ("diluent", loop.diluent_l)):
        if not any(cylinder.use == feeding for cylinder in dive.cylinders):
            found.append(Finding(f"{feeding}-unchecked", "caution", {"needed_l": litres}))
    return [*found, *scrubber(dive, loop)]


def scrubber(dive: Dive, loop: LoopUse) -> list[Finding]:
    """The time on the loop against the scrubber's."""
    if loop.scrubber_min is None:
        return [Finding("scrubber-unchecked", "note")]
    limits, percent = dive.limits, 100.0 * loop.minutes / loop.scrubber_min
    if percent <= limits.scrubber_caution:
        return []
    over, rated = percent > limits.scrubber_no_go, percent > 100.0
    limit, key = (limits.scrubber_no_go, "scrubber_no_go") if over else (limits.scrubber_caution, "scrubber_caution")
    values = {
        "minutes": loop.minutes, "rated_min": loop.scrubber_min, "limit_percent": limit, "key": f"[limits] {key}"
    }  # fmt: skip
    return [Finding("scrubber", "no-go" if over else "caution", values, grave=over or rated)]


def short_of_gas(use: CylinderUse) -> Finding | None:
    """The no-go of a cylinder that does not last with its reserve intact."""
    if use.short_l <= 1e-6:
        return None
    values = {
        "cylinder": use.name, "mix": use.mix.name, "short_l": use.short_l, "needed_l": use.used_l,
        "usable_l": use.usable_l, "content_l": use.content_l, "reserve_bar": use.reserve_bar,
    }  # fmt: skip
    return Finding("gas-short", "no-go", values, *(use.reaches(use.usable_l) or (None, None)))


def open_circuit_cylinders(dive: Dive) -> list[Cylinder]:
    """The cylinders a diver breathes from on open circuit. Without a loop there is nothing to bail out from."""
    uses = OPEN_CIRCUIT_USES if dive.loop is not None else ("bottom", "travel", "deco")
    return [cylinder for cylinder in dive.cylinders if cylinder.use in uses]


def content(dive: Dive, cylinder: Cylinder, bar: float | None = None) -> float:
    """What a cylinder holds in the water, as it goes in or at a pressure. [free litres]"""
    bar = bar if bar is not None else start_bar(dive, cylinder)
    return free_litres(cylinder.gas, cylinder.water_l, bar, dive.site.temperature)


def usable(dive: Dive, cylinder: Cylinder) -> float:
    """What a cylinder can give above its reserve. [free litres]"""
    full = start_bar(dive, cylinder)
    return content(dive, cylinder) - content(dive, cylinder, min(reserve(dive, cylinder), full))


def _used_for(dive: Dive, use: Use) -> list[Cylinder]:
    return [cylinder for cylinder in dive.cylinders if cylinder.use == use]


def _shares(dive: Dive, alike: Sequence[Cylinder], spent_l: Sequence[float], litres: float) -> list[float]:
    """Each cylinder's part of what is drawn from all that are alike, after what each has already given.

    By what each can give above its reserve, evenly if none can; what is asked beyond that by what their reserves hold;
    what is asked beyond their content, by the content.
    """
    usable_l = [max(0.0, usable(dive, c) - spent) for c, spent in zip(alike, spent_l, strict=True)]
    content_l = [max(0.0, content(dive, c) - spent) for c, spent in zip(alike, spent_l, strict=True)]
    if not alike or litres <= sum(usable_l) or litres == 0.0:
        return _parts(usable_l)
    if litres >= sum(content_l):
        return _parts(content_l)
    into_reserves = (litres - sum(usable_l)) / (sum(content_l) - sum(usable_l))
    return [(u + into_reserves * (c - u)) / litres for u, c in zip(usable_l, content_l, strict=True)]


def _parts(litres: Sequence[float]) -> list[float]:
    together = sum(litres)
    return [part / together if together > 0.0 else 1.0 / len(litres) for part in litres]


def _cylinder_use(dive: Dive, cylinder: Cylinder, legs: Iterable[LegUse]) -> CylinderUse:
    in_order = tuple(sorted(legs, key=lambda use: use.end_min))
    return CylinderUse(
        name=cylinder.name,
        mix=cylinder.gas,
        use=cylinder.use,
        start_bar=start_bar(dive, cylinder),
        water_l=cylinder.water_l,
        celsius=dive.site.temperature,
        content_l=content(dive, cylinder),
        reserve_bar=reserve(dive, cylinder),
        usable_l=usable(dive, cylinder),
        used_l=sum(use.litres for use in in_order),
        legs=in_order,
    )
