"""A record that is changed keeps all the rest of its own, and forgets what it had worked out."""

import pytest

from leadline.dive_file import parse_dive
from leadline.dive_file.records import changed
from tests.dives import cylinder, tables


def test_all_else_is_kept_and_what_was_worked_out_is_not():
    given = tables(30, 20) | {"cylinders": [cylinder("air", "bottom", manifold=True, reserve="40 bar")]}
    (own,) = parse_dive(given).cylinders
    assert own.water_l == 12.0
    larger = changed(own, size=24.0)
    assert larger.water_l == 24.0
    assert {key for key in type(own).model_fields if getattr(own, key) != getattr(larger, key)} == {"size"}
    with pytest.raises(TypeError, match="Cylinder has no volume"):
        changed(own, volume=12.0)
