"""What was analysed: the MOD by hand, and the dive planned again with it."""

from __future__ import annotations

import json
from io import StringIO
from typing import Any

import pytest
from rich.console import Console

from leadline.dive_file import parse_dive
from leadline.mixing import Mixed
from leadline.mixing.analysis import Replanned, replanned, with_analysed
from leadline.mixing.data import mix_as_data
from leadline.mixing.depths import mod_shown
from leadline.plan.planned import plan_dive
from leadline.terminal.mix import show_mix
from tests.mixing import reference as outside
from tests.sheets.paper import KEEL, LOOP, cylinder


def analysed(*entries: dict[str, Any], given: dict[str, Any] = KEEL, **more: Any) -> Replanned:
    dive = parse_dive(given | {"fills": {"analysed": list(entries)} | more})
    found = replanned(dive)
    assert found is not None
    return found


def test_nothing_analysed_nothing_planned_again() -> None:
    assert replanned(parse_dive(KEEL)) is None


def test_the_mod_by_hand() -> None:
    # EN 13319, 10 m to 1 bar. 18.4 % at 1.4: 1.4 / 0.184 = 7.6087 bar, less 1.01325, times 10: 65.95 m.
    # 50.9 % at 1.6: 3.1434 - 1.01325 = 21.30 m. Oxygen at 1.6: 5.87 m, which is the 6 m stop's gas.
    found = analysed(
        {"cylinder": "twin set", "o2": 18.4, "he": 44},
        {"cylinder": "left stage", "o2": 50.9},
        {"cylinder": "right stage", "o2": 99.6},
    )
    dive = parse_dive(KEEL)
    assert [one.mod_m for one in found.analysed] == pytest.approx([65.95, 21.30, 6.0], abs=0.01)
    assert [mod_shown(dive, one.mod_m) for one in found.analysed] == ["65 m", "21 m", "6 m"]
    assert [one.ppo2_limit_bar for one in found.analysed] == [1.4, 1.6, 1.6]


def test_how_shallow_a_lean_gas_may_be_breathed_by_hand() -> None:
    # 0.18 bar of 12 %: 1.5 bar, 4.87 m. Of 18.4 %: above the surface.
    lean = KEEL | {"cylinders": [cylinder("twin set", "12/60", "bottom", 30, 230), *KEEL["cylinders"][1:]]}
    found = analysed({"cylinder": "twin set", "o2": 12, "he": 60}, given=lean)
    assert found.analysed[0].least_m == pytest.approx(4.87, abs=0.01)
    assert analysed({"cylinder": "twin set", "o2": 18.4, "he": 44}).analysed[0].least_m == 0.0


def test_the_same_gas_gives_the_same_plan() -> None:
    found = analysed({"cylinder": "twin set", "o2": 18, "he": 45}, {"cylinder": "left stage", "o2": 50})
    assert found.changes == ()
    assert found.holds
    assert found.real is not None
    assert found.planned is not None
    assert found.real.members[0].plan.schedule.legs == found.planned.members[0].plan.schedule.legs


def test_less_oxygen_than_asked_for_is_a_longer_way_up() -> None:
    # The dive with the gas written into its file is the reference.
    twin, stage, oxygen = KEEL["cylinders"]
    stage = stage | {"switch_depth": 21}
    found = analysed({"cylinder": "left stage", "o2": 32.0}, given=KEEL | {"cylinders": [twin, stage, oxygen]})
    written = KEEL | {"cylinders": [twin, stage | {"gas": "32"}, oxygen]}
    expected = plan_dive(parse_dive(written))
    assert found.real is not None
    assert found.planned is not None
    assert found.real.members[0].plan.schedule.stops == expected.schedule.stops
    assert found.real.members[0].plan.schedule.tts_min > found.planned.members[0].plan.schedule.tts_min
    assert any(change.startswith("TTS ") for change in found.changes)
    assert any(change.startswith("Stop at ") for change in found.changes)
    assert [finding.code for finding in found.analysed[0].findings] == ["analysed-off"]


def test_a_leaner_gas_is_changed_to_deeper() -> None:
    # 44 % at 24 m: 0.44 * 3.41325 = 1.50 bar; at 27 m 1.63. 50 % at 24 m: 1.71, at 21 m 1.56.
    found = analysed({"cylinder": "left stage", "o2": 44.0})
    assert "44 % is changed to at 24 m; it was 50 % at 21 m." in found.changes


def test_a_gas_too_rich_is_no_go() -> None:
    # 24 % at 60 m: 0.24 * 7.01325 = 1.68 bar.
    found = analysed({"cylinder": "twin set", "o2": 24, "he": 40})
    assert not found.holds
    said = found.refused + " ".join(found.changes)
    assert "24" in said


def test_a_fill_too_low_counts() -> None:
    found = analysed({"cylinder": "twin set", "o2": 18, "he": 45, "pressure": 120})
    assert [finding.code for finding in found.analysed[0].findings] == ["analysed-low"]
    assert not found.holds
    assert any("New no-go" in change for change in found.changes)


@pytest.mark.parametrize("bar", [1, 20])
def test_a_fill_that_is_hardly_there_is_planned_too(bar: float) -> None:
    assert not analysed({"cylinder": "twin set", "o2": 18, "he": 45, "pressure": bar}).holds


