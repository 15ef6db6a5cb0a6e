"""The fills of a whole dive file; what its [fills] may not say; what is said of oxygen, heat and pressure."""

from __future__ import annotations

import json
from io import StringIO
from typing import Any

import pytest
from rich.console import Console

from leadline.dive_file import DiveFileError, parse_dive
from leadline.mixing import Mixed, mix
from leadline.mixing.data import mix_as_data
from leadline.mixing.fills import FillPlan, plan_fills
from leadline.plan.findings import Finding
from leadline.terminal.mix import show_mix
from leadline.units import FREE_CUBIC_FOOT_L
from tests.mixing import reference as outside
from tests.sheets.paper import KEEL, LOOP, cylinder

SOURCES = [{"gas": "helium"}, {"gas": "oxygen"}, {"gas": "air"}]


def filled(given: dict[str, Any] = KEEL, **more: Any) -> FillPlan:
    return plan_fills(parse_dive(given | {"fills": {"sources": SOURCES, "temperature": "20 °C"} | more}))


def codes(findings: tuple[Finding, ...]) -> dict[str, str]:
    return {finding.code: finding.severity for finding in findings}


def shown(found: FillPlan, width: int = 80) -> str:
    written = StringIO()
    show_mix(Mixed(found.dive, found, None), Console(file=written, width=width, highlight=False, markup=False))
    return written.getvalue()


def test_every_cylinder_of_the_dive() -> None:
    found = filled()
    assert found.done
    assert [one.job.cylinder for one in found.fills] == ["twin set", "left stage", "right stage"]
    assert [[step.gas.label for step in one.steps] for one in found.fills] == [
        ["helium", "oxygen", "air"],
        ["oxygen", "air"],
        ["oxygen"],
    ]
    for one in found.fills:
        assert one.result is not None
        assert one.result.o2 == pytest.approx(one.job.target.o2, abs=0.005)


def test_every_cylinder_of_every_diver() -> None:
    team = [{"name": "Ann"}, {"name": "Bo", "cylinders": [cylinder("single", "28", "bottom", 15)]}]
    found = filled(KEEL | {"team": team}, cylinders=[{"cylinder": "left stage", "gas": "50", "pressure": 90}])
    assert [(one.job.diver, one.job.cylinder) for one in found.fills] == [
        ("Ann", "twin set"),
        ("Ann", "left stage"),
        ("Ann", "right stage"),
        ("Bo", "single"),
    ]
    assert [one.job.start_bar for one in found.fills] == [0, 90, 0, 0]
    assert [one.job.given for one in found.fills] == [False, True, False, False]


def test_a_divers_own_word_comes_before_everyones() -> None:
    team = [{"name": "Ann"}, {"name": "Bo"}]
    said = [
        {"cylinder": "left stage", "gas": "50", "pressure": 90},
        {"cylinder": "left stage", "diver": "Bo", "gas": "48", "pressure": 30},
    ]
    found = filled(KEEL | {"team": team}, cylinders=said)
    stages = [one.job for one in found.fills if one.job.cylinder == "left stage"]
    assert [(job.diver, job.start.label, job.start_bar) for job in stages] == [("Ann", "50", 90), ("Bo", "48", 30)]


def test_how_deep_what_comes_of_it_may_be_breathed() -> None:
    # 10 m to 1 bar: 1.4 / 0.18 = 7.778 bar, 67.6 m; the steps of the gauge are worth 1 m. On the way up 1.6 bar:
    # 3.2 bar of 50 %, 21.9 m; oxygen is for the stop at 6 m.
    found = filled(cylinders=[{"cylinder": "left stage", "gas": "50", "pressure": 100}])
    assert [one.result_mod_m for one in found.fills] == pytest.approx([67.6, 21.9, 6.0], abs=1.0)
    (air,) = found.fills[1].top_ups
    assert air.mod_m == pytest.approx((1.6 / air.mix.o2 - 1.01325) * 10.0, abs=0.01)


