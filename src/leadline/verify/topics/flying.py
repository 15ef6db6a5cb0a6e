"""After the dive: how long before flying, and how high a cabin may be."""

from __future__ import annotations

from collections.abc import Iterator

from leadline import units
from leadline.plan import flying
from leadline.verify.check import Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Flying after diving"


def series() -> Iterator[Series]:
    """The guidance, and the cabin that the model reckons with."""
    table = load("flying")["workshop_2002"]
    single, several, stops = table["at_least_h"]
    yield Series(
        TOPIC, "Guidance, dives without stops", "", "h", 0, "equal", 0.0, "the same figures", source_of(table),
        (
            Point("a single dive", single, lambda: flying.ONE_DIVE.minutes / 60.0),
            Point("several dives or days", several, lambda: flying.SEVERAL_DIVES.minutes / 60.0),
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Guidance, dives with stops", "", "h", 0, "over", 0.0, "\"substantially longer\", without a number",
        source_of(table), (Point("with stops", stops, lambda: flying.WITH_STOPS.minutes / 60.0),), finer=0,
    )  # fmt: skip
    cabin = load("flying")["cabin"]
    yield Series(
        TOPIC, "The highest cabin", "", "ft", 0, "equal", 1e-6, "the same figure", source_of(cabin),
        (Point("in normal flight", cabin["altitude_ft"], lambda: flying.CABIN_M / units.FOOT_M),), finer=0,
    )  # fmt: skip
