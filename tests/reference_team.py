"""A team that comes up together, walked once more: diver by diver, in plain Python, from what is printed.

Nothing here is shared with Leadline, and nothing is planned: every diver is taken along the rows of his own way up, on
his own breath, and held to his own limits. What it stands on: Bühlmann's tables (data/zhl16.toml), Haldane's and
Schreiner's equations, Baker's gradient factors, Dalton's law, and the conventions of the method page (the loop, the
semi-closed loop in balance, RMV, who breathes what).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from tests.authority.published import ZHL16
from tests.reference_model import gas

Mix = tuple[float, float]
"""Oxygen and helium fraction."""

VAPOUR = 0.0627
AIR_N2 = 1.0 - 0.2098
SEA_LEVEL = 1.01325
PER_METRE = {"en13319": 0.1, "sea": 1025.0 * 9.80665 / 1e5, "fresh": 1000.0 * 9.80665 / 1e5}
"""Bar of a metre of water."""
OPEN_CIRCUIT = ("bottom", "travel", "deco", "bailout")
"""Uses of cylinders that are breathed from."""
STEP_M = 0.25
"""So long are the pieces that travel on a loop is cut into, in place of working out where its regime changes."""
CRUDE_STEP_M = 3.0
"""On open circuit, where one piece is exact: how often a diver is looked at."""
SAME_MIN = 1e-6

LEAST_PPO2 = 0.16
"""NOAA Diving Manual: below this hypoxia sets in."""
GRID_TOLERANCE = 0.03
"""Common practice, no source: oxygen at 6 m."""
ROUNDING_GF = 0.5
"""Percent points over GF high that are put down to rounding."""
OXYGEN = 0.9
"""So rich a gas is oxygen, of which breaks are taken."""
SHORTER_MIN = 1.0
"""What the rounding of stops to minutes, and deeper stops of others, can shorten an ascent by."""
SAME_L = 1.0
"""Litres that are put down to rounding."""


# --- What is printed --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """A straight piece of a dive."""

    kind: str
    start_min: float
    end_min: float
    start_m: float
    end_m: float
    mix: Mix
    setpoint: float | None = None
    """None: open circuit, or a semi-closed loop."""
    metabolised: float = 0.0
    """Over 0: a semi-closed loop; oxygen used per litre of fresh gas at depth. [bar]"""
    after_first_stop: bool = False

    @property
    def minutes(self) -> float:
        return self.end_min - self.start_min

    @property
    def stays(self) -> bool:
        return self.start_m == self.end_m

    @property
    def circuit(self) -> str:
        if self.metabolised > 0.0:
            return "semi-closed"
        return "open" if self.setpoint is None else "closed"

    @property
    def source(self) -> tuple[str, Mix, float | None]:
        """What is breathed, without where."""
        return self.circuit, self.mix, self.setpoint


def piece(leg: Any) -> Piece:
    """A leg as it is printed."""
    source = leg.source
    return Piece(
        leg.kind, leg.start_min, leg.end_min, leg.start_m, leg.end_m, (source.mix.o2, source.mix.he),
        source.setpoint_bar, source.metabolised_bar, leg.after_first_stop,
    )  # fmt: skip


def pieces(legs: Iterable[Any]) -> tuple[Piece, ...]:
    return tuple(piece(leg) for leg in legs)


def cut(dive: Iterable[Piece], at_min: float) -> tuple[Piece, ...]:
    """As much of a dive as is over at a run time."""
    found = []
    for one in dive:
        if one.start_min >= at_min - 1e-9:
            break
        if one.end_min > at_min:
            share = (at_min - one.start_min) / one.minutes
            one = replace(one, end_min=at_min, end_m=one.start_m + share * (one.end_m - one.start_m))
        found.append(one)
    return tuple(found)


# --- The walk ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Walked:
    """What comes of a dive."""

    gf: float
    """At its end: how far the leading compartment is from ambient pressure to its M-value. [percent]"""
    over_bar: float
    """The highest excess over the M-value line on the way; negative if it is never reached."""
    over_at: tuple[float, float]
    """Run time and depth of that."""
    litres: Mapping[Mix, float] = field(default_factory=dict)
    """Free litres breathed on open circuit."""
    n2: tuple[float, ...] = ()
    he: tuple[float, ...] = ()


class Walker:
    """Sixteen compartments, saturated with air at the surface of the site."""

    def __init__(self, per_metre: float = 0.1, surface: float = SEA_LEVEL, letter: str = "c") -> None:
        self.surface, self.per_metre = surface, per_metre
        self.n2, self.he = [(surface - VAPOUR) * AIR_N2] * 16, [0.0] * 16
        self.rates = [
            [math.log(2.0) / half_time for half_time in ZHL16[f"{inert}_half_time_min"]] for inert in ("n2", "he")
        ]
        self.n2_a, self.n2_b = ZHL16[f"n2_a_bar_zhl16{letter}"], ZHL16["n2_b"]
        self.he_a, self.he_b = ZHL16["he_a_bar"], ZHL16["he_b"]
        self.over_bar, self.over_at = -math.inf, (0.0, 0.0)

    def pressure(self, depth_m: float) -> float:
        return self.surface + self.per_metre * depth_m

    def ppo2(self, one: Piece, depth_m: float) -> float:
        """Dalton's on open circuit; on a loop of what is dry, as the method page has it; semi-closed, the balance of
        oxygen brought, used and vented: fO2 = (P · fO2_diluent - m) / (P - m)."""
        bar, o2 = self.pressure(depth_m), one.mix[0]
        if one.metabolised > 0.0:
            return bar * (bar * o2 - one.metabolised) / (bar - one.metabolised)
        if one.setpoint is None:
            return bar * o2
        dry = bar - VAPOUR
        return min(dry, max(one.setpoint, o2 * dry))

    def inert(self, one: Piece, depth_m: float) -> tuple[float, float]:
        """Nitrogen and helium that reach the tissues."""
        o2, he = one.mix
        dry = self.pressure(depth_m) - VAPOUR
        if one.circuit == "open":
            return dry * (1.0 - o2 - he), dry * he
        if one.circuit == "closed":
            inert = dry - self.ppo2(one, depth_m)
        else:
            inert = dry * (1.0 - self.ppo2(one, depth_m) / self.pressure(depth_m))
        return inert * (1.0 - o2 - he) / (1.0 - o2), inert * he / (1.0 - o2)

    def breathe(self, one: Piece) -> None:
        """Schreiner: p = i + R(t - 1/k) - (i - p_tissue - R/k)·e^(-kt); with R = 0 it is Haldane's."""
        if one.minutes <= 1e-12:
            return
        step_m = CRUDE_STEP_M if one.circuit == "open" else STEP_M
        parts = max(1, math.ceil(abs(one.end_m - one.start_m) / step_m))
        t = one.minutes / parts
        decays = [[math.exp(-k * t) for k in rates] for rates in self.rates]
        depths_m = [one.start_m + (one.end_m - one.start_m) * i / parts for i in range(parts + 1)]
        inspired = [self.inert(one, depth_m) for depth_m in depths_m]
        for i in range(parts):
            for gas_, tissue in enumerate((self.n2, self.he)):
                begin, end = inspired[i][gas_], inspired[i + 1][gas_]
                rate = (end - begin) / t
                for c, (k, decay) in enumerate(zip(self.rates[gas_], decays[gas_], strict=True)):
                    tissue[c] = begin + rate * (t - 1.0 / k) - (begin - tissue[c] - rate / k) * decay
            self.look(one.start_min + (i + 1) * t, depths_m[i + 1])

    def m_values(self, bar: float) -> Iterator[tuple[float, float]]:
        """Load and M-value of every compartment at an ambient pressure: a + P / b, weighted by the two gases."""
        for c in range(16):
            n2, he = self.n2[c], self.he[c]
            a = (self.n2_a[c] * n2 + self.he_a[c] * he) / (n2 + he)
            b = (self.n2_b[c] * n2 + self.he_b[c] * he) / (n2 + he)
            yield n2 + he, a + bar / b

    def look(self, run_time_min: float, depth_m: float) -> None:
        over_bar = max(load - m for load, m in self.m_values(self.pressure(depth_m)))
        if over_bar > self.over_bar:
            self.over_bar, self.over_at = over_bar, (run_time_min, depth_m)

    def gf(self, depth_m: float) -> float:
        bar = self.pressure(depth_m)
        return 100.0 * max((load - bar) / (m - bar) for load, m in self.m_values(bar))


