"""The axes of a sweep: which parts of the dive file are varied, through which values, and how many dives that makes.

A part is named by its path, `levels.1.depth` or `cylinders.back gas.gas`; its values are read by the dive file's own
reader, with its bounds and its words. Nothing is expanded before it is counted.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Context, Decimal
from fractions import Fraction
from typing import Annotated, Any, get_args, get_origin

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from leadline.dive_file.errors import DiveFileError, Problem, key_path, shortened, shown
from leadline.dive_file.reader import DiveFile, read_value
from leadline.dive_file.schema import Dive, Kept, Model, SweepAxis
from leadline.physics.mix import Mix
from leadline.tissue.coefficients import SetName

Array = NDArray[Any]
Loc = tuple[str | int, ...]
"""Where a key is: ("levels", 0, "depth")."""

MOST_DIVES = 100_000_000
"""Of one sweep."""
MOST_VALUES = 100_000
"""Of one axis."""
NOT_OF_THE_DIVE = ("solve", "fills", "compare", "sweep", "tables", "ensemble")
"""Tables that say nothing of how the dive is dived."""
FOR_THE_VERDICT = {
    ("contingencies",), ("after",), ("limits", "end_caution"), ("limits", "end_no_go"), ("limits", "density_caution"),
    ("limits", "cns_caution"), ("limits", "cns_no_go"), ("limits", "otu_caution"), ("limits", "otu_no_go"),
    ("limits", "scrubber_caution"), ("limits", "scrubber_no_go"), ("limits", "ppo2_bottom_no_go"),
    ("limits", "ppo2_deco_no_go"), ("limits", "tts"), ("limits", "run_time"), ("gas", "turn"),
    ("diver", "rmv_stressed"), ("diver", "stressed_for"), ("diver", "rmv_bailout"), ("diver", "sorting_out"),
    ("team", "rmv_stressed"), ("team", "stressed_for"), ("team", "rmv_bailout"), ("loop", "scrubber"),
    ("loop", "semi_closed"), ("loop", "diluent_second_stage"),
}  # fmt: skip
"""Tables, and keys of tables, that only the verdict of a dive with its contingencies depends on."""
HALVES = ("low", "high")
"""Of a pair of gradient factors."""

_SPACED = re.compile(r"\s*([+-]?(?:\d{1,20}\.?\d{0,20}|\.\d{1,20}))\s*(.*?)\s*$", re.ASCII)
_EXACT = Context(prec=400)


@dataclass(frozen=True)
class Place:
    """A part of the dive file."""

    key: str
    """As the sweep names it."""
    loc: Loc
    half: int | None = None
    """Of a pair of gradient factors which; None: both, or another key."""

    def read(self, value: object, dive: Dive) -> Any:
        """A value of it, metric. ValueError in the words of the dive file's reader."""
        if self.half is None:
            found = read_value(self.loc, value, dive.units)
            return found[0] if isinstance(found, tuple) and len(found) == 1 else found
        pair: list[object] = [50.0, 50.0]
        pair[self.half] = value
        return read_value(self.loc, pair, dive.units)[self.half]

    def put(self, tables: dict[str, Any], value: object) -> dict[str, Any]:
        """Tables with a value in this place."""
        changed = _put(tables, self.loc, value, self.half)
        assert isinstance(changed, dict)
        return changed


@dataclass(frozen=True)
class Axis:
    """Places that are given the same value, and the values they are given."""

    places: tuple[Place, ...]
    values: tuple[object, ...]
    """As they would be written."""
    reads: tuple[tuple[Any, ...], ...]
    """As the dive file's reader has them, place by place: metric."""

    @property
    def read(self) -> tuple[Any, ...]:
        """Those of the first place."""
        return self.reads[0]

    @property
    def name(self) -> str:
        """Heads its column."""
        return self.places[0].key


@dataclass(frozen=True)
class Recorded:
    """What the log has said, for where it is not at hand. It is asked as `leadline.dive_file.reader.Log` is."""

    said: tuple[tuple[tuple[int, SetName, str, float], Kept | str], ...]

    def __call__(self, number: int, coefficients: SetName, diver: str, interval_min: float) -> Kept:
        """What it said; LookupError as it was."""
        found = dict(self.said)[number, coefficients, diver, interval_min]
        if isinstance(found, str):
            raise LookupError(found)
        return found


