"""Many dives in one call are each the single plan, to the last bit, whatever the threads.

The single plan itself is held to published and independent work elsewhere (tests/authority, tests/reference_model.py).
"""

import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from numba.core.runtime import _nrt_python, rtsys

from leadline import parse_dive, read_dive
from leadline.dive_file.team import divers
from leadline.many.batch import FIGURES, Varied, simulate_many
from leadline.many.gas import cylinders_of
from leadline.plan.oxygen import oxygen_exposure
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.supply import cylinder_use
from leadline.tissue import kernel

EXAMPLES = Path(__file__).parents[2] / "examples"
DIVES = 60


def tables(depth=60, leave_at=20, **more):
    cylinders = [
        {"name": "back gas", "gas": "18/45", "size": 24, "pressure": 220, "use": "bottom"},
        {"name": "fifty", "gas": "50", "size": 11, "pressure": 200, "use": "deco"},
        {"name": "oxygen", "gas": "oxygen", "size": 7, "pressure": 180, "use": "deco"},
    ]
    made = {"units": "metric", "levels": [{"depth": depth, "leave_at": leave_at}], "cylinders": cylinders}
    return made | more


def loop_tables(**more):
    bailout = [dict(c, use="bailout") for c in tables()["cylinders"]]
    return tables(loop={"diluent": "18/45", "setpoint": 1.3}) | {"cylinders": bailout} | more


def drawn(rng):
    """Every number of `Varied`, drawn, so that a mixed-up pair of them shows. Gradient factors in percent."""
    low = rng.integers(20, 60, DIVES)
    return {
        "leave_at_min": rng.integers(10, 50, (DIVES, 1)).astype(float),
        "gf_low": low,
        "gf_high": np.maximum(low, rng.integers(60, 95, DIVES)),
        "descent": rng.integers(10, 30, DIVES).astype(float),
        "ascent": rng.integers(5, 15, DIVES).astype(float),
        "between_stops": rng.integers(3, 12, DIVES).astype(float),
        "to_surface": rng.integers(1, 12, DIVES).astype(float),
        "switch_hold_min": rng.integers(0, 4, DIVES).astype(float),
        "rmv_bottom": rng.uniform(12.0, 30.0, DIVES),
        "rmv_deco": rng.uniform(10.0, 20.0, DIVES),
    }


def varied_by(numbers):
    return Varied(**numbers | {"gf_low": numbers["gf_low"] / 100.0, "gf_high": numbers["gf_high"] / 100.0})


def dive_of(data, numbers, i):
    """The dive file of one of them."""
    own = {name: float(values[i].item()) for name, values in numbers.items()}
    changed = {
        "levels": [dict(data["levels"][0], leave_at=own["leave_at_min"])],
        "model": {"gradient_factors": [own["gf_low"], own["gf_high"]]},
        "rates": {name: own[name] for name in ("descent", "ascent", "between_stops", "to_surface")},
        "stops": {"gas_switch": own["switch_hold_min"]},
        "diver": {"rmv_bottom": own["rmv_bottom"], "rmv_deco": own["rmv_deco"]},
    }
    return parse_dive(data | changed)


def assert_is_the_plan(dive, swum, used, i):
    found, figures = dive_schedule(dive, lay_out(dive)), swum.figures[i]
    assert figures["fault"] == kernel.FINE
    assert figures["run_time_min"] == found.run_time_min
    assert figures["tts_min"] == pytest.approx(found.tts_min, abs=1e-9)
    deepest = max((s.depth_m for s in found.stops if s.arrive_min >= dive.levels[-1].leave_at - 1e-6), default=-1.0)
    assert figures["first_stop_m"] == deepest
    exposure = oxygen_exposure(found.legs, dive.site.environment)
    assert figures["cns_percent"] == pytest.approx(exposure.cns_percent, rel=1e-12)
    assert figures["otu"] == pytest.approx(exposure.otu, rel=1e-12)
    assert figures["highest_ppo2_bar"] == pytest.approx(exposure.highest_ppo2_bar, rel=1e-14)
    minutes = {}
    for stop in found.stops:
        if stop.arrive_min >= dive.levels[-1].leave_at - 1e-6:
            minutes[stop.depth_m] = minutes.get(stop.depth_m, 0.0) + stop.leave_min - stop.arrive_min
    by_depth = dict(zip(swum.stop_depths_m.tolist(), swum.stop_min[i].tolist(), strict=True))
    assert {depth_m: m for depth_m, m in by_depth.items() if m > 0.0} == pytest.approx(minutes, abs=1e-9)
    assert figures["stops_min"] == pytest.approx(sum(minutes.values()), abs=1e-9)
    cylinders, loop = cylinder_use(dive, found.legs)
    for c, cylinder in enumerate(cylinders):
        assert used.used_l[i, c] == pytest.approx(cylinder.used_l, rel=1e-12)
        assert used.left_bar[i, c] == pytest.approx(cylinder.left_bar, rel=1e-10, abs=1e-9)
        assert used.short_l[i, c] == pytest.approx(cylinder.short_l, rel=1e-10, abs=1e-9)
        assert used.missing_l[i, c] == pytest.approx(cylinder.missing_l, rel=1e-10, abs=1e-9)
    if loop is not None:
        assert used.loop_oxygen_l[i] == pytest.approx(loop.oxygen_l, rel=1e-12)
        assert used.loop_diluent_l[i] == pytest.approx(loop.diluent_l, rel=1e-12)


