"""Records of a dive file, with some values changed."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel

Record = TypeVar("Record", bound=BaseModel)


def changed(record: Record, **values: Any) -> Record:
    """A record with other values and all the rest of its own, unchecked; what it had worked out is worked out anew.

    >>> from leadline.dive_file.schema import Level
    >>> changed(Level(depth=45.0, leave_at=25.0), leave_at=30.0).depth
    45.0
    """
    unknown = set(values) - set(type(record).model_fields)
    if unknown:
        raise TypeError(f"{type(record).__name__} has no {', '.join(sorted(unknown))}")
    return type(record).model_construct(**{**dict(record), **values})
