"""The worst bailout: searched again by hand, and each ascent planned again by the independent reference model."""

import numpy as np
import pytest

from leadline.brief import parse_dive
from leadline.brief.errors import BriefError
from leadline.physics.real_gas import free_litres
from leadline.plan import gases, plan
from leadline.plan import schedule as planning
from leadline.plan.schedule import lay_out, read_legs
from leadline.tissue import kernel
from tests.dives import cylinder, looped, tables
from tests.reference_model import Reference

RMV_STRESSED = 30.0
"""Half as much again as 20 L/min, common practice, no source."""
SORTING_OUT_MIN = 2.0
RESERVE_BAR = 20.0


def loop_dive(depth, leave_at, *carried, diluent="18/45", levels=None, more=None, **loop):
    given = looped(depth, leave_at, diluent, setpoint=1.3, **loop)
    if levels:
        given["levels"] = [{"depth": d, "leave_at": t} for d, t in levels]
    return parse_dive(given | {"cylinders": list(carried)} | (more or {}))


def large(gas, **more):
    return cylinder(gas, "bailout", **({"size": "24 L"} | more))


DIVES = {
    "two gases": loop_dive(60, 25, large("18/45"), large("50")),
    "three gases": loop_dive(
        75, 20, large("15/55"), large("50"), large("oxygen"), diluent="15/55", deco_setpoint=1.5, deco_from=6
    ),
    "one gas": loop_dive(40, 30, large("28"), diluent="21/35"),
    "two of a gas": loop_dive(60, 20, large("18/45"), large("18/45", name="second", size="7 L"), large("50")),
    "two levels": loop_dive(60, 15, large("18/45"), large("50"), levels=[(60, 15), (30, 50)]),
    "a deeper level later": loop_dive(50, 15, large("18/45"), large("50"), levels=[(30, 15), (50, 35)]),
}


def codes(dive):
    return {f.code: f for f in plan(dive).findings}


def hand_bailouts(dive):
    """A bailout from every point of the track, as legs: (point, legs, run time at the surface)."""
    layout = lay_out(dive)
    track = planning.schedule(dive, layout).track
    way = layout.way_rows(gases.bailout_way(dive))
    for i in range(len(track)):
        rows = np.zeros(2048, kernel.LEG)
        used, surfacing_min = np.zeros((1, len(layout.sources))), np.zeros(1)
        fault, n = kernel.bail_out_everywhere(
            track.points[i : i + 1], track.tensions_bar[i : i + 1], SORTING_OUT_MIN, RMV_STRESSED, way,
            layout.source_rows, layout.rules, layout.comps, used, surfacing_min, rows,
        )  # fmt: skip
        run_time_min = float(surfacing_min[0])
        assert fault == kernel.FINE
        yield track.points[i], track.tensions_bar[i], read_legs(rows[:n], layout.sources), run_time_min


def hand_share(dive, legs):
    """The largest share of a mix's usable litres: RMV · bar · min of the legs, over what all its cylinders give."""
    asked = {}
    for leg in legs:
        bar = 1.01325 + 0.1 * 0.5 * (leg.start_m + leg.end_m)
        asked[leg.source.mix] = asked.get(leg.source.mix, 0.0) + RMV_STRESSED * bar * (leg.end_min - leg.start_min)
    shares = []
    for mix, litres in asked.items():
        usable = sum(
            free_litres(mix, c.water_l, c.pressure, 14.0) - free_litres(mix, c.water_l, RESERVE_BAR, 14.0)
            for c in dive.cylinders
            if c.gas == mix
        )
        shares.append(litres / usable)
    return max(shares)


@pytest.mark.parametrize("name", DIVES)
def test_the_worst_is_the_worst(name):
    """No moment of the dive asks a larger share of a cylinder than the one found; its supply is that share."""
    dive = DIVES[name]
    found = plan(dive).bailout
    by_hand = [
        (hand_share(dive, legs), run_time_min - point["run_time_min"], point["run_time_min"], point["depth_m"])
        for point, _, legs, run_time_min in hand_bailouts(dive)
    ]
    worst = max(by_hand)
    assert max(use.used_l / use.usable_l for use in found.supply) == pytest.approx(worst[0], rel=1e-9)
    at_the_moment = [row for row in by_hand if row[2] == found.worst_moment_min and row[3] == found.depth_m]
    assert max(at_the_moment)[0] == pytest.approx(worst[0], rel=1e-9)
    assert found.tts_min == pytest.approx(found.run_time_min - found.worst_moment_min)
    assert found.legs[0].start_min == found.worst_moment_min
    assert found.legs[-1].end_min == found.run_time_min
    assert found.legs[-1].end_m == 0.0


