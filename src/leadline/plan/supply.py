"""How much gas the dive takes, cylinder by cylinder, and what is left.

Open circuit: RMV times ambient pressure times minutes, in free litres (1 bar). Cylinders of one mix share what is drawn
in proportion to what each can give. Loop: oxygen as the diver burns it, diluent to fill the loop on each descent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from leadline.brief.schema import OPEN_CIRCUIT_USES, Cylinder, Dive
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres, pressure_of
from leadline.plan.findings import Finding
from leadline.plan.schedule import Leg
from leadline.units import PSI_BAR, SYSTEMS

STRESS = 1.5
"""RMV in a bailout, of the bottom RMV, if the diver does not say. Common practice, no source."""


@dataclass(frozen=True)
class LegUse:
    """What one leg of the dive takes from a cylinder. [free litres]"""

    start_min: float
    end_min: float
    depth_m: float
    litres: float


@dataclass(frozen=True)
class CylinderUse:
    """A cylinder over the dive. Litres are free litres (1 bar); content is real gas at the site's temperature."""

    name: str
    mix: Mix
    use: str
    start_bar: float
    content_l: float
    reserve_bar: float
    usable_l: float
    """Above the reserve."""
    used_l: float
    left_bar: float
    """0 if more is asked than it holds."""
    legs: tuple[LegUse, ...]

    @property
    def short_l(self) -> float:
        """What is missing to finish with the reserve intact; 0 if nothing is. [free litres]"""
        return max(0.0, self.used_l - self.usable_l)


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


def planned_rmv(dive: Dive) -> Callable[[Leg], float]:
    """RMV by leg: the bottom RMV until the first stop, the deco RMV from there. [L/min]"""
    return lambda leg: dive.diver.rmv_deco if leg.after_first_stop and leg.kind != "level" else dive.diver.rmv_bottom


def stressed_rmv(dive: Dive) -> float:
    """RMV in a bailout. [L/min]"""
    return dive.diver.rmv_stressed if dive.diver.rmv_stressed is not None else STRESS * dive.diver.rmv_bottom


def open_circuit_supply(
    dive: Dive, cylinders: Sequence[Cylinder], legs: Iterable[Leg], rmv: Callable[[Leg], float]
) -> tuple[CylinderUse, ...]:
    """What each of these cylinders gives to the open-circuit legs breathed from its mix."""
    where = dive.site.environment
    drawn: dict[Mix, list[LegUse]] = {}
    for leg in legs:
        if leg.source.setpoint_bar is None:
            depth_m = 0.5 * (leg.start_m + leg.end_m)
            litres = rmv(leg) * where.pressure(depth_m) * leg.minutes
            drawn.setdefault(leg.source.mix, []).append(LegUse(leg.start_min, leg.end_min, depth_m, litres))
    found = []
    for cylinder in cylinders:
        share = _share(dive, cylinder, [other for other in cylinders if other.gas == cylinder.gas])
        uses = tuple(
            LegUse(use.start_min, use.end_min, use.depth_m, use.litres * share) for use in drawn.get(cylinder.gas, [])
        )
        found.append(_cylinder_use(dive, cylinder, sum(use.litres for use in uses), uses))
    return tuple(found)


def supply(dive: Dive, legs: Sequence[Leg]) -> tuple[tuple[CylinderUse, ...], LoopUse | None]:
    """Every cylinder over the planned dive, in the order of the dive file, and what the loop takes."""
    if dive.loop is None:
        breathed = [c for c in dive.cylinders if c.use in ("bottom", "travel", "deco")]
        by_name = {use.name: use for use in open_circuit_supply(dive, breathed, legs, planned_rmv(dive))}
        return tuple(by_name.get(c.name) or _cylinder_use(dive, c, 0.0) for c in dive.cylinders), None
    loop = loop_use(dive, legs)
    found = []
    for cylinder in dive.cylinders:
        total = {"oxygen": loop.oxygen_l, "diluent": loop.diluent_l}.get(cylinder.use, 0.0)
        share = _share(dive, cylinder, [other for other in dive.cylinders if other.use == cylinder.use])
        found.append(_cylinder_use(dive, cylinder, total * share))
    return tuple(found), loop


def loop_use(dive: Dive, legs: Sequence[Leg]) -> LoopUse:
    """Oxygen by metabolic rate, diluent to keep the loop's volume on every descent, time on the loop."""
    assert dive.loop is not None
    where = dive.site.environment
    on_loop = [leg for leg in legs if leg.source.setpoint_bar is not None]
    minutes = sum(leg.minutes for leg in on_loop)
    descended_bar = sum(
        where.pressure(leg.end_m) - where.pressure(leg.start_m) for leg in on_loop if leg.end_m > leg.start_m
    )
    return LoopUse(
        oxygen_l=dive.loop.metabolic_oxygen * minutes,
        diluent_l=dive.loop.volume * descended_bar,
        minutes=minutes,
        scrubber_min=dive.loop.scrubber,
    )


