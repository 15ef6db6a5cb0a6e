"""The files of a sweep: finished parts in a folder beside the result, and the result that they are joined to.

A part is written whole, and so is the result. What a folder or a result is of is told by the sweep's digest.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

import leadline
from leadline.atomic_write import write_whole
from leadline.dive_file.errors import DiveFileError, Problem, shown
from leadline.dive_file.team import divers
from leadline.sweep.axes import SweepPlan
from leadline.sweep.chunk import Chunk
from leadline.sweep.columns import schema

ENDINGS = (".parquet", ".csv")
ROWS = 50_000
"""Least rows of a row group of the result, but for the last."""

_STATE, _JOINED, _LOCK = "_sweep.json", "_joined", "_lock"
_PART = re.compile(r"(\d{6,})\.parquet$")
_HALF = re.compile(r"\..*\.part$")


@dataclass(frozen=True)
class Summed:
    """What is in a result."""

    rows: int
    refused: int
    """Rows."""
    reason: str
    """Why the first of them was refused; empty if none was."""


@dataclass(frozen=True)
class _State:
    """Which sweep a folder is of."""

    sweep: str
    leadline: str
    file: str
    title: str
    dives: int
    parts: int
    joined: tuple[int, int, int, str] | None = None
    """Bytes of the result, and what is in it, once all parts are in it."""


class Damaged(Exception):
    """A finished part that cannot be read."""


class Parts:
    """The finished parts of a sweep, and its result."""

    def __init__(self, path: Path, digest: str, sweep: SweepPlan, chunks: Sequence[Chunk]) -> None:
        """`path` is the result's; its ending is one of ENDINGS."""
        self.path, self.digest, self.sweep, self.chunks = path, digest, sweep, chunks
        self.folder = path.with_name(f"{path.name}.parts")
        self.several = len(divers(sweep.file.dive))
        self.locked: BinaryIO | None = None
        self.state = _State(
            digest, leadline.__version__, sweep.file.name, sweep.file.dive.title, sweep.dives, len(chunks)
        )

    def part(self, i: int) -> Path:
        """Where a finished part goes."""
        return self.folder / f"{i:06d}.parquet"

    def ready(self) -> Summed | None:
        """What is in the result, if it is there and of this very sweep; None if there is none. DiveFileError if
        something else is in its place."""
        if not (self.path.exists() or self.path.is_symlink()):
            return None
        there = self._there() if self.path.is_file() else None
        if there is not None and there.sweep == self.digest and there.joined is not None:
            size, rows, refused, reason = there.joined
            if size == self.path.stat().st_size:
                self._clear()  # it was stopped between its last two steps
                return Summed(rows, refused, reason)
        if self.path.suffix.lower() == ".parquet" and self.path.is_file():
            with contextlib.suppress(pa.ArrowException, OSError):
                metadata = pq.read_metadata(self.path)
                said = (metadata.metadata or {}).items()
                about = {key.decode(errors="replace"): value.decode(errors="replace") for key, value in said}
                if about.get("sweep") == self.digest:
                    if "refused" not in about or metadata.num_rows != self.sweep.dives * self.several:
                        raise self._in_the_way(self.path, "was made of this sweep, and changed since")
                    return Summed(metadata.num_rows, int(about["refused"]), about["reason"])
                if "sweep" in about and "leadline" in about:
                    of = f"{shown(about.get('title', ''))} by Leadline {about['leadline']}"
                    raise self._in_the_way(self.path, f"is of another sweep ({of}, {about.get('dives')} dives)")
        raise self._in_the_way(self.path, "is there already, and nothing says that it is of this sweep")

    def begin(self) -> set[int]:
        """Make the folder, or take up the one that is there: which parts are finished. DiveFileError if it is not of
        this sweep."""
        if not self.path.parent.is_dir():
            raise DiveFileError(
                str(self.path.parent), [Problem("", "is no folder; make it first, or name another with -o")]
            )
        if not self.folder.exists():
            self.folder.mkdir()
        elif not self.folder.is_dir():
            raise self._in_the_way(self.folder, "is a file, where the finished parts go")
        names = os.listdir(self.folder)
        there = self._there()
        if there is None and not all(_HALF.match(name) or name == _LOCK for name in names):
            raise self._in_the_way(self.folder, "holds something else than the finished parts of a sweep")
        if there is not None and there.sweep != self.digest:
            of = f"{shown(there.title)}, {there.file}, {there.dives:,} dives, by Leadline {there.leadline}"
            raise self._in_the_way(self.folder, f"holds finished parts of another sweep ({of})")
        self._lock()
        for name in names:
            if _HALF.match(name) or name == _JOINED:
                (self.folder / name).unlink(missing_ok=True)
        if there != self.state:
            self._write(self.state)
        return {int(match[1]) for name in names if (match := _PART.match(name)) and self._whole(int(match[1]))}

    def join(self) -> Summed:
        """Join all parts to the result, and remove them. OSError, or Damaged; the parts are there still then."""
        joined = self.folder / _JOINED
        try:
            with joined.open("wb") as file:
                summed = self._join_to(file)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            joined.unlink(missing_ok=True)
            raise OSError(error.errno, error.strerror or str(error), str(self.path)) from None
        self._write(replace(self.state, joined=(joined.stat().st_size, summed.rows, summed.refused, summed.reason)))
        if self.path.exists():
            raise self._in_the_way(self.path, "has come there meanwhile")
        joined.replace(self.path)
        self._clear()
        return summed

    def let_go(self) -> None:
        """Let others have the folder, which `begin` takes."""
        if self.locked is not None:
            self.locked.close()

    def leave(self) -> None:
        """Remove the folder, if no part is finished."""
        if not any(_PART.match(name) for name in os.listdir(self.folder)):
            self._clear()

    def _join_to(self, file: Any) -> Summed:
        rows, refused, reason = 0, 0, ""
        columns = schema(self.sweep, self.digest)
        parquet = self.path.suffix.lower() == ".parquet"
        writer = pq.ParquetWriter(file, columns, compression="zstd") if parquet else pacsv.CSVWriter(file, columns)
        with writer:
            for found in self._row_groups():
                writer.write_table(found)
                why = found["refused"].drop_null()
                rows, refused = rows + len(found), refused + len(why)
                reason = reason or (why[0].as_py() if len(why) else "")
            if parquet:
                writer.add_key_value_metadata({"refused": str(refused), "reason": reason})
        return Summed(rows, refused, reason)

    def _row_groups(self) -> Iterator[pa.Table]:
        """All rows in order, so many at a time."""
        waiting: list[pa.Table] = []
        for i in range(len(self.chunks)):
            try:
                waiting.append(pq.ParquetFile(self.part(i)).read())
            except (pa.ArrowException, OSError) as error:
                raise Damaged(f"{self.part(i)} cannot be read ({error}); delete it") from None
            if sum(map(len, waiting)) >= ROWS:
                yield pa.concat_tables(waiting).combine_chunks()
                waiting = []
        if waiting:
            yield pa.concat_tables(waiting).combine_chunks()

    def _whole(self, i: int) -> bool:
        """Whether a part is one of this sweep, and whole; if not it is removed, and planned again."""
        with contextlib.suppress(pa.ArrowException, OSError):
            metadata = pq.read_metadata(self.part(i))
            if i < len(self.chunks) and (metadata.metadata or {}).get(b"sweep", b"").decode() == self.digest:
                first, end = self.chunks[i]
                if metadata.num_rows == (end - first) * self.several:
                    return True
        self.part(i).unlink()
        return False

    def _there(self) -> _State | None:
        """Which sweep the folder says it is of."""
        try:
            said = json.loads((self.folder / _STATE).read_text(encoding="utf-8"))
            joined = said.pop("joined")
            return _State(**said, joined=tuple(joined) if joined is not None else None)
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return None

    def _write(self, state: _State) -> None:
        write_whole(self.folder / _STATE, (json.dumps(asdict(state), indent=1) + "\n").encode())

    def _clear(self) -> None:
        """Remove what is ours, the state last; the folder too, if nothing else is in it."""
        names = sorted(os.listdir(self.folder), reverse=True)
        for name in names:
            if _PART.match(name) or _HALF.match(name) or name in (_JOINED, _LOCK):
                (self.folder / name).unlink()
        (self.folder / _STATE).unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self.folder.rmdir()

    def _lock(self) -> None:
        """Hold the folder, as long as this process lives: two at a time would take each other's files away."""
        with contextlib.suppress(ImportError):  # where the system has no such lock
            import fcntl

            self.locked = (self.folder / _LOCK).open("wb")
            try:
                fcntl.flock(self.locked, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                self.let_go()
                said = "another command is at work on this sweep; wait for its end"
                raise DiveFileError(str(self.folder), [Problem("", said)]) from None
            except OSError:  # where the file system has none
                self.let_go()

    def _in_the_way(self, path: Path, said: str) -> DiveFileError:
        return DiveFileError(str(path), [Problem("", f"{said}; move it away, or name another result with -o")])
