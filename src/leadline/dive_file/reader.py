"""Reads a dive file, or refuses it in words."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from leadline.dive_file.checks import contradictions
from leadline.dive_file.errors import AtKey, DiveFileError, Problem, key_path, shortened, shown
from leadline.dive_file.schema import Dive, Kept, Previous
from leadline.tissue.coefficients import SetName
from leadline.units import SYSTEMS, SystemName

MAX_BYTES = 1_000_000
"""A dive file is a page of text; anything much larger is something else."""
MOST_IN_A_ROW = 20
"""Dives one after the other, each naming the one before."""
MOST_PROBLEMS = 20
"""Problems told of one file: after so many, more would not help."""
MOST_CHOICES = 8
"""Words that could be right which a message lists although one of them is near."""


Log = Callable[[int, SetName, str, float], Kept]
"""What the log has of a dive by its number, for a coefficient set, a diver (empty without a team) and the surface
interval behind it [min]. LookupError, in words, if it has none, or another of the diver's in that interval."""


@dataclass(frozen=True)
class DiveFile:
    """A dive file as it was read: what is written in it, and the dive that this makes."""

    name: str
    tables: dict[str, Any]
    dive: Dive
    earlier: tuple[Dive | None, ...]
    """Of each [[previous]] the dive of its file, as that is alone; None: of the log."""
    log: Log | None

    def changed(self, tables: dict[str, Any]) -> Dive:
        """The dive of other tables, with the same dives before it; whether its parts agree is still to be asked.
        DiveFileError."""
        dive = _parsed(tables, self.name)
        previous: list[Previous] = []
        for i, (earlier, alone) in enumerate(zip(dive.previous, self.earlier, strict=True)):
            if alone is None:
                previous.append(_found(earlier, i, dive, self.name, self.log))
            else:
                previous.append(earlier.read_as(_begun(alone, previous)))
        return dive.model_copy(update={"previous": tuple(previous)}) if previous else dive


def read_dive(path: str | Path, log: Log | None = None) -> Dive:
    """A dive from a dive file (TOML, docs/dive-file.md), with the dives before it that it names; those of the log are
    asked of `log`. DiveFileError, with file, key and remedy, if not."""
    return read_file(path, log).dive


def read_file(path: str | Path, log: Log | None = None) -> DiveFile:
    """A dive file as `read_dive` reads it, with what is written in it."""
    return _read(Path(path), (), log)


