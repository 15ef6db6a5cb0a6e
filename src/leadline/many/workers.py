"""Hands chunks of many dives to whoever computes them: this process, processes of its own, or a Dask cluster.

A chunk is computed by a function of one value, which gives the same bits wherever and however often it is called. So
what a worker took along when it died is computed again by another, and nobody can tell.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import multiprocessing
import pickle
import signal
import socket
import sys
import time
import uuid
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import cache, lru_cache, partial
from importlib.metadata import version
from itertools import islice
from multiprocessing import resource_tracker
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, TypeVar
from urllib.parse import urlsplit

import numba
import numpy as np
from pebble import ProcessExpired, ProcessPool

import leadline
from leadline.dive_file.errors import DiveFileError, Problem, shown
from leadline.tissue import kernel
from leadline.tissue.coefficients import SetName
from leadline.tissue.known_answer import prove
from leadline.tissue.loading import compartments, saturated

ANSWER_S = 10.0
"""A scheduler that has not answered after so long does not."""
WORKERS_S = 60.0
"""So long a scheduler without workers is waited for."""
LOST_S = 60.0
"""A scheduler that answered before, and has not for so long, is lost."""
FETCH_S = 300.0
"""So long a finished chunk may be on its way from the worker that has it."""
POLL_S = 1.0
NUMBERS = ("physics", "tissue", "brief", "plan", "sweep")
"""The parts of Leadline that the numbers come from."""

_settings: Any = numba.config  # its stubs leave them out
_V = TypeVar("_V")
_R = TypeVar("_R")
Told = Callable[[str], None]
Mark = dict[str, str]
"""What a worker must have in common with who asks it, for the same bits."""


def run(
    evaluate: Callable[[_V], _R],
    chunks: Iterable[tuple[int, _V]],
    workers: str | None = None,
    processes: bool = False,
    told: Told | None = None,
) -> Generator[tuple[int, _R], None, None]:
    """What `evaluate` makes of the value of every chunk, with the chunk's number, in any order.

    Chunks are taken as they are needed, a few for each worker, so that there may be any number of them. `evaluate` and
    the values are pickled: a function of a module, or a partial one. `workers` is the address of a Dask scheduler; it
    is asked at once, before anything is computed. Without it everything is computed here: one chunk after the other,
    since the kernel uses all cores by itself; or, with `processes`, for Python's own work, each chunk in a process that
    uses one core. `told` gets a line when workers must be waited for.

    What `evaluate` raises is raised as it is. DiveFileError, as for other things that the user gave, if there is no
    scheduler at `workers`, or no worker with it, or a worker has another Leadline; and if a process, a worker or the
    scheduler is lost for good. What was handed out before stays good. Whoever stops before the end closes the
    generator: what is still out is given up, and no process stays behind.
    """
    if workers is not None:
        _ask(workers)
        return _on_cluster(evaluate, chunks, workers, processes, told or _untold)
    return _in_processes(evaluate, chunks) if processes else _one_by_one(evaluate, chunks)


def _untold(_: str) -> None: ...


def _one_by_one(
    evaluate: Callable[[_V], _R], chunks: Iterable[tuple[int, _V]]
) -> Generator[tuple[int, _R], None, None]:
    for number, value in chunks:
        yield number, evaluate(value)


def _keep_busy(
    chunks: Iterable[tuple[int, _V]],
    most: Callable[[], int],
    submit: Callable[[_V], Any],
    result: Callable[[Any, int], _R],
) -> Generator[tuple[int, _R], None, None]:
    """Results as they come, with never more than `most()` chunks handed out."""
    left = iter(chunks)
    out: dict[Any, int] = {}
    done: SimpleQueue[Any] = SimpleQueue()
    while True:
        for number, value in islice(left, max(0, most() - len(out))):
            future = submit(value)
            out[future] = number
            future.add_done_callback(done.put)
        if not out:
            return
        try:
            future = done.get(timeout=POLL_S)
        except Empty:
            continue
        number = out.pop(future)
        made = result(future, number)
        del future  # a cluster keeps what is still named
        yield number, made


# --- Processes of this machine ----------------------------------------------------------------------------------------


def _in_processes(
    evaluate: Callable[[_V], _R], chunks: Iterable[tuple[int, _V]]
) -> Generator[tuple[int, _R], None, None]:
    """Spawned, never forked: threads of the kernel do not live through a fork."""
    cores, function = numba.get_num_threads(), pickle.dumps(evaluate)
    context = multiprocessing.get_context("spawn")
    pool = ProcessPool(max_workers=cores, context=context, initializer=numba.set_num_threads, initargs=[1])

    def result(future: Any, number: int) -> _R:
        try:
            made: _R = future.result()
        except ProcessExpired as error:
            how = f"signal {-error.exitcode}" if error.exitcode < 0 else f"exit status {error.exitcode}"
            said = f"a process ended while it computed chunk {number} ({how}); if memory is short, give fewer cores"
            raise DiveFileError("", [Problem("", f"{said} (NUMBA_NUM_THREADS={max(1, cores // 2)})")]) from None
        except BrokenProcessPool as error:
            said = f"processes to compute in cannot be started, or not be heard ({error})"
            raise DiveFileError("", [Problem("", said)]) from None
        return made

    def submit(value: _V) -> Any:
        with _deaf():
            return pool.schedule(_apply, args=(function, value))

    try:
        yield from _keep_busy(chunks, lambda: 2 * cores, submit, result)
    finally:
        pool.stop()
        pool.join()


def _apply(function: bytes, value: Any) -> Any:
    return _unpickled(function)(value)


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes that are started here never hear Ctrl-C, not even before they can be told to ignore it. This one hears
    it a moment later."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # which would lift the mask as it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# --- A Dask cluster ---------------------------------------------------------------------------------------------------


def _on_cluster(
    evaluate: Callable[[_V], _R], chunks: Iterable[tuple[int, _V]], address: str, processes: bool, told: Told
) -> Generator[tuple[int, _R], None, None]:
    from distributed import Client

    function, mark, sweep = pickle.dumps(evaluate), _mark(), uuid.uuid4().hex
    try:
        client: Any = Client(address, timeout=ANSWER_S, set_as_default=False, name="leadline")
    except Exception as error:
        raise _silent(address, error) from None

    def most() -> int:
        """Of Python's own work, one chunk a thread; the kernel uses all threads of a worker for one. And some that are
        ready to be begun."""
        threads = _threads(client, address, told)
        return sum(threads.values()) + len(threads) if processes else 3 * len(threads)

    def submit(value: _V) -> Any:
        work = pickle.dumps(_WorkerJob(function, pickle.dumps(value), mark))
        return client.submit(pickle.loads, work, key=f"leadline-{sweep}-{uuid.uuid4().hex}", pure=False)

    try:
        yield from _keep_busy(chunks, most, submit, partial(_fetched, address))
    finally:
        _part(client)


def _fetched(address: str, future: Any, number: int) -> Any:
    """What a worker made of a chunk."""
    from distributed import KilledWorker

    try:
        return future.result(timeout=FETCH_S)
    except KilledWorker as error:
        said = f"workers ended {error.allowed_failures + 1} times while they had chunk {number}, the last of them at "
        said += f"{error.last_worker.address}; what it logged says why, and most likely it was short of memory"
        raise _refused(said) from None
    except Exception as error:
        if future.status != "error":  # not of the chunk's own
            late = f"a finished chunk did not come back from {address} within {FETCH_S:g} s"
            raise _refused(late) if isinstance(error, TimeoutError) else _lost(address) from None
        if isinstance(error, ModuleNotFoundError) and (error.name or "").partition(".")[0] == "leadline":
            raise _refused(f"a worker of {address} has not this Leadline ({error}); {_install()} there too") from None
        raise


def _threads(client: Any, address: str, told: Told) -> dict[str, int]:
    """The threads of each worker that is there. Waited for if there is none."""
    until = 0.0
    while True:
        try:
            threads: dict[str, int] = client.sync(client.scheduler.ncores, callback_timeout=LOST_S)
        except Exception:
            raise _lost(address) from None
        if threads:
            return threads
        if not until:
            told(f"No workers at {address}; waiting up to {WORKERS_S:g} s for one ...")
            until = time.monotonic() + WORKERS_S
        if time.monotonic() > until:
            raise _refused(f"no worker came to {address} within {WORKERS_S:g} s; start some: dask worker {address}")
        time.sleep(min(POLL_S, WORKERS_S))


def _part(client: Any) -> None:
    """Leave a cluster; what was asked of it is given up."""
    try:
        client.close(timeout=ANSWER_S)
    except Exception:  # it is left in any case
        return


# --- What a worker does -----------------------------------------------------------------------------------------------


class _WorkerJob:
    """A chunk, which a worker computes as it unpickles this.

    A scheduler unpickles what it is handed, though not bytes: so it needs no Leadline.
    """

    def __init__(self, function: bytes, value: bytes, mark: Mark) -> None:
        """What to compute, of what, pickled: nothing of it is looked at before the worker is found to be a fit one."""
        self.given = function, value, mark

    def __reduce__(self) -> tuple[Callable[[bytes, bytes, Mark], Any], tuple[bytes, bytes, Mark]]:
        return _compute, self.given


def _compute(function: bytes, value: bytes, mark: Mark) -> Any:
    """Compute a chunk on a worker, if that gives the same bits as with who asks."""
    from distributed import get_worker

    worker = get_worker()
    own = _mark()
    if differ := [name for name in {**mark, **own} if own.get(name) != mark.get(name)]:
        pairs = "; ".join(f"{name} {own.get(name, 'none')}, here {mark.get(name, 'none')}" for name in sorted(differ))
        said = f"the worker {worker.address} would not give the same numbers to the last digit ({pairs})"
        raise _refused(f"{said}; install the same versions on every machine")
    numba.set_num_threads(min(worker.state.nthreads, _settings.NUMBA_NUM_THREADS))
    return _unpickled(function)(pickle.loads(value))  # noqa: S301 - see docs/security.md


_unpickled = lru_cache(maxsize=4)(pickle.loads)
"""A function of many chunks, once."""


@cache
def _mark() -> Mark:
    """Of this process. EngineFault if its engine gives no known answer."""
    prove()
    code, folder = hashlib.sha256(), Path(leadline.__file__).parent
    for file in sorted(file for part in NUMBERS for file in (folder / part).rglob("*.py")):
        code.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes())
    return {
        "Leadline": leadline.__version__,
        "its code": code.hexdigest()[:12],
        "Python": f"{sys.version_info.major}.{sys.version_info.minor}",
        "rounding": _rounding()[:12],
        **{name: version(name) for name in ("numba", "llvmlite", "numpy")},
    }


def _rounding() -> str:
    """A digest of the last bits of the kernel's and NumPy's exponentials: processors and C libraries differ in them."""
    zh_l16: SetName = "ZH-L16C"
    comps, tissue = compartments(zh_l16), saturated(1.01325)
    source = np.array([(0.18, 0.45 / 0.82, 0.0, 0.0)], kernel.SOURCE)[0]
    found = hashlib.sha256()
    for step in range(1, 200):
        bar, to_bar, minutes = 1.0 + 0.05 * step, 1.0 + 0.041 * step, 0.37 * step
        kernel.load_constant(tissue, bar, minutes, source, comps)
        kernel.load_travel(tissue, bar, to_bar, 0.11 * step, source, comps)
        found.update(tissue.tobytes())
    grid = np.linspace(0.01, 12.0, 4999)
    for made in (np.exp(grid), np.expm1(-grid), np.log(grid), grid ** (5.0 / 6.0)):
        found.update(made.tobytes())
    return found.hexdigest()


# --- Whom to ask, and what is said ------------------------------------------------------------------------------------


def _ask(address: str) -> None:
    """Whether a scheduler answers at an address, of the Dask that is here. DiveFileError if not."""
    try:
        parts = urlsplit(address)
        right = parts.scheme in ("tcp", "tls") and parts.hostname and parts.port and not parts.path and not parts.query
    except ValueError:
        right = False
    if not right or not address.isprintable():
        raise _refused(f"{shown(address)} is no address of a scheduler; give one as tcp://192.0.2.7:8786")
    try:
        import distributed  # noqa: F401 - where it is missing, that is said before anything is done
    except ImportError as error:
        raise _refused(f"needs Dask, which is not installed here ({error}); {_install()}") from None
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what a user must know is said in words here
    try:
        socket.create_connection((parts.hostname, parts.port), ANSWER_S).close()
        with ThreadPoolExecutor(1) as aside:  # where a loop of events runs already, as in a notebook, no other may
            kind, theirs = aside.submit(lambda: asyncio.run(asyncio.wait_for(_introduced(address), ANSWER_S))).result()
    except Exception as error:
        raise _silent(address, error) from None
    if kind != "Scheduler":
        raise _refused(f"{address} is a Dask {kind.lower()}; give the address that its scheduler printed")
    if theirs != (ours := version("distributed")):
        raise _refused(f"the scheduler at {address} has Dask {theirs}, and here is {ours}; install the same on both")


async def _introduced(address: str) -> tuple[str, str]:
    """What answers at an address, by Dask's names, and its version of Dask."""
    from distributed import rpc
    from distributed.security import Security

    there: Any = rpc(address, timeout=ANSWER_S, connection_args=Security().get_connection_args("client"))
    async with there:
        who = await there.identity()
        said = await there.versions()
    return str(who["type"]), str(said["packages"]["distributed"])


def _install() -> str:
    return "pip install 'leadline[workers]'"


def _refused(said: str) -> DiveFileError:
    return DiveFileError("--workers", [Problem("", said)])


def _silent(address: str, error: Exception) -> DiveFileError:
    if isinstance(error, OSError) and error.strerror:
        reason = error.strerror
    elif isinstance(error, TimeoutError):
        reason = f"nothing is said there within {ANSWER_S:g} s"
    else:
        tls = address.startswith("tls")
        reason = "its certificates are set in Dask's configuration" if tls else "something else is there"
    return _refused(f"no Dask scheduler answers at {address} ({reason}); start one: dask scheduler")


def _lost(address: str) -> DiveFileError:
    return _refused(f"the scheduler at {address} is lost, or has dropped this sweep")
