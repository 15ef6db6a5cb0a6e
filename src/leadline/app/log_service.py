"""Works on the dive log for the page: what is quick in a thread, what may take long in a process."""

from __future__ import annotations

import asyncio
import multiprocessing
import tempfile
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pebble import ProcessPool

from leadline.dive_file.errors import DiveFileError
from leadline.logbook.database.store import Entry, Logbook, Logged
from leadline.logbook.debrief.against_plan import Debrief
from leadline.logbook.debrief.recall import debrief_of
from leadline.logbook.dived import Dived, KeptPlan
from leadline.logbook.exchange.files import read_bytes, write_file
from leadline.logbook.exchange.incoming import import_dives

LONGEST_IMPORT_S = 900.0
"""After so long an import is ended; what came in by then is whole."""
MOST_TOLD = 20
"""Broken dives that are told of, of all files brought in at once."""


@dataclass(frozen=True)
class Listed:
    """The dives of the log, the newest first."""

    name: str
    """Where the log is."""
    entries: tuple[Entry, ...]
    divers: tuple[str, ...]


@dataclass(frozen=True)
class Brought:
    """What came of files of dives."""

    new: tuple[int, ...] = ()
    known: int = 0
    broken: int = 0
    wrong: tuple[str, ...] = ()
    """Of broken dives and files that cannot be read, in words."""
    ended: tuple[str, ...] = ()
    """Of files that were ended before their end, in words: what came in of them is not counted here."""

    def __add__(self, other: Brought) -> Brought:
        """Of both."""
        return Brought(
            self.new + other.new,
            self.known + other.known,
            self.broken + other.broken,
            self.wrong + other.wrong,
            self.ended + other.ended,
        )


@dataclass(frozen=True)
class Debriefed:
    """How a dive went, or in words why that cannot be said."""

    found: Debrief | None
    refused: tuple[str, ...] = ()


# --- In threads -------------------------------------------------------------------------------------------------------


def _listed(database: str | None) -> Listed:
    with Logbook.open(database) as log:
        return Listed(log.name, log.entries()[::-1], log.divers())


def _dive(database: str | None, number: int) -> Logged:
    with Logbook.open(database) as log:
        return log.dive(number)


def _add(database: str | None, dived: Dived) -> int:
    with Logbook.open(database) as log:
        return log.add(dived)


def _keep_plan(database: str | None, number: int, plan: KeptPlan) -> None:
    with Logbook.open(database) as log:
        log.keep_plan(number, plan)


def _remove(database: str | None, number: int) -> None:
    with Logbook.open(database) as log:
        log.remove(number)


# --- In processes -----------------------------------------------------------------------------------------------------

_shared: list[Any] = []
"""In the process that brings dives in: the job's number, dives done, dives in the file."""


def _begin(*shared: Any) -> None:
    _shared[:] = shared


def _begun() -> None:
    pass


def _bring_in(
    database: str | None, path: Path, name: str, diver: str, began: datetime | None, job: int
) -> Brought:  # fmt: skip
    """Bring in the dives of a file that is at `path` and was called `name`."""
    current, done, total = _shared
    done.value = total.value = 0
    current.value = job
    new: list[int] = []
    wrong: list[str] = []
    known = broken = 0
    try:
        with Logbook.open(database) as log:
            reading = read_bytes(name, path.read_bytes(), began)
            total.value = reading.total
            for one in import_dives(log, reading.dives, diver):
                done.value += 1
                if one.number is None:
                    broken += 1
                    if broken <= MOST_TOLD:
                        wrong.append(f"{name}, dive {one.place}: {one.why}")
                elif one.new:
                    new.append(one.number)
                else:
                    known += 1
    except DiveFileError as error:
        wrong += error.lines()
    return Brought(tuple(new), known, broken, tuple(wrong))


def debriefed(database: str | None, number: int) -> Debriefed:
    """How a dive of the log went by its kept plan."""
    try:
        return Debriefed(debrief_of(number, url=database))
    except DiveFileError as error:
        return Debriefed(None, tuple(error.lines()))


def debrief_pdf(database: str | None, number: int) -> bytes:
    """The same as a page to print. Raises DiveFileError."""
    from leadline.sheets.debrief import draw_debrief

    return draw_debrief(debrief_of(number, url=database), "pdf")


def as_planned(plan: Any, began: datetime, diver: str, kept: KeptPlan) -> Dived:
    """A dive dived as planned, with its plan."""
    from leadline.logbook import as_planned as planned

    return replace(planned.dived_as_planned(plan, began, diver), plan=kept)