def reference(dive, depth_m, run_time_min, tensions, anchor_m):
    """The same ascent by the reference model, which shares nothing with the kernel."""
    mixes = sorted((c.gas for c in dive.cylinders), key=lambda gas: gas.o2)
    leanest, *richer = dict.fromkeys(mix.label for mix in mixes)
    deepest = max(level.depth for level in dive.levels)
    ours = Reference(levels=[(deepest, 0.0, leanest)], deco=tuple(richer))
    ours.n2, ours.he = list(tensions[0]), list(tensions[1])
    ours.depth, ours.run_time = depth_m, run_time_min
    ours.anchor = anchor_m if anchor_m >= 0.0 else None
    first = ours.gas_at(depth_m, leanest, ours.deco)
    ours.load(depth_m, depth_m, SORTING_OUT_MIN, first, True)
    ours.run_time += SORTING_OUT_MIN
    if not ours.direct(leanest):
        ours.climb(0.0, leanest, ours.deco)
    return ours


def merged(legs):
    """Stops as depth, arrival, departure; a stop that changes its line or gas midway is one."""
    stops = []
    for leg in legs:
        if leg.kind != "stop":
            continue
        if stops and stops[-1][0] == leg.end_m and stops[-1][2] == leg.start_min:
            stops[-1] = (leg.end_m, stops[-1][1], leg.end_min)
        else:
            stops.append((leg.end_m, leg.start_min, leg.end_min))
    return stops


@pytest.mark.parametrize("name", DIVES)
def test_a_bailout_is_an_ordinary_open_circuit_ascent(name):
    """From the loop's tissues, by the reference model: the same stops to the minute, at the worst moment and others."""
    dive = DIVES[name]
    worst_min = plan(dive).bailout.worst_moment_min
    every = list(hand_bailouts(dive))
    chosen = [row for row in every if row[0]["run_time_min"] == worst_min] + every[3::9]
    for point, tensions, legs, run_time_min in chosen:
        ours = reference(
            dive, float(point["depth_m"]), float(point["run_time_min"]), tensions, float(point["first_stop_m"])
        )
        assert merged(legs) == [pytest.approx(stop, abs=1e-6) for stop in ours.stops], point
        assert run_time_min == pytest.approx(ours.run_time, abs=1e-6)


def test_the_loops_tissues_are_the_reference_models_too():
    """The whole way to the end of the bottom on the loop, and the bailout from there, without Leadline's tissues."""
    dive = DIVES["two gases"]
    found = plan(dive).bailout
    assert found.worst_moment_min == 25.0
    ours = Reference(levels=[(60.0, 25.0, "18/45")])
    ours.n2, ours.he = ours.n2[:], ours.he[:]
    on_loop = type("Loop", (), {"diluent": "18/45", "setpoint": 1.3, "deco_setpoint": None, "deco_from": 0.0})()
    ours.loop = on_loop
    ours.load(0.0, 60.0, 3.0, "18/45", False)
    ours.load(60.0, 60.0, 22.0, "18/45", False)
    again = reference(dive, 60.0, 25.0, (ours.n2, ours.he), -1.0)
    assert merged(found.legs) == [pytest.approx(stop, abs=1e-6) for stop in again.stops]
    assert found.run_time_min == pytest.approx(again.run_time, abs=1e-6)


@pytest.mark.parametrize("name", DIVES)
def test_every_stop_is_met(name):
    """Walked by the reference model's tissues: at every depth reached the ceiling is at or above it.

    The ceiling is under the line of gradient factors, 40 at the first stop to 80 at the surface (Baker).
    """
    dive = DIVES[name]
    found = plan(dive).bailout
    track = plan(dive).schedule.track
    i = int(np.argmax(track.points["run_time_min"] == found.worst_moment_min))
    point, tensions = track.points[i], track.tensions_bar[i]
    # The line hangs from the first stop even where that is passed: the reference model says which it is.
    anchor_m = reference(dive, found.depth_m, found.worst_moment_min, tensions, float(point["first_stop_m"])).anchor
    ours = Reference(levels=[(found.depth_m, 0.0, "air")])
    ours.n2, ours.he = list(tensions[0]), list(tensions[1])
    ours.anchor = anchor_m
    for leg in found.legs:
        label = leg.source.mix.label
        ours.load(leg.start_m, leg.end_m, leg.minutes, label, True)
        if leg.kind == "ascent":
            gf = ours.gf(leg.end_m) if ours.anchor is not None else ours.gf_high
            assert ours.ceiling(gf) <= leg.end_m + 1e-6, leg
    for stop in found.stops:
        assert stop.leave_min == pytest.approx(round(stop.leave_min), abs=1e-9)


def test_a_bailout_begins_with_sorting_it_out():
    """Two minutes at depth on open circuit (common practice, no source): 60 m, 30 · 7.01325 · 2 = 420.795 L."""
    found = plan(DIVES["two gases"]).bailout
    first = found.legs[0]
    assert (first.start_m, first.end_m, first.minutes) == (60.0, 60.0, 2.0)
    assert found.supply[0].legs[0].litres == pytest.approx(420.795, abs=1e-6)


