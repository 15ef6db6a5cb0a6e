"""Sweeps for the tests: from a text, to rows."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from leadline.dive_file import DiveFileError
from leadline.dive_file.reader import Log, read_file
from leadline.sweep.axes import SweepPlan
from leadline.sweep.run import read_sweep, run_sweep

AIR = """title = "Marigold, foredeck"
units = "metric"

[[levels]]
depth = 40
leave_at = 20

[[cylinders]]
name = "back gas"
gas = "air"
size = 24
pressure = 230
use = "bottom"

[[cylinders]]
name = "No. 2 (11.1 L)"
gas = "50"
size = 11.1
pressure = 200
use = "deco"
"""
LOOP = """units = "metric"
[[levels]]
depth = 60
leave_at = 20
[loop]
diluent = "18/45"
setpoint = 1.3
low_setpoint = 0.7
high_from = 21
flushes = 1
[[cylinders]]
name = "diluent"
gas = "18/45"
size = 3
pressure = 230
use = "diluent"
[[cylinders]]
name = "oxygen"
gas = "oxygen"
size = 3
pressure = 200
use = "oxygen"
[[cylinders]]
name = "deep bailout"
gas = "18/45"
size = 12
pressure = 230
use = "bailout"
[[cylinders]]
name = "shallow bailout"
gas = "50"
size = 12
pressure = 200
use = "bailout"
"""


def axis(key: str, values: str) -> str:
    """An axis, as it is written; `values` is a list, or the lines of from, to and step."""
    key = key if key.startswith("[") else f'"{key}"'
    return f"[[sweep.axes]]\nkey = {key}\n{'values = ' if values.startswith('[') else ''}{values}\n"


def sweep_in(folder: Path, dive: str, *axes: str, head: str = "", log: Log | None = None) -> SweepPlan:
    """The sweep of a dive file of this text; `head` are keys of [sweep]."""
    path = folder / "dive.toml"
    path.write_text(f"{dive}\n[sweep]\n{head}\n{''.join(axes)}", encoding="utf-8")
    return read_sweep(read_file(path, log))


def refusal(folder: Path, dive: str, *axes: str, head: str = "") -> str:
    """What is said of a sweep that is refused, in one line."""
    with pytest.raises(DiveFileError) as refused:
        sweep_in(folder, dive, *axes, head=head)
    [line] = refused.value.lines()
    return line


def rows_of(sweep: SweepPlan, path: Path) -> list[dict[str, Any]]:
    """The rows of a sweep, run now."""
    run_sweep(sweep, path)
    return rows_in(path)


def rows_in(path: Path) -> list[dict[str, Any]]:
    """The rows of a result."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))
    return pq.read_table(path).to_pylist()