IMPERIAL = tables(
    units="imperial",
    levels=[{"depth": 170, "leave_at": 20}],
    cylinders=[dict(cylinder, size="24 L", pressure="220 bar") for cylinder in tables()["cylinders"]],
)


SHARED = tables(
    gas={"drysuit": 10, "wing": 12},
    cylinders=[
        *tables()["cylinders"],
        {"name": "second", "gas": "18/45", "size": 12, "pressure": 180, "use": "bottom", "reserve": 30},
        {"name": "spare", "gas": "18/45", "size": 7, "pressure": 200, "use": "deco"},
    ],
)
"""What is breathed comes from three cylinders, what fills suit and wing from two of them."""


@pytest.mark.parametrize(
    "data", [tables(), loop_tables(), IMPERIAL, SHARED], ids=["open circuit", "loop", "imperial", "shared"]
)
def test_every_dive_is_its_own_plan(data):
    numbers = drawn(np.random.default_rng(7))
    if data["units"] == "imperial":  # its rates and RMV are in feet and cubic feet: leave them alone
        numbers = {name: numbers[name] for name in ("leave_at_min", "gf_low", "gf_high", "switch_hold_min")}
    dive = parse_dive(data)
    layout = lay_out(dive)
    swum = simulate_many(dive, layout, varied_by(numbers), DIVES)
    used = cylinders_of(dive, layout, swum)
    for i in range(DIVES):
        own = dive_of(data, numbers, i) if data["units"] == "metric" else parse_dive(data | {
            "levels": [dict(data["levels"][0], leave_at=float(numbers["leave_at_min"][i, 0]))],
            "model": {"gradient_factors": [float(numbers["gf_low"][i]), float(numbers["gf_high"][i])]},
            "stops": {"gas_switch": float(numbers["switch_hold_min"][i])},
        })  # fmt: skip
        assert_is_the_plan(own, swum, used, i)


def test_a_safety_stop_is_that_of_the_plan():
    """On the dives without stops among these."""
    data = tables(21, 20, cylinders=[*tables()["cylinders"][1:], dict(tables()["cylinders"][0], gas="32")])
    data["stops"] = {"safety": 3}
    leave_at_min = np.arange(10.0, 70.0)[:, None]
    dive = parse_dive(data)
    layout = lay_out(dive)
    swum = simulate_many(dive, layout, Varied(leave_at_min=leave_at_min), DIVES)
    used = cylinders_of(dive, layout, swum)
    for i in range(DIVES):
        levels = [{"depth": 21, "leave_at": float(leave_at_min[i, 0])}]
        assert_is_the_plan(parse_dive(data | {"levels": levels}), swum, used, i)
    assert (swum.figures["first_stop_m"] > 0.0).all()
    assert swum.figures["stops_min"].min() == pytest.approx(3.0, abs=1.0)


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_is_its_own_plan(path):
    read = read_dive(path)
    for _, dive in divers(read):
        layout = lay_out(dive)
        swum = simulate_many(dive, layout, Varied(), 2)
        assert_is_the_plan(dive, swum, cylinders_of(dive, layout, swum), 1)


def test_other_depths_are_the_plans_of_those_depths():
    """Depths at which the same gases are breathed."""
    depths_m = np.array([51.3, 55.0, 58.7, 60.0, 62.2])
    dive = parse_dive(tables())
    layout = lay_out(dive)
    swum = simulate_many(dive, layout, Varied(depth_m=depths_m[:, None]), len(depths_m))
    used = cylinders_of(dive, layout, swum)
    for i, depth_m in enumerate(depths_m):
        assert_is_the_plan(parse_dive(tables(float(depth_m))), swum, used, i)


def test_another_setpoint_is_the_plan_of_it():
    setpoints = np.array([1.0, 1.1, 1.2, 1.3, 1.4])
    dive = parse_dive(loop_tables())
    layout = lay_out(dive)
    swum = simulate_many(dive, layout, Varied(setpoint_bar=setpoints), len(setpoints))
    used = cylinders_of(dive, layout, swum)
    for i, setpoint in enumerate(setpoints):
        own = parse_dive(loop_tables() | {"loop": {"diluent": "18/45", "setpoint": float(setpoint)}})
        assert_is_the_plan(own, swum, used, i)