@dataclass(frozen=True)
class SweepPlan:
    """Dives to be planned: plain data, fit to be sent to whoever plans them."""

    file: DiveFile
    axes: tuple[Axis, ...]
    """Of a grid the last turns fastest."""
    together: bool
    contingencies: bool

    @property
    def dives(self) -> int:
        """How many."""
        if self.together:
            return len(self.axes[0].values)
        return math.prod(len(axis.values) for axis in self.axes)

    def indices(self, first: int, end: int) -> tuple[Array, ...]:
        """Of dives from `first` to before `end`, counted from 0: which value each has, axis by axis."""
        dives = np.arange(first, end)
        if self.together:
            return tuple(dives for _ in self.axes)
        return np.unravel_index(dives, [len(axis.values) for axis in self.axes])

    def tables(self, chosen: Sequence[tuple[Axis, int]]) -> dict[str, Any]:
        """The tables of a dive with chosen values, without what is not of the dive."""
        tables = {name: table for name, table in self.file.tables.items() if name not in NOT_OF_THE_DIVE}
        for axis, i in chosen:
            for place in axis.places:
                tables = place.put(tables, axis.values[i])
        return tables


def sweep_of(file: DiveFile, quick: Callable[[Place], bool] = lambda place: False) -> SweepPlan:
    """The sweep of a dive file. DiveFileError, with axis, value and what would be right.

    `quick` places are those that a change of costs little: of a grid, their axes turn fastest.
    """
    given = file.dive.sweep
    if not given.axes:
        said = 'is missing; say what to vary, such as key = "levels.1.depth" and values = [30, 40, 50]'
        raise DiveFileError(file.name, [Problem("[[sweep.axes]]", said)])
    places: list[tuple[Place, ...]] = []
    for i, axis in enumerate(given.axes):
        places.append(tuple(_place(key, file, i, given.contingencies) for key in axis.key))
    _distinct(places, file.name)
    counted = [_count(axis, i, file.name) for i, axis in enumerate(given.axes)]
    _bounded(places, counted, given.together, file.name)
    axes = [
        _axis(found, _values(axis, count), i, file)
        for i, (found, axis, count) in enumerate(zip(places, given.axes, counted, strict=True))
    ]
    if not given.together:
        axes.sort(key=lambda axis: all(map(quick, axis.places)))
    return SweepPlan(replace(file, log=_recorded(file, axes)), tuple(axes), given.together, given.contingencies)


def _recorded(file: DiveFile, axes: Sequence[Axis]) -> Recorded | None:
    """What the log says of the dives before, for every surface interval that is asked for."""
    if file.log is None or None not in file.earlier:
        return None
    said: dict[tuple[int, SetName, str, float], Kept | str] = {}
    log = file.log

    def asked(number: int, coefficients: SetName, diver: str, interval_min: float) -> Kept:
        key = (number, coefficients, diver, interval_min)
        try:
            said[key] = kept = log(*key)
        except LookupError as error:
            said[key] = str(error.args[0])
            raise
        return kept

    listening = replace(file, log=asked)
    listening.changed(file.tables)
    interval: Loc = ("previous", 0, "surface_interval")
    on_air = Place("", ("previous", 0, "oxygen")).put(file.tables, 0)
    for axis in axes:
        for place in axis.places:
            for value in axis.values if place.loc == interval else ():
                try:
                    listening.changed(place.put(on_air, value))
                except DiveFileError:
                    continue  # a dive that is refused, with what the log said, when it comes to it
    return Recorded(tuple(said.items()))


# --- Places -----------------------------------------------------------------------------------------------------------


