"""The plan as data: the numbers are the plan's, every key is documented, and it is JSON to the last value."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI

from leadline.dive_file import parse_dive, read_dive
from leadline.plan.planned import Plan, plan_dive
from leadline.plan.team import Team, plan_team
from leadline.show.plan_data import as_data, team_as_data
from tests.dives import Tables, cylinder, looped, sentence, tables

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))
PAGE = (ROOT / "docs" / "json.md").read_text(encoding="utf-8")
Data = dict[str, Any]

TIGHT = tables(60, 25, "18/45", ("50", "oxygen"))  # one small cylinder: gas runs out, contingencies are not met
NO_BAILOUT = looped(60, 20, "18/45", setpoint=1.3)  # nothing to breathe off the loop
NO_STOP = tables(12, 20)
MISSED = tables(40, 30) | {"levels": [{"depth": 40, "leave_at": 30}, {"depth": 6, "leave_at": 48}]}
THREE = tables(45, 20, "21/35", ("50",)) | {
    "gas": {"turn": "thirds"},
    "team": [
        {"name": "Ann"},
        {"name": "Bo", "gradient_factors": [30, 70], "rmv_bottom": 15},
        {"name": "Cleo", "cylinders": [cylinder("21/35", "bottom", name="back"), cylinder("50", "deco")]},
    ],
}
ON_LOOPS = looped(60, 20, "18/45", setpoint=1.3) | {
    "gas": {"team_bailout": True},
    "cylinders": [cylinder("18/45", "bailout"), cylinder("50", "bailout")],
    "team": [{"name": "Ann"}, {"name": "Bo", "rmv_stressed": 40}],
}
DIVES: dict[str, Tables] = {
    "tight": TIGHT, "no bailout": NO_BAILOUT, "no stop": NO_STOP, "missed": MISSED, "three": THREE, "on loops": ON_LOOPS
}  # fmt: skip


def teams() -> dict[str, Team]:
    made = {path.stem: plan_team(read_dive(path), path.name) for path in EXAMPLES}
    return made | {name: plan_team(parse_dive(given)) for name, given in DIVES.items()}


@pytest.fixture(scope="module")
def planned() -> dict[str, Team]:
    return teams()


NAMES = [*(path.stem for path in EXAMPLES), *DIVES]


def numbers(data: object) -> list[float]:
    if isinstance(data, dict):
        return [number for value in data.values() for number in numbers(value)]
    if isinstance(data, list):
        return [number for value in data for number in numbers(value)]
    return [data] if isinstance(data, float) else []


def keys(data: object) -> set[str]:
    """Every key but those that are names of cylinders, or of numbers behind a finding."""
    if isinstance(data, dict):
        inner = [keys(value) for key, value in data.items() if key not in ("values", "pressures")]
        return set(data).union(*inner)
    return set().union(*(keys(value) for value in data)) if isinstance(data, list) else set()


@pytest.mark.parametrize("name", NAMES)
def test_it_is_json(planned: dict[str, Team], name: str) -> None:
    data = team_as_data(planned[name])
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert all(math.isfinite(number) for number in numbers(data))


@pytest.mark.parametrize("name", NAMES)
def test_every_key_is_on_the_page(planned: dict[str, Team], name: str) -> None:
    documented = set(re.findall(r"`(\w+)`", PAGE))
    assert not keys(team_as_data(planned[name])) - documented


@pytest.mark.parametrize("name", NAMES)
def test_contingencies_are_the_plans(planned: dict[str, Team], name: str) -> None:
    for member in planned[name].members:
        found = member.plan
        data = as_data(found)
        assert [told["name"] for told in data["contingencies"]] == [c.name for c in found.contingencies]
        used = {use["name"]: use["used_l"] for use in data["supply"]}
        for told, contingency in zip(data["contingencies"], found.contingencies, strict=True):
            assert (told["kind"], told["holds"]) == (contingency.kind, contingency.holds)
            assert (told["leaves_at_min"], told["depth_m"]) == (contingency.left_at or (None, None))
            assert [stop["leave_min"] for stop in told["stops"]] == [stop.leave_min for stop in contingency.stops]
            assert [finding["code"] for finding in told["findings"]] == [f.code for f in contingency.findings]
            if contingency.legs:
                assert told["run_time_min"] == contingency.legs[-1].end_min
                assert told["longer_min"] == told["run_time_min"] - data["schedule"]["run_time_min"]
                assert told["oxygen"]["cns_percent"] == contingency.oxygen.cns_percent
            for use in told["supply"]:
                assert use["used_more_l"] == use["used_l"] - used.get(use["name"], 0.0)


def test_there_are_contingencies_of_every_sort(planned: dict[str, Team]) -> None:
    found = [c for team in planned.values() for member in team.members for c in as_data(member.plan)["contingencies"]]
    assert {told["holds"] for told in found} == {True, False}
    assert {told["two_failures"] for told in found} == {True, False}
    assert {told["kind"] for told in found} >= {"deeper", "longer", "lost gas", "bailout", "mate out of gas"}


def test_without_a_way_up_there_are_no_numbers_of_one(planned: dict[str, Team]) -> None:
    (member,) = planned["no bailout"].members
    (bailout,) = [told for told in as_data(member.plan)["contingencies"] if told["kind"] == "bailout"]
    assert not bailout["holds"]
    assert [bailout[key] for key in ("run_time_min", "tts_min", "longer_min", "oxygen", "loop")] == [None] * 5
    assert bailout["stops"] == bailout["supply"] == []


def test_gas_that_is_kept_and_turned_on(planned: dict[str, Team]) -> None:
    found = planned["three"].members[0].plan
    data = as_data(found)
    ((told,), (gas,)) = data["minimum_gas"], found.minimum_gas
    assert told == {
        "level": 1, "gas": "21/35", "run_time_min": 20.0, "depth_m": 45.0, "to_m": gas.to_m, "minutes": gas.minutes,
        "litres": gas.litres,
    }  # fmt: skip
    ((turned,), (turn,)) = data["turns"], found.turns
    assert (turned["cylinder"], turned["rule"], turned["gas"]) == ("bottom 21/35", "thirds of the fill", "21/35")
    assert (turned["kept_bar"], turned["turn_bar"], turned["out_l"]) == (turn.kept_bar, turn.turn_bar, turn.out_l)
    assert as_data(planned["on loops"].members[0].plan)["turns"] == []


def alone(given: Tables) -> Plan:
    return plan_dive(parse_dive(given))


def test_pressures_at_the_stops_by_hand() -> None:
    """RMV times pressure times minutes, and CoolProp's air from what is then left of 24 L filled to 230 bar."""
    carried = [cylinder("air", "bottom", name="twin", size="24 L", pressure="230 bar")]
    data = as_data(alone(tables(40, 20) | {"cylinders": carried}))
    stops, kelvin, gas_constant = data["schedule"]["stops"], 273.15 + 14.0, 0.0831446262
    assert len(stops) >= 2

    def bar(depth_m: float) -> float:
        return 1.01325 + depth_m / 10.0

    # Down in 2 min (20 m/min), at 40 m until 20 min, up at 9 m/min on the bottom RMV of 20, then on the deco RMV of 16.
    used_l = 20.0 * (2.0 * bar(20.0) + 18.0 * bar(40.0))
    used_l += 20.0 * (40.0 - stops[0]["depth_m"]) / 9.0 * bar((40.0 + stops[0]["depth_m"]) / 2.0)
    free_litres = PropsSI("Dmolar", "T", kelvin, "P", 230e5, "Air") / 1000.0 * 24.0 * gas_constant * kelvin
    previous_m = stops[0]["depth_m"]
    for stop in stops:
        used_l += 16.0 * (previous_m - stop["depth_m"]) / 9.0 * bar((previous_m + stop["depth_m"]) / 2.0)
        used_l += 16.0 * (stop["leave_min"] - stop["arrive_min"]) * bar(stop["depth_m"])
        previous_m = stop["depth_m"]
        mol_m3 = (free_litres - used_l) / 24.0 / gas_constant / kelvin * 1000.0
        assert stop["pressures"] == {
            "twin": pytest.approx(PropsSI("P", "T", kelvin, "Dmolar", mol_m3, "Air") / 1e5, rel=5e-3)
        }