def test_a_bank_serves_one_cylinder_after_the_other() -> None:
    bank = [SOURCES[0], {"gas": "oxygen", "size": 50, "pressure": 220}, {"gas": "oxygen", "size": 50, "pressure": 210}]
    found = filled(sources=[*bank, SOURCES[2]])
    drawn = [one for fill in found.fills for step in fill.steps for one in step.drawn if step.gas.label == "oxygen"]
    # In the end the fullest is drawn on for the stage of oxygen, and not before.
    assert [one.source for one in drawn] == ["oxygen 2", "oxygen 2", "oxygen 2", "oxygen"]
    assert drawn[-1].left_bar == found.left[1].bar
    assert found.left[2].bar == drawn[2].left_bar


def test_another_order_where_the_bank_reaches_further_so() -> None:
    # Together too much for one cylinder at the end, but not for the fullest first.
    bank = [SOURCES[0], {"gas": "oxygen", "size": 50, "pressure": 212}, SOURCES[2]]
    stages = [cylinder("stage", "50", "deco", 11, 200), cylinder("oxygen", "oxygen", "deco", 2, 200)]
    dive = KEEL | {"cylinders": [KEEL["cylinders"][0], *stages], "site": {"temperature": 20}}
    found = filled(dive, sources=bank)
    assert found.done
    assert found.reordered
    assert found.fills[0].job.cylinder == "oxygen"
    assert "not the dive file's, the bank reaches further" in " ".join(shown(found).split())


def test_how_far_the_sources_reach_where_they_do_not_suffice() -> None:
    bank = [SOURCES[0], {"gas": "oxygen", "pressure": 150}, SOURCES[2]]
    dive = KEEL | {"site": {"temperature": 20}}
    found = filled(dive, sources=bank)
    last = found.fills[-1]
    assert not found.done
    assert last.refused.startswith("the supply of oxygen, 150 bar, is too low to fill to 200 bar")
    assert last.most_bar == pytest.approx(150.0, abs=1.0)
    assert f"fill it to {last.most_bar:.0f} bar, as far as these sources reach" in last.refused
    again = [*dive["cylinders"][:2], cylinder("right stage", "oxygen", "deco", 7, last.most_bar or 0.0)]
    assert filled(dive | {"cylinders": again}, sources=bank).done


def test_prices_in_both_systems() -> None:
    sources = [{"gas": "oxygen", "price": 8}, {"gas": "air", "price": 0.5}]
    dive = KEEL | {"cylinders": [cylinder("twin", "32", "bottom", 24, 200)], "levels": [{"depth": 20, "leave_at": 20}]}
    (one,) = filled(dive, sources=sources).fills
    oxygen, air = (step.litres for step in one.steps)
    assert one.cost == pytest.approx(oxygen / 1000 * 8 + air / 1000 * 0.5)
    (imperial,) = filled(dive | {"units": "imperial"}, sources=sources).fills
    oxygen, air = (step.litres for step in imperial.steps)
    assert imperial.cost == pytest.approx((oxygen * 8 + air * 0.5) / FREE_CUBIC_FOOT_L)


def test_the_pressure_that_the_dive_counts_on() -> None:
    # 200 bar of 50 % in water of 14 °C (the default), filled at 20 °C: by CoolProp.
    found = filled().fills[1]
    held = outside.amounts(outside.fractions("50"), 11.0, 200.0, 14.0)
    assert found.settled_bar == pytest.approx(outside.pressure(held, 11.0, 20.0), abs=0.2)
    assert codes(found.findings)["settled-pressure"] == "note"
    warm = KEEL | {"gas": {"fill_temperature": 20}}
    assert "settled-pressure" not in codes(filled(warm).fills[1].findings)
    assert filled(warm).fills[1].settled_bar == pytest.approx(200.0)
    # Without a temperature of its own the station is at the plan's.
    there = plan_fills(parse_dive(KEEL | {"fills": {"sources": SOURCES}}))
    assert there.rules.room_celsius == 14.0
    assert there.fills[1].settled_bar == pytest.approx(200.0)


@pytest.mark.parametrize(("clean", "severity"), [(None, "caution"), (True, "note"), (False, "no-go")])
def test_oxygen_clean(clean: bool | None, severity: str) -> None:
    said = {"cylinder": "twin set"} | ({} if clean is None else {"oxygen_clean": clean})
    found = filled(cylinders=[said])
    assert codes(found.fills[0].findings)["oxygen-clean"] == severity
    assert found.done == (severity != "no-go")