def _read(path: Path, later: tuple[Path, ...], log: Log | None) -> DiveFile:
    """`later` are the files of the dives after it."""
    name = path.name or str(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise DiveFileError(str(path), [Problem("", f"cannot be read: {said[0].lower() + said[1:]}")]) from None
    if len(content) > MAX_BYTES:
        raise DiveFileError(name, [Problem("", f"is over {MAX_BYTES // 1000} kB, too large for a dive file")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise DiveFileError(name, [Problem("", "is not text; a dive file is TOML in UTF-8")]) from None
    if not text.strip():
        raise DiveFileError(name, [Problem("", "is empty; examples/ has dive files to start from")])
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DiveFileError(name, [Problem("", f"is not TOML: {shortened(str(error))}")]) from None
    except (RecursionError, ValueError):
        said = "has tables nested too deeply, or a number too long, for any dive"
        raise DiveFileError(name, [Problem("", said)]) from None
    dive = _parsed(data, name)
    previous: list[Previous] = []
    alone: list[Dive | None] = []
    for i, earlier in enumerate(dive.previous):
        if earlier.file is None:
            alone.append(None)
            previous.append(_found(earlier, i, dive, name, log))
        else:
            found = _read_previous(earlier, i, path, name, later, log)
            alone.append(found)
            previous.append(earlier.read_as(_begun(found, previous)))
    dive = _agreed(dive.model_copy(update={"previous": tuple(previous)}), name)
    return DiveFile(name, data, dive, tuple(alone), log)


def _read_previous(
    earlier: Previous, i: int, path: Path, name: str, later: tuple[Path, ...], log: Log | None
) -> Dive:  # fmt: skip
    """The dive of the file of an earlier dive."""
    assert earlier.file is not None
    found = (path.parent / earlier.file).resolve()
    key = key_path("previous", i, "file")
    if found in (path.resolve(), *later):
        raise DiveFileError(name, [Problem(key, f"{shown(earlier.file)} is this dive, or one after it")])
    if len(later) >= MOST_IN_A_ROW:
        raise DiveFileError(name, [Problem(key, f"more than {MOST_IN_A_ROW} dives one after the other are too many")])
    dive = _read(found, (path.resolve(), *later), log).dive
    if i > 0 and dive.previous:
        said = "names dives before it itself; name here only it, or let it name none"
        raise DiveFileError(name, [Problem(key, f"{shown(earlier.file)} {said}")])
    return dive


def _begun(dive: Dive, before: Sequence[Previous]) -> Dive:
    """An earlier dive, begun as those before it have left the diver."""
    return dive.model_copy(update={"previous": tuple(before)}) if before else dive


def _found(earlier: Previous, i: int, dive: Dive, name: str, log: Log | None) -> Previous:
    """An earlier dive of the log, for every diver."""
    key = key_path("previous", i, "log")
    divers = [diver.name for diver in dive.team] or [""]
    numbers = {divers[0]: earlier.log} if isinstance(earlier.log, int) else dict(earlier.log or ())
    if i > 0:
        said = "comes after another; name it first: what was dived before it is known from the log"
        raise DiveFileError(name, [Problem(key, said)])
    if sorted(numbers) != sorted(divers):
        right = f"{{ {', '.join(f'{diver} = …' for diver in divers)} }}" if dive.team else "one number"
        raise DiveFileError(name, [Problem(key, f"must name a dive of each diver; write {right}")])
    if log is None:
        raise DiveFileError(name, [Problem(key, "is read only where the log is: plan the file with the command")])
    try:
        coefficients, interval_min = dive.model.coefficients, earlier.surface_interval
        return earlier.found_as({diver: log(numbers[diver], coefficients, diver, interval_min) for diver in divers})
    except LookupError as error:
        raise DiveFileError(name, [Problem(key, str(error.args[0]))]) from None


def parse_dive(data: dict[str, Any], source: str = "dive", log: Log | None = None) -> Dive:
    """A dive from the tables of a dive file. `source` names it in errors. Raises DiveFileError.

    Dives before it in files are read by `read_dive` alone, which knows where their files are.
    """
    dive = _parsed(data, source)
    previous: list[Previous] = []
    for i, earlier in enumerate(dive.previous):
        if earlier.file is not None:
            said = "is read only with the dive file itself: plan the file, not its text"
            raise DiveFileError(source, [Problem(key_path("previous", i, "file"), said)])
        previous.append(_found(earlier, i, dive, source, log))
    return _agreed(dive.model_copy(update={"previous": tuple(previous)}) if previous else dive, source)


def read_value(loc: tuple[str | int, ...], value: object, units: SystemName) -> Any:
    """The value of one key, as a dive file of these units would be read with it; `loc` is as ("levels", 0, "depth").
    ValueError in the words of its refusal. Whether it agrees with the rest of a dive is not asked."""
    model = _model_at(loc[:-1])
    assert model is not None
    try:
        return _reader_of(model, str(loc[-1])).validate_python(value, context={"units": units})
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        raise ValueError(_message({**detail, "loc": (*loc, *detail["loc"])})) from None


@lru_cache
def _reader_of(model: type[BaseModel], key: str) -> TypeAdapter[Any]:
    field = model.model_fields[key]
    read_as: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    return TypeAdapter(read_as)


def _parsed(data: dict[str, Any], source: str) -> Dive:
    units = data.get("units")
    if not isinstance(units, str) or units not in SYSTEMS:
        said = "is missing" if units is None else f"{shown(units)} is not a system of units"
        raise DiveFileError(source, [Problem("units", f'{said}; write units = "metric" or units = "imperial"')])
    try:
        return Dive.model_validate(data, context={"units": units})
    except ValidationError as error:
        raise DiveFileError(source, _problems(error, data)) from None


def _agreed(dive: Dive, source: str) -> Dive:
    """A dive whose parts agree."""
    problems = contradictions(dive)
    if problems:
        raise DiveFileError(source, _first(problems))
    return dive


def _problems(error: ValidationError, data: dict[str, Any]) -> list[Problem]:
    details = error.errors(include_url=False)
    # A list is also called too short when its items were refused: those say more.
    lists = {detail["loc"][:1] for detail in details if len(detail["loc"]) > 1}
    details = [detail for detail in details if detail["type"] != "too_short" or detail["loc"] not in lists]
    return _first([Problem(_key(detail, data), _message(detail)) for detail in details])


def _first(problems: list[Problem]) -> list[Problem]:
    """As many as are told, and how many more there are."""
    more = len(problems) - MOST_PROBLEMS
    return [*problems[:MOST_PROBLEMS], *([Problem("", f"and {more} problems more")] if more > 0 else [])]


def _key(detail: ErrorDetails, data: dict[str, Any]) -> str:
    loc = _as_written(detail["loc"], data)
    error = detail.get("ctx", {}).get("error")
    if isinstance(error, AtKey):
        loc = (*loc, error.key)
    if len(loc) == 1 and loc[0] in ("levels", "cylinders", "team"):
        return f"[[{loc[0]}]]"
    return f"[{loc[0]}]" if len(loc) == 1 and _model_at(loc) not in (None, Dive) else key_path(*loc)


def _as_written(loc: tuple[str | int, ...], data: Any) -> tuple[str | int, ...]:
    """Where a key is in the file: one value that stands for a list of them has no number."""
    found: list[str | int] = []
    for part in loc:
        if isinstance(part, int) and not isinstance(data, list):
            break
        found.append(part)
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            data = None
    return (*found, *loc[len(found) + 1 :]) if len(found) < len(loc) else loc


def _message(detail: ErrorDetails) -> str:
    kind, value, loc = detail["type"], detail["input"], detail["loc"]
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(loc)
    if kind == "missing":
        return f"is missing; {_needs_it(loc)} needs it"
    if kind == "value_error":
        return shortened(str(context["error"]))
    if kind == "literal_error":
        choices = re.findall("'(.*?)'", context["expected"])
        meant = _did_you_mean(value, choices)
        if meant and len(choices) > MOST_CHOICES:  # the near one is enough
            return f"{shown(value)} is not a word known here{meant}"
        return f"{shown(value)} is not one of {', '.join(choices)}{meant}"
    if kind in ("model_type", "model_attributes_type"):
        right = f"one table, [{_dotted(loc)}]" if isinstance(loc[-1], str) else "a table of keys"
        return f"is {shown(value)}; it must be {right}"
    if kind == "tuple_type":
        if _model_at(loc) not in (None, _model_at(loc[:-1])):
            return f"is {shown(value)}; it must be a list: write each with double brackets, [[{_dotted(loc)}]]"
        return f"is {shown(value)}; it must be a list: write it in brackets, {_in_brackets(value)}"
    if kind == "too_short":
        return "is empty; a dive needs at least one"
    if kind == "too_long":
        return f"{len(value)} are too many; at most {context['max_length']}"
    if kind == "bool_type":
        return f"{shown(value)} is neither true nor false"
    return f"{shown(value)} is refused: {detail['msg']}"


def _needs_it(loc: tuple[str | int, ...]) -> str:
    if len(loc) == 1:
        return "every dive file"
    return f"every [[{_dotted(loc[:-1])}]]" if isinstance(loc[-2], int) else f"[{_dotted(loc[:-1])}]"


def _dotted(loc: tuple[str | int, ...]) -> str:
    """The name of a table: "team.cylinders"."""
    return ".".join(part for part in loc if isinstance(part, str))


def _in_brackets(value: object) -> str:
    if isinstance(value, str):
        return f'["{shown(value)[1:-1]}"]'
    return f"[{shown(value)}]" if isinstance(value, int | float) else "[...]"


def _unknown_key(loc: tuple[str | int, ...]) -> str:
    model = _model_at(loc[:-1])
    known = [field.alias or name for name, field in model.model_fields.items()] if model else []
    return "is not a key here" + (_did_you_mean(loc[-1], known) or f"; known are {', '.join(known)}")


def _did_you_mean(said: object, right: list[str]) -> str:
    if not isinstance(said, str):
        return ""
    folded = {name.casefold(): name for name in right}
    nearest = difflib.get_close_matches(said.casefold(), folded, n=1, cutoff=0.5)
    return f"; did you mean {folded[nearest[0]]!r}?" if nearest else ""


def _model_at(loc: tuple[str | int, ...]) -> type[BaseModel] | None:
    model: type[BaseModel] = Dive
    for part in loc:
        if isinstance(part, int):
            continue
        if part not in model.model_fields:
            return None
        found = _models_in(model.model_fields[part].annotation)
        if not found:
            return None
        model = found[0]
    return model


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for argument in get_args(annotation) for model in _models_in(argument)]