def _place(text: str, file: DiveFile, axis: int, contingencies: bool) -> Place:
    """A part of the dive file by its path. DiveFileError, with what is near, if there is none, or it is no number."""

    def refused(said: str) -> DiveFileError:
        return DiveFileError(file.name, [Problem(key_path("sweep", "axes", axis, "key"), f"{shown(text)} {said}")])

    loc: Loc = ()
    model: type[BaseModel] = Dive
    at: Any = file.tables
    rest = text
    while True:
        name, _, rest = rest.partition(".")
        fields = {field.alias or key: field for key, field in model.model_fields.items()}
        if name not in fields:
            known = list(fields) if loc else [key for key in fields if key not in NOT_OF_THE_DIVE]
            near = _near(name, known)
            before = text[: len(text) - len(name) - (len(rest) + 1 if rest else 0)]
            meant = f"{before}{near}{'.' + rest if rest else ''}"
            raise refused(
                f"is not in a dive file; did you mean {meant!r}?"
                if near
                else f"is not in a dive file: {shown(name)} is no key there; known are {', '.join(known)}"
            )
        if not loc and name in NOT_OF_THE_DIVE:
            raise refused(f"is no part of the dive: [{name}] says nothing of how it is dived")
        field, loc = fields[name], (*loc, name)
        words = tuple(part for part in loc if isinstance(part, str))
        if not contingencies and not FOR_THE_VERDICT.isdisjoint({words, words[-2:]}):
            raise refused(
                "changes nothing but the verdict, which is not asked for; write contingencies = true in [sweep]"
            )
        inner = _model_in(field.annotation)
        value = at.get(name) if isinstance(at, dict) else None
        if inner is None:
            return _number_there(text, loc, rest, field.annotation, value, field.get_default(), refused)
        if value is None and field.get_default() is None:
            raise refused(f"is not in this file: it has no {_dotted(loc)}; write that first")
        if _is_list(field.annotation):
            items = value if isinstance(value, list) else []
            if not rest:
                raise refused(f"is a list; say which and what of it, such as {f'{text}.1.{_example(inner)}'!r}")
            i, rest = _item(text, rest, items, name, refused)
            loc, value = (*loc, i), items[i]
        if not rest:
            raise refused(f"is a table; say which key of it, such as {f'{text}.{_example(inner)}'!r}")
        model, at = inner, value if value is not None else {}


def _number_there(
    text: str, loc: Loc, rest: str, annotation: Any, written: object, default: object,
    refused: Callable[[str], DiveFileError],
) -> Place:  # fmt: skip
    pair = loc[-1] == "gradient_factors"
    if loc[0] == "previous" and loc[-1] == "log":
        raise refused("is which dive of the log comes before, not a quantity; it cannot be varied")
    if not any(leaf in (float, int, Mix) for leaf in _leaves(annotation)):
        raise refused("is not a number or a gas; only those are varied")
    if not rest:
        return Place(text, loc)
    if not pair:
        raise refused(f"goes too far: {text[: -len(rest) - 1]!r} is one value")
    if rest not in HALVES:
        near = _near(rest, HALVES)
        raise refused(
            f"is not in a dive file; did you mean {f'{text[: -len(rest)]}{near}'!r}?"
            if near
            else f"is not in a dive file; write {text[: -len(rest)]}low or {text[: -len(rest)]}high"
        )
    if written is None and default is None:
        raise refused("is not in this file: it has no gradient factors there; write them first")
    return Place(text, loc, HALVES.index(rest))


def _item(
    text: str, rest: str, items: Sequence[dict[str, Any]], what: str, refused: Callable[[str], DiveFileError]
) -> tuple[int, str]:
    """Which item of a list a path goes on with, by its number or its name, and what is left of the path."""
    if number := re.match(r"(\d+)(?:\.|$)", rest):
        i = int(number[1][:9])
        if not 1 <= i <= len(items):
            there = f"1 to {len(items)}" if len(items) > 1 else "only 1" if items else "none"
            raise refused(f"is not in this file: of [[{what}]] it has {there}")
        return i - 1, rest[len(number[0]) :]
    names = [str(item.get("name", "")) for item in items]
    # A name may have a point in it: the longest that fits is meant.
    for i in sorted(range(len(names)), key=lambda i: -len(names[i])):
        start = rest[: len(names[i])]
        if names[i] and start.casefold() == names[i].casefold() and rest[len(start) :][:1] in ("", "."):
            return i, rest[len(start) + 1 :]
    said, _, after = rest.partition(".")
    near = _near(said, [name for name in names if name])
    if near:
        meant = f"{text[: -len(rest)]}{near}{'.' + after if after else ''}"
        raise refused(f"is not in this file; did you mean {meant!r}?")
    if not items:
        raise refused(f"is not in this file: it has no [[{what}]]")
    known = ", ".join(shown(name) for name in names if name)
    has = f"there are {known}" if known else f"count them from 1, as in {text[: -len(rest)]}1"
    raise refused(f"is not in this file: no {shown(said)} in [[{what}]]; {has}")


