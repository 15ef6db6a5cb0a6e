"""How fast a plan is, in process. `python -m pytest benchmarks` prints the figures; nothing here can fail on time.

The dive: 60 m for 20 minutes, trimix 18/45, with 50 % and oxygen. Ratios within one run are what may be quoted.
"""

from typing import Any

import numpy as np
import pytest

from leadline import parse_dive, plan
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


def test_kernel_only(benchmark: Any) -> None:
    """The whole schedule, from the surface to the surface, as one kernel call."""
    layout = lay_out(parse_dive(TRIMIX))
    rows = np.zeros(2048, kernel.LEG)

    def swim() -> tuple[int, int, int, int, float]:
        return kernel.swim(
            layout.start.copy(), layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps, rows
        )

    assert benchmark(swim)[2] == kernel.FINE


@pytest.mark.parametrize("dive", [TRIMIX, LOOP], ids=["open circuit", "loop with its worst bailout"])
def test_whole_plan(benchmark: Any, dive: dict[str, Any]) -> None:
    """Schedule, track with TTS and NDL at every minute, oxygen, breathing, supply, bailout, findings."""
    brief = parse_dive(dive)
    assert benchmark(plan, brief).schedule.stops