def test_pools_shared_by_several_cylinders_and_what_suit_and_wing_take():
    data = tables(40, 35, gas={"drysuit": 12.0, "wing": 8.0}, cylinders=[
        {"name": "left", "gas": "28/20", "size": 10, "pressure": 200, "use": "bottom"},
        {"name": "right", "gas": "28/20", "size": 12, "pressure": 180, "use": "bottom"},
        {"name": "argon's place", "gas": "air", "size": 1.5, "pressure": 150, "use": "inflation"},
        {"name": "fifty", "gas": "50", "size": 7, "pressure": 200, "use": "deco"},
    ])  # fmt: skip
    dive = parse_dive(data)
    layout = lay_out(dive)
    leave = np.array([[10.0], [20.0], [35.0], [60.0], [90.0]])  # from within the reserves to more than they hold
    swum = simulate_many(dive, layout, Varied(leave_at_min=leave), len(leave))
    used = cylinders_of(dive, layout, swum)
    assert used.lasts[0].all()
    assert used.missing_l[-1].max() > 0.0
    for i, minutes in enumerate(leave[:, 0]):
        own = parse_dive(data | {"levels": [{"depth": 40, "leave_at": float(minutes)}]})
        assert_is_the_plan(own, swum, used, i)


def test_the_same_bits_whatever_the_threads():
    numbers = varied_by(drawn(np.random.default_rng(3)))
    dive = parse_dive(tables())
    layout = lay_out(dive)
    before = numba.get_num_threads()
    found = []
    try:
        for threads in range(1, before + 1):
            numba.set_num_threads(threads)
            swum = simulate_many(dive, layout, numbers, DIVES)
            found.append((swum.figures.tobytes(), swum.stop_min.tobytes(), swum.breathed_l.tobytes()))
    finally:
        numba.set_num_threads(before)
    one_by_one = [
        simulate_many(dive, layout, Varied(**{
            name: None if values is None else values[i : i + 1] for name, values in vars(numbers).items()
        }), 1).figures.tobytes()
        for i in range(DIVES)
    ]  # fmt: skip
    assert b"".join(one_by_one) == found[0][0]
    assert len(set(found)) == 1


def test_a_dive_that_cannot_be_dived_says_so_and_the_others_go_on():
    dive = parse_dive(tables())
    layout = lay_out(dive)
    swum = simulate_many(dive, layout, Varied(leave_at_min=np.array([[20.0], [2.0], [20.0]])), 3)
    assert swum.figures["fault"].tolist() == [kernel.FINE, kernel.LEFT_TOO_EARLY, kernel.FINE]
    assert swum.figures[1]["run_time_min"] == 0.0
    assert swum.figures[0] == swum.figures[2]
    cylinders = [{"name": "back gas", "gas": "air", "size": 24, "pressure": 220, "use": "bottom"}]
    air = parse_dive(tables(40, 40, cylinders=cylinders, stops={"last": 6}))
    # Saturated on air at 6 m, nitrogen is 0.2 bar over the surface: beyond a GF high of 40 %, within one of 95 %.
    low = Varied(gf_low=np.array([0.3, 0.3]), gf_high=np.array([0.4, 0.95]))
    never = simulate_many(air, lay_out(air), low, 2)
    assert never.figures["fault"].tolist() == [kernel.NEVER_CLEARS, kernel.FINE]


def test_no_dives_and_arrays_of_the_wrong_length():
    dive = parse_dive(tables())
    layout = lay_out(dive)
    assert len(simulate_many(dive, layout, Varied(), 0)) == 0
    with pytest.raises(ValueError, match=r"gf_low has shape \(2,\); it must be \(3,\)"):
        simulate_many(dive, layout, Varied(gf_low=np.array([0.3, 0.4])), 3)
    with pytest.raises(ValueError, match=r"it must be \(3, 1\)"):
        simulate_many(dive, layout, Varied(depth_m=np.array([60.0, 61.0, 62.0])), 3)


def test_no_array_is_lost_or_freed_twice():
    """What is inside the kernel counts no references: they must all be given back by whoever Python calls."""
    dive = parse_dive(tables())
    layout = lay_out(dive)
    simulate_many(dive, layout, Varied(), 8)
    _nrt_python.memsys_enable_stats()
    arrays = [layout.start, layout.levels, layout.ways, layout.source_rows, *layout.comps, layout.rules.stop_depths_m]
    counted = [sys.getrefcount(array) for array in arrays]
    allocated = rtsys.get_allocation_stats()
    for _ in range(20):
        simulate_many(dive, layout, Varied(), 8)
        dive_schedule(dive, layout)
    after = rtsys.get_allocation_stats()
    assert after.mi_alloc - after.mi_free == allocated.mi_alloc - allocated.mi_free
    assert after.alloc > allocated.alloc
    assert [sys.getrefcount(array) for array in arrays] == counted


def test_figures_are_named_with_their_units():
    assert {"run_time_min", "tts_min", "first_stop_m", "highest_ppo2_bar"} <= set(FIGURES.names)