def test_pressure_of_a_gas_that_waits_for_its_stop() -> None:
    """It is full until it is breathed, and only what the dive draws on is listed."""
    spare = cylinder("32", "bailout", name="spare")
    carried = [cylinder("air", "bottom", name="twin", size="24 L"), cylinder("oxygen", "deco", name="o2"), spare]
    stops = as_data(alone(tables(45, 25) | {"cylinders": carried}))["schedule"]["stops"]
    before = [stop["pressures"] for stop in stops if stop["depth_m"] > 6.0]
    assert before
    assert all(left["o2"] == 200.0 for left in before)
    assert [left["twin"] for left in before] == sorted((left["twin"] for left in before), reverse=True)
    assert stops[-1]["pressures"]["o2"] < 200.0
    assert all(set(stop["pressures"]) == {"twin", "o2"} for stop in stops)


def test_five_minutes_longer_without_a_stop_by_hand() -> None:
    """20 L/min · 2.21325 bar · 5 min more, and 5 min of run time."""
    told = {c["kind"]: c for c in as_data(alone(tables(12, 10)))["contingencies"]}["longer"]
    assert told["stops"] == []
    assert told["longer_min"] == pytest.approx(5.0)
    assert [use["used_more_l"] for use in told["supply"]] == [pytest.approx(20.0 * 2.21325 * 5.0)]