Rmv = Callable[[Piece], float]


def litres(dive: Iterable[Piece], rmv: Rmv, walker: Walker) -> dict[Mix, float]:
    """Boyle: RMV times mean pressure times minutes, on open circuit, by mix. [free litres]"""
    found: dict[Mix, float] = {}
    for one in dive:
        if one.circuit == "open":
            bar = walker.pressure(0.5 * (one.start_m + one.end_m))
            found[one.mix] = found.get(one.mix, 0.0) + rmv(one) * bar * one.minutes
    return found


def walk(dive: Sequence[Piece], per_metre: float = 0.1, rmv: Rmv | None = None) -> Walked:
    """A dive from rest at sea level, to where its pieces end."""
    walker = Walker(per_metre)
    for one in dive:
        walker.breathe(one)
    breathed = litres(dive, rmv, walker) if rmv is not None else {}
    gf = walker.gf(dive[-1].end_m)
    return Walked(gf, walker.over_bar, walker.over_at, breathed, tuple(walker.n2), tuple(walker.he))


# --- Divers -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cylinder:
    name: str
    mix: Mix
    use: str
    size_l: float
    bar: float


@dataclass(frozen=True)
class Diver:
    """A diver of a dive file, metric, with the defaults of the dive file's page."""

    name: str
    gf_high: float
    cylinders: tuple[Cylinder, ...]
    loop: Mapping[str, Any] | None
    rmv_bottom: float = 20.0
    rmv_deco: float = 16.0
    rmv_stressed: float = 30.0
    stressed_for: float = 10.0
    rmv_bailout: float = 20.0
    ppo2_limit: float = 1.6

    def mixes(self, names: Iterable[str] | None = None) -> set[Mix]:
        """What can be breathed on open circuit, of all that is carried or of some of it."""
        kept = None if names is None else set(names)
        return {c.mix for c in self.cylinders if c.use in OPEN_CIRCUIT and (kept is None or c.name in kept)}

    @property
    def setpoints(self) -> set[float]:
        keys = ("setpoint", "low_setpoint", "deco_setpoint")
        return {self.loop[key] for key in keys if self.loop.get(key)} if self.loop is not None else set()

    def planned(self, one: Piece) -> float:
        """RMV as planned: the deco one on the way up from the diver's own first stop on. [L/min]"""
        return self.rmv_deco if one.after_first_stop and one.kind in ("ascent", "stop") else self.rmv_bottom


