"""What is checked, a module a topic: each gives its series of published figures with Leadline's own functions."""

from __future__ import annotations

from collections.abc import Iterator

from leadline.verify.check import Series
from leadline.verify.topics import (
    bubbles,
    cylinders,
    factors,
    flying,
    gas,
    no_stop,
    oxygen,
    schedules,
    supply,
    tissues,
    water,
)

TOPICS = (factors, water, gas, cylinders, tissues, no_stop, schedules, oxygen, supply, flying, bubbles)
"""In the order they are shown."""


def every_series() -> Iterator[Series]:
    """All series, topic by topic."""
    for topic in TOPICS:
        yield from topic.series()
