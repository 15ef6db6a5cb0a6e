"""Pieces of dive files, and the way from a text to what the reader says of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadline.dive_file import Dive, DiveFileError, read_dive

METRIC = 'units = "metric"\n'
LEVEL = "[[levels]]\ndepth = 45\nleave_at = 20\n"
TWIN = '[[cylinders]]\nname = "twin"\ngas = "air"\nsize = 24\npressure = 230\nuse = "bottom"\n'
LOOP = '[loop]\ndiluent = "21/25"\nsetpoint = 1.3\n'
AIR_DIVE = METRIC + LEVEL + TWIN
LOOP_DIVE = METRIC + LEVEL + LOOP


def read(text: str | bytes, folder: Path) -> Dive:
    """The dive in a file `dive.toml` of this content."""
    path = folder / "dive.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_dive(path)


def refusal(text: str | bytes, folder: Path) -> list[tuple[str, str]]:
    """Key and message of every problem the reader finds."""
    with pytest.raises(DiveFileError) as refused:
        read(text, folder)
    assert refused.value.source == "dive.toml"
    assert all(line.startswith("dive.toml: ") for line in refused.value.lines())
    return [(problem.key, problem.message) for problem in refused.value.problems]