def judge(dive: Dive, cylinders: Iterable[CylinderUse], loop: LoopUse | None) -> list[Finding]:
    """Gas short is a no-go; so is a scrubber past its rated time."""
    found = [finding for use in cylinders if (finding := short_of_gas(dive, use)) is not None]
    for cylinder in dive.cylinders:
        if dive.loop is None and cylinder.use == "bailout":
            message = f"{cylinder.name} ({cylinder.gas.name}) is carried and not breathed in this plan."
            found.append(Finding("not-planned", "note", message, {"cylinder": cylinder.name}))
        if cylinder.use == "inflation":
            message = f"{cylinder.name}: what drysuit and wing take is not worked out."
            found.append(Finding("inflation-unchecked", "note", message, {"cylinder": cylinder.name}))
    if loop is None:
        return found
    for use, litres in (("oxygen", loop.oxygen_l), ("diluent", loop.diluent_l)):
        if not any(cylinder.use == use for cylinder in dive.cylinders):
            system = SYSTEMS[dive.units]
            message = f"No {use} cylinder is listed: that it holds {system.gas(litres)} {system.gas_unit} is unchecked."
            found.append(Finding(f"{use}-unchecked", "caution", message, {"needed_l": litres}))
    if loop.scrubber_min is not None and loop.minutes > 0.8 * loop.scrubber_min:
        over = loop.minutes > loop.scrubber_min
        message = f"{loop.minutes:.0f} min on the loop, {'over' if over else 'over 80 % of'} the scrubber's "
        found.append(
            Finding(
                "scrubber", "no-go" if over else "caution", f"{message}{loop.scrubber_min:.0f} min.",
                {"minutes": loop.minutes, "rated_min": loop.scrubber_min},
            )
        )  # fmt: skip
    elif loop.scrubber_min is None:
        found.append(Finding("scrubber-unchecked", "note", "No scrubber time is given: it is unchecked."))
    return found


def short_of_gas(dive: Dive, use: CylinderUse) -> Finding | None:
    """The no-go of a cylinder that does not last with its reserve intact."""
    if use.short_l <= 1e-6:
        return None
    system = SYSTEMS[dive.units]
    short = f"{max(1.0, float(round(use.short_l / system.gas_l))):.0f} {system.gas_unit}"
    message = (
        f"{use.name} ({use.mix.name}) is {short} short: {system.gas(use.used_l)} {system.gas_unit} needed, "
        f"{system.gas(use.usable_l)} {system.gas_unit} usable above the reserve of {system.pressure(use.reserve_bar)} "
        f"{system.pressure_unit}."
    )
    return Finding(
        "gas-short", "no-go", message,
        {"cylinder": use.name, "short_l": use.short_l, "needed_l": use.used_l, "usable_l": use.usable_l},
    )  # fmt: skip


def open_circuit_cylinders(dive: Dive) -> list[Cylinder]:
    """The cylinders a diver can breathe from on open circuit."""
    return [cylinder for cylinder in dive.cylinders if cylinder.use in OPEN_CIRCUIT_USES]


def _content(dive: Dive, cylinder: Cylinder, bar: float) -> float:
    return free_litres(cylinder.gas, cylinder.water_l, bar, dive.site.temperature)


def _usable(dive: Dive, cylinder: Cylinder) -> float:
    kept = min(reserve(dive, cylinder), cylinder.pressure)
    return _content(dive, cylinder, cylinder.pressure) - _content(dive, cylinder, kept)


def _share(dive: Dive, cylinder: Cylinder, alike: Sequence[Cylinder]) -> float:
    """A cylinder's part of what is drawn from all that are alike: by what each can give, evenly if none can."""
    together = sum(_usable(dive, other) for other in alike)
    return _usable(dive, cylinder) / together if together > 0.0 else 1.0 / len(alike)


def _cylinder_use(dive: Dive, cylinder: Cylinder, used_l: float, legs: tuple[LegUse, ...] = ()) -> CylinderUse:
    content_l = _content(dive, cylinder, cylinder.pressure)
    left_l = max(0.0, content_l - used_l)
    return CylinderUse(
        name=cylinder.name,
        mix=cylinder.gas,
        use=cylinder.use,
        start_bar=cylinder.pressure,
        content_l=content_l,
        reserve_bar=reserve(dive, cylinder),
        usable_l=_usable(dive, cylinder),
        used_l=used_l,
        left_bar=cylinder.pressure
        if used_l == 0.0
        else pressure_of(cylinder.gas, cylinder.water_l, left_l, dive.site.temperature),
        legs=legs,
    )