def _distinct(places: Sequence[Sequence[Place]], source: str) -> None:
    """Refuse a part that two axes, or one twice, would set."""
    seen: dict[tuple[Loc, int], Place] = {}
    for i, of_axis in enumerate(places):
        for place in of_axis:
            halves = (0, 1) if place.half is None else (place.half,)
            for half in halves:
                if (before := seen.get((place.loc, half))) is not None:
                    same = f"sets what {shown(before.key)} sets too; leave one of them out"
                    key = key_path("sweep", "axes", i, "key")
                    raise DiveFileError(source, [Problem(key, f"{shown(place.key)} {same}")])
                seen[place.loc, half] = place


def _put(node: Any, loc: Loc, value: object, half: int | None) -> Any:
    """Tables with a value at a place; what is not on the way there is shared."""
    if not loc:
        if half is None:
            return value
        pair = list(node)
        pair[half] = value
        return pair
    first, rest = loc[0], loc[1:]
    if isinstance(first, int):
        return [_put(item, rest, value, half) if i == first else item for i, item in enumerate(node)]
    node = node if node is not None else {}
    inner = node.get(first)
    if inner is None and not rest and half is not None:  # as the schema has it for a file without
        inner = Model.model_fields["gradient_factors"].default
    return {**node, first: _put(inner, rest, value, half)}


def _leaves(annotation: Any) -> Iterator[Any]:
    """The types that an annotation is made of."""
    if get_origin(annotation) is Annotated:
        yield from _leaves(get_args(annotation)[0])
    elif arguments := get_args(annotation):
        for argument in arguments:
            yield from _leaves(argument)
    else:
        yield annotation


def _model_in(annotation: Any) -> type[BaseModel] | None:
    return next((leaf for leaf in _leaves(annotation) if isinstance(leaf, type) and issubclass(leaf, BaseModel)), None)


def _is_list(annotation: Any) -> bool:
    if get_origin(annotation) is tuple:
        return True
    return any(_is_list(argument) for argument in get_args(annotation))


def _example(model: type[BaseModel]) -> str:
    """A key of a table that can be varied."""
    fields = model.model_fields.items()
    numbers = (key for key, field in fields if any(leaf in (float, int) for leaf in _leaves(field.annotation)))
    return next(numbers, next(iter(model.model_fields)))


def _dotted(loc: Loc) -> str:
    return f"[{'.'.join(str(part) for part in loc if isinstance(part, str))}]"


def _near(said: str, known: Sequence[str]) -> str:
    folded = {name.casefold(): name for name in known}
    nearest = difflib.get_close_matches(said.casefold(), folded, n=1, cutoff=0.5)
    return folded[nearest[0]] if nearest else ""


# --- Values -----------------------------------------------------------------------------------------------------------


def _count(axis: SweepAxis, i: int, source: str) -> int:
    """How many values an axis has, worked out without making them."""
    if axis.values is not None:
        return len(axis.values)
    first, last, step, _ = _ends(axis, i, source)
    problem = None
    if step == 0:
        problem = "0 leads nowhere; write the way from one value to the next"
    elif (last - first) / step < 0:
        said = f"leads away from to: from {axis.from_} to {axis.to}"
        problem = f"{axis.step} {said} it must be {'over' if last > first else 'below'} 0"
    if problem is not None:
        raise DiveFileError(source, [Problem(key_path("sweep", "axes", i, "step"), shortened(problem))])
    return int((last - first) / step) + 1