def written(database: str | None, numbers: tuple[int, ...], path: Path) -> tuple[str, ...]:
    """Write dives into a file; in words what speaks against it."""
    try:
        with Logbook.open(database) as log:
            write_file([log.dive(number).dived for number in numbers], path)
    except DiveFileError as error:
        return tuple(problem.message for problem in error.problems)
    return ()


# --- The log -------------------------------------------------------------------------------------------------------


class LogService:
    """Where every client's work on the log is done. Made once; to be closed. The log is opened for each piece of work,
    so that nothing is made or held before somebody asks for it.

    What it is asked for raises DiveFileError, in words, where the log or a dive does not allow it.
    """

    def __init__(self, database: str | None = None, longest_s: float = LONGEST_IMPORT_S) -> None:
        """`database` is the log's URL, the environment's or the user's own if None; `longest_s` that of an import."""
        self.database = database
        self.uploads: set[str] = set()
        """Addresses at which files of dives are taken, which may be larger than all else that is sent here."""
        self._longest_s = longest_s
        context = multiprocessing.get_context("spawn")
        self._coming: Coming | None = None
        self._job, self._shared = 0, (context.Value("q"), context.Value("q"), context.Value("q"))
        self._pool: Any = ProcessPool(max_workers=1, context=context, initializer=_begin, initargs=list(self._shared))
        self._folder = tempfile.TemporaryDirectory(prefix="leadline-")
        self._files = 0
        self._watchers: list[Callable[[], None]] = []

    # --- Quick

    async def listed(self) -> Listed:
        """Every dive."""
        return await asyncio.to_thread(_listed, self.database)

    async def dive(self, number: int) -> Logged:
        """A dive, to the last sample."""
        return await asyncio.to_thread(_dive, self.database, number)

    async def add(self, dived: Dived) -> int:
        """Keep a dive."""
        number = await asyncio.to_thread(_add, self.database, dived)
        self.changed()
        return number

    async def keep_plan(self, number: int, plan: KeptPlan) -> None:
        """Keep a dive file as the plan of a dive."""
        await asyncio.to_thread(_keep_plan, self.database, number, plan)
        self.changed()

    async def remove(self, number: int) -> None:
        """Take a dive out, for good."""
        await asyncio.to_thread(_remove, self.database, number)
        self.changed()

    # --- Long

    def bring_in(self, path: Path, name: str, diver: str = "", began: datetime | None = None) -> Coming:
        """Begin to bring in a file of dives. One file is brought in after the other."""
        self._job += 1
        args = (self.database, path, name, diver, began, self._job)
        waiting = self._pool.schedule(_bring_in, args=args, timeout=self._longest_s)
        before = self._coming.waiting if self._coming is not None else None
        self._coming = Coming(self._job, waiting, before, self._shared)
        return self._coming

    async def written(self, numbers: tuple[int, ...], path: Path) -> tuple[str, ...]:
        """Write many dives into a file, as `written` does; after what is brought in now."""
        waiting = self._pool.schedule(written, args=(self.database, numbers, path), timeout=self._longest_s)
        wrong: tuple[str, ...] = await asyncio.wrap_future(waiting)
        return wrong

    def warm_up(self) -> None:
        """Begin to get ready for what takes long."""
        self._pool.schedule(_begun)

    def file(self, ending: str) -> Path:
        """A new place for a file of the server's own."""
        self._files += 1
        return Path(self._folder.name) / f"{self._files}{ending}"

    # --- Who is told

    def watch(self, changed: Callable[[], None]) -> None:
        """Have a function called when the log has changed."""
        self._watchers.append(changed)

    def forget(self, changed: Callable[[], None]) -> None:
        """Call it no more."""
        if changed in self._watchers:
            self._watchers.remove(changed)

    def changed(self) -> None:
        """Tell all who watch."""
        for changed in list(self._watchers):
            changed()

    def close(self) -> None:
        """End the process, done or not."""
        self._pool.stop()
        self._pool.join()
        self._folder.cleanup()


@dataclass(frozen=True)
class Coming:
    """A file of dives while it is brought in."""

    job: int
    waiting: Future[Any]
    before: Future[Any] | None
    """Another file, which comes first."""
    shared: tuple[Any, Any, Any]

    @property
    def waits(self) -> bool:
        """Whether another file is brought in first."""
        return self.before is not None and not self.before.done()

    @property
    def done(self) -> tuple[int, int] | None:
        """Dives done, of how many; None before it is begun."""
        current, done, total = self.shared
        return (int(done.value), int(total.value)) if current.value == self.job else None

    async def found(self) -> Brought:
        """What came of it. TimeoutError; CancelledError if it was stopped."""
        made: Brought = await asyncio.wrap_future(self.waiting)
        return made

    def stop(self) -> None:
        """End it. What has come in by now is whole, and stays."""
        self.waiting.cancel()
