"""Dives in and out of files: UDDF 3.2 and CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from leadline.atomic_write import write_whole
from leadline.dive_file.errors import DiveFileError, Problem
from leadline.logbook.dived import Dived, problems
from leadline.logbook.exchange import csv_read_write, uddf_read, uddf_write
from leadline.logbook.exchange.opened import Opened


@dataclass(frozen=True)
class Reading:
    """A file of dives, read as they are asked for."""

    total: int
    """Dives in the file, the broken ones too."""
    _again: Callable[[], Iterator[Dived | str]]

    @property
    def dives(self) -> Iterator[tuple[int, Dived | str]]:
        """Each dive with its number in the file, from 1: as dived, or in words why it is broken. From the first each
        time that it is asked for. DiveFileError if the file was changed meanwhile and cannot be read any more."""
        return enumerate(self._again(), 1)


def read_file(path: Path, began: datetime | None = None) -> Reading:
    """The dives of a file, UDDF or CSV by its content, packed (gzip, zip) or not. DiveFileError if it cannot be read.

    `began` is for CSV that does not say when the dive began.
    """
    return _read(Opened.at(path), began)


def read_bytes(name: str, content: bytes, began: datetime | None = None) -> Reading:
    """As `read_file`, of what was in a file of that name."""
    return _read(Opened.of(name, content), began)


def _read(file: Opened, began: datetime | None) -> Reading:
    head = file.head()
    if not head.strip():
        raise file.refused("is empty; UDDF or CSV is read")
    if _is_xml(head):
        header = uddf_read.read_header(file)
        if not header.dives:
            raise file.refused("has no dive in it")
        return Reading(header.dives, lambda: uddf_read.read_dives(file, header))
    dived = csv_read_write.read(file, began)
    return Reading(1, lambda: iter([dived]))


def _is_xml(head: bytes) -> bool:
    for begins, coding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if head.startswith(begins):
            return head[2:].decode(coding, "replace").lstrip().startswith("<")
    return head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<")


def write_file(dives: Sequence[Dived], path: Path) -> None:
    """Write dives as UDDF (.uddf) or one dive as CSV (.csv), whole or not at all. DiveFileError if that cannot be."""
    name = path.name or str(path)
    suffix = path.suffix.casefold()
    if suffix not in (".uddf", ".csv"):
        raise DiveFileError(name, [Problem("", "is neither .uddf nor .csv, as which dives are written")])
    if not dives:
        raise DiveFileError(name, [Problem("", "is not written: there is no dive to write")])
    for number, dived in enumerate(dives, 1):
        if wrong := problems(dived):
            raise DiveFileError(name, [Problem(f"dive {number}", f"is not written: it {wrong[0]}")])
    if suffix == ".csv" and len(dives) > 1:
        said = f"is not written: CSV holds one dive, and there are {len(dives)}; write .uddf, or one dive at a time"
        raise DiveFileError(name, [Problem("", said)])
    content = csv_read_write.csv_of(dives[0]) if suffix == ".csv" else uddf_write.uddf(dives)
    try:
        write_whole(path, content)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise DiveFileError(str(path), [Problem("", f"cannot be written: {said[:1].lower() + said[1:]}")]) from None
