"""The bubble model against what published comparisons of bubble models with dissolved-gas models report.

They agree on the shape: for one dive and about the same time of decompression, a bubble model stops first deeper, and
has less time at the shallow stops. (Yount & Hoffman 1986; Doolette, Gerth & Gault 2011, whose deep-stop schedule came
of a bubble model; from memory.) No published schedule of the model is at hand that could be given with certainty.
"""

import pytest
from scipy.stats import fisher_exact

from leadline.plan.compare import TRIALS
from leadline.tissue import kernel
from leadline.tissue.bubbles_dive import bubble_dive
from tests.dives import looped, scheduled, tables
from tests.tissue.test_bubble_dives import course_of

DIVES = {
    "170 fsw, 30 min, air": tables("170 ft", 30, units="imperial"),
    "40 m, 25 min, air": tables(40, 25),
    "50 m, 25 min, air": tables(50, 25),
    "30 m, 60 min, air": tables(30, 60),
    "45 m, 20 min, air and 50": tables(45, 20, "air", ("50",)),
    "60 m, 20 min, 18/45, 50 and oxygen": tables(60, 20, "18/45", ("50", "oxygen")),
    "75 m, 25 min, 16/50, 50 and oxygen": tables(75, 25, "16/50", ("50", "oxygen")),
    "60 m, 25 min, loop": looped(60, 25, "18/45", setpoint=1.3),
}


@pytest.mark.parametrize("dive", DIVES.values(), ids=DIVES.keys())
def test_deeper_first_and_shorter_shallow_than_dissolved_gas(dive):
    """Beside ZH-L16C under one gradient factor at all depths, chosen for the same run time to a minute or two."""
    bubbles = bubble_dive(course_of(dive))
    alike = min(
        (scheduled(dive | {"model": {"gradient_factors": [gf, gf]}}) for gf in range(60, 101)),
        key=lambda schedule: abs(schedule.run_time_min - bubbles.run_time_min),
    )
    assert alike.run_time_min == pytest.approx(bubbles.run_time_min, abs=2.01)
    ours: dict[float, float] = {}
    for leg in bubbles.legs:
        if leg.kind == kernel.STOP:
            ours[leg.end_m] = ours.get(leg.end_m, 0.0) + leg.end_min - leg.start_min
    theirs: dict[float, float] = {}
    for stop in alike.stops:
        theirs[stop.depth_m] = theirs.get(stop.depth_m, 0.0) + stop.leave_min - stop.arrive_min
    assert max(ours) > max(theirs) + 2.9
    assert ours[min(ours)] < theirs[min(theirs)]


def test_the_navy_trial_as_it_is_told():
    """NEDU TR 11-06: 11 of 198 against 3 of 192 (from memory). The report calls the difference significant at one in
    twenty, one-sided: Fisher's exact test, worked out here, agrees."""
    told = " ".join(TRIALS)
    assert "11 cases of decompression sickness in 198 dives" in told
    assert "3 in 192" in told
    assert "174 min of stops (from memory)" in told
    assert fisher_exact([[11, 198 - 11], [3, 192 - 3]], alternative="greater").pvalue < 0.05
