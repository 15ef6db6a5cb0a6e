"""Diving at altitude: tissues since the way up to the site, what is said where that is not given, and hypoxia there."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from leadline.dive_file import DiveFileError, divers, parse_dive, read_dive
from leadline.physics.environment import Environment
from leadline.plan import plan_dive
from leadline.plan.acclimatised import just_arrived
from leadline.plan.schedule import starting_tissue
from leadline.plan.team import plan_team
from leadline.sheets.content import conditions
from leadline.solve.mix import free_mix
from tests.authority.published import ZHL16
from tests.dives import cylinder, looped, scheduled, sentence, tables
from tests.plan.test_repetitive import written
from tests.reference_model import LeftTooEarlyError, Loop, Reference

FRESH_BAR_PER_M = 0.0980665


def icao_bar(altitude_m):
    """The standard atmosphere, written out once more."""
    return 1.01325 * (1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (287.05287 * 0.0065))


def at(altitude, depth=30, leave_at=25, bottom="21", **site):
    return tables(depth, leave_at, bottom, site={"water": "fresh", "altitude": altitude, **site})


def codes(found):
    return {finding.code for finding in found.findings}


# --- Tissues ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("altitude", [0, 1500, 2200, 4000])
@pytest.mark.parametrize(("there", "minutes"), [(0, 0), ("3 h", 180), ("1 day", 1440), ("2 days", 2880)])
@pytest.mark.parametrize("origin", [0, 900, 3000])
def test_tissues_follow_haldane_since_the_way_up(altitude, there, minutes, origin):
    """dp/dt = k (inspired - p), integrated by SciPy; saturated where the diver came from."""
    found = starting_tissue(parse_dive(at(altitude, acclimatised=there, from_altitude=origin)))
    rate = math.log(2.0) / np.array(ZHL16["n2_half_time_min"])
    inspired = (icao_bar(altitude) - 0.0627) * 0.7902
    begun = np.full(16, (icao_bar(origin) - 0.0627) * 0.7902)
    solved = solve_ivp(
        lambda t, p: rate * (inspired - p), (0.0, max(minutes, 1e-9)), begun, method="DOP853", rtol=1e-11, atol=1e-13
    )
    assert found[0] == pytest.approx(solved.y[:, -1], abs=1e-8)
    assert not found[1].any()


def test_who_has_just_driven_up_needs_longer_stops():
    """The dives of the fault: planned with the tissues of somebody who lives there, these were 43 and 41 min."""
    for altitude, lives_there_min, arrived_min in ((2200, 43, 53), (1500, 41, 47)):
        assert math.floor(scheduled(at(altitude)).run_time_min) == lives_there_min
        assert math.floor(scheduled(at(altitude, acclimatised=0)).run_time_min) == arrived_min


def test_long_enough_is_for_good():
    for_good, long_since = scheduled(at(2200)), scheduled(at(2200, acclimatised="30 days"))
    assert for_good.stops == long_since.stops
    assert for_good.ndl_min == long_since.ndl_min


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_the_independent_planner_finds_the_same_stops(data):
    draw = data.draw
    altitude, origin = draw(st.integers(0, 4000)), draw(st.integers(0, 4000))
    there = draw(st.one_of(st.just(0), st.integers(0, 600), st.integers(600, 6000)))
    depth, leave_at = draw(st.integers(15, 42)), draw(st.integers(8, 40))
    low = draw(st.integers(20, 80))
    high = draw(st.integers(low, 90))
    site = {"water": "fresh", "altitude": altitude, "acclimatised": there, "from_altitude": origin}
    loop = draw(st.booleans())
    if loop:
        given_ = looped(depth, leave_at, "21/35", (low, high), setpoint=1.2, site=site)
    else:
        given_ = tables(depth, leave_at, "21/20", ("50",), (low, high), site=site)
    ours = Reference(
        [(depth, leave_at, "21/35" if loop else "21/20")],
        () if loop else ("50",),
        Loop("21/35", 1.2) if loop else None,
        gf_low=low / 100,
        gf_high=high / 100,
        surface=icao_bar(altitude),
        per_metre=FRESH_BAR_PER_M,
        came_from=icao_bar(origin),
        there=there,
    )
    try:
        theirs = scheduled(given_)
    except DiveFileError as error:
        with pytest.raises(LeftTooEarlyError if "leave_at" in str(error) else ValueError):
            ours.swim()
        return
    assert [(s.depth_m, s.leave_min) for s in theirs.stops] == [(depth, leave) for depth, _, leave in ours.swim().stops]
    assert theirs.run_time_min == pytest.approx(ours.run_time, abs=1e-6)


# --- What is said -----------------------------------------------------------------------------------------------------


def test_not_said_how_long_is_a_caution_with_the_price():
    found = next(f for f in plan_dive(parse_dive(at(2200))).findings if f.code == "not-acclimatised")
    assert found.severity == "caution"
    assert found.values["key"] == "[site] acclimatised"
    arrived = scheduled(at(2200, acclimatised=0, from_altitude=0)).run_time_min
    assert found.values["run_time_min"] == pytest.approx(arrived)
    assert found.values["more_min"] == pytest.approx(arrived - scheduled(at(2200)).run_time_min)
    assert "needs 10 min more, run time 54 min" in sentence(found)


@pytest.mark.parametrize("site", [{"altitude": 300}, {"altitude": 2200, "acclimatised": "2 days"}, {}])
def test_nothing_is_said_where_it_is_given_or_no_matter(site):
    assert "not-acclimatised" not in codes(plan_dive(parse_dive(tables(30, 25, site=site))))


def test_from_where_needs_how_long():
    with pytest.raises(DiveFileError) as error:
        parse_dive(at(2200, from_altitude=0))
    assert error.value.problems[0].key == "[site] acclimatised"


def test_times_of_days_are_read_in_any_file():
    assert parse_dive(at(2200, acclimatised="1.5 days")).site.acclimatised == 2160.0
    assert parse_dive(at(2200, acclimatised="3 d")).site.acclimatised == 4320.0


@pytest.mark.parametrize(("altitude", "severity"), [(4700, None), (5500, "caution"), (6000, "no-go")])
def test_higher_than_the_tissues_bear_is_said(altitude, severity):
    """Sea level leaves 0.7511 bar of nitrogen. The slowest compartment (a 0.2327, b 0.9653) bears, under GF 0.8 and as
    its M-value: 0.765 and 0.816 bar at 4700 m (0.5627 bar); 0.706 and 0.756 at 5500 m (0.5054); 0.672 and 0.722 at
    6000 m (0.4722)."""
    found = {f.code: f for f in plan_dive(parse_dive(at(altitude, 12, 5, acclimatised=0))).findings}
    assert (found["surface-gf"].severity if "surface-gf" in found else None) == severity
    assert severity is None or "time at the site" in sentence(found["surface-gf"])


def test_a_team_is_told_once():
    team = [{"name": "Ann"}, {"name": "Ben"}]
    found = plan_team(parse_dive(at(2200) | {"team": team}))
    assert [sentence(f).split(":")[0] for f in found.findings if f.code == "not-acclimatised"] == ["Everyone"]


def test_every_sheet_says_how_long_the_tissues_are_taken_to_have_been_there():
    def surface(**site):
        return next(fact["text"] for fact in conditions(parse_dive(at(2200, **site))) if fact["name"] == "Surface")

    assert surface() == "2200 m for good, 775 mbar"
    assert surface(acclimatised="5 h") == "2200 m for 5 h, 775 mbar"


# --- After other dives ------------------------------------------------------------------------------------------------


def test_a_row_begins_by_the_site_of_its_first_dive(tmp_path):
    """And what the second dive's own file says of it does not count: its tissues come from the first."""
    lake = "[site]\naltitude = 2200\n"
    arrived = lake + "acclimatised = 0\n"
    for name, more in (("home", lake), ("arrived", arrived)):
        written(tmp_path, name, more=more)
    after_home, after_arrived = (
        read_dive(written(tmp_path, "second", [(f"{first}.toml", 90, 0)], more=lake)) for first in ("home", "arrived")
    )
    assert starting_tissue(after_arrived)[0].max() > starting_tissue(after_home)[0].max()
    assert (starting_tissue(just_arrived(after_home)) == starting_tissue(after_arrived)).all()
    own = read_dive(written(tmp_path, "own", [("home.toml", 90, 0)], more=arrived))
    assert (starting_tissue(own) == starting_tissue(after_home)).all()
    said = next(f for f in plan_dive(after_home).findings if f.code == "not-acclimatised")
    assert sentence(said).startswith("home.toml: [site] acclimatised is not given")
    assert said.values["run_time_min"] == pytest.approx(plan_dive(after_arrived).schedule.run_time_min)
    assert "not-acclimatised" not in codes(plan_dive(after_arrived))