def test_richest_usable_gas_first():
    """The leanest deep, 50 % from 21 m (1.557 bar), oxygen from 6 m (1.613 bar, with the grid's tolerance)."""
    found = plan(DIVES["three gases"]).bailout
    assert [(s.depth_m, s.source.mix.label) for s in found.switches][1:] == [(21.0, "50"), (6.0, "oxygen")]
    assert found.switches[0].source.mix.label == "15/55"
    assert all(s.source.setpoint_bar is None for s in found.switches)


def test_the_diver_can_breathe_harder():
    calm, stressed = (
        plan(loop_dive(60, 25, large("18/45"), large("50"), more={"diver": {"rmv_stressed": rmv}})).bailout
        for rmv in (20, 40)
    )
    assert stressed.supply[0].used_l == pytest.approx(2.0 * calm.supply[0].used_l, rel=1e-9)


def test_open_circuit_has_no_bailout():
    found = plan(parse_dive(tables(30, 20)))
    assert found.bailout is None
    assert not [f for f in found.findings if f.code.startswith("bailout")]


def test_nothing_to_bail_out_to_is_a_no_go():
    found = plan(loop_dive(60, 20, cylinder("18/45", "diluent"), cylinder("oxygen", "oxygen")))
    assert found.bailout is None
    assert found.no_go
    assert {f.code: f.severity for f in found.findings}["bailout-none"] == "no-go"


def test_enough_is_a_note_that_names_the_moment():
    found = codes(loop_dive(45, 20, large("21/35"), large("50"), diluent="21/35"))
    assert found["bailout-holds"].severity == "note"
    assert "bailout-gas-short" not in found
    assert found["bailout-holds"].values["worst_moment_min"] == 20.0


def test_too_little_is_a_no_go_with_the_litres():
    dive = loop_dive(60, 25, large("18/45", size="7 L"), large("50"))
    found, finding = plan(dive), codes(dive)["bailout-gas-short"]
    use = found.bailout.supply[0]
    assert finding.severity == "no-go"
    assert finding.values["cylinder"] == use.name
    assert finding.values["short_l"] == pytest.approx(use.used_l - use.usable_l, rel=1e-12)
    assert f"{use.short_l:.0f} L short" in finding.message
    assert "bailout-holds" not in codes(dive)


def test_a_cylinder_below_its_reserve_is_no_bailout():
    """15 bar where 20 stay: nothing to breathe, and so a no-go."""
    found = codes(loop_dive(60, 20, large("18/45", pressure="15 bar")))
    assert found["bailout-gas-short"].severity == "no-go"
    assert "bailout-holds" not in found


def test_a_hypoxic_bailout_is_a_no_go():
    """10/70 at the surface: 0.101 bar, below the 0.16 that keeps a diver awake (NOAA Diving Manual)."""
    found = codes(loop_dive(60, 15, large("10/70", size="200 L"), diluent="10/70"))
    assert found["bailout-hypoxic"].severity == "no-go"
    assert found["bailout-hypoxic"].values["ppo2_bar"] == pytest.approx(0.101325, abs=1e-9)
    assert "bailout-holds" not in found


def test_a_bailout_too_rich_for_the_depth_is_a_no_go():
    """50 % at 60 m: 3.5066 bar."""
    found = codes(loop_dive(60, 15, large("50", size="200 L")))
    assert found["bailout-ppo2-high"].severity == "no-go"
    assert found["bailout-ppo2-high"].values["ppo2_bar"] == pytest.approx(3.506625, abs=1e-6)
    assert "bailout-holds" not in found


@pytest.mark.parametrize(
    "dive",
    [
        loop_dive(70, 6, large("28", size="200 L"), diluent="15/55", levels=[(70, 6), (30, 120)]),
        loop_dive(70, 15, large("28", size="200 L"), large("50", size="5 L"), diluent="15/55"),
    ],
    ids=["a shallower level later", "the shallow gas is the scarce one"],
)
def test_a_gas_too_rich_at_any_moment_is_found(dive):
    """The moment that asks most of a cylinder may be shallow: the gas breathed from the deepest is judged all the same.

    28 % at 70 m is 8.01325 · 0.28 = 2.2437 bar, whenever the loop fails there.
    """
    found = codes(dive)
    assert plan(dive).bailout.depth_m < 40.0
    assert found["bailout-ppo2-high"].severity == "no-go"
    assert found["bailout-ppo2-high"].values["ppo2_bar"] == pytest.approx(2.24371, abs=1e-5)


def test_the_oxygen_of_a_bailout_is_the_whole_dives():
    """On the loop at 1.3 bar until the moment, then on open circuit: never less than the loop's part alone.

    22 min at 60 m on 1.3 bar are 12.2 % (NOAA: 180 min).
    """
    found = plan(DIVES["two gases"]).bailout
    assert found.oxygen.cns_percent > 22.0 / 180.0 * 100.0


def test_a_bailout_that_never_clears_is_refused():
    """GF high of 5 at the last stop, on air: the slow compartments never come within it. Said in words."""
    given = looped(60, 30, "18/45", gf=(5, 5), setpoint=1.6)
    given["cylinders"] = [large("18/45")]
    with pytest.raises(BriefError, match="never clear"):
        plan(parse_dive(given))
