"""Writes a file whole, or leaves what was there."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file in one step: a reader never finds half of it, not even after the power failed. OSError, naming the
    file, if it cannot be written; what was there stays."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from None
    finally:
        with contextlib.suppress(NotADirectoryError):  # nothing was written into a folder that is none
            part.unlink(missing_ok=True)
