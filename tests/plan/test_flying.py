"""Going up after a dive: waits against SciPy's integration of the gas exchange and against hand arithmetic; guidance as
published."""

import io
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from scipy.integrate import solve_ivp

from leadline.app.tables import breathing
from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.plan import plan_dive
from leadline.plan.flying import (
    CABIN_M,
    ONE_DIVE,
    SEVERAL_DIVES,
    WITH_STOPS,
    after,
    guidance_for,
    hours,
    in_words,
    wait_min,
)
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.team import plan_team
from leadline.sheets.content import briefing
from leadline.show.plan_data import as_data
from leadline.terminal.plan import show
from leadline.tissue.loading import saturated
from tests.authority.published import FLYING, ZHL16
from tests.dives import looped, tables
from tests.plan.test_oxygen import after_the_log
from tests.plan.test_repetitive import written

RATE = np.log(2.0) / np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])
A = np.array([ZHL16["n2_a_bar_zhl16c"], ZHL16["he_a_bar"]])
B = np.array([ZHL16["n2_b"], ZHL16["he_b"]])
AIR_N2 = 0.7902


def icao_bar(altitude_m):
    """The standard atmosphere, its exponent worked out: 9.80665 / (287.05287 · 0.0065) = 5.25588."""
    return 1.01325 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588


def tolerated(tissue, gf):
    """Baker's equation for every compartment; the lowest ambient pressure of each. [bar]"""
    p = tissue.sum(axis=0)
    a, b = (A * tissue).sum(axis=0) / p, (B * tissue).sum(axis=0) / p
    return (p - a * gf) / (gf / b + 1.0 - gf)


def at_rest_on(surface_bar, tissue, minutes):
    """Tissues at every whole minute on air, by the differential equation."""
    breathed = (surface_bar - 0.0627) * np.array([[AIR_N2], [0.0]])

    def change(_, p):
        return (RATE * (breathed - p.reshape(2, 16))).ravel()

    solved = solve_ivp(
        change, (0.0, minutes), tissue.ravel(), method="DOP853", rtol=1e-10, atol=1e-12,
        t_eval=np.arange(minutes + 1.0),
    )  # fmt: skip
    return solved.y.T.reshape(-1, 2, 16)


DIVES = {
    "air": tables(40, 25, gf=(30, 85)),
    "trimix": tables(60, 20, "18/45", ("50", "oxygen"), gf=(30, 85)),
    "careful": tables(45, 25, "21/35", ("50",), gf=(20, 40)),
    "loop": looped(60, 25, "18/45", gf=(40, 70), setpoint=1.3),
    "lake": {**tables(30, 30, gf=(40, 80)), "site": {"altitude": 1200, "water": "fresh"}},
}


@pytest.mark.parametrize("name", DIVES)
@pytest.mark.parametrize("altitude_m", [CABIN_M, 1500.0, 3500.0])
def test_the_wait_against_scipy(name, altitude_m):
    """The last minute at which a compartment is over, by integration of two days at the surface."""
    dive = parse_dive(DIVES[name])
    found = dive_schedule(dive, lay_out(dive))
    tissue, gf = found.track.tensions_bar[-1], dive.model.gradient_factors[1] / 100.0
    surface_bar = icao_bar(dive.site.altitude)
    over = [tolerated(t, gf).max() - icao_bar(altitude_m) for t in at_rest_on(surface_bar, tissue, 2880)]
    expected = max((i for i, bar in enumerate(over) if bar > 0.0), default=-1) + 1
    assert abs(over[expected]) > 1e-7  # no tie that the last digit decides
    assert wait_min(tissue, dive, altitude_m) == expected


def test_one_compartment_by_hand():
    """ZH-L16C's compartment of 109 min, a = 0.3750 and b = 0.9092, holds 1.5 bar of nitrogen; the others are at rest.

    GF 100: at 8000 ft, 0.752624 bar (ICAO), it may hold 0.3750 + 0.752624/0.9092 = 1.202787 bar. On air at the sea it
    goes towards (1.01325 - 0.0627) · 0.7902 = 0.751125: 109 · log2((1.5 - 0.751125) / (1.202787 - 0.751125)) =
    109 · log2(1.658043) = 79.52 min, so 80. GF 50: b becomes 1/(0.5/0.9092 + 0.5) = 0.952442, a 0.1875:
    0.1875 + 0.752624/0.952442 = 0.977705, and 109 · log2(0.748875/0.226580) = 187.99 min.
    """
    dive = parse_dive(tables(20, 10))
    tissue = saturated(1.01325)
    tissue[0, 8] = 1.5
    for gf, minutes in ((100, 80), (50, 188)):
        careful = dive.model_copy(update={"model": dive.model.model_copy(update={"gradient_factors": (30.0, gf)})})
        assert wait_min(tissue, careful, CABIN_M) == minutes
    assert icao_bar(CABIN_M) == pytest.approx(0.752624, abs=2e-6)