def divers(tables: Mapping[str, Any]) -> tuple[Diver, ...]:
    """The divers of a dive file with a [[team]]."""
    found = []
    for own in tables["team"]:
        rmv = {**tables.get("diver", {}), **own}
        bottom = rmv.get("rmv_bottom", 20.0)
        loop = None if own.get("circuit") == "open" else own.get("loop", tables.get("loop"))
        carried = own.get("cylinders", tables["cylinders"])
        limits = tables.get("limits", {})
        found.append(
            Diver(
                name=own["name"],
                gf_high=own.get("gradient_factors", tables.get("model", {}).get("gradient_factors", [40, 80]))[1],
                cylinders=tuple(
                    Cylinder(
                        c["name"], gas(c["gas"]), c["use"],
                        float(c["size"].split()[0]), float(c["pressure"].split()[0]),
                    )
                    for c in carried
                    if loop is not None or c["use"] not in ("diluent", "oxygen")
                ),
                loop=loop,
                rmv_bottom=bottom,
                rmv_deco=rmv.get("rmv_deco", 16.0),
                rmv_stressed=rmv.get("rmv_stressed", 1.5 * bottom),
                stressed_for=rmv.get("stressed_for", 10.0),
                rmv_bailout=rmv.get("rmv_bailout", bottom),
                ppo2_limit=max(limits.get("ppo2_bottom", 1.4), limits.get("ppo2_deco", 1.6)),
            )
        )  # fmt: skip
    return tuple(found)