def test_no_more_than_40_percent_on_the_way_needs_no_oxygen_service() -> None:
    dive = KEEL | {"cylinders": [cylinder("twin", "36", "bottom", 24, 200)], "levels": [{"depth": 20, "leave_at": 20}]}
    start = [{"cylinder": "twin", "gas": "40", "pressure": 100, "oxygen_clean": False}]
    for sources, expected in (([{"gas": "32"}], False), ([{"gas": "32"}, {"gas": "41"}], False)):
        found = filled(dive, sources=[*sources, {"gas": "air"}], cylinders=start)
        assert ("oxygen-clean" in codes(found.fills[0].findings)) == expected
    # What is in it counts too, and is drained with the same valve.
    start = [{"cylinder": "twin", "gas": "41", "pressure": 100}]
    assert codes(filled(dive, sources=[{"gas": "32"}, {"gas": "air"}], cylinders=start).fills[0].findings) == {
        "oxygen-clean": "caution",
        "settled-pressure": "note",
    }


def test_over_the_working_pressure() -> None:
    stage = cylinder("left stage", "50", "deco", 11, 200)
    for working, hot, expected in ((200, 20, "caution"), (215, 35, "note"), (232, 35, None)):
        dive = KEEL | {"cylinders": [KEEL["cylinders"][0], stage | {"working_pressure": working}]}
        found = filled(dive, filling_temperature=hot)
        assert codes(found.fills[1].findings).get("working-pressure") == expected, working


def test_a_coarse_gauge_is_called_too_coarse() -> None:
    found = filled(gauge_step=12)
    assert codes(found.fills[0].findings)["off-target"] == "caution"
    assert "off-target" not in codes(filled(gauge_step=0.1).fills[0].findings)


# --- What the file may not say ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "key", "said"),
    [
        ({"sources": []}, "[fills] sources", "is missing; name the gases at hand"),
        (
            {"cylinders": [{"cylinder": "twin"}]},
            "[[fills.cylinders]] 1, cylinder",
            "'twin' is no cylinder of this dive",
        ),
        (
            {"cylinders": [{"cylinder": "twin set"}, {"cylinder": "twin set"}]},
            "[[fills.cylinders]] 2, cylinder",
            "is there twice",
        ),
        (
            {"cylinders": [{"cylinder": "twin set", "diver": "Ann"}]},
            "[[fills.cylinders]] 1, diver",
            "there is no team; leave it out",
        ),
        ({"analysed": [{"cylinder": "x", "o2": 50}]}, "[[fills.analysed]] 1, cylinder", "they are left stage, right"),
        ({"analysed": [{"cylinder": "twin set", "o2": 18}]}, "[[fills.analysed]] 1, he", "analyse the helium too"),
    ],
)
def test_what_is_not_there_is_refused(given: dict[str, Any], key: str, said: str) -> None:
    with pytest.raises(DiveFileError) as refused:
        filled(**given)
    assert [problem.key for problem in refused.value.problems] == [key]
    assert said in refused.value.problems[0].message


@pytest.mark.parametrize(
    ("given", "key", "said"),
    [
        ({"order": "air first"}, "[fills] order", "is not one of helium first, oxygen first"),
        ({"sources": [{"gas": "hellium"}]}, "[[fills.sources]] 1, gas", 'write "helium", "air", "oxygen"'),
        ({"sources": [{"gas": "air", "size": 50}]}, "[[fills.sources]] 1, pressure", "needs the pressure it is at"),
        ({"sources": [{"gas": "air", "price": -1}]}, "[[fills.sources]] 1, price", "outside 0 to"),
        ({"cylinders": [{"cylinder": "twin set", "pressure": 50}]}, "[[fills.cylinders]] 1, gas", "what is in it now"),
        ({"analysed": [{"cylinder": "twin set", "o2": 60, "he": 50}]}, "[[fills.analysed]] 1, he", "calibrate"),
        ({"analysed": [{"cylinder": "twin set", "o2": 0.2}]}, "[[fills.analysed]] 1, o2", "outside 1 to 100 %"),
        ({"analysed": [{"cylinder": "x", "o2": 20, "date": "3/4/26"}]}, "[[fills.analysed]] 1, date", "is not a date"),
        ({"analysed": [{"cylinder": "x", "o2": 20, "pressure": 0}]}, "[[fills.analysed]] 1, pressure", "fill it, then"),
        ({"gauge_step": 0}, "[fills] gauge_step", "outside 0.05 to 20 bar"),
    ],
)
def test_bad_values_are_refused(given: dict[str, Any], key: str, said: str) -> None:
    with pytest.raises(DiveFileError) as refused:
        parse_dive(KEEL | {"fills": given})
    assert [problem.key for problem in refused.value.problems] == [key]
    assert said in refused.value.problems[0].message


