"""The schedules that every machine is held to are the independent planner's."""

from __future__ import annotations

import pytest

from leadline.verify.published import load
from tests.plan.test_schedule import DIVES
from tests.verify.schedules import known


def test_they_are_what_the_independent_planner_says() -> None:
    ours, theirs = load("schedules"), known()
    assert list(ours["dive"]) == list(theirs["dive"]) == list(DIVES)
    for name, dive in theirs["dive"].items():
        kept = ours["dive"][name]
        assert kept["file"] == dive["file"], name
        assert kept["stops"] == dive["stops"], name
        # The last digit may fall either way where another machine's logarithm does.
        assert kept["run_time_min"] == pytest.approx(dive["run_time_min"], abs=1.5e-3), name
        for key in ("n2_bar", "he_bar"):
            assert kept[key] == pytest.approx(dive[key], abs=1.5e-5), name