def test_a_team(planned: dict[str, Team]) -> None:
    team = planned["three"]
    data = team_as_data(team)
    assert (data["version"], data["title"], data["no_go"]) == (2, "Untitled dive", team.no_go)
    assert [diver["name"] for diver in data["divers"]] == ["Ann", "Bo", "Cleo"]
    for told, member in zip(data["divers"], team.members, strict=True):
        assert told["alone_min"] == member.alone_min
        assert told["plan"] == as_data(member.plan)
    assert len({diver["plan"]["schedule"]["run_time_min"] for diver in data["divers"]}) == 1
    assert data["demanding"] == "Bo"  # the lowest gradient factors
    assert [(turn["diver"], turn["cylinder"]) for turn in data["turns"]] == [
        ("Ann", "bottom 21/35"), ("Bo", "bottom 21/35"), ("Cleo", "back")
    ]  # fmt: skip
    assert [finding["message"] for finding in data["findings"]] == [sentence(finding) for finding in team.findings]


def test_a_team_that_shares_its_bailout(planned: dict[str, Team]) -> None:
    team = planned["on loops"]
    data = team_as_data(team)
    assert list(dict.fromkeys(bailout["diver"] for bailout in data["bailouts"])) == ["Ann", "Bo"]
    for told, bailout in zip(data["bailouts"], team.bailouts, strict=True):
        assert told["contingency"]["kind"] == "bailout"
        assert [given["giver"] for given in told["handovers"]] == [given.giver for given in bailout.handovers]
        for given in told["handovers"]:
            assert given["giver"] != told["diver"]
            assert given["litres"] > 0.0
    assert {carry["diver"] for carry in data["carries"]} == {"Ann", "Bo"}


def test_one_diver_is_a_team_of_one(planned: dict[str, Team]) -> None:
    data = team_as_data(planned["no stop"])
    ((diver,), found) = data["divers"], planned["no stop"].members[0].plan
    assert (diver["name"], data["demanding"], data["turns"], data["bailouts"]) == ("", "", [], [])
    assert diver["plan"] == as_data(found)
    assert diver["alone_min"] == found.schedule.run_time_min


def test_a_level_that_is_missed(planned: dict[str, Team]) -> None:
    """Three metres deeper, the stops below 6 m are not done by 48 min."""
    (member,) = planned["missed"].members
    deeper = as_data(member.plan)["contingencies"][0]
    assert (deeper["kind"], deeper["holds"], deeper["run_time_min"]) == ("deeper", False, None)
    assert [(finding["code"], finding["severity"]) for finding in deeper["findings"]] == [("level-missed", "caution")]
