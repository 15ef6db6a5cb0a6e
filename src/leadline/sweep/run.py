"""Runs a sweep: chunk by chunk, each finished chunk kept at once, all joined to one columnar file at the end.

A sweep that was stopped, in whatever way, goes on after what is finished, and its result is the same to the last byte
as if it had not been.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import leadline
from leadline.atomic_write import write_whole
from leadline.dive_file.errors import DiveFileError
from leadline.dive_file.reader import DiveFile
from leadline.dive_file.schema import Dive
from leadline.many import workers
from leadline.sweep import axes
from leadline.sweep.axes import NOT_OF_THE_DIVE, SweepPlan
from leadline.sweep.chunk import Chunk, evaluate, is_quick, quick
from leadline.sweep.columns import LAYOUT
from leadline.sweep.parts import ENDINGS, Damaged, Parts, Summed

Told = Callable[[int, int], None]
"""Hears how many dives are done, of how many."""

MOST_DIVES = 20_000
"""Of a chunk."""
CHUNK_S = 2.0
PLAN_S, TEAM_S, LAYOUT_S, DIVE_S = 60e-3, 10e-3, 2e-3, 10e-6
"""About what a plan with its contingencies takes, a schedule of a team's diver, a layout, and a dive of a layout. They
decide only how large a chunk is, and whether processes are worth their start."""
WORTH_PROCESSES_S = 20.0


class Stopped(Exception):
    """A sweep that ended before its end. Says what is finished, and how to go on."""

    def __init__(self, said: str, interrupted: bool = False) -> None:
        """`interrupted`: by the user."""
        self.interrupted = interrupted
        super().__init__(said)


@dataclass(frozen=True)
class Done:
    """A sweep that is done."""

    path: Path
    dives: int
    planned: int
    """Dives that were planned in this run: the others were finished before it."""
    summed: Summed


def read_sweep(file: DiveFile) -> SweepPlan:
    """The sweep of a dive file. DiveFileError, with axis, value and what would be right."""
    one_by_one = file.dive.sweep.contingencies or bool(file.dive.team)
    return axes.sweep_of(file, (lambda place: False) if one_by_one else quick)


def result_ending(path: Path) -> str:
    """In which format a result is written. ValueError, in words, for a name that says none."""
    if path.suffix.lower() not in ENDINGS:
        raise ValueError(f"{path.name} is no name for a sweep's result; end it with .parquet or .csv")
    return path.suffix.lower()


def compile_for(sweep: SweepPlan) -> None:
    """Plan the first dive of a sweep, for nothing: the kernel is compiled then, where it has still to be."""
    evaluate(sweep, "", (0, 1))


def run_sweep(
    sweep: SweepPlan,
    path: Path,
    scheduler: str | None = None,
    told: Told = lambda done, of: None,
    say: Callable[[str], None] = lambda line: None,
) -> Done:
    """Plan every dive of a sweep that is not finished yet, and write the result.

    `path` ends in .parquet or .csv. `scheduler` is the address of a Dask scheduler; if not given the dives are planned
    here. DiveFileError where something else is in the way, or the scheduler does not answer; Stopped where it ends
    before its end: what is finished then is kept. `say` gets a line where workers must be waited for.
    """
    digest, chunks = fingerprint(sweep), chunks_of(sweep)
    parts = Parts(path, digest, sweep, chunks)
    if (summed := parts.ready()) is not None:
        return Done(path, sweep.dives, 0, summed)
    finished = parts.begin()
    before = sum(end - first for i, (first, end) in enumerate(chunks) if i in finished)
    planned = 0

    def kept(first: str = "") -> str:
        """What is finished, and how to go on; with what is to be done first."""
        if before + planned == 0:
            parts.leave()
            return f"Nothing is finished yet; {first}the same command begins anew"
        there = f"{before + planned:,} of {sweep.dives:,} dives are finished, in {parts.folder}"
        return f"{there}; {first}the same command goes on"

    try:
        told(before, sweep.dives)
        todo = [(i, chunk) for i, chunk in enumerate(chunks) if i not in finished]
        if todo:
            work = partial(evaluate, sweep, digest)
            with contextlib.closing(workers.run(work, todo, scheduler, worth_processes(sweep), say)) as made:
                for i, part in made:
                    write_whole(parts.part(i), part.content)
                    planned += part.dives
                    told(before + planned, sweep.dives)
        return Done(path, sweep.dives, planned, parts.join())
    except KeyboardInterrupt:
        raise Stopped(f"stopped. {kept()}", interrupted=True) from None
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        first = "make room, and " if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG) else ""
        raise Stopped(f"{where}{error.strerror or error}. {kept(first)}") from None
    except Damaged as error:
        raise Stopped(f"{error}. {kept()}") from None
    except DiveFileError as error:  # of the workers
        if planned == 0:
            parts.leave()
            raise
        raise Stopped(f"{'; '.join(error.lines())}. {kept()}") from None
    finally:
        parts.let_go()


def fingerprint(sweep: SweepPlan) -> str:
    """A digest of everything that the figures of a sweep depend on, the dives before it and Leadline included."""
    varied = [(axis.name, [(place.loc, place.half) for place in axis.places], axis.reads) for axis in sweep.axes]
    parts = [
        leadline.__version__, LAYOUT, chunks_of(sweep)[0], _meaning(sweep.file.dive), sweep.file.name, sweep.file.log,
        varied, sweep.together, sweep.contingencies,
    ]  # fmt: skip
    return hashlib.sha256("\n".join(map(repr, parts)).encode()).hexdigest()


def _meaning(dive: Dive) -> str:
    """Everything that a dive file says of a dive, and of the dives before it."""
    said = [f"{name}={getattr(dive, name)!r}" for name in Dive.model_fields if name not in NOT_OF_THE_DIVE]
    for earlier in dive.previous:
        if earlier.file is not None:
            said.append(_meaning(earlier.dive))
        else:
            mine = [earlier.dived_by(diver.name) for diver in dive.team] or [earlier]
            said += [repr((one.title, one.altitude_m, one.left)) for one in mine]
    return "\n".join(said)


def chunks_of(sweep: SweepPlan) -> list[Chunk]:
    """The chunks of a sweep, in order: each some seconds of work at most."""
    most = min(MOST_DIVES, max(1, int(CHUNK_S / _seconds(sweep))))
    if most < MOST_DIVES:  # so that several workers have something to do
        most = max(1, min(most, math.ceil(sweep.dives / 16)))
    return [(first, min(first + most, sweep.dives)) for first in range(0, sweep.dives, most)]


def worth_processes(sweep: SweepPlan) -> bool:
    """Whether Python's own work is the most of it, and enough to start processes for."""
    return _seconds(sweep) > 5.0 * DIVE_S and _seconds(sweep) * sweep.dives > WORTH_PROCESSES_S


def _seconds(sweep: SweepPlan) -> float:
    """About what a dive takes on one core."""
    several = max(1, len(sweep.file.dive.team))
    if sweep.contingencies:
        return PLAN_S * several
    if sweep.file.dive.team:
        return TEAM_S * several
    quick_axes = [axis for axis in sweep.axes if is_quick(axis)]
    if sweep.together:
        return DIVE_S if len(quick_axes) == len(sweep.axes) else LAYOUT_S
    return DIVE_S + LAYOUT_S / math.prod(len(axis.values) for axis in quick_axes)