def test_within_now_and_not_later():
    """A diver without any inert gas could go up to 6000 m at once, and would take up nitrogen before he went later.

    At rest compartment 16 holds 0.751125 bar; GF 100: (0.751125 - 0.2327) · 0.9653 = 0.5004 bar is over the 0.472 bar
    there. So no wait is long enough."""
    dive = parse_dive(tables(20, 10, gf=(40, 100)))
    washed_out = np.full((2, 16), 1e-6)
    assert (tolerated(washed_out, 1.0) < icao_bar(6000.0)).all()
    assert (saturated(1.01325)[0, 15] - 0.2327) * 0.9653 > icao_bar(6000.0)
    assert wait_min(washed_out, dive, 6000.0) is None
    assert wait_min(saturated(1.01325), dive, 6000.0) is None
    assert wait_min(saturated(1.01325), dive, CABIN_M) == 0


@pytest.mark.parametrize("name", ["trimix", "loop", "careful"])
def test_whoever_goes_up_later_or_stays_is_within_it(name):
    """From the wait on, and an hour and a night later: a day and a half in the cabin, by integration."""
    dive = parse_dive(DIVES[name])
    tissue, gf = dive_schedule(dive, lay_out(dive)).track.tensions_bar[-1], dive.model.gradient_factors[1] / 100.0
    wait = wait_min(tissue, dive, CABIN_M)
    assert wait
    grounded = at_rest_on(1.01325, tissue, wait + 600)
    assert tolerated(grounded[wait - 1], gf).max() > icao_bar(CABIN_M)
    for later in (0, 60, 600):
        for in_flight in at_rest_on(icao_bar(CABIN_M), grounded[wait + later], 2160):
            assert tolerated(in_flight, gf).max() <= icao_bar(CABIN_M) + 1e-9


@settings(max_examples=60)
@given(
    st.lists(st.floats(0.0, 3.0), min_size=32, max_size=32),
    st.floats(20.0, 100.0), st.floats(0.0, 5000.0), st.floats(0.0, 40.0), st.floats(0.0, 900.0),
)  # fmt: skip
def test_more_care_and_more_altitude_never_shorten_a_wait(tensions, gf, altitude_m, less, more_m):
    dive = parse_dive(tables(20, 10))

    def wait(factor, up_m):
        model = dive.model.model_copy(update={"gradient_factors": (5.0, factor)})
        found = wait_min(np.array(tensions).reshape(2, 16) + 1e-3, dive.model_copy(update={"model": model}), up_m)
        return math.inf if found is None else found

    assert wait(gf, altitude_m) <= wait(max(5.0, gf - less), altitude_m)
    assert wait(gf, altitude_m) <= wait(gf, altitude_m + more_m)


# --- Guidance ---------------------------------------------------------------------------------------------------------


def test_the_guidance_is_as_published():
    """Sheffield & Vann (ed.), 2004, from memory. The third has no number, only that it is more than its 18 h: 24 h by
    common practice, no source. The cabin is 14 CFR 25.841's."""
    one, several, stops = FLYING["workshop_2002"]["at_least_h"]
    assert (ONE_DIVE.minutes, SEVERAL_DIVES.minutes) == (60 * one, 60 * several)
    assert WITH_STOPS.minutes == 24 * 60 > 60 * stops
    assert "substantially longer than 18 h" in WITH_STOPS.words
    assert FLYING["cabin"]["altitude_ft"] * 0.3048 == CABIN_M


def guided(dive):
    return guidance_for(dive, dive_schedule(dive, lay_out(dive)))


def test_the_guidance_follows_the_facts_of_the_dive(tmp_path):
    """No stops, stops, stops made on a level, and dives before: of less than 48 h ago (Leadline's choice)."""
    assert guided(parse_dive(tables(18, 30))) is ONE_DIVE
    assert guided(parse_dive(tables(40, 30))) is WITH_STOPS
    stopped_on_a_level = tables(40, 20, levels=[{"depth": 40, "leave_at": 25}, {"depth": 6, "leave_at": 100}])
    found = dive_schedule(dive := parse_dive(stopped_on_a_level), lay_out(dive))
    assert not any(stop.depth_m < 6.0 for stop in found.stops)
    assert guidance_for(dive, found) is WITH_STOPS
    written(tmp_path, "shallow", depth=15, leave_at=20)
    written(tmp_path, "deep", depth=42, leave_at=30)
    for before, interval, expected in (
        ("shallow", 120, SEVERAL_DIVES),
        ("shallow", 48 * 60 - 1, SEVERAL_DIVES),
        ("shallow", 48 * 60, ONE_DIVE),
        ("deep", 600, WITH_STOPS),
        ("deep", 48 * 60, ONE_DIVE),
    ):
        found_after = read_dive(written(tmp_path, "after", [(f"{before}.toml", interval, 0)], depth=12, leave_at=20))
        assert guided(found_after) is expected
    written(tmp_path, "between", [("deep.toml", 1440, 0)], depth=12, leave_at=20)
    last = read_dive(written(tmp_path, "last", [("between.toml", 1400, 0)], depth=12, leave_at=20))
    assert guided(last) is WITH_STOPS  # 1440 + 20 and some + 1400: less than 2880
    last = read_dive(written(tmp_path, "last", [("between.toml", 1430, 0)], depth=12, leave_at=20))
    assert guided(last) is SEVERAL_DIVES


