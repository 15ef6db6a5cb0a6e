"""Plans drafts in processes of their own: a dive file that takes too long is given up, and holds up nobody else."""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import time
import tomllib
from collections.abc import Callable
from concurrent.futures import Future, TimeoutError
from dataclasses import dataclass
from typing import Any, Generic, ParamSpec, TypeVar

from pebble import ProcessExpired, ProcessPool

from leadline import solve
from leadline.app import paper
from leadline.app.draft import MOST_CHARACTERS
from leadline.dive_file import DiveFileError, parse_dive
from leadline.dive_file.errors import Problem
from leadline.dive_file.reader import Log
from leadline.dive_file.schema import Dive, Kept
from leadline.ensemble.robustness import STAGES, EnsembleResult, run_ensemble
from leadline.plan.team import Team, plan_team
from leadline.solve import Frontier
from leadline.solve.cures import cured
from leadline.tissue.coefficients import SetName
from leadline.tissue.fault import EngineFault
from leadline.units import SystemName

LONGEST_S = 10.0
"""A dive takes some hundredths of a second; one that takes longer than this is given up."""
TURN_S = 2.0
"""A dive that takes longer than this is given up where another waits for its process."""
LONGEST_PAPER_S = 60.0
LONGEST_LIMITS_S = 120.0
"""After so long the limits known by then must do."""
LONGEST_ENSEMBLE_S = 180.0
WORKERS = 2

_log = logging.getLogger(__name__)
_P = ParamSpec("_P")
_T = TypeVar("_T")


@dataclass(frozen=True)
class PlannedTeam:
    """What came of a draft: a plan, or what is wrong with it."""

    team: Team | None
    problems: tuple[Problem, ...] = ()


def plan_text(text: str, units: SystemName | None = None, database: str | None = None) -> PlannedTeam:
    """The plan of a dive file's text; `units` shows it in other units than the file is written in. A dive of the log
    that it names is looked up in that of a `database` URL, in the environment's or the user's own if None."""
    try:
        return PlannedTeam(plan_team(read_text(text, units, database), ""))
    except DiveFileError as error:
        return PlannedTeam(None, error.problems)
    except EngineFault as error:
        return PlannedTeam(None, (Problem("", str(error)),))


def read_text(text: str, units: SystemName | None = None, database: str | None = None) -> Dive:
    """The dive of a dive file's text, with the dives of the log that it names, shown in other units where they are
    given. Raises DiveFileError."""
    if len(text) > MOST_CHARACTERS:
        raise DiveFileError("", [Problem("", f"is over {MOST_CHARACTERS // 1000} kB, too large for this page")])
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DiveFileError("", [Problem("", f"is not TOML: {str(error)[:200]}")]) from None
    except (RecursionError, ValueError):
        said = "has tables nested too deeply, or a number too long, for any dive"
        raise DiveFileError("", [Problem("", said)]) from None
    dive = parse_dive(tables, "", _asked(database))
    return dive if units is None else dive.model_copy(update={"units": units})


def _asked(database: str | None) -> Log:
    """The log, as a dive file asks it. Nothing of it is loaded for a dive that does not."""

    def kept(number: int, coefficients: SetName, diver: str, interval_min: float) -> Kept:
        from leadline.logbook.residual import from_log

        try:
            return from_log(database)(number, coefficients, diver, interval_min)
        except DiveFileError as error:
            raise LookupError(f"the dive log cannot say what was dived before: {'; '.join(error.lines())}") from None

    return kept


def ready() -> bool:
    """Plan a small dive, so that the kernel is compiled or loaded before the first diver waits for it."""
    level = {"depth": 40, "leave_at": 20}
    carried = [{"name": "a", "gas": "air", "size": 24, "pressure": 230, "use": "bottom"}]
    loop = {"diluent": "21/35", "setpoint": 1.2}
    bailout = [carried[0] | {"use": "bailout"}]
    for more in ({"cylinders": carried}, {"cylinders": bailout, "loop": loop}):
        plan_team(parse_dive({"units": "metric", "levels": [level], **more}))
    return True


# --- In the processes -------------------------------------------------------------------------------------------------

