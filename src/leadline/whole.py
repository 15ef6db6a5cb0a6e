"""Writes a file whole, or leaves what was there."""

from __future__ import annotations

import errno
import os
import secrets
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file in one step: a reader never finds half of it. OSError if it cannot be written."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
