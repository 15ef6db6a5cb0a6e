"""Dives as dived run through the model: against SciPy's integration of the differential equation, and against an
independent planner."""

from dataclasses import replace
from datetime import datetime
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from leadline.dive_file import parse_dive
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.logbook.retrace import Retraced, load, residual, retrace_dive, surfaced_min
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.oxygen import cns_rate, otu_rate
from leadline.tissue.loading import Residual
from tests.authority.published import ZHL16
from tests.dives import looped, tables
from tests.reference_model import Loop, Reference

BEGAN = datetime(2026, 5, 31, 10, 20)
AIR, EAN50, TRIMIX, OXYGEN = (Mix.parse(label) for label in ("air", "50", "18/45", "oxygen"))
RATE = np.log(2.0) / np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])
VAPOUR = 0.0627


def dived(points, *changes, mixes=(AIR,), ppo2=()):
    """A dive through (run time, depth); `changes` are (run time, index of the mix, setpoint or None)."""
    times, depths = zip(*points, strict=True)
    return Dived(
        began=BEGAN,
        profile=Profile(tuple(map(float, times)), tuple(map(float, depths)), ppo2_bar=tuple(ppo2)),
        cylinders=tuple(CylinderCarried(f"cylinder {i}", mix) for i, mix in enumerate(mixes, 1)),
        breathed=tuple(GasBreathed(*change) for change in changes) or (GasBreathed(0.0, 0),),
    )


def rested():
    state = np.zeros((2, 16))
    state[0] = (1.01325 - VAPOUR) * (1.0 - 0.2098)
    return state


def integrated(dive, mix_at, ppo2_at):
    """dp/dt = k·(inspired - p), in pieces between samples and changes, told by their middle; ppO2 None: open
    circuit."""
    times, depths = dive.profile.run_time_min, dive.profile.depth_m
    corners = sorted({*times, *(b.run_time_min for b in dive.breathed)})
    state = rested().ravel()
    for start, end in pairwise(corners):
        middle = 0.5 * (start + end)
        mix = mix_at(middle)

        def change(t, p, middle=middle, mix=mix):
            bar = 1.01325 + 0.1 * np.interp(t, times, depths)
            dry = bar - VAPOUR
            ppo2 = ppo2_at(t, bar, middle)
            inert = dry * (1.0 - mix.o2) if ppo2 is None else dry - min(dry, ppo2)
            he = mix.he / (1.0 - mix.o2) if mix.o2 < 1.0 else 0.0
            inspired = inert * np.array([[1.0 - he], [he]])
            return (RATE * (inspired - p.reshape(2, 16))).ravel()

        state = solve_ivp(change, (start, end), state, method="DOP853", rtol=1e-9, atol=1e-11, max_step=0.05).y[:, -1]
    return state.reshape(2, 16)


def test_open_circuit_is_the_differential_equation_integrated():
    """Trimix to 50 m, 50 % taken up between two samples."""
    dive = dived(
        [(0, 0), (3, 50), (11, 47), (18, 21), (24, 20.5), (30, 6), (41, 0)],
        (0.0, 0, None), (19.7, 1, None), mixes=(TRIMIX, EAN50),
    )  # fmt: skip
    found = load(dive, "ZH-L16C").tensions_bar[-1]
    assert found == pytest.approx(
        integrated(dive, lambda t: TRIMIX if t < 19.7 else EAN50, lambda t, bar, middle: None), abs=1e-7
    )


def test_the_loop_at_its_setpoint_is_the_differential_equation_integrated():
    """Through all three regimes: pure oxygen near the surface, the setpoint, and diluent richer than it (air at 60 m
    and 0.7 bar)."""
    dive = dived([(0, 0), (4, 60), (12, 60), (20, 6), (26, 6), (27, 0)], (0.0, 0, 0.7), mixes=(AIR,))
    found = load(dive, "ZH-L16C").tensions_bar[-1]

    def ppo2(t, bar, middle):
        return max(0.7, AIR.o2 * (bar - VAPOUR))

    assert found == pytest.approx(integrated(dive, lambda t: AIR, ppo2), abs=1e-6)


def test_a_recorded_ppo2_is_breathed_whatever_the_setpoint():
    """The cells read otherwise than 1.3: a straight line between readings."""
    points = [(0, 0), (3, 40), (13, 40), (17, 6), (25, 6), (26, 0)]
    readings = [0.7, 1.1, 1.25, 1.2, 1.35, 0.9]
    dive = dived(points, (0.0, 0, 1.3), mixes=(TRIMIX,), ppo2=readings)

    def read(t, bar, middle):
        return float(np.interp(t, dive.profile.run_time_min, readings))

    assert load(dive, "ZH-L16C").tensions_bar[-1] == pytest.approx(integrated(dive, lambda t: TRIMIX, read), abs=1e-4)