_shared: list[Any] = []
"""In the process that works limits and ensembles out: the job's number, how far it is (plans tried, or thousandths of
a stage), the number of the job to stop."""


def _begin(lock: Any, *shared: Any) -> None:
    """One process after the other, so that the kernel is compiled once."""
    _shared[:] = shared
    with lock:
        try:
            ready()
        except Exception:  # dives are still planned, or said to be impossible; without processes nothing would be
            _log.exception("getting ready failed")


def _begun() -> bool:
    return True


def _limits(text: str, units: SystemName | None, database: str | None, job: int) -> Frontier | None:
    """The limits around a dive, as far as known when they are to be stopped; None if nothing is."""
    current, tried, stopped = _shared
    current.value, tried.value = job, 0
    until = time.monotonic() + LONGEST_LIMITS_S

    def told(_: str) -> None:
        tried.value += 1
        if stopped.value == job or time.monotonic() > until:
            raise KeyboardInterrupt

    try:
        return solve.limits_frontier(read_text(text, units, database), "", told)
    except KeyboardInterrupt:
        return None


def _ensemble(
    text: str, units: SystemName | None, database: str | None, job: int
) -> tuple[EnsembleResult, ...] | None:  # fmt: skip
    """The ensemble of every diver; None if it is to be stopped. TimeoutError if it takes too long."""
    current, done_so_far, stopped = _shared
    current.value, done_so_far.value = job, 0
    until = time.monotonic() + LONGEST_ENSEMBLE_S

    def told(stage: str, done: int, of: int) -> None:
        done_so_far.value = 1000 * STAGES.index(stage) + 1000 * done // max(of, 1)
        if time.monotonic() > until:
            raise TimeoutError
        if stopped.value == job:
            raise KeyboardInterrupt

    try:
        return run_ensemble(read_text(text, units, database), "", told)
    except KeyboardInterrupt:
        return None


# --- The pools --------------------------------------------------------------------------------------------------------


