"""The smallest cylinders that suffice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.dive_file.records import changed
from leadline.dive_file.schema import Cylinder, Dive, SolveCylinder
from leadline.solve.verdict import Bound, BrokenLimit, Told, Tried, Verdict, always, nearest_miss


@dataclass(frozen=True)
class Fitted:
    """A cylinder of the dive file, and the smallest of the list that suffices for it."""

    diver: str
    cylinder: Cylinder
    """As the dive file has it."""
    chosen: SolveCylinder
    smaller: SolveCylinder | None
    """The next smaller one of the list; None if there is none."""
    smaller_breaks: tuple[BrokenLimit, ...]
    """What fails with the next smaller one, all others as found."""


@dataclass(frozen=True)
class CylindersAnswer:
    """The smallest cylinders."""

    dive: Dive
    """With the cylinders found; with the largest everywhere if even those do not suffice."""
    fitted: tuple[Fitted, ...]
    """Empty if even the largest do not suffice."""
    limits: tuple[Bound, ...]
    """What fails with the largest everywhere."""
    verdict: Verdict | None
    complete: bool
    tried: int

    @property
    def found(self) -> bool:
        """Whether cylinders of the list suffice."""
        return bool(self.fitted)

    @property
    def nearest_miss(self) -> str:
        """Where not even the largest suffice: what they break, in one sentence."""
        if self.found or self.verdict is None:
            return ""
        return nearest_miss("the largest everywhere", self.verdict)


def smallest_cylinders(dive: Dive, source: str = "dive", told: Told | None = None) -> CylindersAnswer:
    """The smallest cylinders of [solve] cylinders that suffice for every cylinder that is breathed or feeds a loop.

    From the largest everywhere (water volume times pressure), one cylinder after the other in the order of the file is
    made as small as holds, until no single one can be made smaller. DiveFileError without a list or a cylinder.
    """
    listed = sorted(dive.solve.cylinders, key=lambda c: (c.water_l * c.pressure, c.water_l))
    if not listed:
        said = "is missing or empty; list the cylinders at hand, [[solve.cylinders]]"
        raise DiveFileError(source, [Problem("[solve] cylinders", said)])
    places = _places(dive)
    if not places:
        raise DiveFileError(source, [Problem("[[cylinders]]", "is empty; list what is carried, of any size")])
    tried = Tried(source, told)

    def holds(sizes: Sequence[int]) -> Verdict:
        names = ", ".join(f"{listed[size].water_l:.3g} L" for size in sizes)
        return tried(tuple(sizes), lambda: with_cylinders(dive, [listed[size] for size in sizes]), names)

    sizes = [len(listed) - 1] * len(places)
    complete = True
    try:
        full = holds(sizes)
        smaller = full.holds
        while smaller:
            smaller = False
            for place in range(len(places)):
                for size in range(sizes[place]):
                    if holds([*sizes[:place], size, *sizes[place + 1 :]]).holds:
                        sizes[place], smaller = size, True
                        break
    except KeyboardInterrupt:
        complete = False
    verdicts = tried.verdicts
    made = verdicts.get(tuple(sizes))
    if made is None or not made.holds:
        limits = always(made) if made is not None else ()
        largest = (
            with_cylinders(dive, [listed[size] for size in sizes]) if made is not None and not made.refused else dive
        )
        return CylindersAnswer(largest, (), limits, made, complete, len(verdicts))
    fitted = []
    for place, (diver, cylinder) in enumerate(places):
        size = sizes[place]
        less = verdicts.get((*sizes[:place], size - 1, *sizes[place + 1 :]))
        fitted.append(
            Fitted(
                diver,
                cylinder,
                listed[size],
                listed[size - 1] if size else None,
                less.limits if less is not None else (),
            )
        )
    found = with_cylinders(dive, [listed[size] for size in sizes])
    return CylindersAnswer(found, tuple(fitted), (), made, complete, len(verdicts))


def _places(dive: Dive) -> list[tuple[str, Cylinder]]:
    """Every cylinder that could be of another size, and whose it is: of the file, then of each diver with an own list.

    The file's own list is left out where every diver has one.
    """
    places = []
    if not dive.team or any(diver.cylinders is None for diver in dive.team):
        places += [("", cylinder) for cylinder in dive.cylinders if cylinder.use != "inflation"]
    for diver in dive.team:
        places += [(diver.name, cylinder) for cylinder in diver.cylinders or () if cylinder.use != "inflation"]
    return places


def with_cylinders(dive: Dive, chosen: Sequence[SolveCylinder]) -> Dive:
    """A dive with other cylinders, filled as the list says, for each of `_places`. DiveFileError if a reserve is
    more."""
    sizes = {(diver, cylinder.name): new for (diver, cylinder), new in zip(_places(dive), chosen, strict=True)}

    def resized(diver: str, cylinders: Iterable[Cylinder]) -> tuple[Cylinder, ...]:
        return tuple(
            _resized(cylinder, sizes[diver, cylinder.name]) if (diver, cylinder.name) in sizes else cylinder
            for cylinder in cylinders
        )

    team = tuple(
        diver.model_copy(update={"cylinders": resized(diver.name, diver.cylinders)})
        if diver.cylinders is not None
        else diver
        for diver in dive.team
    )
    return dive.model_copy(update={"cylinders": resized("", dive.cylinders), "team": team})


def _resized(cylinder: Cylinder, new: SolveCylinder) -> Cylinder:
    """A cylinder of another size and fill. DiveFileError if its reserve is more than that."""
    if cylinder.reserve is not None and cylinder.reserve >= new.pressure:
        raise DiveFileError("", [Problem(f"{cylinder.name}, reserve", "leaves nothing to breathe of this fill")])
    return changed(cylinder, size=new.size, working_pressure=new.working_pressure, pressure=new.pressure)