def test_where_readings_are_missing_the_setpoint_is_breathed():
    """At 40 m from 3 to 13 min; the reading at 8 min is missing: 10 min without one."""
    points = [(0, 0), (3, 40), (8, 40), (13, 40), (17, 6)]
    dive = dived(points, (0.0, 0, 1.3), mixes=(TRIMIX,), ppo2=[0.9, 1.0, None, 1.0, 1.0])

    def held(t, bar, middle):
        return 1.3 if 3.0 < middle < 13.0 else float(np.interp(t, [0, 3], [0.9, 1.0]))

    assert load(dive, "ZH-L16C").tensions_bar[-1] == pytest.approx(integrated(dive, lambda t: TRIMIX, held), abs=1e-4)
    # For half a minute a line is drawn over it.
    points = [(0, 0), (3, 40), (3.4, 40), (3.5, 40), (17, 6)]
    dive = dived(points, (0.0, 0, 1.3), mixes=(TRIMIX,), ppo2=[0.9, 1.0, None, 1.0, 1.0])
    found = load(dive, "ZH-L16C").tensions_bar[-1]
    assert found == pytest.approx(
        integrated(dive, lambda t: TRIMIX, lambda t, *_: float(np.interp(t, [0, 3], [0.9, 1.0]))), abs=1e-4
    )


def test_oxygen_is_the_rate_integrated_over_time():
    """CNS and OTU by SciPy's quadrature of the rates, on open circuit up from 40 m."""
    dive = dived([(0, 0), (2, 40), (20, 40), (24, 6), (30, 6), (31, 0)], (0.0, 0, None), mixes=(Mix.parse("28"),))
    loaded = load(dive, "ZH-L16C")

    def ppo2(t):
        return 0.28 * (1.01325 + 0.1 * np.interp(t, dive.profile.run_time_min, dive.profile.depth_m))

    def over_the_dive(rate):
        legs = pairwise(dive.profile.run_time_min)
        return sum(quad(lambda t: rate(ppo2(t)), start, end, limit=400)[0] for start, end in legs)

    cns, otu = over_the_dive(cns_rate), over_the_dive(otu_rate)
    assert loaded.oxygen.cns_percent == pytest.approx(100.0 * cns, rel=2e-4)
    assert loaded.oxygen.otu == pytest.approx(otu, rel=2e-4)


POINTS = st.lists(
    st.tuples(st.floats(0.05, 20.0), st.floats(0.0, 90.0)), min_size=3, max_size=12
).filter(lambda legs: max(depth for _, depth in legs) > 5.0)  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(POINTS, st.data())
def test_two_halves_are_the_whole(legs, data):
    """Run as far as a sample, then from what is left there: tissues and oxygen as in one."""
    times = np.cumsum([0.0, *(minutes for minutes, _ in legs)])
    depths = [0.0, *(depth for _, depth in legs)]
    depths[-1] = max(depths[-1], 2.0)  # no surface in either half: air would be breathed there
    setpoint = data.draw(st.sampled_from([None, 1.3]))
    whole = dived(list(zip(times, depths, strict=True)), (0.0, 0, setpoint), mixes=(TRIMIX,))
    cut = data.draw(st.integers(1, len(times) - 2))
    depths[cut] = max(depths[cut], 2.0)
    whole = replace(whole, profile=replace(whole.profile, depth_m=tuple(depths)))
    first = replace(whole, profile=Profile(whole.profile.run_time_min[: cut + 1], tuple(depths[: cut + 1])))
    rest = Profile(tuple((times[cut:] - times[cut]).tolist()), tuple(depths[cut:]))
    then = replace(whole, profile=rest)
    half = load(first, "ZH-L16C").left
    found, expected = load(then, "ZH-L16C", half), load(whole, "ZH-L16C")
    assert found.tensions_bar[-1] == pytest.approx(expected.tensions_bar[-1], rel=1e-9, abs=1e-10)
    assert found.oxygen.cns_percent == pytest.approx(expected.oxygen.cns_percent, rel=1e-9)
    assert found.oxygen.otu == pytest.approx(expected.oxygen.otu, rel=1e-9)


def test_a_surface_interval_is_a_level_at_the_surface():
    """Two dives on air with 95 min between them, and one profile that has the 95 min in it."""
    one, two = [(0, 0), (2, 30), (20, 28), (25, 5), (28, 0)], [(0, 0), (1.5, 25), (30, 24), (34, 4), (37, 0)]
    apart = residual(dived(two), "ZH-L16C", [(dived(one), 95.0)])
    together = load(dived([*one, *((t + 123.0, d) for t, d in two)]), "ZH-L16C")
    assert np.array(apart.tensions_bar) == pytest.approx(together.tensions_bar[-1], abs=1e-9)
    assert [dose.ago_min for dose in apart.doses] == [pytest.approx(95.0 + 37.0), 0.0]
    assert sum(dose.otu for dose in apart.doses) == pytest.approx(together.oxygen.otu)
    # CNS: that of the first dive halves every 90 min at the surface.
    first, second = load(dived(one), "ZH-L16C").oxygen, load(dived(two), "ZH-L16C").oxygen
    halved = first.cns_percent * 0.5 ** (95.0 / 90.0)
    assert apart.cns_percent == pytest.approx(halved + second.cns_percent)


