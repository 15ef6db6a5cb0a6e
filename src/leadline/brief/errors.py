"""How a dive file is refused: which file, which key, what is wrong, what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a dive file. `key` is where, as a diver finds it: "[[levels]] 2, depth"."""

    key: str
    message: str


class BriefError(Exception):
    """A dive file that cannot be planned, with everything found wrong with it."""

    def __init__(self, source: str, problems: list[Problem]) -> None:
        """`source` is the file's name."""
        self.source = source
        self.problems = tuple(problems)
        super().__init__("\n".join(self.lines()))

    def lines(self) -> list[str]:
        """One line a problem: file, key, message."""
        return [": ".join(part for part in (self.source, p.key, p.message) if part) for p in self.problems]


def key_path(*parts: str | int) -> str:
    """Where a key is: ("levels", 1, "depth") is "[[levels]] 2, depth"; ("model", "coefficients") "[model] coefficients"."""
    tables = [str(part) for part in takewhile(lambda part: isinstance(part, str), parts)]
    rest = [f"item {part + 1}" if isinstance(part, int) else part for part in parts[len(tables) :]]
    if len(tables) == 1 and rest:
        head = f"[[{tables[0]}]] {rest.pop(0).removeprefix('item ')}"
    elif len(tables) > 1:
        head = f"[{'.'.join(tables[:-1])}] {tables[-1]}"
    else:
        head = "".join(tables)
    return ", ".join([head, *rest])
