"""Reads a dive file, or refuses it in words."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from leadline.brief.checks import contradictions
from leadline.brief.errors import BriefError, Problem, key_path
from leadline.brief.schema import Dive
from leadline.units import SYSTEMS

MAX_BYTES = 1_000_000
"""A dive file is a page of text; anything much larger is something else."""


def read_dive(path: str | Path) -> Dive:
    """A dive from a dive file (TOML, docs/dive-file.md). BriefError, naming file, key and remedy, if it is not one."""
    path = Path(path)
    name = path.name or str(path)
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise BriefError(str(path), [Problem("", f"cannot be read: {error.strerror or error}")]) from None
    if len(content) > MAX_BYTES:
        raise BriefError(name, [Problem("", f"is over {MAX_BYTES // 1000} kB, too large for a dive file")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BriefError(name, [Problem("", "is not text; a dive file is TOML in UTF-8")]) from None
    if not text.strip():
        raise BriefError(name, [Problem("", "is empty; examples/ has dive files to start from")])
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise BriefError(name, [Problem("", f"is not TOML: {error}")]) from None
    return parse_dive(data, name)


def parse_dive(data: dict[str, Any], source: str = "dive") -> Dive:
    """A dive from the tables of a dive file. `source` names it in errors. Raises BriefError."""
    units = data.get("units")
    if not isinstance(units, str) or units not in SYSTEMS:
        said = "is missing" if units is None else f"{units!r} is not a system of units"
        raise BriefError(source, [Problem("units", f'{said}; write units = "metric" or units = "imperial"')])
    try:
        dive = Dive.model_validate(data, context={"units": units})
    except ValidationError as error:
        raise BriefError(source, _problems(error)) from None
    problems = contradictions(dive)
    if problems:
        raise BriefError(source, problems)
    return dive


def _problems(error: ValidationError) -> list[Problem]:
    problems: list[Problem] = []
    for detail in error.errors(include_url=False):
        problem = Problem(_key(detail["loc"]), _message(detail))
        if problem not in problems:
            problems.append(problem)
    return problems


def _key(loc: tuple[str | int, ...]) -> str:
    """A key path without the names pydantic gives to the branches of a union."""
    parts: list[str | int] = []
    for part in loc:
        if isinstance(part, str) and _is_union_branch(part):
            continue
        parts.append(part)
    return key_path(*parts)


def _is_union_branch(part: str) -> bool:
    return "[" in part or part in ("float", "str", "RatedCubicFeet")


def _message(detail: ErrorDetails) -> str:
    kind, value = detail["type"], detail["input"]
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(detail["loc"])
    if kind == "missing":
        return "is missing; every dive file needs it here"
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        nearest = difflib.get_close_matches(str(value), context["expected"].replace("'", "").split(", "), n=1)
        return f"{value!r} is not one of {context['expected']}" + (f"; did you mean {nearest[0]!r}?" if nearest else "")
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return f"expected a table of keys here, not {value!r}"
    if kind in ("tuple_type", "list_type"):
        return f"expected a list, not {value!r}"
    said = detail["msg"][0].lower() + detail["msg"][1:]
    shown = repr(value) if not isinstance(value, dict | list) else "this"
    return f"{shown}: {said}"


def _unknown_key(loc: tuple[str | int, ...]) -> str:
    model = _model_at(loc[:-1])
    known = list(model.model_fields) if model else []
    nearest = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.5)
    if nearest:
        return f"is not a key here; did you mean {nearest[0]!r}?"
    return f"is not a key here; known are {', '.join(known)}"


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
