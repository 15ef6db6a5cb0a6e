"""Whether two dives are the same to what files keep."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import pytest

NEAR = 1e-7
"""Far below a millisecond in minutes, a millimetre in metres, a pascal in bar and a millikelvin."""


def assert_alike(one: Any, other: Any, place: str = "dive") -> None:
    """Field by field; numbers to `NEAR`."""
    if isinstance(one, float) and isinstance(other, float):
        assert other == pytest.approx(one, abs=NEAR, rel=0), place
    elif is_dataclass(one):
        assert type(one) is type(other), place
        for field in fields(one):
            assert_alike(getattr(one, field.name), getattr(other, field.name), f"{place}.{field.name}")
    elif isinstance(one, tuple):
        assert isinstance(other, tuple), place
        assert len(one) == len(other), place
        for i, (part, other_part) in enumerate(zip(one, other, strict=True)):
            assert_alike(part, other_part, f"{place}[{i}]")
    else:
        assert one == other, place
