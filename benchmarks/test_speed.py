"""How fast a plan is, in process. `python -m pytest benchmarks` prints the figures; nothing here can fail on time.

The dive: 60 m for 20 minutes, trimix 18/45, with 50 % and oxygen. Ratios within one run are what may be quoted.
"""

from typing import Any

import numpy as np
import pytest

from leadline import parse_dive, plan_dive
from leadline.plan.schedule import lay_out
from leadline.tissue import kernel

TRIMIX = {
    "units": "metric",
    "levels": [{"depth": 60, "leave_at": 20}],
    "cylinders": [
        {"name": "back gas", "gas": "18/45", "size": 24, "pressure": 220, "use": "bottom"},
        {"name": "fifty", "gas": "50", "size": 11, "pressure": 200, "use": "deco"},
        {"name": "oxygen", "gas": "oxygen", "size": 7, "pressure": 180, "use": "deco"},
    ],
}
LOOP = {
    "units": "metric",
    "levels": [{"depth": 60, "leave_at": 20}],
    "loop": {"diluent": "18/45", "setpoint": 1.3},
    "cylinders": [
        {"name": "deep", "gas": "18/45", "size": 24, "pressure": 220, "use": "bailout"},
        {"name": "fifty", "gas": "50", "size": 11, "pressure": 200, "use": "bailout"},
        {"name": "oxygen", "gas": "oxygen", "size": 7, "pressure": 180, "use": "bailout"},
    ],
}


MANY = LOOP | {
    "contingencies": {"deeper": [3, 6, 9], "longer": [3, 4, 5, 8, 10, 12, 15, 20], "delay": [2, 3, 4, 5, 6, 8, 10, 12]}
}
"""Widened to more than 60 contingencies: more depths, times and delays than anyone writes down."""


def test_contingencies_in_the_kernel(benchmark: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """All contingencies of a loop dive, as the one kernel call that a plan makes."""
    brief = parse_dive(MANY)
    calls = []
    what_if = kernel.what_if
    monkeypatch.setattr(kernel, "what_if", lambda *given: (calls.append(given), what_if(*given)))
    found = plan_dive(brief)
    (given,) = calls
    assert len(found.contingencies) >= 60
    benchmark(what_if, *given)


def test_sixty_contingencies(benchmark: Any) -> None:
    """The same as a whole plan: the kernel call, and gas, oxygen, breathing and findings of every one."""
    assert len(benchmark(plan_dive, parse_dive(MANY)).contingencies) >= 60


def test_kernel_only(benchmark: Any) -> None:
    """The whole schedule, from the surface to the surface, as one kernel call."""
    layout = lay_out(parse_dive(TRIMIX))
    rows = np.zeros(2048, kernel.LEG)

    def swim() -> tuple[int, int, int, int, float]:
        return kernel.simulate(
            layout.start.copy(), layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps, rows
        )

    assert benchmark(swim)[2] == kernel.FINE


@pytest.mark.parametrize("dive", [TRIMIX, LOOP], ids=["open circuit", "loop"])
def test_whole_plan(benchmark: Any, dive: dict[str, Any]) -> None:
    """Schedule, track with TTS and NDL at every minute, oxygen, breathing, supply, contingencies, findings."""
    brief = parse_dive(dive)
    assert benchmark(plan_dive, brief).schedule.stops
