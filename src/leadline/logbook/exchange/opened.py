"""The bytes of a file to bring in, packed or not, never more than a dive log has."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from leadline.dive_file.errors import DiveFileError, Problem, shown

MOST_BYTES = 256 * 1024 * 1024
"""A thousand dives with a sample a second have fewer, as they are when unpacked."""
MOST_ZIPPED_BYTES = 32 * 1024 * 1024
"""The list of an archive's files is read whole."""
CHUNK = 64 * 1024
_OTHERWISE_PACKED = "is packed in a way that is not read, or with a password; unpack it first"
_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"


class Opened:
    """A file that can be read from its beginning as often as needed. DiveFileError, naming it, where it cannot."""

    def __init__(self, name: str, opens: Callable[[], BinaryIO]) -> None:
        """`opens` gives the bytes as they are kept, still packed."""
        self.name = name
        self._opens = opens

    @classmethod
    def at(cls, path: Path) -> Opened:
        """A file on disk."""
        return cls(path.name or str(path), lambda: path.open("rb"))

    @classmethod
    def of(cls, name: str, content: bytes) -> Opened:
        """A file in memory."""
        return cls(name, lambda: io.BytesIO(content))

    def refused(self, message: str, place: str = "") -> DiveFileError:
        """An error to raise: the file's name, where in it, and what is wrong."""
        return DiveFileError(self.name, [Problem(place, message)])

    def head(self) -> bytes:
        """The first bytes, unpacked."""
        return next(self.chunks(), b"")

    def whole(self, most: int) -> bytes:
        """All bytes, unpacked."""
        found = bytearray()
        for chunk in self.chunks():
            found += chunk
            if len(found) > most:
                raise self.refused(f"is over {most // 1_000_000} MB, too large for one dive")
        return bytes(found)

    def chunks(self) -> Iterator[bytes]:
        """The bytes, unpacked, a piece at a time; refused as soon as they are too many."""
        try:
            raw = self._opens()
        except (OSError, ValueError) as error:
            raise self._unreadable(error) from None
        seen = 0
        with raw:
            try:
                with self._unpacked(raw) as file:
                    while chunk := file.read(CHUNK):
                        seen += len(chunk)
                        if seen > MOST_BYTES:
                            raise self.refused(f"is over {MOST_BYTES // 2**20} MiB, too large for a dive log")
                        yield chunk
            except (zipfile.BadZipFile, gzip.BadGzipFile, zlib.error, EOFError, ValueError):
                raise self.refused("is packed, and cannot be unpacked: it is damaged or cut off") from None
            except (NotImplementedError, RuntimeError):
                raise self.refused(_OTHERWISE_PACKED) from None
            except OSError as error:
                raise self._unreadable(error) from None

    def _unreadable(self, error: Exception) -> DiveFileError:
        said = getattr(error, "strerror", None) or str(error)
        return self.refused(f"cannot be read: {said[:1].lower() + said[1:]}")

    @contextmanager
    def _unpacked(self, raw: BinaryIO) -> Iterator[BinaryIO]:
        begins = raw.read(4)
        raw.seek(0)
        if begins.startswith(_GZIP):
            with gzip.GzipFile(fileobj=raw) as file:
                yield cast(BinaryIO, file)
        elif begins == _ZIP:
            if raw.seek(0, io.SEEK_END) > MOST_ZIPPED_BYTES:
                raise self.refused(f"is over {MOST_ZIPPED_BYTES // 2**20} MiB packed, too large for a dive log")
            with zipfile.ZipFile(raw) as archive, archive.open(self._only(archive)) as file:
                yield cast(BinaryIO, file)
        else:
            yield raw

    def _only(self, archive: zipfile.ZipFile) -> zipfile.ZipInfo:
        """The one file in an archive; what some systems put beside it does not count."""
        names = (one for one in archive.infolist() if one.filename and not one.filename.startswith("__MACOSX/"))
        files = [one for one in names if not one.is_dir()]
        if len(files) != 1:
            some = ", ".join(shown(one.filename) for one in files[:3])
            raise self.refused(f"holds {len(files)} files{': ' + some if some else ''}; pack one file, or unpack them")
        if files[0].compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise self.refused(_OTHERWISE_PACKED)  # the others unpack without a bound
        return files[0]