def test_a_dive_of_the_log_is_taken_to_have_needed_stops():
    dive = after_the_log([(10.0, 0.01, 0.0)], 600.0)
    assert guided(dive.model_copy(update={"levels": parse_dive(tables(12, 20)).levels})) is WITH_STOPS


@pytest.mark.parametrize("name", DIVES)
def test_the_advice_is_never_the_models_alone(name):
    found = plan_dive(parse_dive({**DIVES[name], "after": {"altitude": 3000}}))
    assert [ascent.flight for ascent in found.after] == [True, False]
    for ascent in found.after:
        assert ascent.advice_min is not None
        assert ascent.model_min is not None
        assert ascent.advice_min == max(ascent.model_min, ascent.guidance.minutes)


def test_the_model_can_be_the_longer():
    """GF high of 15 on air for an hour at 50 m: the wait is over a day, and is the advice."""
    [flying] = after(dive := parse_dive(tables(50, 60, gf=(10, 15))), dive_schedule(dive, lay_out(dive)))
    assert flying.model_min is not None
    assert flying.advice_min == flying.model_min > WITH_STOPS.minutes


# --- In words ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "said", "to_five"),
    [
        (0, "0 min", "0 min"),
        (1, "1 min", "5 min"),
        (35, "35 min", "35 min"),
        (59, "59 min", "1 h"),
        (61, "1 h 1 min", "1 h 5 min"),
        (149.2, "2 h 30 min", "2 h 30 min"),
        (1440, "24 h", "24 h"),
    ],
)
def test_times_are_rounded_up(minutes, said, to_five):
    assert (hours(minutes), hours(minutes, 5)) == (said, to_five)


def test_it_is_shown_in_the_units_of_the_file():
    for units, cabin, up in (("metric", "2438 m", "300 m"), ("imperial", "8000 ft", "984 ft")):
        given_ = {**tables("20 m", 20, units=units), "after": {"altitude": "300 m"}}
        team = plan_team(parse_dive(given_))
        [flying, driving] = team.members[0].plan.after
        assert in_words(flying, units)[:2] == (f"Flying, cabin at {cabin}", "12 h")
        assert in_words(driving, units)[0] == f"Up to {up}"
        assert in_words(driving, units)[3] == "a single dive without stops and higher cabins: at least 12 h"
        console = Console(width=120, record=True, file=io.StringIO())
        show(team, console)
        said = console.export_text()
        assert f"Flying, cabin at {cabin}" in said
        assert "Nothing published covers decompression dives" in " ".join(said.split())
        on_the_page = breathing(team.members[0].plan)
        assert f'<td class="words">Flying, cabin at {cabin}</td><td>12 h</td>' in on_the_page
        briefed = briefing(team, team.members[0])
        assert [line["where"] for line in briefed["after"]] == [f"Flying, cabin at {cabin}", f"Up to {up}"]


def test_never_is_said():
    [_, up] = plan_dive(parse_dive({**tables(20, 20, gf=(5, 10)), "after": {"altitude": 5000}})).after
    assert (up.model_min, up.advice_min) == (None, None)
    assert in_words(up, "metric")[1:3] == ("do not", "never: GF high is too low for it")


def test_the_data():
    data = as_data(plan_dive(parse_dive({**DIVES["trimix"], "after": {"altitude": 1200}})))
    json.dumps(data, allow_nan=False)
    [flying, up] = data["after"]
    assert (flying["altitude_m"], flying["flight"], up["altitude_m"], up["flight"]) == (CABIN_M, True, 1200.0, False)
    assert flying["advice_min"] == 1440
    assert flying["guidance"]["words"] == WITH_STOPS.words
    assert flying["model_min"] > up["model_min"]


def test_what_is_wrong_is_said():
    with pytest.raises(DiveFileError, match=r"\[after\] altitude: 9000 is outside -430 to 6000 m"):
        parse_dive({**tables(20, 20), "after": {"altitude": 9000}})
    with pytest.raises(DiveFileError, match="did you mean 'altitude'"):
        parse_dive({**tables(20, 20), "after": {"altitud": 900}})