def _values(axis: SweepAxis, count: int) -> Iterator[object]:
    """The values of an axis, each as it would be written."""
    if axis.values is not None:
        yield from axis.values
        return
    first, step, unit = (Decimal(_split(axis.from_)[0]), Decimal(_split(axis.step)[0]), _split(axis.from_)[1])
    whole = isinstance(axis.from_, int) and isinstance(axis.step, int)
    for k in range(count):
        value = _EXACT.add(first, _EXACT.multiply(Decimal(k), step))
        yield f"{value:f} {unit}" if isinstance(axis.from_, str) else int(value) if whole else float(value)


def _ends(axis: SweepAxis, i: int, source: str) -> tuple[Fraction, Fraction, Fraction, str]:
    """First and last value, and the step, in the one unit that all are written in."""
    given = {"from": axis.from_, "to": axis.to, "step": axis.step}
    units = set()
    for key, value in given.items():
        try:
            units.add(_split(value)[1].casefold())
        except ValueError as error:
            raise DiveFileError(source, [Problem(key_path("sweep", "axes", i, key), str(error))]) from None
    if len(units) > 1:
        said = f"from, to and step must be in the same unit; they are {shown(axis.from_)}, {shown(axis.to)} and "
        raise DiveFileError(source, [Problem(key_path("sweep", "axes", i, "from"), f"{said}{shown(axis.step)}")])
    first, last, step = (Fraction(_split(value)[0]) for value in given.values())
    return first, last, step, units.pop()


def _split(value: object) -> tuple[str, str]:
    """A number, exactly as written, and its unit."""
    if isinstance(value, str):
        match = _SPACED.match(value)
        if match is None:
            raise ValueError(f"{shown(value)} is not a number with a unit")
        return match[1], match[2]
    assert isinstance(value, int | float)
    try:
        if not math.isfinite(value):
            raise ValueError(f"{shown(value)} is not a finite number")
    except OverflowError:
        raise ValueError("the number is far too large") from None
    return repr(value), ""


def _bounded(places: Sequence[Sequence[Place]], counted: Sequence[int], together: bool, source: str) -> None:
    """Refuse more dives than can be planned, by arithmetic alone, and lists of unequal length."""
    names = [of_axis[0].key for of_axis in places]
    if together and len(set(counted)) > 1:
        has = ", ".join(f"{name} {_many(count)}" for name, count in zip(names, counted, strict=True))
        said = f"is true, so all axes must have as many values; {has}. Make them the same, or leave together out"
        raise DiveFileError(source, [Problem("[sweep] together", shortened(said))])
    dives = counted[0] if together else math.prod(counted)
    if dives > MOST_DIVES:
        times = " × ".join(_many(count) for count in counted)
        made = f"make {_many(dives)} dives" + (f" ({times})" if len(counted) > 1 and not together else "")
        said = f"{made}; at most {MOST_DIVES:,} are planned in one sweep. Take larger steps, or fewer axes"
        raise DiveFileError(source, [Problem("[[sweep.axes]]", said)])
    for i, (name, count) in enumerate(zip(names, counted, strict=True)):
        if count > MOST_VALUES:
            said = f"{name} has {_many(count)} values; at most {MOST_VALUES:,} fit one axis"
            raise DiveFileError(source, [Problem(f"[[sweep.axes]] {i + 1}", said)])


def _many(count: int) -> str:
    """A count, however large."""
    return f"{count:,}" if count < 10**18 else f"about 10^{int(math.log10(count))}"


def _axis(places: tuple[Place, ...], values: Iterator[object], i: int, file: DiveFile) -> Axis:
    """An axis whose every value its keys can take."""
    written: list[object] = []
    reads: list[list[Any]] = []
    given = file.dive.sweep.axes[i].values
    for j, value in enumerate(values):
        found = []
        for place in places:
            try:
                if isinstance(value, bool) or not isinstance(value, int | float | str | tuple):
                    raise ValueError(f"{shown(value)} is neither a number nor a gas")
                found.append(place.read(value, file.dive))
            except ValueError as error:
                where = key_path("sweep", "axes", i, "values", j) if given is not None else f"[[sweep.axes]] {i + 1}"
                raise DiveFileError(file.name, [Problem(where, f"for {place.key}: {error}")]) from None
        written.append(value)
        reads.append(found)
    return Axis(places, tuple(written), tuple(zip(*reads, strict=True)))
