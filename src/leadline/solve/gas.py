"""The least gas that a dive can be done on: bottom mix, deco gases and cylinders, chosen together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.schema import OPEN_CIRCUIT_USES, Cylinder, Dive, SolveCylinder, Use
from leadline.physics.mix import Mix
from leadline.plan.standard import BOTTOM_MIXES, DECO_MIXES, StandardCylinder, described, standard_cylinders
from leadline.plan.supply import reserve
from leadline.solve.deco import breaks_kept, switch_depths
from leadline.solve.mix import with_mix, within_ppo2
from leadline.solve.verdict import Told, Tried, Verdict, nearest_miss

MOST_DECO = 2
"""So many deco gases at most, on a loop bailout gases beside the deepest."""
RANKED = 5
"""So many choices of gases are kept, the one with the least gas first."""


@dataclass(frozen=True)
class GasCarried:
    """A cylinder that was chosen."""

    cylinder: Cylinder
    size: str
    """As a diver would write it: "twin 12 L, 232 bar"."""
    switch_m: float | None
    """Where it is changed to on the last ascent, or on a bailout; None for the deepest gas, and where it is not."""


@dataclass(frozen=True)
class GasChoice:
    """Gases, each in the smallest cylinder that suffices."""

    mix: Mix
    """Bottom gas; on a loop diluent, and deepest bailout gas."""
    cylinders: tuple[GasCarried, ...]
    """Bottom gas or deepest bailout gas first, then the deco or other bailout gases, the leanest first."""
    carried_l: float
    """Water volume times pressure of all of them. [L at 1 bar, of an ideal gas]"""
    verdict: Verdict

    @property
    def rank(self) -> tuple[float, int, float, float, float]:
        """Sort key: least gas, fewest cautions, shortest run time, shortest bailout, least helium."""
        found = self.verdict
        return self.carried_l, len(found.cautions), found.run_time_min or 0.0, found.way_up_min or 0.0, self.mix.he


@dataclass(frozen=True)
class GasAnswer:
    """The least gas."""

    dive: Dive
    """With the gases and cylinders found; the dive file's own if nothing holds."""
    choices: tuple[GasChoice, ...]
    """At most RANKED, each of other gases, the least gas first."""
    fewest_cautions: GasChoice | None
    """The least gas of the choices with the fewest cautions; None where that is the first of `choices`, or none is."""
    gas_sets: int
    """How many choices of gases there are."""
    nearest_miss: str
    """Where nothing holds: what fails by least, in one sentence."""
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether a choice holds."""
        return bool(self.choices)


Decos = tuple[Mix, ...]
Sizes = tuple[int, ...]
"""Of every cylinder to be chosen: which of the sizes it could be."""


def least_gas(dive: Dive, source: str = "dive", told: Told | None = None) -> GasAnswer:
    """The bottom mix, the deco gases and the cylinders with the least gas at which everything holds.

    Every mix of [solve] gases within ppO2 (all if none is) with every none, one and two of [solve] deco_gases that are
    richer, each in the smallest of [solve] cylinders; where one of these lists is missing, in its place the standard
    ones. On a loop the diluent, which is the deepest bailout gas too, and the other bailout gases; what feeds the loop
    keeps its size. DiveFileError for a team.

    Of each choice of gases the largest cylinders are planned first, then each cylinder as small as holds with all
    others the largest, then together; larger ones follow if those do not hold. So no set of less gas holds, as long as
    more gas never breaks what less of it does not.
    """
    if dive.team:
        said = "gas is chosen for one diver; leave the team out"
        raise DiveFileError(source, [Problem("[[team]]", said)])
    tried = Tried(source, told)
    gas_sets = list(_gas_sets(dive))
    choices: list[GasChoice] = []
    failing: list[tuple[str, Verdict]] = []
    complete = True
    try:
        for i, (mix, decos) in enumerate(gas_sets, 1):
            said = f"gases {i} of {len(gas_sets)}: {_said(mix, decos)}"
            with_full, choice = _smallest(dive, mix, decos, tried, said, choices)
            if choice is not None:
                choices.append(choice)
            elif not with_full.holds:
                failing.append((f"{_said(mix, decos)} in the largest cylinders", with_full))
    except KeyboardInterrupt:
        complete = False
    choices.sort(key=lambda choice: choice.rank)
    fewest = min(choices, key=_by_cautions, default=None)
    nearest = min(failing, key=lambda one: one[1].nearness, default=None)
    best = choices[0] if choices else None
    return GasAnswer(
        dive=dive if best is None else _with(dive, best.mix, [carried.cylinder for carried in best.cylinders]),
        choices=tuple(choices[:RANKED]),
        fewest_cautions=fewest if fewest is not best else None,
        gas_sets=len(gas_sets),
        nearest_miss=nearest_miss(*nearest) if nearest is not None and best is None else "",
        complete=complete,
        tried=len(tried.verdicts),
    )


def _gas_sets(dive: Dive) -> Iterator[tuple[Mix, Decos]]:
    """Every choice of gases; the deco gases of one the leanest first."""
    all_mixes = tuple(dict.fromkeys(dive.solve.gases or BOTTOM_MIXES))
    mixes = [mix for mix in all_mixes if within_ppo2(dive, mix)] or all_mixes
    listed = sorted(dict.fromkeys(dive.solve.deco_gases or DECO_MIXES), key=lambda mix: mix.o2)
    for mix in mixes:
        richer = [deco for deco in listed if deco.o2 > mix.o2 + 1e-9]
        for count in range(MOST_DECO + 1):
            yield from ((mix, decos) for decos in combinations(richer, count))


def _said(mix: Mix, decos: Decos) -> str:
    return " with ".join([mix.name, *([" and ".join(deco.name for deco in decos)] if decos else [])])


def _by_cautions(choice: GasChoice) -> tuple[int, tuple[float, ...]]:
    return len(choice.verdict.cautions), choice.rank


# --- Cylinders --------------------------------------------------------------------------------------------------------


def _smallest(
    dive: Dive, mix: Mix, decos: Decos, tried: Tried, said: str, choices: Sequence[GasChoice]
) -> tuple[Verdict, GasChoice | None]:
    """What comes of gases in the largest cylinders; and in the smallest that hold, if any do and they could come to
    stand among the best `choices`."""
    places = _places(dive, mix, decos)
    options = [_options(dive, place) for place in places]
    litres = [[size.nominal_l for size in sizes] for sizes in options]

    def cylinders(sizes: Sizes) -> list[Cylinder]:
        return [_sized(p, options[i][size].cylinder) for i, (p, size) in enumerate(zip(places, sizes, strict=True))]

    def planned(sizes: Sizes) -> Verdict:
        return tried((mix, decos, sizes), lambda: _with(dive, mix, cylinders(sizes)), said)

    full = tuple(_roomiest(dive, place, sizes) for place, sizes in zip(places, options, strict=True))
    with_full = planned(full)
    if not with_full.holds:
        return with_full, None
    worth = _worth(choices, len(with_full.cautions))
    sizes = _least(full, litres, lambda sizes: planned(sizes).holds, worth)
    if sizes is None:
        return with_full, None
    found = cylinders(sizes)
    switches = switch_depths(_with(dive, mix, found))
    carried = tuple(
        GasCarried(cylinder, options[i][size].name, switches.get(cylinder.gas) if i else None)
        for i, (cylinder, size) in enumerate(zip(found, sizes, strict=True))
    )
    return with_full, GasChoice(mix, carried, _together(litres, sizes), planned(sizes))


def _least(
    full: Sizes, litres: Sequence[Sequence[float]], holds: Callable[[Sizes], bool], worth: Callable[[float], bool]
) -> Sizes | None:
    """The sizes with the least gas that hold, where the `full` ones do; None where they would not be `worth` it.

    `litres` of every size of every cylinder, the smallest first.
    """
    least: list[int] = []
    for place, of_place in enumerate(litres):
        least.append(next(i for i in range(len(of_place)) if i == full[place] or holds(_replaced(full, place, i))))
        bound_l = sum(litres[i][size] for i, size in enumerate(least)) + sum(rest[0] for rest in litres[place + 1 :])
        if not worth(bound_l):
            return None
    not_smaller = product(*(range(size, len(litres[place])) for place, size in enumerate(least)))
    for sizes in sorted(not_smaller, key=lambda sizes: _together(litres, sizes)):
        if not worth(_together(litres, sizes)):
            return None
        if sizes == full or holds(sizes):
            return sizes
    return None


def _replaced(sizes: Sizes, place: int, size: int) -> Sizes:
    return (*sizes[:place], size, *sizes[place + 1 :])


def _together(litres: Sequence[Sequence[float]], sizes: Sizes) -> float:
    return round(sum(litres[place][size] for place, size in enumerate(sizes)), 6)


def _worth(choices: Sequence[GasChoice], cautions: int) -> Callable[[float], bool]:
    """Whether gases with so much gas or more, and so many cautions, could be among those that are shown."""
    ranked = sorted(choices, key=lambda choice: choice.rank)
    most_l = ranked[RANKED - 1].carried_l if len(ranked) >= RANKED else None
    fewest = min(choices, key=_by_cautions, default=None)

    def worth(litres: float) -> bool:
        if most_l is None or fewest is None or litres <= most_l + 1e-6:
            return True
        return (cautions, litres) <= (len(fewest.verdict.cautions), fewest.carried_l + 1e-6)

    return worth


# --- The dive with them -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Place:
    """A cylinder to be chosen."""

    name: str
    gas: Mix
    use: Use
    reserve: float | None
    manifold: bool
    deepest: bool


def _places(dive: Dive, mix: Mix, decos: Decos) -> list[_Place]:
    """The cylinders to be chosen, with names, reserves and manifold of those that the dive file has in their place."""
    uses: tuple[Use, Use] = ("bottom", "deco") if dive.loop is None else ("bailout", "bailout")
    replaced = [cylinder for cylinder in dive.cylinders if cylinder.use in _replaced_uses(dive)]
    deepest = min((c for c in replaced if c.use == "bottom" or dive.loop is not None), key=_o2, default=None)
    bottom = [cylinder for cylinder in replaced if cylinder is deepest]
    others = [c for c in replaced if c is not deepest and (c.use == "deco" or dive.loop is not None)]
    taken = {cylinder.name.casefold() for cylinder in dive.cylinders}
    places = []
    for i, gas in enumerate((mix, *decos)):
        old = bottom if i == 0 else others[i - 1 : i]
        use = uses[min(i, 1)]
        name = old[0].name if old else _free_name("deepest bailout" if use == "bailout" and not i else use, taken)
        taken.add(name.casefold())
        manifold = use == "bottom" and bool(old) and old[0].manifold
        places.append(_Place(name, gas, use, old[0].reserve if old else None, manifold, i == 0))
    return places


def _o2(cylinder: Cylinder) -> float:
    return cylinder.gas.o2


def _free_name(wanted: str, taken: set[str]) -> str:
    names = (wanted, *(f"{wanted} {number}" for number in range(2, 100)))
    return next(name for name in names if name.casefold() not in taken)


def _replaced_uses(dive: Dive) -> tuple[Use, ...]:
    return ("bottom", "deco") if dive.loop is None else OPEN_CIRCUIT_USES


def _options(dive: Dive, place: _Place) -> tuple[StandardCylinder, ...]:
    """The sizes a cylinder could be of, the smallest first: of the list, or standard ones, bottom gas in pairs."""
    listed = dict.fromkeys(dive.solve.cylinders)
    if listed:
        named = [StandardCylinder(described(cylinder, dive.units), cylinder, False) for cylinder in listed]
        return tuple(sorted(named, key=lambda one: one.nominal_l))
    pairs, singles = standard_cylinders(dive.units, pair=True), standard_cylinders(dive.units)
    if place.use == "bottom":
        return pairs
    return singles if not place.deepest else tuple(sorted((*singles, *pairs), key=lambda one: one.nominal_l))


def _roomiest(dive: Dive, place: _Place, sizes: Sequence[StandardCylinder]) -> int:
    """Of sizes, the one that gives most above its reserve."""
    cylinders = [_sized(place, size.cylinder, checked=False) for size in sizes]
    return max(
        range(len(sizes)), key=lambda i: cylinders[i].water_l * (cylinders[i].pressure - reserve(dive, cylinders[i]))
    )


def _sized(place: _Place, size: SolveCylinder, *, checked: bool = True) -> Cylinder:
    """A cylinder of a size. DiveFileError if its reserve is more than its fill."""
    if checked and place.reserve is not None and place.reserve >= size.pressure:
        raise DiveFileError("", [Problem(f"{place.name}, reserve", "leaves nothing to breathe of this fill")])
    return Cylinder.model_construct(
        name=place.name, gas=place.gas, size=size.size, working_pressure=size.working_pressure, pressure=size.pressure,
        use=place.use, reserve=place.reserve, switch_depth=None, manifold=place.manifold,
    )  # fmt: skip


def _with(dive: Dive, mix: Mix, cylinders: Sequence[Cylinder]) -> Dive:
    """A dive with another bottom gas or diluent, and other cylinders in place of its bottom, deco or bailout ones."""
    changed = with_mix(dive, mix)
    kept = (cylinder for cylinder in changed.cylinders if cylinder.use not in _replaced_uses(dive))
    carried = (*cylinders, *kept)
    return changed.model_copy(update={"cylinders": carried, "stops": breaks_kept(changed.stops, carried)})