@dataclass(frozen=True)
class Used:
    """A cylinder as it is printed."""

    name: str
    mix: Mix
    use: str
    content_l: float
    used_l: float


@dataclass(frozen=True)
class Handed:
    giver: str
    cylinder: str
    mix: Mix
    litres: float


@dataclass(frozen=True)
class WayUp:
    """How one diver comes up."""

    diver: Diver
    plan: tuple[Piece, ...]
    """What he was to dive."""
    after: tuple[Piece, ...]
    """What he dives from where the plan is left."""
    supply: tuple[Used, ...]

    def dived(self, leaves_at_min: float) -> tuple[Piece, ...]:
        return (*cut(self.plan, leaves_at_min), *self.after)

    @property
    def as_planned(self) -> bool:
        """Whether he breathes what he was to breathe, one after the other."""
        left_min = self.after[0].start_min
        rest = [one for one in self.plan if one.end_min > left_min + SAME_MIN]
        return _in_turn(rest) == _in_turn(self.after)

    def used(self) -> dict[Mix, float]:
        found: dict[Mix, float] = {}
        for use in self.supply:
            if use.use in OPEN_CIRCUIT:
                found[use.mix] = found.get(use.mix, 0.0) + use.used_l
        return found


def _in_turn(dive: Sequence[Piece]) -> list[tuple[str, Mix, float | None]]:
    sources = [one.source for one in dive if one.minutes > SAME_MIN]
    return [source for i, source in enumerate(sources) if i == 0 or source != sources[i - 1]]


@dataclass(frozen=True)
class Failure:
    """A contingency of one diver of a team, as it is printed: one that leaves the plan, or a whole dive in which the
    others dive theirs."""

    kind: str
    name: str
    whose: Diver
    """Whose contingency it is, and whose cylinders are in `supply`."""
    supply: tuple[Used, ...]
    leaves_at_min: float
    """0 of a whole dive."""
    run_time_min: float
    holds: bool
    handed: tuple[Handed, ...]
    lost: str
    """A cylinder that is not there any more."""
    heavy: tuple[float, float]
    """First minutes in which more is breathed, and by so much."""
    leaver: WayUp
    """Who comes up by the rows of the contingency: the diver, or a mate off the loop on the diver's bailout."""
    mates: tuple[WayUp, ...]
    """All the others, as each of them comes up."""
    per_metre: float

    @property
    def everyone(self) -> tuple[WayUp, ...]:
        return self.leaver, *self.mates

    @property
    def whole_dive(self) -> bool:
        return self.leaver.after[0].start_min == 0.0

    @property
    def in_need(self) -> WayUp | None:
        """Of a mate out of gas, or off the loop: who, as the name of the contingency says."""
        if self.kind != "mate out of gas":
            return None
        return next((way for way in self.everyone if self.name.startswith(f"{way.diver.name} ")), None)

    def said(self, way: WayUp, what: str) -> str:
        role = "leaver" if way is self.leaver else "mate"
        return f"{self.whose.name}'s {self.kind} ({self.name}): {way.diver.name} ({role}) {what}"


STRESSED = ("bailout", "bailout lost", "heavy breathing", "oxygen gone", "mate out of gas")
OFF_THE_LOOP = ("bailout", "bailout lost", "heavy breathing")