# --- Hypoxia ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("altitude", [1300, 1500, 2200, 2500, 4000, 6000])
@pytest.mark.parametrize("gas", ["air", "21", "22"])
def test_no_gas_as_rich_as_air_is_hypoxic_where_the_diver_stands(altitude, gas):
    found = plan_dive(parse_dive(at(altitude, 12, 10, gas, acclimatised="30 days")))
    assert not {code for code in codes(found) if "ppo2-low" in code or "hypoxic" in code}


def test_a_gas_leaner_than_air_still_is():
    """18 % at 2500 m, 0.7468 bar: 0.134 bar, where air has 0.157."""
    with pytest.raises(DiveFileError, match="hypoxic"):
        plan_dive(parse_dive(at(2500, 12, 10, "18/45")))
    thin = plan_dive(parse_dive(at(1200, 12, 10, "20", acclimatised="30 days")))
    assert "ppo2-low" in codes(thin)


def test_the_least_is_never_more_than_air_has():
    assert Environment.at(0.0).least_ppo2(0.18) == 0.18
    assert Environment.at(2500.0).least_ppo2(0.16) == pytest.approx(0.2098 * icao_bar(2500.0))


def test_the_best_mix_of_a_mountain_lake_is_not_called_hypoxic():
    found = free_mix(parse_dive(at(3000, 18, 20)))
    assert found is not None
    assert found.mix.o2 >= 0.21
    assert found.hypoxic == ""


def test_a_loop_with_air_for_diluent_at_altitude():
    """Off the loop, air is breathed up to the surface."""
    given_ = looped(20, 20, "air", setpoint=1.2, site={"altitude": 3000, "acclimatised": "9 days"}) | {
        "cylinders": [cylinder("air", "bailout"), cylinder("air", "diluent"), cylinder("oxygen", "oxygen")]
    }
    assert not {code for code in codes(plan_dive(parse_dive(given_))) if "hypoxic" in code or "ppo2-low" in code}


def test_everybody_of_a_team_starts_alike():
    team = [{"name": "Ann"}, {"name": "Ben", "gradient_factors": [30, 70]}]
    for _, own in divers(parse_dive(at(2200, acclimatised="5 h") | {"team": team})):
        assert (starting_tissue(own) == starting_tissue(parse_dive(at(2200, acclimatised="5 h")))).all()
