"""The dives of the independent planner, as the data that `leadline verify` holds every machine to.

`python -m tests.verify.schedules > src/leadline/verify/data/schedules.toml` writes them anew, from the independent
planner alone: nothing of Leadline's own is in the answers.
"""

from __future__ import annotations

import copy
import json
from typing import Any

import tomlkit

from leadline.verify.topics.schedules import COMPARTMENTS
from tests.plan.test_schedule import DIVES

HEAD = {
    "source": "An independent planner in plain Python, written from the equations of the method page "
    "(tests/reference_model.py)",
    "worked_out": "by that planner, which shares no code with Leadline; the tests hold every figure to it",
}


def known() -> dict[str, Any]:
    """Every dive with its file, its stops (depth [m], run time at which it is left), run time and tissues."""
    return {**HEAD, "dive": {name: _known(*DIVES[name]) for name in DIVES}}


def _known(tables: dict[str, Any], reference: Any) -> dict[str, Any]:
    swum = copy.deepcopy(reference).swim()
    n2, he = ([round(tissue[number - 1], 5) for number in COMPARTMENTS] for tissue in (swum.n2, swum.he))
    return {
        "run_time_min": round(swum.run_time, 3),
        "stops": [[round(depth, 6), int(leave)] for depth, _, leave in swum.stops],
        "n2_bar": n2,
        "he_bar": he,
        "file": json.loads(json.dumps(tables)),
    }


if __name__ == "__main__":
    print(tomlkit.dumps(known()), end="")