def read(
    found: Any, name: str, plans: Mapping[str, Sequence[Any]], team: Sequence[Diver], per_metre: float,
    heavy_breathing_min: float = 5.0,
) -> Failure:  # fmt: skip
    """A contingency of the diver `name`; `plans` are the legs that every diver was to dive."""
    by_name = {diver.name: diver for diver in team}
    others = {mate.name for mate in found.mates}
    whose, up = by_name[name], [diver.name for diver in team if diver.name not in others]
    leaver = up[0] if len(up) == 1 and found.kind == "mate out of gas" else name

    def used(supply: Iterable[Any]) -> tuple[Used, ...]:
        return tuple(Used(u.name, (u.mix.o2, u.mix.he), u.use, u.content_l, u.used_l) for u in supply)

    def way(of: str, legs: Sequence[Any], supply: Sequence[Any]) -> WayUp:
        return WayUp(by_name[of], pieces(plans[of]), pieces(legs), used(supply))

    heavy_min = heavy_breathing_min if found.kind == "heavy breathing" else 0.0
    stressed_rmv = whose.rmv_bottom if found.leaves_at_min is None else whose.rmv_stressed
    heavier = max(0.0, 2.0 * whose.rmv_bottom - stressed_rmv) if heavy_min > 0.0 else 0.0
    return Failure(
        kind=found.kind,
        name=found.name,
        whose=whose,
        supply=used(found.supply),
        leaves_at_min=found.leaves_at_min if found.leaves_at_min is not None else 0.0,
        run_time_min=found.run_time_min,
        holds=found.holds,
        handed=tuple(Handed(h.giver, h.cylinder, (h.mix.o2, h.mix.he), h.litres) for h in found.handovers),
        lost=found.scenario.lost,
        heavy=(heavy_min, heavier),
        leaver=way(leaver, found.legs, found.supply if leaver == name else ()),
        mates=tuple(way(mate.name, mate.legs, mate.supply) for mate in found.mates),
        per_metre=per_metre,
    )


# --- What is asked of them --------------------------------------------------------------------------------------------


def whole(failure: Failure, team: Sequence[Diver]) -> Iterator[str]:
    """Everybody is there once, and goes on from where he is, without a gap, to the surface; of a mate out of gas it is
    said who it is."""
    there = [way.diver.name for way in failure.everyone]
    if sorted(there) != sorted(diver.name for diver in team):
        yield failure.said(failure.leaver, f"is told of with {there[1:]}, of {[diver.name for diver in team]}")
    in_need = failure.in_need
    if failure.kind == "mate out of gas" and (in_need is None or in_need.diver.name == failure.whose.name):
        yield failure.said(failure.leaver, "has a mate out of gas, and nothing says who")
    for way in failure.everyone:
        dived = way.dived(failure.leaves_at_min)
        if not way.after:
            yield failure.said(way, "has no way up")
            continue
        here = (0.0, 0.0)
        for one in dived:
            if abs(one.start_min - here[0]) > 1e-6 or abs(one.start_m - here[1]) > 1e-6:
                yield failure.said(
                    way,
                    f"is at {here[1]:.2f} m at {here[0]:.2f} min, and then at {one.start_m:.2f} m at "
                    f"{one.start_min:.2f} min",
                )
                break
            here = one.end_min, one.end_m
        else:
            if abs(here[1]) > 1e-6:
                yield failure.said(way, f"ends at {here[1]:.2f} m")


def within_limits(failure: Failure) -> Iterator[str]:
    """Bühlmann's M-values and Baker's gradient factors: nobody surfaces over his own GF high, or is over the M-value
    on the way."""
    for way in failure.everyone:
        walked = walk(way.dived(failure.leaves_at_min), failure.per_metre)
        if walked.gf > way.diver.gf_high + ROUNDING_GF:
            yield failure.said(way, f"surfaces at GF {walked.gf:.1f}, over his {way.diver.gf_high:g}")
        if walked.over_bar > 1e-3:
            at_min, at_m = walked.over_at
            yield failure.said(way, f"is {walked.over_bar:.3f} bar over the M-value at {at_min:.1f} min, {at_m:.1f} m")


def together(failure: Failure) -> Iterator[str]:
    """Common practice, no source: a team comes up together. Every depth that anybody stays at, from where they are all
    together, is left by all at the same time, and so is the water. Where the plan is left between levels they need not
    be at one depth."""
    depths_m = [way.after[0].start_m for way in failure.everyone]
    shallowest_m = min(depths_m) if max(depths_m) - min(depths_m) < 1e-6 else min(depths_m) - 1e-3
    if failure.whole_dive:
        shallowest_m = next(one.end_m for one in reversed(failure.leaver.after) if one.kind == "level")

    def leaves(way: WayUp) -> dict[float, float]:
        stays = (one for one in way.after if one.stays and one.minutes > SAME_MIN)
        found = {round(one.end_m, 6): round(one.end_min, 6) for one in stays}
        return {m: at for m, at in found.items() if m <= shallowest_m + 1e-6}

    of_leaver = leaves(failure.leaver)
    end_min = failure.leaver.after[-1].end_min
    if abs(end_min - failure.run_time_min) > SAME_MIN:
        yield failure.said(
            failure.leaver, f"surfaces at {end_min:.2f} min and is said to at {failure.run_time_min:.2f}"
        )
    for way in failure.mates:
        if leaves(way) != of_leaver:
            yield failure.said(way, f"leaves his stops at {leaves(way)}, and the leaver at {of_leaver}")
        if abs(way.after[-1].end_min - end_min) > SAME_MIN:
            yield failure.said(way, f"surfaces at {way.after[-1].end_min:.2f} min, and the leaver at {end_min:.2f}")