class Planner:
    """The processes that plan. Made once, for all clients; to be closed."""

    def __init__(
        self, workers: int = WORKERS, longest_s: float = LONGEST_S, turn_s: float = TURN_S, database: str | None = None
    ) -> None:
        """`longest_s`: seconds after which a dive is given up; `turn_s`: after which it is if another waits;
        `database`: the URL of the dive log."""
        self._database = database
        self._longest_s, self._turn_s = longest_s, turn_s
        context = multiprocessing.get_context("spawn")
        lock = context.Lock()
        self._pool = ProcessPool(max_workers=workers, context=context, initializer=_begin, initargs=[lock])
        self._running: dict[Future[Any], float] = {}
        self._job, self._shared = 0, (context.Value("q"), context.Value("q"), context.Value("q"))
        self._solver = ProcessPool(
            max_workers=1, context=context, initializer=_begin, initargs=[lock, *self._shared]
        )  # fmt: skip

    def warm_up(self) -> Future[bool]:
        """Begin to get ready."""
        made: Future[bool] = self._pool.schedule(_begun)
        return made

    async def plan(self, text: str, units: SystemName | None = None) -> PlannedTeam:
        """The plan of a dive file's text. To give it up, cancel the task that waits for it."""
        try:
            waiting = self._pool.schedule(plan_text, args=(text, units, self._database), timeout=self._longest_s)
        except RuntimeError:
            _log.exception("there are no processes to plan in")
            return _refused("could not be planned: Leadline must be started again")
        turns = asyncio.create_task(self._take_turns(waiting))
        try:
            found: PlannedTeam = await asyncio.wrap_future(waiting)
        except TimeoutError:
            return _refused(f"takes longer than {self._longest_s:g} s to plan and was given up; plan fewer levels")
        except ProcessExpired as error:
            _log.error("planning process ended: %s", error)
            return _refused("could not be planned: the planning process ended; try again")
        except asyncio.CancelledError:
            if _is_cancelled():  # by who waits, and not in here
                waiting.cancel()
                raise
            return _refused(f"took longer than {self._turn_s:g} s to plan while another dive waited; plan fewer levels")
        except Exception:
            _log.exception("planning failed")
            return _refused("could not be planned: an error of Leadline's own; the server's log has the rest")
        finally:
            turns.cancel()
            self._running.pop(waiting, None)
        return found

    async def _take_turns(self, waiting: Future[Any]) -> None:
        """While a dive waits for a process, those that have had their turn are given up."""
        while not (waiting.running() or waiting.done()):
            await asyncio.sleep(0.1)
            for other, since in list(self._running.items()):
                if time.monotonic() - since > self._turn_s:
                    other.cancel()
        self._running[waiting] = time.monotonic()

    async def sheet(self, team: Team, member: int, name: str) -> bytes:
        """A sheet of a diver as PDF; its name is one of `leadline.sheets.write.SHEETS`."""
        return await self.made(paper.sheet_pdf, team, member, name)

    async def cures(self, team: Team) -> Team | None:
        """A team with what would fix each no-go; None if that could not be found. Who no longer waits for it ends
        nothing: a process that is ended must load the kernel anew."""
        try:
            return await asyncio.shield(asyncio.create_task(self.made(cured, team, "")))
        except (TimeoutError, ProcessExpired, DiveFileError):
            _log.exception("what would fix a plan was not found")
            return None

    async def briefing(self, team: Team, member: int) -> str:
        """The plan of a diver as one HTML file."""
        return await self.made(paper.html_briefing, team, member)

    async def made(self, make: Callable[_P, _T], *args: _P.args, **kwargs: _P.kwargs) -> _T:
        """What a function makes, in one of the processes. Raises what went wrong; TimeoutError after a minute."""
        waiting = self._pool.schedule(make, args=args, kwargs=kwargs, timeout=LONGEST_PAPER_S)
        made: _T = await asyncio.wrap_future(waiting)
        return made

    # --- Limits and ensembles: one at a time, the next waits

    def limits(self, text: str, units: SystemName | None = None) -> ServerLimits:
        """Begin to work out the limits around a dive."""
        self._job += 1
        args = (text, units, self._database, self._job)
        waiting = self._solver.schedule(_limits, args=args, timeout=LONGEST_LIMITS_S + 30.0)
        return ServerLimits(self._job, waiting, self._shared)

    def ensemble(self, text: str, units: SystemName | None = None) -> Ensembles:
        """Begin to draw dives around a plan."""
        self._job += 1
        args = (text, units, self._database, self._job)
        waiting = self._solver.schedule(_ensemble, args=args, timeout=LONGEST_ENSEMBLE_S + 60.0)
        return Ensembles(self._job, waiting, self._shared)

    def close(self) -> None:
        """End the processes, planned or not."""
        for pool in (self._pool, self._solver):
            pool.stop()
            pool.join()


@dataclass(frozen=True)
class Working(Generic[_T]):
    """Something that takes long, while it is worked out."""

    job: int
    waiting: Future[Any]
    shared: tuple[Any, Any, Any]

    @property
    def tried(self) -> int | None:
        """How far it is: of limits the plans tried so far; None while it waits for another."""
        current, tried, _ = self.shared
        return int(tried.value) if current.value == self.job else None

    async def found(self) -> _T | None:
        """What was found; None if it was given up with nothing known. Raises what went wrong."""
        try:
            made: _T | None = await asyncio.wrap_future(self.waiting)
        except asyncio.CancelledError:
            if _is_cancelled():
                raise
            return None
        return made

    def stop(self) -> None:
        """Be content with what is known."""
        if self.tried is None:
            self.waiting.cancel()
        else:
            self.shared[2].value = self.job


class ServerLimits(Working[Frontier]):
    """The limits around a dive; stopped, as far as they are known."""


class Ensembles(Working[tuple[EnsembleResult, ...]]):
    """The ensemble of every diver of a dive."""

    @property
    def stage(self) -> tuple[str, float] | None:
        """What is being worked out, and the share of it that is done; None while it waits for another."""
        tried = self.tried
        return None if tried is None else (STAGES[tried // 1000], tried % 1000 / 1000.0)


def _refused(said: str) -> PlannedTeam:
    return PlannedTeam(None, (Problem("", said),))


def _is_cancelled() -> bool:
    """Whether the task that runs is to end; otherwise it was what it waited for that was given up."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0
