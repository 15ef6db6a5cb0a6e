"""Schedules: facts checked by hand, and every stop against an independent model in plain Python."""

import copy
import itertools
import math

import pytest

from leadline.dive_file import DiveFileError, parse_dive
from leadline.plan import plan_dive
from tests.dives import cylinder, looped, scheduled, tables
from tests.reference_model import Loop, Reference

FOOT = 0.3048


def summed(stops):
    """(depth, arrival, departure), stops that go on at one depth counted as one."""
    found = []
    for stop in stops:
        if found and found[-1][0] == stop.depth_m and found[-1][2] == stop.arrive_min:
            found[-1] = (stop.depth_m, found[-1][1], stop.leave_min)
        else:
            found.append((stop.depth_m, stop.arrive_min, stop.leave_min))
    return found


# --- Against the independent model --------------------------------------------------------------------------

LEVELS = [{"depth": 45, "leave_at": 20}, {"depth": 24, "leave_at": 45}, {"depth": 30, "leave_at": 60}]
DIVES = {
    "air": (tables(40, 30), Reference([(40, 30, "air")])),
    "air, GF 100": (tables(50, 25, gf=(100, 100)), Reference([(50, 25, "air")], gf_low=1.0, gf_high=1.0)),
    "air, deep stops, last at 6 m": (
        tables(45, 25, gf=(10, 90), stops={"last": 6}),
        Reference([(45, 25, "air")], gf_low=0.1, gf_high=0.9, last=6.0),
    ),
    "air, set B": (
        {**tables(42, 35), "model": {"gradient_factors": [30, 85], "coefficients": "ZH-L16B"}},
        Reference([(42, 35, "air")], gf_low=0.3, gf_high=0.85, letter="b"),
    ),
    "air, no stop": (tables(18, 30), Reference([(18, 30, "air")])),
    "air and nitrox": (
        tables(45, 30, deco=("50",), gf=(30, 70)),
        Reference([(45, 30, "air")], ("50",), gf_low=0.3, gf_high=0.7),
    ),
    "nitrox, slow to the surface": (
        tables(34, 60, "32", ("80",), rates={"ascent": 10, "between_stops": 6, "to_surface": 1}),
        Reference([(34, 60, "32")], ("80",), ascent=10.0, between=6.0, to_surface=1.0),
    ),
    "trimix with 50 and oxygen": (
        tables(75, 25, "17/50", ("50", "oxygen"), gf=(20, 80), rates={"descent": 25}),
        Reference([(75, 25, "17/50")], ("50", "oxygen"), gf_low=0.2, gf_high=0.8, descent=25.0),
    ),
    "trimix in fresh water": (
        tables(60, 30, "18/45", ("50", "oxygen"), gf=(35, 75), site={"water": "fresh"}),
        Reference([(60, 30, "18/45")], ("50", "oxygen"), gf_low=0.35, gf_high=0.75, per_metre=0.0980665),
    ),
    "trimix, three minutes at a switch": (
        tables(66, 20, "18/45", ("50", "oxygen"), gf=(30, 80), stops={"gas_switch": 3}),
        Reference([(66, 20, "18/45")], ("50", "oxygen"), gf_low=0.3, gf_high=0.8, hold=3.0),
    ),
    "a switch that outlasts its stop": (
        tables(36, 25, "21/35", ("50",), gf=(85, 85), stops={"gas_switch": 2}),
        Reference([(36, 25, "21/35")], ("50",), gf_low=0.85, gf_high=0.85, hold=2.0),
    ),
    "loop": (
        looped(70, 30, "15/50", gf=(30, 80), setpoint=1.3),
        Reference([(70, 30, "15/50")], loop=Loop("15/50", 1.3), gf_low=0.3, gf_high=0.8),
    ),
    "loop, high in the shallows": (
        looped(50, 40, "18/45", gf=(50, 80), setpoint=1.2, deco_setpoint=1.5, deco_from=9),
        Reference([(50, 40, "18/45")], loop=Loop("18/45", 1.2, 1.5, 9.0), gf_low=0.5, gf_high=0.8),
    ),
    "loop, diluent over the setpoint": (
        looped(60, 30, "air", gf=(30, 70), setpoint=0.7),
        Reference([(60, 30, "air")], loop=Loop("air", 0.7), gf_low=0.3, gf_high=0.7),
    ),
    "mountain lake": (  # ICAO Doc 7488: 845.56 hPa at 1500 m
        tables(42, 25, "25/25", ("50",), site={"altitude": 1500, "water": "fresh"}),
        Reference([(42, 25, "25/25")], ("50",), surface=0.84556, per_metre=0.0980665),
    ),
    "feet": (
        tables(180, 25, "21/35", ("50", "oxygen"), gf=(30, 85), units="imperial"),
        Reference(
            [(180 * FOOT, 25, "21/35")], ("50", "oxygen"), gf_low=0.3, gf_high=0.85,
            step=10 * FOOT, last=10 * FOOT, descent=60 * FOOT, ascent=30 * FOOT, between=30 * FOOT,
            to_surface=30 * FOOT,
        ),
    ),
    "a safety stop": (
        tables(30, 15, stops={"safety": 3}), Reference([(30, 15, "air")], safety=3.0)
    ),
    "a safety stop on a deco gas": (
        tables(24, 20, "28", ("50",), stops={"safety": 5, "last": 6}),
        Reference([(24, 20, "28")], ("50",), safety=5.0, last=6.0),
    ),
    "a last stop as long as the safety stop": (
        tables(30, 24, "32", stops={"safety": 5, "last": 6}), Reference([(30, 24, "32")], safety=5.0, last=6.0)
    ),
    "a last stop longer than the safety stop": (
        tables(45, 20, "air", ("50",), stops={"safety": 3}), Reference([(45, 20, "air")], ("50",), safety=3.0)
    ),
    "32 % too dense at 39 m": (  # 1.308 g/L · 4.913 / 1.01325 = 6.34
        tables(60, 25, "18/45", ("32", "oxygen"), gf=(20, 80)),
        Reference([(60, 25, "18/45")], ("32", "oxygen"), gf_low=0.2, gf_high=0.8),
    ),
    "three levels": (
        tables(0, 0, deco=("50",)) | {"levels": LEVELS},
        Reference([(45, 20, "air"), (24, 45, "air"), (30, 60, "air")], ("50",)),
    ),
    "a level amid the stops": (
        tables(0, 0, "18/45", ("oxygen",))
        | {"levels": [{"depth": 60, "leave_at": 25}, {"depth": 14, "leave_at": 60}]},
        Reference([(60, 25, "18/45"), (14, 60, "18/45")], ("oxygen",)),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", DIVES)
def test_every_stop_is_the_independent_models(name):
    given, reference = DIVES[name]
    ours, theirs = scheduled(given), copy.deepcopy(reference).swim()
    assert len(summed(ours.stops)) == len(theirs.stops)
    for stop, expected in zip(summed(ours.stops), theirs.stops, strict=True):
        assert stop == pytest.approx(expected, abs=1e-6)
    assert ours.run_time_min == pytest.approx(theirs.run_time, abs=1e-6)
    last = ours.track.tensions_bar[-1]
    # 1e-5 bar: the independent model cuts travel on the loop into pieces, wherever it bends.
    assert list(last[0]) == pytest.approx(theirs.n2, abs=1e-5)
    assert list(last[1]) == pytest.approx(theirs.he, abs=1e-5)


def test_the_independent_model_meets_every_kind_of_dive():
    """What the comparison above would be worth little without."""
    planned = {name: copy.deepcopy(reference).swim() for name, (_, reference) in DIVES.items()}
    assert not planned["air, no stop"].stops
    without = (
        "air, no stop", "a safety stop", "a safety stop on a deco gas", "a last stop as long as the safety stop"
    )  # fmt: skip
    assert min(len(p.stops) for name, p in planned.items() if name not in without) >= 2
    assert max(depth for depth, _, _ in planned["trimix with 50 and oxygen"].stops) >= 36


# --- By hand ------------------------------------------------------------------------------------------------


def test_half_an_hour_at_40_m_on_air_needs_stops():
    """Published no-stop limits at 39 to 42 m are 8 to 10 min (data/no_stop_limits.toml)."""
    planned = scheduled(tables(40, 30))
    assert planned.stops
    assert planned.ndl_min < 12
    assert planned.tts_min > 15


def test_a_straight_ascent_takes_depth_over_rate():
    planned = scheduled(tables(18, 20))
    assert not planned.stops
    assert planned.first_stop_m is None
    assert planned.tts_min == pytest.approx(18 / 9)
    assert planned.run_time_min == pytest.approx(22)


def test_a_safety_stop_ends_on_a_whole_minute():
    """18 m for 20 min on air: at 3 m after 15/9 min, 21.67; three minutes at least, so until 25; the surface after 3/9.

    Litres at 20 L/min, the bottom RMV: no decompression stop. By hand, bar · min: 0.9 · 1.91325 down, 19.1 · 2.81325,
    15/9 · 2.06325, 3.3333 · 1.31325, 0.3333 · 1.16325.
    """
    given = tables(18, 20, stops={"safety": 3})
    found, without = plan_dive(parse_dive(given)), plan_dive(parse_dive(tables(18, 20)))
    ((depth_m, arrive_min, leave_min),) = summed(found.schedule.stops)
    assert (depth_m, leave_min) == (3.0, 25.0)
    assert arrive_min == pytest.approx(20 + 15 / 9)
    assert found.schedule.run_time_min == pytest.approx(25 + 3 / 9)
    assert found.schedule.tts_min == pytest.approx(5 + 3 / 9)
    assert found.schedule.track.at(10.0)["tts_min"] == pytest.approx(15 / 9 + 3 + 1 / 3, abs=1.0)
    asked = 20 * (0.9 * 1.91325 + 19.1 * 2.81325 + 15 / 9 * 2.06325 + 10 / 3 * 1.31325 + 1 / 3 * 1.16325)
    assert found.supply[0].used_l == pytest.approx(asked, rel=1e-9)
    assert found.schedule.ndl_min == without.schedule.ndl_min  # it is not counted on
    assert all(point["ceiling_m"] == 0.0 for point in found.schedule.track.points)
    aborted = next(one for one in found.contingencies if one.kind == "aborted descent")
    assert [stop.depth_m for stop in aborted.stops] == [3.0]


def test_no_safety_stop_where_it_cannot_be():
    """Not from its own depth; nor at the no-stop limit of 7 m under GF 30, where 30 min at 6 m are too many."""
    assert not scheduled(tables(3, 30, stops={"safety": 3})).stops
    assert not scheduled(tables(6, 30, stops={"safety": 3, "last": 6})).stops
    at_the_limit = tables(7, 106, gf=(30, 30), stops={"safety": 30, "last": 6})
    assert scheduled(at_the_limit).ndl_min == 106
    assert not scheduled(at_the_limit).stops
    assert not Reference([(7, 106, "air")], gf_low=0.3, gf_high=0.3, last=6.0, safety=30.0).swim().stops
    assert scheduled(tables(7, 105, gf=(30, 30), stops={"safety": 30, "last": 6})).stops


def test_bottom_time_counts_the_descent():
    """40 m at 20 m/min are two minutes; the level is then held until its run time."""
    down, level = scheduled(tables(40, 30)).legs[:2]
    assert (down.kind, down.start_min, down.end_min) == ("descent", 0.0, 2.0)
    assert (level.kind, level.start_min, level.end_min) == ("level", 2.0, 30.0)


@pytest.mark.parametrize("name", DIVES)
def test_every_stop_leaves_on_a_whole_minute(name):
    for stop in scheduled(DIVES[name][0]).stops:
        assert stop.leave_min == round(stop.leave_min)
        assert stop.leave_min > stop.arrive_min
        assert stop.minutes == math.ceil(stop.leave_min - stop.arrive_min - 1e-6)


@pytest.mark.parametrize("name", DIVES)
def test_the_dive_hangs_together(name):
    """Every leg starts where and when the one before it ended, from the surface to the surface."""
    planned = scheduled(DIVES[name][0])
    legs = planned.legs
    assert (legs[0].start_m, legs[0].start_min) == (0.0, 0.0)
    assert (legs[-1].end_m, legs[-1].end_min) == (0.0, planned.run_time_min)
    for leg, following in itertools.pairwise(legs):
        assert (following.start_m, following.start_min) == (leg.end_m, leg.end_min)
        assert leg.minutes > 0.0
    assert sum(leg.minutes for leg in legs) == pytest.approx(planned.run_time_min)


def test_stops_are_on_the_grid():
    for stop in scheduled(tables(60, 30, "18/45", ("50",), gf=(20, 80))).stops:
        assert stop.depth_m % 3.0 == 0.0


def test_stops_in_feet_are_on_tens():
    depths_ft = [
        stop.depth_m / FOOT for stop in scheduled(tables(200, 30, "18/45", ("50", "oxygen"), units="imperial")).stops
    ]
    assert depths_ft
    for depth_ft in depths_ft:
        assert depth_ft == pytest.approx(10 * round(depth_ft / 10), abs=1e-9)


def test_the_last_stop_may_be_at_6_m():
    shallow = scheduled(tables(40, 30))
    deep = scheduled(tables(40, 30, stops={"last": 6}))
    assert shallow.stops[-1].depth_m == 3.0
    assert deep.stops[-1].depth_m == 6.0
    assert deep.run_time_min >= shallow.run_time_min


def test_oxygen_is_a_6_m_gas_and_50_a_21_m_gas():
    """1.6 bar: (1.6 + 0.03) / 1.0 gives 6.2 m, / 0.5 gives 22.5 m, on a grid of 3 m. (Dalton's law)"""
    planned = scheduled(tables(75, 25, "17/50", ("50", "oxygen"), gf=(20, 80)))
    assert [(s.depth_m, s.source.mix.label) for s in planned.switches] == [(21.0, "50"), (6.0, "oxygen")]
    feet = scheduled(tables(240, 25, "17/50", ("50", "oxygen"), gf=(20, 80), units="imperial"))
    assert [round(s.depth_m / FOOT, 6) for s in feet.switches] == [70.0, 20.0]


def test_richer_gas_shortens_the_ascent():
    """Less inert gas breathed, faster out: air, then with 50 %, then with oxygen too."""
    times = [scheduled(tables(50, 30, "21/35", deco)).tts_min for deco in ((), ("50",), ("50", "oxygen"))]
    assert times == sorted(times, reverse=True)
    assert len(set(times)) == 3


def test_nearly_pure_oxygen_on_the_loop_shortens_the_last_stops():
    given = {"diluent": "18/45", "setpoint": 1.2}
    plain = scheduled(looped(60, 40, **given))
    high = scheduled(looped(60, 40, **given, deco_setpoint=1.6, deco_from=6))

    def shallow(planned):
        return sum(stop.minutes for stop in planned.stops if stop.depth_m <= 6.0)

    assert shallow(high) < shallow(plain)
    assert [s for s in summed(high.stops) if s[0] > 6.0] == [s for s in summed(plain.stops) if s[0] > 6.0]
    assert high.switches[-1].depth_m == 6.0


def test_a_switch_holds_the_diver():
    """Two minutes at 21 m though nothing else holds the diver there, and the stop ends on a whole minute."""
    free = scheduled(tables(40, 20, "air", ("50",), gf=(80, 80)))
    held = scheduled(tables(40, 20, "air", ("50",), gf=(80, 80), stops={"gas_switch": 2}))
    assert all(stop.depth_m != 21.0 for stop in free.stops)
    assert held.stops[0].depth_m == 21.0
    stop = held.stops[0]
    assert stop.leave_min == math.ceil(stop.arrive_min + 2)
    assert 2.0 <= stop.leave_min - stop.arrive_min < 3.0


def test_oxygen_breaks():
    """Twelve minutes of oxygen, six of the bottom gas, while oxygen would be breathed at 6 and 3 m."""
    breaks = {"oxygen_breaks": {"on": 12, "off": 6}}
    given = tables(60, 50, "18/45", ("50", "oxygen"), gf=(30, 70), stops=breaks)
    legs = [leg for leg in scheduled(given).legs if leg.end_m <= 6.0 and leg.start_m <= 6.0]
    spells = []
    for leg in legs:
        label = leg.source.mix.label
        if spells and spells[-1][0] == label:
            spells[-1] = (label, spells[-1][1] + leg.minutes)
        else:
            spells.append((label, leg.minutes))
    assert [label for label, _ in spells[:5]] == ["oxygen", "18/45", "oxygen", "18/45", "oxygen"]
    for label, minutes in spells[:-1]:
        # A whole minute of run time may have to be awaited, and a break may end under way to the next stop.
        expected = 12.0 if label == "oxygen" else 6.0
        assert expected - 1.0 <= minutes <= expected + 1.0
    assert scheduled(given).run_time_min > scheduled({**given, "stops": {}}).run_time_min


def test_a_break_takes_the_gas_named():
    breaks = {"oxygen_breaks": {"on": 10, "off": 5, "gas": "50"}}
    planned = scheduled(tables(60, 50, "18/45", ("50", "oxygen"), gf=(30, 70), stops=breaks))
    assert {stop.source.mix.label for stop in planned.stops if stop.depth_m <= 6.0} == {"oxygen", "50"}


def test_a_level_on_the_way_up():
    """Half an hour at 12 m after 40 m decompresses: less is left than at the end of the first level."""
    deep = scheduled(tables(40, 25))
    given = tables(0, 0) | {"levels": [{"depth": 40, "leave_at": 25}, {"depth": 12, "leave_at": 55}]}
    both = scheduled(given)
    assert both.tts_min < deep.tts_min
    assert {leg.level for leg in both.legs} == {0, 1}
    assert both.track.at(25)["tts_min"] == pytest.approx(deep.tts_min)


def test_the_deeper_of_two_levels_may_come_second():
    given = tables(0, 0) | {"levels": [{"depth": 20, "leave_at": 10}, {"depth": 40, "leave_at": 30}]}
    planned = scheduled(given)
    descents = [(leg.start_m, leg.end_m) for leg in planned.legs if leg.kind == "descent"]
    assert descents == [(0.0, 20.0), (20.0, 40.0)]
    assert planned.tts_min < scheduled(tables(40, 30)).tts_min


def test_a_level_gas_of_its_own():
    given = tables(0, 0) | {
        "levels": [{"depth": 40, "leave_at": 20}, {"depth": 27, "leave_at": 50, "gas": "32"}],
        "cylinders": [cylinder("air", "bottom"), cylinder("32", "bottom")],
    }
    on_air = copy.deepcopy(given)
    on_air["levels"][1]["gas"] = "air"
    assert scheduled(given).tts_min < scheduled(on_air).tts_min
    assert [(s.depth_m, s.source.mix.label) for s in scheduled(given).switches] == [(27.0, "32")]


def test_a_level_left_before_its_stops_are_done_is_refused():
    """An hour at 50 m holds the diver well below 6 m; ten minutes later nobody is there."""
    given = tables(0, 0) | {"levels": [{"depth": 50, "leave_at": 60}, {"depth": 6, "leave_at": 70}]}
    with pytest.raises(DiveFileError, match=r"dive: \[\[levels\]\] 2, leave_at: .*give at least (\d+)") as refused:
        scheduled(given)
    least = int(str(refused.value).rsplit(" ", 1)[1])
    given["levels"][1]["leave_at"] = least
    assert scheduled(given).stops
    given["levels"][1]["leave_at"] = least - 1
    with pytest.raises(DiveFileError):
        scheduled(given)


# --- What a dive computer would show ------------------------------------------------------------------------------


def test_tts_grows_at_the_level_and_falls_as_stops_are_served():
    planned = scheduled(tables(40, 30))
    points = planned.track.points
    level = points[(points["run_time_min"] >= 2.0) & (points["run_time_min"] <= 30.0)]
    tts = level["tts_min"]
    # A minute's tolerance: stops end on whole minutes, so TTS may shrink by what was rounded up.
    assert (tts[1:] - tts[:-1] >= -1.0 - 1e-6).all()
    assert tts[-1] > tts[0] + 10.0
    after = points[points["run_time_min"] >= 30.0]
    assert after["tts_min"] == pytest.approx(planned.run_time_min - after["run_time_min"])


def test_the_track_says_what_the_plan_says():
    planned = scheduled(tables(40, 30))
    assert planned.track.at(30)["tts_min"] == pytest.approx(planned.tts_min)
    assert planned.tts_min == pytest.approx(planned.run_time_min - 30)
    assert planned.track.at(planned.run_time_min)["depth_m"] == 0.0
    assert planned.track.at(planned.run_time_min)["gf_surface"] <= 0.8 + 1e-9


def test_ndl_runs_out_when_the_limit_is_reached():
    """At the level, remaining no-stop time and elapsed time add up to the limit."""
    planned = scheduled(tables(30, 25))
    limit = planned.ndl_min
    assert 5 < limit < 20
    for minute in range(2, 25):
        assert planned.track.at(minute)["ndl_min"] == max(0, limit - minute)


def test_ppo2_on_the_track():
    """Air at 40 m: 0.2098 · 5.01325; a loop at its setpoint; oxygen at 6 m: 1.61. (Dalton's law)"""
    assert scheduled(tables(40, 30)).track.at(20)["ppo2_bar"] == pytest.approx(0.2098 * 5.01325)
    assert scheduled(looped(40, 30, "air", setpoint=1.3)).track.at(20)["ppo2_bar"] == pytest.approx(1.3)
    planned = scheduled(tables(50, 30, deco=("oxygen",)))
    at_6 = next(s for s in planned.stops if s.depth_m == 6.0)
    assert planned.track.at(at_6.leave_min - 0.5)["ppo2_bar"] == pytest.approx(1.61325)


# --- The rules, one by one, from the track ------------------------------------------------------------------


def ceiling_m(tissue, gf):
    """Bühlmann's line after Baker: (p - a·GF) / (GF/b + 1 - GF), as depth at sea level. Set C. [m]"""
    reference = Reference([(40, 30, "air")])
    reference.n2, reference.he = list(tissue[0]), [max(0.0, he) for he in tissue[1]]
    return reference.ceiling(gf)


@pytest.mark.parametrize(
    "given",
    [
        tables(40, 30, gf=(30, 80)),
        tables(55, 25, "21/35", ("50",), gf=(20, 85)),
        looped(60, 30, "18/45", gf=(30, 70), setpoint=1.3),
    ],
    ids=["air", "trimix", "loop"],
)
def test_no_stop_is_left_a_minute_late_or_early(given):
    """At every whole minute of a stop but its last, the next stop is not yet allowed; at its last it is."""
    planned = scheduled(given)
    low, high = (percent / 100 for percent in given["model"]["gradient_factors"])
    points, tensions = planned.track.points, planned.track.tensions_bar
    stops = summed(planned.stops)
    first = planned.track.at(stops[0][1])["first_stop_m"]
    for depth, arrive, leave in stops:
        next_m = max(0.0, depth - 3.0)
        gf = high - (high - low) * next_m / first
        for minute in range(math.ceil(arrive + 1e-6), round(leave) + 1):
            i = next(j for j, t in enumerate(points["run_time_min"]) if abs(t - minute) < 1e-6)
            assert (ceiling_m(tensions[i], gf) <= next_m + 1e-6) == (minute == leave)


@pytest.mark.parametrize("gf", [20, 50, 80])
def test_the_first_stop_is_the_shallowest_below_the_ceiling_of_gf_low(gf):
    """With one gradient factor, so that the first stop is held. (With two it may be passed on arrival.)"""
    planned = scheduled(tables(50, 30, gf=(gf, gf)))
    stop = planned.stops[0]
    i = next(j for j, t in enumerate(planned.track.points["run_time_min"]) if t == stop.arrive_min)
    ceiling = ceiling_m(planned.track.tensions_bar[i], gf / 100)
    assert stop.depth_m == 3.0 * math.ceil(ceiling / 3.0)


def test_the_line_is_anchored_where_gf_low_first_holds():
    """The grid depth just below the ceiling of GF low on arrival there, after the independent model."""
    for gf_low in (10, 30, 50):
        planned = scheduled(tables(50, 30, gf=(gf_low, 80)))
        anchor = planned.track.at(planned.stops[0].arrive_min)["first_stop_m"]
        found = []
        for depth in (anchor, anchor + 3.0):
            diver = Reference([(50, 30, "air")])
            diver.load(0, 50, 2.5, "air", False)
            diver.load(50, 50, 27.5, "air", False)
            diver.load(50, depth, (50 - depth) / 9.0, "air", True)
            found.append(3.0 * math.ceil(diver.ceiling(gf_low / 100) / 3.0))
        assert found[0] == anchor  # no shallower depth is allowed from here,
        assert found[1] <= anchor  # and it was allowed to come here
