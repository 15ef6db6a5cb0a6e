"""Every check value of `leadline verify`, published or worked out, with Leadline's own beside it."""

import pytest

from leadline.verify.check import Series, outcome
from leadline.verify.topics import every_series


@pytest.mark.parametrize("series", list(every_series()), ids=lambda series: f"{series.topic}: {series.name}")
def test_every_check_value(series: Series) -> None:
    wrong = [
        (row.point.part, row.point.at, row.point.published, row.computed, row.fault)
        for row in outcome(series).rows
        if not row.passed
    ]
    assert not wrong