def fit_to_breathe(failure: Failure) -> Iterator[str]:
    """NOAA Diving Manual: 0.16 bar of oxygen at least; the diver's own limit, and common practice's 0.03 bar for the
    grid, at most."""
    walker = Walker(failure.per_metre)
    for way in failure.everyone:
        most = way.diver.ppo2_limit + GRID_TOLERANCE
        for one in way.after:
            for depth_m in (one.start_m, one.end_m):
                ppo2 = walker.ppo2(one, depth_m)
                if not LEAST_PPO2 - 1e-9 <= ppo2 <= most + 1e-9:
                    yield failure.said(way, f"breathes {one.source} at {depth_m:.1f} m, {ppo2:.3f} bar of oxygen")


def foreign(failure: Failure, way: WayUp) -> list[Piece]:
    """What a diver breathes that he does not carry, or has lost, or on a loop that he is not on. Who is out of gas has
    no bottom gas of his own, unless that is his bailout."""
    kept = {use.name for use in way.supply if use.name != failure.lost} or {c.name for c in way.diver.cylinders}
    if way is failure.in_need:
        kept -= {c.name for c in way.diver.cylinders if c.use == "bottom" and way.diver.loop is None}
    off_the_loop = way is failure.in_need or (way is failure.leaver and failure.kind in OFF_THE_LOOP)
    at_hand, loop, found = way.diver.mixes(kept), way.diver.loop, []
    for one in way.after:
        if one.circuit == "open":
            own = one.mix in at_hand
        else:
            own = loop is not None and one.mix == gas(loop["diluent"]) and not off_the_loop
            if one.circuit == "closed":
                stuck = failure.kind == "low setpoint" and way is failure.leaver
                own = own and (one.setpoint in way.diver.setpoints or stuck)
            else:
                own = own and failure.kind == "oxygen gone" and way is failure.leaver
        if not own:
            found.append(one)
    return found


def breathes_what_is_there(failure: Failure) -> Iterator[str]:
    """Every gas is in a cylinder of the diver's own, or given: in a row that says so, of a cylinder that the giver
    carries; or, to the mate who is out of gas, by the one whose contingency it is. Who is off his loop stays off it."""
    carried = {way.diver.name: way.diver for way in failure.everyone}
    for handed in failure.handed:
        giver = carried.get(handed.giver)
        if giver is None or not any(c.name == handed.cylinder and c.mix == handed.mix for c in giver.cylinders):
            yield failure.said(failure.leaver, f"is given {handed}, which the giver does not carry")
        if handed.giver in {failure.leaver.diver.name, failure.whose.name}:
            yield failure.said(failure.leaver, f"is given {handed} by himself, or by whose rows it is in")
    given = {handed.mix for handed in failure.handed}
    for way in failure.everyone:
        taken = failure.whose.mixes() | given if way is failure.in_need else given if way is failure.leaver else set()
        for one in foreign(failure, way):
            if one.circuit != "open" or one.mix not in taken:
                yield failure.said(way, f"breathes {one.source} at {one.start_m:.1f} m: not his own, nor given")


def never_leaner(failure: Failure) -> Iterator[str]:
    """The method page: on the way up a leaner gas is not gone back to, but for a break from oxygen."""
    for way in failure.everyone:
        up = [one for one in way.after if one.circuit == "open" and one.start_min >= _left_min(way) - SAME_MIN]
        for before, one in pairwise(up):
            if one.mix[0] < before.mix[0] - 1e-9 and before.mix[0] < OXYGEN:
                yield failure.said(way, f"goes back from {before.mix} to {one.mix} at {one.start_m:.1f} m")


