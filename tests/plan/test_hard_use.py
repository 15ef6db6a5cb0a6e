"""Any dive that a dive file can say, planned by Leadline and by tests/reference_model.py: the same stops to the minute.

Open circuit and loop, trimix, altitude, fresh and sea water, several levels, feet, teams, travel gases, oxygen breaks,
the last stop at 6 m, gradient factors to their ends, held switches, dives after others; and that whole plans are finite
numbers, the same in every process.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from leadline.dive_file import Dive, DiveFileError, parse_dive, read_dive
from leadline.dive_file.schema import Previous
from leadline.plan import schedule as planning
from leadline.plan.schedule import Stop
from leadline.plan.team import plan_team
from leadline.show.plan_data import team_as_data
from tests.dives import Tables, cylinder
from tests.reference_model import LeftTooEarlyError, Loop, Reference
from tests.reference_model import gas as fractions

FOOT = 0.3048
SURFACE_BAR = {0: 1.01325, 500: 0.954608, 1500: 0.845560, 2000: 0.794952}
"""By altitude [m]: the ICAO standard atmosphere's 954.61, 845.56 and 794.95 hPa, with a digit more by its formula,
1.01325 · (1 - 0.0065 · h / 288.15)^5.255880 (ICAO Doc 7488)."""
BAR_PER_M = {"en13319": 0.1, "sea": 1025 * 9.80665e-5, "fresh": 1000 * 9.80665e-5}
CLOSE = 1e-6
EXAMPLES = Path(__file__).parents[2] / "examples"
FAMILIES = {  # bottom gases by how deep they are taken, deco gases, travel gases, the deepest level
    "air": ((("air", 55),), ((), ("50",), ("80",), ("50", "oxygen")), ((),), 55),
    "nitrox": ((("32", 37), ("28", 43)), ((), ("50",), ("oxygen",)), ((),), 43),
    "trimix": ((("21/35", 62), ("18/45", 75), ("30/20", 41)), (("50",), ("50", "oxygen"), ("35/25", "80")), ((),), 72),
    "hypoxic": ((("12/60", 110), ("16/50", 85)), (("50", "oxygen"), ("35/25", "70")), (("32",), ("25/25", "36")), 105),
}


def test_the_pressures_of_the_altitudes_are_icaos_formula():
    for metres, bar in SURFACE_BAR.items():
        by_formula = 1.01325 * (1 - 0.0065 * metres / 288.15) ** (9.80665 / (287.05287 * 0.0065))
        assert bar == pytest.approx(by_formula, abs=2e-6)


@dataclass(frozen=True)
class Said:
    """The same dive as a dive file says it, and as the reference model takes it."""

    given: Tables
    reference: Reference


@st.composite
def models(draw: st.DrawFn) -> tuple[dict[str, Any], dict[str, Any]]:
    """[model] and what it is to the reference. Gradient factors to both ends."""
    low = draw(st.sampled_from([5, 10, 20, 30, 40, 55, 70, 85, 99, 100]) | st.integers(5, 100))
    high = draw(st.sampled_from([60, 70, 85, 100]) | st.integers(max(low, 50), 100))
    high = max(low, high)
    letter = draw(st.sampled_from("bc"))
    given = {"coefficients": f"ZH-L16{letter.upper()}", "gradient_factors": [low, high]}
    return given, {"gf_low": low / 100, "gf_high": high / 100, "letter": letter}


@st.composite
def places(draw: st.DrawFn) -> tuple[Tables, dict[str, Any], float]:
    """Site, stops, rates and units as a file says them, as the reference takes them, and the length of a unit of
    depth."""
    imperial = draw(st.booleans())
    unit = FOOT if imperial else 1.0
    water, altitude = draw(st.sampled_from(sorted(BAR_PER_M))), draw(st.sampled_from([0, 0, 500, 1500, 2000]))
    step = 10 if imperial else 3
    last = draw(st.sampled_from([10, 20, 15] if imperial else [3, 6, 4, 4.5, 5]))
    hold = draw(st.sampled_from([0, 0, 1, 2.5]))
    fast = {
        "descent": draw(st.sampled_from([40, 60, 100] if imperial else [10, 20, 30])),
        "ascent": draw(st.sampled_from([30, 60, 20] if imperial else [9, 18, 6])),
        "between_stops": draw(st.sampled_from([30, 10] if imperial else [9, 3])),
        "to_surface": draw(st.sampled_from([30, 10, 5] if imperial else [9, 3, 1])),
    }
    given = {
        "units": "imperial" if imperial else "metric",
        "site": {"water": water, "altitude": f"{altitude} m"},
        "stops": {"step": step, "last": last, "gas_switch": hold},
        "rates": fast,
    }
    taken = {
        "surface": 1.01325 * (1 - 0.0065 * altitude / 288.15) ** (9.80665 / (287.05287 * 0.0065)),
        "per_metre": BAR_PER_M[water],
        "step": step * unit,
        "last": last * unit,
        "hold": float(hold),
        "descent": fast["descent"] * unit,
        "ascent": fast["ascent"] * unit,
        "between": fast["between_stops"] * unit,
        "to_surface": fast["to_surface"] * unit,
    }
    return given, taken, unit


@st.composite
def levels_of(draw: st.DrawFn, deepest_m: int, unit: float, rates: Tables, most: int) -> list[tuple[int, int]]:
    """(depth in the file's unit, run time at which it is left), no two of one depth, most often left late enough for
    the stops on the way to them."""
    found: list[tuple[int, int]] = []
    run_time = 0.0
    for _ in range(draw(st.integers(1, most))):
        before = found[-1][0] if found else 0
        depth = draw(st.integers(math.ceil(9 / unit), int(deepest_m / unit)).filter(lambda d: d not in dict(found)))
        rate = rates["descent"] if depth > before else min(rates["ascent"], rates["between_stops"])
        least = math.ceil(run_time + abs(depth - before) / rate)
        longer = draw(st.sampled_from([0, 20, 40] if depth < before or not found else [0]))
        run_time = least + longer + draw(st.integers(0, 20))
        found.append((depth, int(run_time)))
    return found


@st.composite
def open_dives(draw: st.DrawFn, most_levels: int = 3) -> Said:
    """A dive on open circuit of several levels, each on a gas of its own."""
    given, taken, unit = draw(places())
    model, factors = draw(models())
    bottoms, decos, travels, deepest_m = FAMILIES[draw(st.sampled_from(sorted(FAMILIES)))]
    deco, travel = draw(st.sampled_from(decos)), draw(st.sampled_from(travels))
    found, rows, used = [], [], []
    for depth, leave_at in draw(levels_of(deepest_m, unit, given["rates"], most_levels)):
        fit = [gas for gas, most_m in bottoms if depth * unit <= most_m and fractions(gas)[0] * 2.0 > 0.16]
        gas = draw(st.sampled_from(fit))
        used.append(gas)
        rows.append({"depth": depth, "leave_at": leave_at, "gas": gas})
        found.append((depth * unit, float(leave_at), gas))
    carried = list(dict.fromkeys(used))
    switch: dict[str, float] = {}
    cylinders = [_cylinder(gas, "bottom") for gas in carried]
    for gas in deco:
        more: Tables = {}
        if draw(st.integers(0, 5)) == 0:  # a switch depth of the diver's own, shallower than it would be
            step = given["stops"]["step"]
            most = int((1.6 / fractions(gas)[0] - 1.1) * 10 / unit / step)
            if most >= 3 and rows[0]["depth"] > 3 * step:
                more = {"switch_depth": step * draw(st.integers(3, most))}
                switch[gas] = more["switch_depth"] * unit
        cylinders.append(_cylinder(gas, "deco") | more)
    cylinders += [_cylinder(gas, "travel") for gas in travel]
    breaks = None
    if "oxygen" in deco and draw(st.booleans()):
        on, off = draw(st.sampled_from([(12, 6), (20, 5), (5, 3)]))
        given["stops"]["oxygen_breaks"] = {"on": on, "off": off, "gas": deco[0]}
        breaks = (float(on), float(off), deco[0])
    given |= {"model": model, "levels": rows, "cylinders": cylinders}
    reference = Reference(
        found, deco, **taken, **factors, travel=travel, other_bottom=tuple(carried), switch=switch, breaks=breaks
    )
    return Said(given, reference)


def _cylinder(gas: str, use: str) -> Tables:
    return cylinder(gas, use, name=f"{use} {gas}", size="15 L", pressure="210 bar")


@st.composite
def loop_dives(draw: st.DrawFn, most_levels: int = 3) -> Said:
    """A dive on the loop of several levels, its setpoint changing on the way down and up."""
    given, taken, unit = draw(places())
    model, factors = draw(models())
    diluent, deepest_m = draw(st.sampled_from([("air", 45), ("18/45", 75), ("10/70", 100)]))
    setpoint = draw(st.sampled_from([0.7, 1.0, 1.2, 1.3, 1.4]))
    loop: Tables = {"diluent": diluent, "setpoint": setpoint}
    on_loop = Loop(diluent, setpoint)
    step = given["stops"]["step"]
    half = 0.5 if unit == 1.0 else 2.0
    if draw(st.booleans()):
        deco_from = draw(st.sampled_from([2 * step, 3 * step, 5 * step, 4 * step + half]))
        loop |= {"deco_setpoint": 1.5, "deco_from": deco_from}
        on_loop = replace(on_loop, deco_setpoint=1.5, deco_from=deco_from * unit)
    if draw(st.booleans()):
        # Between the depths of the grid, so that no stop on the way down is on the very depth of a change.
        high_from, low_from = 3 * step + half, step + half
        loop |= {"low_setpoint": 0.5, "high_from": high_from, "low_from": low_from}
        on_loop = replace(on_loop, low_setpoint=0.5, high_from=high_from * unit, low_from=low_from * unit)
    rows = draw(levels_of(deepest_m, unit, given["rates"], most_levels))
    given |= {
        "model": model, "loop": loop, "levels": [{"depth": depth, "leave_at": leave} for depth, leave in rows],
        "cylinders": [],
    }  # fmt: skip
    found = [(depth * unit, float(leave), diluent) for depth, leave in rows]
    return Said(given, Reference(found, (), on_loop, **taken, **factors, pieces=64))


def ours_of(said: Said) -> tuple[Dive, planning.Schedule | str]:
    """The schedule of a dive, or how it is refused; dives that are no dives at all are left out."""
    try:
        dive = parse_dive(said.given)
        layout = planning.lay_out(dive)
    except DiveFileError as error:
        words = ("hypoxic", "hyperoxic", "can be reached", "stop grid")
        assert any(word in str(error) for word in words), error  # noqa: PT017
        assume(False)
        raise
    try:
        return dive, planning.dive_schedule(dive, layout)
    except DiveFileError as error:
        return dive, str(error)


def in_sum(stops: tuple[Stop, ...]) -> list[tuple[float, float, float]]:
    """(depth, arrival, departure), a stop at which the gas changes counted once."""
    found: list[tuple[float, float, float]] = []
    for stop in stops:
        if found and found[-1][0] == stop.depth_m and found[-1][2] == stop.arrive_min:
            found[-1] = (stop.depth_m, found[-1][1], stop.leave_min)
        else:
            found.append((stop.depth_m, stop.arrive_min, stop.leave_min))
    return found


def agrees(said: Said) -> None:
    """Stops, run time, tissues and refusals are those of the reference model."""
    _, ours = ours_of(said)
    try:
        theirs = said.reference.swim()
    except LeftTooEarlyError as error:
        level, minutes = error.args
        assert isinstance(ours, str)
        assert f"[[levels]] {level + 1}, leave_at" in ours
        assert f"({minutes:.1f} min)" in ours
        return
    except ValueError:
        assert isinstance(ours, str)
        assert "never clears" in ours
        return
    assert not isinstance(ours, str), ours
    assert np.array(in_sum(ours.stops)).reshape(-1) == pytest.approx(np.array(theirs.stops).reshape(-1), abs=CLOSE)
    assert ours.run_time_min == pytest.approx(theirs.run_time, abs=CLOSE)
    assert ours.track.tensions_bar[-1] == pytest.approx(np.array([theirs.n2, theirs.he]), abs=1e-5)


@settings(max_examples=120, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(open_dives())
def test_every_stop_on_open_circuit_is_the_reference_models(said):
    agrees(said)


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(loop_dives())
def test_every_stop_on_the_loop_is_the_reference_models(said):
    agrees(said)


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(open_dives(most_levels=1) | loop_dives(most_levels=1))
def test_the_no_stop_limit_is_the_reference_models(said):
    _, ours = ours_of(said)
    assume(not isinstance(ours, str) and 0 < ours.ndl_min < 300)
    assert ours.ndl_min == said.reference.no_stop_limit()


@settings(max_examples=20, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(open_dives(), st.lists(models(), min_size=1, max_size=2), st.sampled_from([(), ("50",), ("oxygen",)]))
def test_a_team_leaves_every_stop_when_its_slowest_diver_may(said, others, own_deco):
    """From the deepest stop up, whoever may leave it first waits. Every diver's own rules as above; the first has the
    file's gases, the others their own."""
    _, alone = ours_of(said)
    assume(not isinstance(alone, str))
    own = [one for one in said.given["cylinders"] if one["use"] != "deco"]
    own += [_cylinder(gas, "deco") for gas in own_deco]
    said.given["stops"].pop("oxygen_breaks", None)
    first = replace(said.reference, breaks=None, stops=[])
    team = [{"name": "Ann", "cylinders": said.given["cylinders"]}]
    theirs = [first]
    for i, (model, factors) in enumerate(others):
        team.append({"name": f"Ben {i}", "gradient_factors": model["gradient_factors"], "cylinders": own})
        theirs.append(replace(first, **(factors | {"letter": first.letter}), deco=own_deco, switch={}, stops=[]))
    try:
        together = plan_team(parse_dive(said.given | {"team": team}))
    except DiveFileError:
        assume(False)
        return
    held: dict[float, float] = {}
    while True:
        swum = [replace(one, held=held, stops=[]).swim() for one in theirs]
        last_ascents = [_last_ascent(one) for one in swum]
        for depth in sorted({depth for one in last_ascents for depth in one}, reverse=True):
            # Who makes no stop there leaves when he comes by; on a direct ascent grid depths are not looked at.
            left = [
                stops.get(depth, one.reached.get(depth, 0.0)) for one, stops in zip(swum, last_ascents, strict=True)
            ]
            if max(left) - min(left) > CLOSE:
                held = held | {depth: float(math.ceil(max(left) - CLOSE))}
                break
        else:
            break
    for member, leaves in zip(together.members, last_ascents, strict=True):
        last = member.plan.dive.levels[-1].leave_at
        ours = {stop.depth_m: stop.leave_min for stop in member.plan.schedule.stops if stop.arrive_min >= last - CLOSE}
        assert list(ours) == pytest.approx(list(leaves), abs=CLOSE)
        assert list(ours.values()) == pytest.approx(list(leaves.values()), abs=CLOSE)


def _last_ascent(reference: Reference) -> dict[float, float]:
    """Depths of the stops of a dive after its last level, and when they are left."""
    return {depth: leave for depth, arrive, leave in reference.stops if arrive >= reference.levels[-1][1] - CLOSE}


@settings(max_examples=20, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(open_dives() | loop_dives(most_levels=1), open_dives(), st.integers(5, 600), st.sampled_from([0, 20]))
def test_a_dive_after_another_begins_where_the_reference_model_has_left_the_diver(first, second, interval, oxygen):
    """Its tissues, then the surface interval at the lower of the two sites, some of it on oxygen; then every stop."""
    _, before = ours_of(first)
    same = {"coefficients": first.given["model"]["coefficients"]}
    second.given["model"] |= same
    second.reference.letter = first.reference.letter
    dive, _ = ours_of(second)
    assume(not isinstance(before, str))
    oxygen = min(oxygen, interval)
    earlier = Previous(file="earlier.toml", surface_interval=float(interval), oxygen=float(oxygen))
    dive = dive.model_copy(update={"previous": (earlier.read_as(parse_dive(first.given)),)})
    theirs, left = second.reference, first.reference.swim()
    theirs.n2, theirs.he = left.n2[:], left.he[:]
    here, theirs.surface = theirs.surface, max(theirs.surface, left.surface)
    theirs.rest(float(oxygen), "oxygen")
    theirs.rest(float(interval - oxygen), "air")
    theirs.surface = here
    try:
        ours = planning.dive_schedule(dive, planning.lay_out(dive))
    except DiveFileError:
        assume(False)
        return
    theirs.swim()
    assert np.array(in_sum(ours.stops)).reshape(-1) == pytest.approx(np.array(theirs.stops).reshape(-1), abs=CLOSE)
    assert ours.run_time_min == pytest.approx(theirs.run_time, abs=CLOSE)


# --- Whole plans ------------------------------------------------------------------------------------------------------


@st.composite
def whole_dives(draw: st.DrawFn) -> Tables:
    """Any of the dives above with cylinders of any size, everything counted, and one or two divers."""
    said = draw(open_dives(most_levels=2) | loop_dives(most_levels=2))
    given = said.given
    for one in given["cylinders"]:
        one |= {"size": f"{draw(st.sampled_from([1, 3, 11, 24]))} L", "pressure": f"{draw(st.integers(30, 300))} bar"}
    if "loop" in given:
        given["loop"] |= {"scrubber": draw(st.sampled_from([1, 180])), "flushes": draw(st.sampled_from([0, 2]))}
        carried = draw(st.sampled_from([(), ("50",), ("18/45", "50", "oxygen")]))
        given["cylinders"] = [_cylinder(gas, "bailout") for gas in carried]
    given["gas"] = {
        "turn": draw(st.sampled_from(["thirds", "halves", "all usable", 0.05, 1])),
        "drysuit": draw(st.sampled_from(["0 L", "9 L"])),
        "fill_temperature": draw(st.sampled_from(["-20 °C", "60 °C"])),
        "team_bailout": draw(st.booleans()),
    }  # fmt: skip
    given["diver"] = {
        "rmv_bottom": draw(st.sampled_from(["0.1 L/min", "20 L/min", "200 L/min"])),
        "sorting_out": draw(st.sampled_from([0, 2])),
    }
    given["limits"] = {
        "ppo2_bottom": 1.4,
        "density_caution": 3,
        "density_no_go": draw(st.sampled_from([3, 6.2])),
        "tts": 1,
        "run_time": 1,
    }
    given["contingencies"] = {
        "deeper": draw(st.sampled_from([0, "0.1 m", ["3 m", "9 m"]])), "longer": draw(st.sampled_from([0, 1, [5, 10]])),
        "delay": draw(st.sampled_from([0, [1, 3]])), "low_setpoint": draw(st.sampled_from([0.2, 0.7])),
        "two_failures": draw(st.sampled_from(["no-go", "caution"])),
    }  # fmt: skip
    if draw(st.booleans()):
        given["team"] = [{"name": "Änn 深"}, {"name": "Ben", "gradient_factors": [30, 70], "rmv_bottom": "60 L/min"}]
    return given


def planned(given: Tables) -> Any:
    """The plan of all divers; what is refused in words is not tried here."""
    try:
        return plan_team(parse_dive(given))
    except DiveFileError:
        assume(False)


def every_number(data: object) -> list[float]:
    """Every number in JSON data."""
    if isinstance(data, dict):
        return [number for value in data.values() for number in every_number(value)]
    if isinstance(data, list):
        return [number for value in data for number in every_number(value)]
    return [data] if isinstance(data, int | float) else []


@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(whole_dives())
def test_a_whole_plan_is_finite_numbers_and_nothing_is_made_of_nothing(given):
    team = planned(given)
    data = team_as_data(team)
    json.dumps(data, allow_nan=False)
    assert all(abs(number) < 1e9 for number in every_number(data))
    for member in team.members:
        found = member.plan
        points = found.schedule.track.points
        assert (points["ceiling_m"] - points["depth_m"]).max() <= CLOSE
        assert (np.diff(points["run_time_min"]) >= 0.0).all()
        assert (found.schedule.track.tensions_bar >= 0.0).all()
        assert (points["tts_min"] >= 0.0).all()
        for use in found.supply:
            assert 0.0 <= use.left_bar <= use.start_bar + 1e-9
            assert use.used_l >= 0.0
        for contingency in found.contingencies:
            legs = contingency.legs
            for before, after in pairwise(legs):
                assert (after.start_min, after.start_m) == (before.end_min, before.end_m)
            grave = any(finding.severity == "no-go" for finding in contingency.findings)
            assert contingency.holds == (bool(legs) and not grave)
            assert contingency.holds or contingency.findings


@settings(max_examples=10, suppress_health_check=[HealthCheck.filter_too_much], report_multiple_bugs=False)
@given(whole_dives())
def test_a_whole_plan_twice_is_the_same_to_the_last_bit(given):
    assert json.dumps(team_as_data(planned(given))) == json.dumps(team_as_data(planned(given)))


SUMS = """
import hashlib, json, sys
from leadline.dive_file import read_dive
from leadline.show.plan_data import team_as_data
from leadline.plan.team import plan_team
for path in sys.argv[1:]:
    print(hashlib.sha256(json.dumps(team_as_data(plan_team(read_dive(path)))).encode()).hexdigest())
"""


def test_another_process_plans_the_same_to_the_last_bit():
    """With another seed for Python's hashes, so that no order of a set or of a hash gets into a plan."""
    paths = [str(EXAMPLES / f"{name}.toml") for name in ("gull-stack-air", "marigold-loop", "marigold-team")]
    here = [hashlib.sha256(json.dumps(team_as_data(plan_team(read_dive(path)))).encode()).hexdigest() for path in paths]
    there = subprocess.run(
        [sys.executable, "-c", SUMS, *paths], capture_output=True, text=True, check=True,
        env=os.environ | {"PYTHONHASHSEED": "1"},
    )  # fmt: skip
    assert there.stdout.split() == here


@pytest.mark.parametrize("leave_at", [720, 1440])
def test_the_longest_dive_that_can_be_written_is_planned_in_bounded_steps(leave_at):
    """At most two days of ascent after a day of diving: a point of the track a minute and some at the changes."""
    dive = parse_dive(
        {
            "units": "metric", "model": {"gradient_factors": [20, 60]}, "levels": [{"depth": 20, "leave_at": leave_at}],
            "cylinders": [_cylinder("air", "bottom")],
        }
    )  # fmt: skip
    found = planning.dive_schedule(dive, planning.lay_out(dive))
    assert found.run_time_min <= 1440 + 2880
    assert len(found.track) <= found.run_time_min + 3 * len(found.legs) + 8


def test_a_diver_who_comes_by_later_than_the_others_leave_is_waited_for():
    """Found by the test of teams above, which did not end. The others leave 90 ft at 44 min; the third, with stops to
    come from deeper down, where the line of gradient factors already slows the ascent, passes it after that."""
    bottoms = [_cylinder("18/45", "bottom"), _cylinder("21/35", "bottom")]
    decos = [_cylinder("35/25", "deco"), _cylinder("80", "deco")]
    given = {
        "units": "imperial",
        "site": {"water": "fresh", "altitude": "500 m"},
        "stops": {"last": 20},
        "rates": {"descent": 100, "ascent": 60, "between_stops": 10, "to_surface": 5},
        "model": {"gradient_factors": [54, 66]},
        "levels": [
            {"depth": 210, "leave_at": 13, "gas": "18/45"},
            {"depth": 156, "leave_at": 22, "gas": "21/35"},
            {"depth": 199, "leave_at": 40, "gas": "21/35"},
        ],
        "team": [
            {"name": "Ann", "cylinders": bottoms + decos},
            {"name": "Ben", "cylinders": bottoms, "gradient_factors": [55, 70]},
            {"name": "Cleo", "cylinders": bottoms, "gradient_factors": [10, 80]},
        ],
    }
    team = plan_team(parse_dive(given))
    leaves = [[(stop.depth_m, stop.leave_min) for stop in in_order(one.plan.schedule)] for one in team.members]
    assert leaves[0] == leaves[1] == leaves[2]


def in_order(found: planning.Schedule) -> list[Stop]:
    """The stops of the last ascent, each once."""
    by_depth = {stop.depth_m: stop for stop in found.stops if stop.arrive_min >= found.run_time_min - found.tts_min}
    return list(by_depth.values())