def test_a_warm_pressure_is_taken_to_the_temperature_of_the_plan() -> None:
    # 230 bar of 50 % at 30 °C in water of 14 °C, by CoolProp.
    found = analysed({"cylinder": "left stage", "o2": 50, "pressure": 230}, temperature=30)
    held = outside.amounts(outside.fractions("50"), 11.0, 230.0, 30.0)
    assert found.analysed[0].bar == pytest.approx(outside.pressure(held, 11.0, 14.0), abs=0.2)
    assert found.analysed[0].read_bar == 230.0


def test_gases_named_elsewhere_follow() -> None:
    given = KEEL | {
        "levels": [{"depth": 60, "leave_at": 20, "gas": "18/45"}],
        "stops": {"oxygen_breaks": {"on": 20, "off": 5, "gas": "18/45"}},
        "fills": {"analysed": [{"cylinder": "twin set", "o2": 18.3, "he": 44.4}]},
    }
    real = with_analysed(parse_dive(given))
    assert real.levels[0].gas is not None
    assert real.levels[0].gas.label == "18.3/44.4"
    assert real.stops.oxygen_breaks is not None
    assert real.stops.oxygen_breaks.gas == real.levels[0].gas
    assert real.cylinders[0].gas == real.levels[0].gas


def test_a_gas_still_carried_keeps_its_name() -> None:
    second = cylinder("second set", "18/45", "bottom", 24, 230)
    given = KEEL | {
        "cylinders": [*KEEL["cylinders"], second],
        "levels": [{"depth": 60, "leave_at": 20, "gas": "18/45"}],
        "fills": {"analysed": [{"cylinder": "twin set", "o2": 18.3, "he": 44.4}]},
    }
    real = with_analysed(parse_dive(given))
    assert real.levels[0].gas is not None
    assert real.levels[0].gas.label == "18/45"


def test_the_loop_gets_the_diluent_that_is_there() -> None:
    given = LOOP | {"fills": {"analysed": [{"cylinder": "diluent", "o2": 20.1, "he": 26}]}}
    real = with_analysed(parse_dive(given))
    assert real.loop is not None
    assert real.loop.diluent.label == "20.1/26"
    found = replanned(parse_dive(given))
    assert found is not None
    assert found.real is not None


def test_two_diluents_on_one_loop_are_refused() -> None:
    second = cylinder("second diluent", "21/25", "diluent", 3, 200)
    given = LOOP | {
        "cylinders": [*LOOP["cylinders"], second],
        "fills": {"analysed": [{"cylinder": "diluent", "o2": 20.1, "he": 26}]},
    }
    found = replanned(parse_dive(given))
    assert found is not None
    assert not found.holds
    assert found.refused == (
        "the diluent cylinders hold 20.1/26.0 and 21.0/25.0; a loop is planned with one diluent: make them one"
    )


def test_only_the_divers_own_cylinder_changes() -> None:
    given = KEEL | {
        "team": [{"name": "Ann"}, {"name": "Bo"}],
        "fills": {"analysed": [{"cylinder": "left stage", "diver": "Bo", "o2": 48.2}]},
    }
    real = with_analysed(parse_dive(given))
    stages = [[c.gas.label for c in diver.cylinders or () if c.name == "left stage"] for diver in real.team]
    assert stages == [["50"], ["48.2"]]
    found = replanned(parse_dive(given))
    assert found is not None
    assert [one.diver for one in found.analysed] == ["Bo"]
    assert found.real is not None
    held = [member.plan.dive.cylinders[1].gas.label for member in found.real.members]
    assert held == ["50", "48.2"]


def test_shown_with_both_verdicts() -> None:
    found = analysed({"cylinder": "left stage", "o2": 44.0, "by": "Ann", "date": "2026-05-31"})
    written = StringIO()
    show_mix(Mixed(parse_dive(KEEL), None, found), Console(file=written, width=80, highlight=False, markup=False))
    text = written.getvalue()
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    for piece in ("As asked:", "As analysed:", "44.0 %", "Ann 2026-05-31", "The plan holds with the real gas."):
        assert piece in text
    assert "Oxygen feeds fire" not in text  # nothing is filled here


def test_as_data() -> None:
    found = analysed({"cylinder": "twin set", "o2": 24, "he": 40})
    data = json.loads(json.dumps(mix_as_data(Mixed(parse_dive(KEEL), None, found)), allow_nan=False))
    assert data["analysed"]["holds"] is False
    assert data["analysed"]["planned"]["no_go"] is False
    assert data["analysed"]["cylinders"][0]["analysed"] == {"gas": "24/40", "o2": 0.24, "he": 0.4}


def test_what_changes_for_whom() -> None:
    given = KEEL | {"team": [{"name": "Ann"}, {"name": "Bo"}]}
    lean = {"cylinder": "left stage", "o2": 32.0, "pressure": 90}
    found = analysed(*({"diver": name} | lean for name in ("Ann", "Bo")), given=given)
    news = [change for change in found.changes if change.startswith(("New", "No longer"))]
    assert news
    kinds = [change.split(":")[0] for change in news]
    assert kinds == sorted(kinds, key=["New no-go", "New caution", "No longer"].index)
    # The same for both is said once.
    assert any(": Everyone: " in change for change in news)
    alone = analysed({"diver": "Bo"} | lean, given=given)
    no_gos = [change for change in alone.changes if change.startswith("New no-go")]
    # Of Ann's only where Bo's own gas does not last while he waits for her.
    assert all("Ann: Bo's left stage" in change for change in no_gos if "Ann: " in change)
    assert any("New no-go: Bo: " in change for change in no_gos)