# --- Shown ------------------------------------------------------------------------------------------------------------


def test_the_tape_in_order() -> None:
    found = filled(filling_temperature=35, cylinders=[{"cylinder": "twin set", "gas": "50", "pressure": 100}])
    twin = found.fills[0]
    text = shown(found)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    rows = [line.split() for line in text.splitlines() if line[:1].isdigit()]
    assert twin.drain_to_bar is not None
    assert rows[0][:4] == ["1", "drain", "100", f"{twin.drain_to_bar:.0f}"]
    for row, step in zip(rows[1:], twin.steps, strict=False):
        assert row[1:5] == [step.gas.label, *(f"{bar:.0f}" for bar in (step.from_bar, step.to_bar, step.settles_bar))]
    assert "Wait after each step until it has settled." in text
    assert "Oxygen feeds fire" in text
    assert "licensed practice" in text


def test_imperial_in_psi_and_cubic_feet() -> None:
    found = filled(LOOP, filling_temperature="95 °F", temperature="70 °F")
    text = shown(found)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= 80
    assert "FILL TO psi" in text
    assert "cu ft" in text
    assert "70 °F" in text
    for one in found.fills:
        for step in one.steps:
            psi = step.to_bar / 0.06894757293168361
            assert psi / 10 == pytest.approx(round(psi / 10), abs=1e-6)


def test_a_refusal_is_shown_with_what_would_be_right() -> None:
    text = " ".join(shown(filled(sources=SOURCES[1:])).split())
    assert "REFUSED 1 of 3 cylinders cannot be filled as asked" in text
    assert 'REFUSED: 18/45 needs helium, and there is none; add a source with gas = "helium".' in text


def test_brackets_in_a_name_are_no_markup() -> None:
    first = KEEL["cylinders"][0] | {"name": "twin [bold]set[/bold]"}
    assert "twin [bold]set[/bold]" in shown(filled(KEEL | {"cylinders": [first, *KEEL["cylinders"][1:]]}))


def test_fills_and_analyses_of_one_file() -> None:
    given = KEEL | {"fills": {"sources": SOURCES}}
    only_filled = mix(parse_dive(given))
    assert only_filled.good
    assert only_filled.analysed is None
    assert only_filled.fills is not None
    lean = [{"cylinder": "left stage", "o2": 49}]
    only_analysed = mix(parse_dive(KEEL | {"fills": {"analysed": lean}}))
    assert only_analysed.good
    assert only_analysed.fills is None
    rich = [{"cylinder": "twin set", "o2": 25, "he": 40}]
    assert not mix(parse_dive(KEEL | {"fills": {"sources": SOURCES, "analysed": rich}})).good
    assert not mix(parse_dive(KEEL | {"fills": {"sources": SOURCES[1:]}})).good


def test_the_data_are_json() -> None:
    found = filled(sources=[{"gas": "helium", "pressure": 200, "size": 50, "price": 50}, *SOURCES[1:]])
    data = json.loads(json.dumps(mix_as_data(Mixed(found.dive, found, None)), allow_nan=False))
    assert data["analysed"] is None
    twin = data["fills"]["cylinders"][0]
    assert twin["done"] is True
    assert [step["gas"] for step in twin["steps"]] == ["helium", "oxygen", "air"]
    assert [step["to_bar"] for step in twin["steps"]] == [step.to_bar for step in found.fills[0].steps]
    assert data["fills"]["sources"][0]["left_bar"] == found.left[0].bar
