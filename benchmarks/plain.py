"""Builds and calls the planning in plain C (plain.c)."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.dives import Array, Dives, Planned, Site

COMPILER = os.environ.get("CC", "cc")
FLAGS = ("-std=c11", "-O3", "-ffp-contract=off")
"""Rounding as written: neither -ffast-math nor fused multiply-adds, so that stops and tensions can be compared."""
NO_COMPILER = f"no C compiler ({COMPILER}) on this machine"

_ARRAYS = ("rate", "a", "b", "minute", "start", "stop_m", "from_m", "o2", "he_share")
_NUMBERS = ("surface_bar", "bar_per_m", "descent", "ascent", "between_stops", "to_surface", "hold_min")
_P = ctypes.POINTER(ctypes.c_double)


class _Site(ctypes.Structure):
    _fields_ = (
        *((name, _P) for name in _ARRAYS),
        *((name, ctypes.c_double) for name in _NUMBERS),
        ("stops", ctypes.c_int64),
        ("gases", ctypes.c_int64),
    )


def has_compiler() -> bool:
    """Whether there is a C compiler."""
    return shutil.which(COMPILER) is not None


class Plain:
    """The planning in plain C, built in a folder with further flags of the compiler."""

    def __init__(self, folder: Path, *flags: str) -> None:
        """Build it."""
        self.flags = (*FLAGS, *flags)
        built = folder / f"plain{len(list(folder.glob('plain*')))}.so"
        source = Path(__file__).with_name("plain.c")
        command = (COMPILER, *self.flags, "-fPIC", "-shared", str(source), "-o", str(built), "-lm")
        subprocess.run(command, check=True)
        self._many: Any = ctypes.CDLL(str(built)).many
        self._many.restype = None

    def plan(self, site: Site, dives: Dives) -> Planned:
        """Plan dives, one after the other."""
        found = Planned.empty(len(dives), len(site.stop_m))
        arrays = [np.ascontiguousarray(getattr(site, name)) for name in _ARRAYS]
        numbers = (getattr(site, name) for name in _NUMBERS)
        alike = _Site(*map(_pointer, arrays), *numbers, len(site.stop_m), len(site.from_m))
        given = [np.ascontiguousarray(each) for each in vars(dives).values()]
        self._many(
            ctypes.byref(alike),
            ctypes.c_int64(len(dives)),
            *map(_pointer, given),
            *map(_pointer, vars(found).values()),
        )
        return found


def _pointer(array: Array) -> Any:
    return array.ctypes.data_as(_P)