def _left_min(way: WayUp) -> float:
    """When the last level is left; where the plan is, if it is."""
    last = max((one.end_min for one in way.after if one.kind in ("level", "descent")), default=0.0)
    return last if way.after[0].start_min == 0.0 else way.after[0].start_min


def stressed(
    diver: Diver, after: Sequence[Piece], leaves_at_min: float, heavy: tuple[float, float] = (0.0, 0.0)
) -> Rmv:
    """Common practice, no source: stressed until the first change to a gas richer than the one breathed first, and for
    so long at least; before the plan is left, as planned."""
    heavy_min, heavier = heavy
    richer = [one.start_min for one in after if one.mix[0] > after[0].mix[0] + 1e-9]
    calm_min = max(richer[0], leaves_at_min + max(diver.stressed_for, heavy_min)) if richer else math.inf

    def rmv(one: Piece) -> float:
        if one.start_min < leaves_at_min - SAME_MIN:
            return diver.planned(one)
        calm_part = min(1.0, max(0.0, one.end_min - calm_min) / one.minutes)
        heavy_part = max(0.0, min(one.end_min, leaves_at_min + heavy_min) - one.start_min) / one.minutes
        return diver.rmv_stressed + (diver.rmv_bailout - diver.rmv_stressed) * calm_part + heavier * heavy_part

    return rmv


def heavily(way: WayUp, heavy: tuple[float, float]) -> Rmv:
    """As planned, and more from reaching the deepest level."""
    levels = [one for one in way.after if one.kind == "level"]
    deepest_m = max(one.end_m for one in levels)
    from_min = next(one.start_min for one in levels if one.end_m == deepest_m)

    def rmv(one: Piece) -> float:
        part = max(0.0, min(one.end_min, from_min + heavy[0]) - max(one.start_min, from_min)) / one.minutes
        return way.diver.planned(one) + heavy[1] * part

    return rmv


def asked(failure: Failure, way: WayUp) -> dict[Mix, float]:
    """What a diver breathes over the whole dive, by mix; of the one out of gas, also what is another's."""
    dived = way.dived(failure.leaves_at_min)
    excited = way is failure.in_need or (way.diver is failure.whose and failure.kind in STRESSED)
    if way.diver is failure.whose and way is not failure.leaver:
        excited = False  # he stays on his loop
    rmv = stressed(way.diver, way.after, failure.leaves_at_min, failure.heavy) if excited else way.diver.planned
    if failure.whole_dive:
        rmv = heavily(way, failure.heavy) if way is failure.leaver else way.diver.planned
    return litres(dived, rmv, Walker(failure.per_metre))


def taken_over(failure: Failure, way: WayUp) -> dict[Mix, float]:
    """What the one out of gas breathes of the other's: any bottom gas of the other's, and what he does not carry, or
    all, if he comes up by the rows of the other's bailout."""
    if way is not failure.in_need:
        return {}
    rmv = stressed(way.diver, way.after, failure.leaves_at_min)
    breathed = litres(way.after, rmv, Walker(failure.per_metre))
    if way is failure.leaver:
        return breathed
    bottom = {c.mix for c in failure.whose.cylinders if c.use == "bottom"}
    others = {one.mix for one in foreign(failure, way)} | bottom
    return {mix: l_ for mix, l_ in breathed.items() if mix in others}


