"""Chunks of dives for the tests of who computes them. Workers import this module, so it stays small."""

from __future__ import annotations

import os
import signal
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np

from leadline.dive_file import parse_dive
from leadline.dive_file.errors import DiveFileError, Problem
from leadline.many.batch import Varied, simulate_many
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.tissue.fault import EngineFault
from tests.dives import tables

DIVES = 400
"""Of a chunk."""


def swum(chunk: int) -> bytes:
    """Every bit of what comes of many dives, none of them like those of another chunk."""
    dive = parse_dive(tables(60, 25, "18/45", ("50", "oxygen")))
    depth_m = 40.0 + 0.05 * np.arange(DIVES, dtype=float)[:, None]
    leave_at_min = 15.0 + 0.25 * chunk + np.arange(DIVES, dtype=float)[:, None] % 20
    found = simulate_many(dive, lay_out(dive), Varied(depth_m=depth_m, leave_at_min=leave_at_min), DIVES)
    return found.figures.tobytes() + found.stop_min.tobytes() + found.breathed_l.tobytes()


def scheduled(minutes: int) -> str:
    """A whole schedule, figures to the last digit."""
    dive = parse_dive(tables(60, minutes, "18/45", ("50", "oxygen")))
    found = dive_schedule(dive, lay_out(dive))
    return repr((found.legs, found.run_time_min, found.ndl_min, found.track.tensions_bar.tobytes()))


def scheduled_on_one_core(minutes: int) -> tuple[int, int, str]:
    """Which process, how many threads the kernel may use there, and a schedule."""
    return os.getpid(), numba.get_num_threads(), scheduled(minutes)


def held_up(folder: Path, chunk: int) -> tuple[int, int, bytes]:
    """Which process computed it, on how many threads of the kernel, and what came of it.

    The first to have chunk 5 says so in a file and gets stuck.
    """
    if chunk == 5:
        try:
            with (folder / "held").open("x") as file:
                file.write(f"{os.getpid()}\n")
            time.sleep(300.0)
        except FileExistsError:
            pass  # another did
    return os.getpid(), numba.get_num_threads(), swum(chunk)


@dataclass(frozen=True)
class Looked:
    """When a chunk was computed, by whom, on how many threads of the kernel."""

    began_s: float
    ended_s: float
    process: int
    thread: int
    kernel_threads: int
    content: bytes


def looked(chunk: int) -> Looked:
    """Four chunks in one, and who computed them."""
    began_s = time.monotonic()
    content = b"".join(swum(4 * chunk + i) for i in range(4))
    threads = numba.get_num_threads()
    return Looked(began_s, time.monotonic(), os.getpid(), threading.get_ident(), threads, content)


def begun(folder: Path, chunk: int) -> int:
    """Leave a file that says that it was begun, and take a while."""
    (folder / f"{chunk}").touch()
    time.sleep(0.2)
    return chunk


def stuck(folder: Path, chunk: int) -> int:
    """Leave a file that says that it was begun; all but the first get no further before there is a file "go"."""
    (folder / f"{chunk}").touch()
    until_s = time.monotonic() + 60.0
    while chunk > 0 and not (folder / "go").exists() and time.monotonic() < until_s:
        time.sleep(0.02)
    return chunk


def doubled(chunk: int) -> int:
    """Twice the number."""
    return 2 * chunk


def refused(_: int) -> None:
    """Bad input."""
    raise DiveFileError("saltby.toml", [Problem("[site] water", "is wrong"), Problem("", "is wrong too")])


def untrusted(_: int) -> None:
    """An engine that has gone wrong."""
    raise EngineFault("gone wrong")


def full(_: int) -> None:
    """An error that is not of the line to the workers, though it looks like it."""
    raise TimeoutError(110, "of the chunk's own")


def deadly(chunk: int) -> int:
    """The process ends in chunk 3, as one does that takes too much memory."""
    if chunk == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return chunk
