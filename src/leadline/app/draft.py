"""A dive file while it is being written: its text, edited key by key, with comments and order kept."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

Key = tuple[str | int, ...]
"""Where a value stands: ("site", "altitude"), ("levels", 0, "depth"), ("team", 1, "cylinders", 0, "gas")."""

MOST_UNDONE = 200
"""Steps that can be undone."""
MOST_CHARACTERS = 50_000
"""A dive file of the page: ten times the longest that a diver would write. What is longer would hold up others."""


@dataclass(frozen=True)
class Draft:
    """The text of a dive file. Editing gives another draft; what is not touched keeps its comments and its place."""

    text: str

    def value(self, key: Key) -> Any:
        """What stands at a key, as written; None if nothing does, or if the text is not TOML."""
        return _at(_values(self.text), key)

    @property
    def readable(self) -> bool:
        """Whether the text is TOML."""
        return bool(_values(self.text))

    def with_value(self, key: Key, value: Any) -> Draft:
        """A draft with a value at a key; None takes the key out. Tables on the way are made. Raises ValueError if the
        text is not TOML, or has something else than a table on the way."""
        document, expected = _parsed(self.text), deepcopy(_values(self.text))
        for tables in (document, expected):
            try:
                _put(tables, key, value)
            except (AttributeError, IndexError, KeyError, TypeError, TOMLKitError):
                raise ValueError(f"{key[-1]} has no place in this dive file as it is written") from None
        return _dumped(document, expected)

    def with_row(self, key: Key, row: dict[str, Any], at: int | None = None) -> Draft:
        """A draft with one table more in a list of tables, at the end or in a place. ValueError as above."""
        document, expected = _parsed(self.text), deepcopy(_values(self.text))
        if len(key) == 2 and key[0] not in expected:  # [fills], for a first source
            document[f"{key[0]}"], expected[f"{key[0]}"] = tomlkit.table(), {}
        parent, plain = _at(document, key[:-1]), _at(expected, key[:-1])
        if not isinstance(plain, dict) or not isinstance(plain.setdefault(key[-1], []), list):
            raise ValueError(f"{key[-1]} has no place in this dive file as it is written")
        made = tomlkit.table()
        for name, value in row.items():
            made[name] = value
        at = len(plain[key[-1]]) if at is None else at
        if not isinstance(parent.get(key[-1]), AoT):  # nothing, or a list written in one line
            before = parent.pop(key[-1], None)
            parent[key[-1]] = tomlkit.aot()
            for table in before.unwrap() if before is not None else ():
                parent[key[-1]].append(tomlkit.item(table))
        parent[key[-1]].insert(at, made)
        plain[key[-1]].insert(at, dict(row))
        return _dumped(document, expected)

    def without_row(self, key: Key, at: int) -> Draft:
        """A draft with one table less in a list of tables; the last one takes the list with it. ValueError as above."""
        document, expected = _parsed(self.text), deepcopy(_values(self.text))
        for tables in (document, expected):
            parent = _at(tables, key[:-1])
            rows = _at(tables, key)
            if not isinstance(rows, list) or not 0 <= at < len(rows):
                raise ValueError(f"{key[-1]} {at + 1} is not in this dive file")
            if len(rows) > 1:
                del rows[at]
            else:
                del parent[key[-1]]
        return _dumped(document, expected)

    def rows(self, key: Key) -> int:
        """How many tables a list of tables has."""
        found = self.value(key)
        return len(found) if isinstance(found, list) else 0


@dataclass(frozen=True)
class History:
    """A draft, with those before it and those undone."""

    now: Draft
    past: tuple[Draft, ...] = ()
    future: tuple[Draft, ...] = ()

    def then(self, draft: Draft, amends: bool = False) -> History:
        """The next draft. The same text again is no step; one that amends the last is no step of its own."""
        if draft == self.now:
            return self
        if amends and self.past:
            return History(draft, self.past)
        return History(draft, (*self.past, self.now)[-MOST_UNDONE:])

    def undone(self) -> History:
        """One step back, if there is one."""
        if not self.past:
            return self
        return History(self.past[-1], self.past[:-1], (self.now, *self.future))

    def redone(self) -> History:
        """One undone step again, if there is one."""
        if not self.future:
            return self
        return replace(self, now=self.future[0], past=(*self.past, self.now), future=self.future[1:])


def typed(text: str) -> Any:
    """What a diver types, as a TOML value: a number where it is one, a list of numbers or words where there are commas,
    true and false, a table for "down 30, up 36" or in braces; anything else is text. None for nothing."""
    text = text.strip()
    if not text:
        return None
    ways = [part.split(maxsplit=1) for part in text.split(",")]
    if all(len(way) == 2 and way[0] in ("down", "up") for way in ways):
        return {way: typed(depth) for way, depth in ways}
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    if text.startswith(("{", "[{", "[[")):
        return _values(f"it = {text}").get("it", text)
    if "," in text:
        return [typed(part) for part in text.strip("[]").split(",") if part.strip()]
    try:
        number = float(text)
    except ValueError:
        return text
    if number != number or abs(number) == float("inf"):
        return text
    return int(number) if number == int(number) and "." not in text and "e" not in text.lower() else number


def shown(value: Any) -> str:
    """A value of a dive file, as a diver would type it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict) and value and set(value) <= {"down", "up"}:
        return ", ".join(f"{key} {shown(part)}" for key, part in value.items())
    if isinstance(value, dict) or (isinstance(value, list) and any(isinstance(one, list) for one in value)):
        return tomlkit.item(value, _sort_keys=False).as_string() if isinstance(value, list) else _in_braces(value)
    if isinstance(value, list):
        return ", ".join(shown(part) for part in value)
    return f"{value:g}" if isinstance(value, float) else f"{value}"


def _in_braces(value: dict[str, Any]) -> str:
    table = tomlkit.inline_table()
    table.update(value)
    return table.as_string()


@lru_cache(maxsize=256)
def _values(text: str) -> dict[str, Any]:
    """The values of a text, to be read only; empty if it is not TOML."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return {}


def _parsed(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError) as error:
        raise ValueError(f"the dive file is not TOML: {str(error)[:200]}") from None


def _put(tables: Any, key: Key, value: Any) -> None:
    """Put a value at a key, or take out what is there for None."""
    table = tables
    for part, following in pairwise(key):
        if isinstance(part, str) and part not in table:
            if value is None:
                return
            plain = isinstance(tables, dict) and not isinstance(tables, tomlkit.TOMLDocument)
            made: Any = [] if isinstance(following, int) else {}
            table[part] = made if plain else tomlkit.aot() if isinstance(following, int) else tomlkit.table()
        table = table[part]
    if value is not None:
        in_one_line = isinstance(value, dict) and isinstance(table, Table)
        table[key[-1]] = tomlkit.inline_table() | value if in_one_line else value
    elif key[-1] in table:
        del table[key[-1]]


def _dumped(document: tomlkit.TOMLDocument, expected: dict[str, Any]) -> Draft:
    """The draft of an edited document. ValueError if it does not say what was meant, and that alone."""
    draft = Draft(tomlkit.dumps(document))
    if _values(draft.text) != expected:
        raise ValueError("this cannot be changed here; write it in the dive file, below")
    return draft


def _at(table: Any, key: Sequence[str | int]) -> Any:
    for part in key:
        if isinstance(part, str) and isinstance(table, dict | Table):
            table = table.get(part)
        elif isinstance(part, int) and isinstance(table, list) and part < len(table):
            table = table[part]
        else:
            return None
    return table
