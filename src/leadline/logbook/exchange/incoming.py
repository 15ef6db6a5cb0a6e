"""Brings recorded dives into the log, each on its own: what is broken or known already keeps no other out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from leadline.logbook.database.store import BrokenDive, Duplicate, Logbook
from leadline.logbook.dived import Dived, KeptPlan


@dataclass(frozen=True)
class ImportOutcome:
    """What became of one dive of a file."""

    place: int
    """Its number in the file, from 1."""
    number: int | None
    """Its number in the log; None: it is broken."""
    new: bool
    """Whether it was not in the log before."""
    why: str = ""
    """What is broken about it."""


def import_dives(
    log: Logbook, dives: Iterable[tuple[int, Dived | str]], diver: str = "", plan: KeptPlan | None = None
) -> Iterator[ImportOutcome]:
    """Add the dives of a file, one after the other as the outcomes are asked for. LogError if the log cannot take them.

    `diver` is of those whose file names none. A `plan` is kept with each that comes in, in place of its own.
    """
    for place, dived in dives:
        if isinstance(dived, str):
            yield ImportOutcome(place, None, False, dived)
            continue
        try:
            number = log.add(replace(dived, diver=dived.diver or diver, plan=plan if plan is not None else dived.plan))
            yield ImportOutcome(place, number, True)
        except Duplicate as known:
            yield ImportOutcome(place, known.number, False)
        except BrokenDive as broken:
            yield ImportOutcome(place, None, False, "; ".join(problem.message for problem in broken.problems))