def test_after_surfacing_air_is_breathed():
    """Ten minutes at the surface after oxygen at 6 m: as an interval of ten minutes on air."""
    up = [(0, 0), (1, 6), (20, 6), (21, 0)]
    stays = dived([*up, (31, 0)], mixes=(OXYGEN,))
    interval = load(dived(up, mixes=(OXYGEN,)), "ZH-L16C")
    assert surfaced_min(stays.profile) == 21.0
    expected = dived([(0, 0), (10, 0), (10.001, 0.5)])  # whatever: only its start is looked at
    after = load(expected, "ZH-L16C", Residual(tuple(map(tuple, interval.tensions_bar[-1])), 0.0, ()))
    i = int(np.searchsorted(after.run_time_min, 10.0))
    assert load(stays, "ZH-L16C").tensions_bar[-1] == pytest.approx(after.tensions_bar[i], abs=1e-9)


# --- The way home -----------------------------------------------------------------------------------------------------


def reference(depth, leave_at, **more):
    """The independent planner's dive: (run time, TTS when the level is left)."""
    found = Reference(levels=[(depth, leave_at, more.pop("bottom"))], **more).swim()
    return found.run_time, found.run_time - leave_at


def look(found: Retraced, run_time_min: float) -> int:
    return found.look(run_time_min)


def test_the_way_home_from_the_bottom_is_that_of_an_independent_planner():
    """60 m on 18/45 left 4 min later than planned: TTS is that of a plan for so long."""
    planned = plan_dive(parse_dive(tables(60, 20, "18/45", ("50", "oxygen"))))
    run_time, tts = reference(60, 24, bottom="18/45", deco=("50", "oxygen"))
    late = dived_as_planned(plan_dive(parse_dive(tables(60, 24, "18/45", ("50", "oxygen")))), BEGAN)
    found = retrace_dive(late, planned.dive)
    assert found.tts_min[look(found, 24.0)] == pytest.approx(tts, abs=1e-6)
    # From then on it falls minute by minute: the stops ahead are those of the same ascent.
    assert found.run_time_min[-1] == pytest.approx(run_time, abs=1e-6)
    for at in (30.0, 40.0, 50.0):
        assert found.tts_min[look(found, at)] == pytest.approx(run_time - at, abs=1e-6)


def test_the_way_home_on_the_loop_is_that_of_an_independent_planner():
    planned = plan_dive(parse_dive(looped(60, 20, "18/45", setpoint=1.3)))
    late = dived_as_planned(plan_dive(parse_dive(looped(60, 25, "18/45", setpoint=1.3))), BEGAN)
    _, tts = reference(60, 25, bottom="18/45", loop=Loop("18/45", 1.3))
    found = retrace_dive(late, planned.dive)
    assert found.tts_min[look(found, 25.0)] == pytest.approx(tts, abs=1e-6)


def test_gradient_factors_and_ceilings_are_those_of_the_equations():
    """Against the independent planner's tissues and ceiling at the end of the bottom: GF low, no stop behind."""
    planned = plan_dive(parse_dive(tables(60, 20, "18/45", ("50", "oxygen"))))
    found = retrace_dive(dived_as_planned(planned, BEGAN), planned.dive)
    there = Reference(levels=[(60, 20, "18/45")], deco=("50", "oxygen"))
    there.descend(60.0, "18/45")
    there.load(60.0, 60.0, 17.0, "18/45", False)
    i = look(found, 20.0)
    assert found.ceiling_m[i] == pytest.approx(there.ceiling(0.4), abs=1e-6)
    assert found.m_value_ceiling_m[i] == pytest.approx(there.ceiling(1.0), abs=1e-6)
    # GF at the surface is the one whose ceiling is the surface.
    assert there.ceiling(float(found.gf_surface[i])) == pytest.approx(0.0, abs=1e-6)


def test_the_line_hangs_from_the_first_stop():
    """Once the first stop is reached the factor rises linearly to GF high: the ceiling of the look says so."""
    planned = plan_dive(parse_dive(tables(60, 20, "18/45", ("50", "oxygen"))))
    first = planned.schedule.stops[0].depth_m
    found = retrace_dive(dived_as_planned(planned, BEGAN), planned.dive)
    there = Reference(levels=[(60, 20, "18/45")])
    for stop in planned.schedule.stops:
        i = look(found, stop.leave_min)
        assert found.first_stop_m[i] >= first
        gf = 0.8 - 0.4 * stop.depth_m / float(found.first_stop_m[i])
        there.n2, there.he = found.loaded.tensions_bar[
            int(np.searchsorted(found.loaded.run_time_min, stop.leave_min - 1e-9))
        ].tolist()
        assert found.ceiling_m[i] == pytest.approx(max(0.0, there.ceiling(gf)), abs=1e-6) or found.ceiling_m[i] == 0.0