def gas_adds_up(failure: Failure) -> Iterator[str]:
    """RMV times pressure times minutes is what the cylinders give: as planned for those who go on, stressed for who is
    in trouble. Who gives may count it or not; where all is said to hold, nobody asks a cylinder for more than it holds,
    what he gives included."""
    in_need = failure.in_need
    to_him = taken_over(failure, in_need) if in_need is not None else {}
    for way in failure.everyone:
        if way is failure.leaver and in_need is not None:
            continue  # with what the other gives, below
        own = asked(failure, way)
        if way is in_need:
            own = {mix: l_ - to_him.get(mix, 0.0) for mix, l_ in own.items()}
        yield from _differ(failure, way, own, way.used())
        up = [one.after_first_stop for one in way.after if one.kind in ("ascent", "stop")]
        if up != sorted(up):
            yield failure.said(way, "is before his first stop again after it")
    (whose,) = (way for way in failure.everyone if way.diver is failure.whose)
    together = dict(asked(failure, whose))
    for mix, l_ in to_him.items():
        together[mix] = together.get(mix, 0.0) + l_
    if in_need is not None:
        combined = replace(whose, supply=failure.supply)
        yield from _differ(failure, combined, together, combined.used())
    for way in failure.everyone:
        sizes = {c.name: c.size_l * c.bar for c in way.diver.cylinders}
        supply = failure.supply if way.diver is failure.whose else way.supply
        for use in supply:
            by_plan = use.mix in short_by_plan(failure, way)  # that is a no-go of the plan
            if failure.holds and use.used_l > use.content_l + SAME_L and not by_plan:
                yield failure.said(way, f"is short of {use.mix}, {use.used_l:.0f} of {use.content_l:.0f} L: it holds")
            ideal_l = sizes.get(use.name, use.content_l)
            if not 0.8 * ideal_l <= use.content_l <= 1.1 * ideal_l:  # a real gas is not far from an ideal one
                yield failure.said(way, f"has {use.content_l:.0f} L in {use.name}, of {ideal_l:.0f} L ideally")
        given = {handed.mix for handed in failure.handed if handed.giver == way.diver.name and way.supply}
        for mix in given if failure.holds else ():
            gives = sum(h.litres for h in failure.handed if (h.giver, h.mix) == (way.diver.name, mix))
            holds = sum(use.content_l for use in way.supply if use.mix == mix and use.use in OPEN_CIRCUIT)
            if asked(failure, way).get(mix, 0.0) + gives > holds + SAME_L:
                yield failure.said(way, f"breathes and gives more of {mix} than the {holds:.0f} L he has")


def short_by_plan(failure: Failure, way: WayUp) -> set[Mix]:
    """What a mate has not enough of even where nothing goes wrong."""
    if way.diver is failure.whose:
        return set()
    planned = litres(way.plan, way.diver.planned, Walker(failure.per_metre))
    holds: dict[Mix, float] = {}
    for use in way.supply:
        if use.use in OPEN_CIRCUIT:
            holds[use.mix] = holds.get(use.mix, 0.0) + use.content_l
    return {mix for mix, l_ in planned.items() if l_ > holds.get(mix, 0.0)}


def _differ(failure: Failure, way: WayUp, own: Mapping[Mix, float], used: Mapping[Mix, float]) -> Iterator[str]:
    """Where litres breathed are not those that are printed. What was drawn from a lost cylinder is not printed."""
    lost = {c.mix for c in failure.whose.cylinders if c.name == failure.lost and way.diver is failure.whose}
    for mix in (set(own) | set(used)) - lost:
        gives = sum(h.litres for h in failure.handed if (h.giver, h.mix) == (way.diver.name, mix))
        breathed, said = own.get(mix, 0.0), used.get(mix, 0.0)
        if not _alike(breathed, said) and not (gives and _alike(breathed + gives, said)):
            yield failure.said(way, f"breathes {breathed:.1f} L of {mix} and gives {gives:.1f}, not {said:.1f}")


def _alike(a: float, b: float) -> bool:
    return abs(a - b) <= SAME_L + 1e-3 * max(a, b)


def no_shorter(failure: Failure, alone_min: Mapping[str, float], last_level_min: float) -> Iterator[str]:
    """Haldane: who breathes as planned, and is at no depth for less time than alone, has no less to get rid of. So the
    team is not up sooner than he would be alone, but for the minute that stops are rounded to, and the deep stops of
    others, which can shorten his shallow ones. (Than the plan it can be: what others did in it can have made his stops
    longer.)"""
    if failure.leaves_at_min < last_level_min - SAME_MIN or failure.kind == "aborted descent":
        return
    for way in failure.mates:
        least_min = alone_min[way.diver.name]
        if way.as_planned and failure.run_time_min < least_min - SHORTER_MIN - SAME_MIN:
            yield failure.said(way, f"goes on as planned and is up at {failure.run_time_min:.2f}, not {least_min:.2f}")
