"""How a dive file is refused: which file, which key, what is wrong, what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile

MOST_MESSAGE = 300
"""Characters of one message."""
MOST_SHOWN = 60
"""Characters of a refused value or key that a message quotes."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a dive file. `key` is where, as a diver finds it: "[[levels]] 2, depth"."""

    key: str
    message: str


class DiveFileError(Exception):
    """A dive file that cannot be planned, with everything found wrong with it."""

    def __init__(self, source: str, problems: list[Problem]) -> None:
        """`source` is the file's name."""
        self.source = source
        self.problems = tuple(problems)
        super().__init__("\n".join(self.lines()))

    def __reduce__(self) -> tuple[type[DiveFileError], tuple[str, list[Problem]]]:
        """Its own arguments, so that it comes back whole from another process."""
        return type(self), (self.source, list(self.problems))

    def lines(self) -> list[str]:
        """One line a problem: file, key, message."""
        return [": ".join(part for part in (self.source, p.key, p.message) if part) for p in self.problems]


class AtKey(ValueError):
    """What is wrong with one key of a table, found when the table was seen whole."""

    def __init__(self, key: str, message: str) -> None:
        """`key` is a key of the table."""
        self.key = key
        super().__init__(message)


def key_path(*parts: str | int) -> str:
    """Where a key is, lists of tables counted from 1.

    ("levels", 1, "depth") is "[[levels]] 2, depth"; ("site", "water") "[site] water"; ("team", 1, "cylinders", 0,
    "size") "[[team]] 2, cylinders 1, size"; ("solve", "cylinders", 0, "size") "[[solve.cylinders]] 1, size".
    """
    tables = [_written(part) for part in takewhile(lambda part: isinstance(part, str), parts)]
    rest = parts[len(tables) :]
    if (tables and len(rest) > 1) or (len(tables) == 1 and rest):
        head, rest = f"[[{'.'.join(tables)}]] {int(rest[0]) + 1}", rest[1:]
    elif len(tables) > 1:
        head = f"[{'.'.join(tables[:-1])}] {tables[-1]}"
    else:
        head = "".join(tables)
    found = [head]
    for i, part in enumerate(rest):
        if isinstance(part, str):
            found.append(_written(part))
        elif i + 1 < len(rest):  # a table of a list: a key of it follows
            found[-1] += f" {part + 1}"
        else:
            found.append(f"item {part + 1}")
    return ", ".join(found)


def shown(value: object) -> str:
    """A refused value as a message quotes it: short, printable, tables and lists only by name."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    try:
        text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    except ValueError:  # Python does not write out integers of thousands of digits.
        return "so long a number"
    return _short(text)


def shortened(message: str) -> str:
    """A message without the middle of an endless value: what is right stands at its end."""
    return message if len(message) <= MOST_MESSAGE else f"{message[:MOST_SHOWN]}…{message[-160:]}"


def _written(part: str | int) -> str:
    """A key as it stands in the file, quoted if it would not print."""
    text = str(part)
    return _short(text if text and text.isprintable() else repr(text))


def _short(text: str) -> str:
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…"


def expect(value: object, kind: type, function: str, wanted: str) -> None:
    """Refuse an argument of another kind, saying what the function wants. Raises TypeError."""
    if not isinstance(value, kind):
        raise TypeError(f"{function} wants {wanted}, not {type(value).__name__}")
