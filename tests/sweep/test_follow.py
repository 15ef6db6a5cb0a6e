"""Coming up by the slate, against times by hand and tissues loaded by the reference model."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leadline.dive_file import parse_dive, read_dive
from leadline.dive_file.team import divers
from leadline.many.batch import Varied, simulate_many
from leadline.many.follow import follow_many, slate_rows
from leadline.plan import plan_dive
from leadline.plan.schedule import dive_schedule, lay_out
from tests.dives import looped, tables
from tests.reference_model import ZHL16, Reference

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("*.toml"))


def by_slate(dive, dives=1, **varied):
    """Dives by the plan's slate, and the plan's schedule."""
    layout = lay_out(dive)
    planned = dive_schedule(dive, layout)
    slate = slate_rows(planned.legs, layout, dive.levels[-1].leave_at)
    return follow_many(dive, layout, slate, Varied(**varied), dives), planned


def two_levels():
    levels = [{"depth": 45, "leave_at": 25}, {"depth": 15, "leave_at": 60}]
    return tables(45, 25, "21/35", ("50",), levels=levels, stops={"gas_switch": 1})


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_nothing_differs_and_it_is_the_plan(path):
    """Of every example and diver: the same dive, whoever is asked."""
    for _, dive in divers(read_dive(path)):
        followed, planned = by_slate(dive)
        swum = simulate_many(dive, lay_out(dive), Varied(), 1)
        for name in swum.figures.dtype.names:
            assert followed.swum.figures[name][0] == pytest.approx(swum.figures[name][0], abs=1e-9), name
        assert followed.swum.breathed_l == pytest.approx(swum.breathed_l)
        up = planned.track.points["run_time_min"] >= dive.levels[-1].leave_at - 1e-6
        assert followed.gf_highest[0] == pytest.approx(planned.track.points["gf_now"][up].max(), abs=1e-3)


@pytest.mark.parametrize(
    "given",
    [
        two_levels(),
        tables(45, 25, "21/35", levels=[{"depth": 45, "leave_at": 25}, {"depth": 9, "leave_at": 40}]),
        tables(30, 18),  # no stops
        tables(24, 18, "28", ("50",), stops={"safety": 3, "gas_switch": 1}),
        tables(40, 30, "28", ("oxygen",), stops={"last": 6, "oxygen_breaks": {"on": 12, "off": 5}}),
        looped(50, 25, "18/45", setpoint=1.3, low_setpoint=0.7, high_from=20, low_from=6),
    ],
    ids=["two levels", "a level at a stop", "no stops", "safety stop", "oxygen breaks", "loop"],
)
def test_nothing_differs_elsewhere_either(given):
    dive = parse_dive(given)
    followed, planned = by_slate(dive)
    assert followed.swum.figures["run_time_min"][0] == pytest.approx(planned.run_time_min)
    assert followed.swum.figures["gf_surface"][0] == pytest.approx(planned.track.points[-1]["gf_surface"], abs=1e-9)


# --- Against tissues loaded on their own ------------------------------------------------------------------------------


def surface_gf(diver: Reference) -> float:
    """The highest gradient factor at the reference diver's depth."""
    highest = -9.0
    for c in range(16):
        n2, he = diver.n2[c], diver.he[c]
        a = (ZHL16["n2_a_bar_zhl16c"][c] * n2 + ZHL16["he_a_bar"][c] * he) / (n2 + he)
        b = (ZHL16["n2_b"][c] * n2 + ZHL16["he_b"][c] * he) / (n2 + he)
        bar = diver.pressure(diver.depth)
        highest = max(highest, (n2 + he - bar) / (a + bar / b - bar))
    return highest


def go(diver: Reference, to: float, minutes: float, gas: str) -> None:
    diver.load(diver.depth, to, minutes, gas, True)
    diver.run_time, diver.depth = diver.run_time + minutes, to


