"""What a dive as dived can and cannot be."""

from dataclasses import replace
from datetime import datetime

import pytest

from leadline.logbook.dived import CylinderCarried, GasBreathed, Profile, problems
from tests.logbook.dives import AIR, marigold

DIVE = marigold()


def profile(*samples):
    return replace(DIVE, profile=Profile(*map(tuple, zip(*samples, strict=True))), breathed=(GasBreathed(0.0, 0),))


def test_a_dive_that_was_dived_has_no_problem():
    assert problems(DIVE) == []
    assert problems(profile((0.0, 0.0), (0.5, 60.0), (30.0, 60.0), (40.0, 0.0))) == []  # 120 m/min: a fast drop


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (profile((0.0, 0.0), (1.0, 20.0), (30.0, 24.0)), "ends at 24 m: its way up is missing"),
        (profile((0.0, 21.0), (1.0, 20.0), (30.0, 0.0)), "begins at 21 m: its way down is missing"),
        (
            profile((0.0, 0.0), (0.05, 51.0), (0.4, 51.0), (0.7, 0.0)),
            "goes from 0 m to 51 m within 3 s, faster than any diver; "
            "are minutes taken for seconds, or feet for metres?",
        ),
        (replace(DIVE, began=datetime(1, 1, 1)), "begins in the year 1; it can be 1900 to 2199"),
        (
            replace(DIVE, cylinders=(CylinderCarried("twins", AIR, 24.0, 200.0, 250.0), DIVE.cylinders[1])),
            "has a cylinder (twins) that ends at 250 bar, and began at 200",
        ),
        (replace(DIVE, notes="a\0"), "has a text that cannot be kept: 'a\\x00'"),
        (
            replace(DIVE, breathed=(GasBreathed(0.0, 0), GasBreathed(24.0, 1), GasBreathed(24.0, 0))),
            "changes gas out of order, or twice at one time",
        ),
    ],
)
def test_what_cannot_be_true_is_said(broken, said):
    assert problems(broken) == [said]