@pytest.mark.parametrize(
    ("depth", "leave", "ascent", "hold"),
    [(45.0, 25.0, 9.0, 0.0), (48.0, 27.5, 7.0, 0.5), (43.0, 22.0, 12.0, 2.5), (51.0, 31.25, 5.0, 3.0)],
    ids=["as planned", "deeper, later, slower", "shallower, earlier, faster", "far off"],
)
def test_tissues_by_the_reference_model(depth, leave, ascent, hold):
    """The rule written out once more: every stop kept for its planned time, none left before its planned run time, the
    switch (at 21 m, on 50 %) holding the diver for as long as it takes."""
    dive = parse_dive(tables(45, 25, "21/35", ("50",)))
    followed, planned = by_slate(
        dive, depth_m=np.array([[depth]]), leave_at_min=np.array([[leave]]), ascent=np.array([ascent]),
        between_stops=np.array([ascent]), to_surface=np.array([ascent]), switch_hold_min=np.array([hold]),
    )  # fmt: skip
    slate = {stop.depth_m: stop for stop in planned.stops}
    assert min(slate) == 3.0
    diver = Reference([(45.0, 25.0, "21/35")], ("50",))
    go(diver, depth, depth / 20.0, "21/35")
    go(diver, depth, leave - diver.run_time, "21/35")
    highest = surface_gf(diver)
    while diver.depth > 0.0:
        here, gas = diver.depth, "50" if diver.depth <= 21.0 else "21/35"
        until = diver.run_time + (hold if here == 21.0 else 0.0)
        if here in slate:
            until = max(until, slate[here].leave_min, diver.run_time + slate[here].leave_min - slate[here].arrive_min)
        if until > diver.run_time:
            go(diver, here, until - diver.run_time, gas)
        highest = max(highest, surface_gf(diver))
        above = max((3.0 * k for k in range(20) if 3.0 * k < here - 1e-9), default=0.0)
        go(diver, above, (here - above) / ascent, gas)
        highest = max(highest, surface_gf(diver))
    figures = followed.swum.figures[0]
    assert figures["run_time_min"] == pytest.approx(diver.run_time)
    assert figures["gf_surface"] == pytest.approx(surface_gf(diver), abs=1e-9)
    assert followed.gf_highest[0] == pytest.approx(highest, abs=1e-9)


# --- Times by hand ----------------------------------------------------------------------------------------------------


def test_who_is_late_stays_late_and_who_is_early_waits():
    """4 min late from the bottom is 4 min late at the surface; 4 min early is on time from the first stop on."""
    dive = parse_dive(tables(45, 25, "21/35", ("50",)))
    followed, planned = by_slate(dive, 2, leave_at_min=np.array([[29.0], [21.0]]))
    assert followed.swum.figures["run_time_min"] == pytest.approx([planned.run_time_min + 4.0, planned.run_time_min])
    late, early = followed.swum.figures["gf_surface"]
    assert early < planned.track.points[-1]["gf_surface"] < late


def test_a_long_switch_holds():
    """The plan has its stop at 21 m, where 50 % is taken up, from 28.37 to 29 min or so; a switch of 5 min holds from
    arriving there, and everything after is as much later."""
    dive = parse_dive(tables(45, 25, "21/35", ("50",), stops={"gas_switch": 1}))
    followed, planned = by_slate(dive, 2, switch_hold_min=np.array([5.0, 0.2]))
    there = next(stop for stop in planned.stops if stop.depth_m == 21.0)
    late = there.arrive_min + 5.0 - there.leave_min
    assert late > 3.0
    assert followed.swum.figures["run_time_min"] == pytest.approx([planned.run_time_min + late, planned.run_time_min])


def test_a_stop_deeper_than_the_dive_is_left_out():
    """A slate that begins at 12 m, and a dive to 10: its stops are 9 m and up."""
    dive = parse_dive(tables(45, 25, "air"))
    followed, planned = by_slate(dive, depth_m=np.array([[10.0]]))
    assert max(stop.depth_m for stop in planned.stops) >= 12.0
    assert followed.swum.figures["first_stop_m"][0] == 9.0
    assert followed.swum.figures["run_time_min"][0] == pytest.approx(planned.run_time_min)


def test_a_level_left_too_early_is_said():
    """45 m to 15 m takes 30 / 9 = 3.3 min: too late to leave there after 3."""
    dive = parse_dive(two_levels())
    followed, _ = by_slate(dive, 2, leave_at_min=np.array([[25.0, 28.0], [25.0, 60.0]]))
    assert followed.swum.figures["fault"].tolist() == [3, 0]


def test_the_slate_of_a_contingency():
    """By the slate for 3 m deeper and 5 min longer, just that dive is the contingency."""
    dive = parse_dive(tables(45, 25, "21/35", ("50",)))
    found = next(c for c in plan_dive(dive).contingencies if c.kind == "deeper and longer")
    own = found.scenario.dive
    layout = lay_out(own)
    rows = slate_rows(found.legs, layout, own.levels[-1].leave_at)
    followed = follow_many(own, layout, rows, Varied(), 1)
    assert followed.swum.figures["run_time_min"][0] == pytest.approx(found.run_time_min)
