"""The pictures of an ensemble: numbers that are in it, and nothing that a browser could not read."""

import json

import pytest

from leadline.app import ensemble_charts as charts
from leadline.app.charts import DAY
from leadline.app.ensemble import in_units_of
from leadline.app.planner import plan_text, read_text
from leadline.ensemble.robustness import run_ensemble
from leadline.units import SYSTEMS
from tests.app.steps import EXAMPLES, TRIMIX

METRIC, IMPERIAL = SYSTEMS["metric"], SYSTEMS["imperial"]


@pytest.fixture(scope="module", params=["marigold-trimix", "marigold-loop"])
def text(request):
    found = (EXAMPLES / f"{request.param}.toml").read_text()
    return found if "[ensemble]" in found else found + "\n[ensemble]\n"


@pytest.fixture(scope="module")
def found(text):
    return run_ensemble(read_text(text.replace("[ensemble]\n", "[ensemble]\ndives = 400\n")))[0]


def test_they_are_json(found):
    """No numbers of NumPy, none that is infinite."""
    rows = [(slate.name, slate.taken) for slate in found.slates]
    for options in (
        charts.gas_chart(found, METRIC, DAY),
        charts.tts_chart(found, DAY),
        charts.gf_chart(found, DAY),
        charts.chances_chart(rows, DAY),
        charts.drivers_chart([one for one in found.driven if one.drivers], DAY),
    ):
        assert options["series"]
        json.dumps(options, allow_nan=False)


def test_the_gas_in_both_units(found):
    """The box of a cylinder is its quantiles; its mark the reserve. 1 bar is 14.5038 psi."""
    bars, psi = (charts.gas_chart(found, system, DAY) for system in (METRIC, IMPERIAL))
    for i, one in enumerate(found.recomputed.cylinders):
        box = [quantile.value for quantile in one.left_bar.quantiles]
        assert bars["series"][0]["data"][i] == pytest.approx(box, abs=0.06)
        assert psi["series"][0]["data"][i] == pytest.approx([14.5038 * bar for bar in box], abs=0.6)
        assert bars["series"][1]["data"][i] == [pytest.approx(one.reserve_bar, abs=0.06), i]


def test_histograms_hold_all_dives(found):
    """Heights times widths are 100 %, however wide the bins; limit and M-value are marked."""
    for options in (charts.tts_chart(found, DAY), charts.gf_chart(found, DAY)):
        for series in options["series"]:
            data = series["data"][1:]
            area = sum(height * (data[i + 1][0] - at) for i, (at, height) in enumerate(data[:-1]))
            assert area == pytest.approx(100.0, abs=0.2)
    marks = {mark["name"]: mark["xAxis"] for mark in charts.gf_chart(found, DAY)["series"][0]["markLine"]["data"]}
    assert marks == {"GF high 80": 80.0, "M-value": 100.0}


def test_intervals_are_drawn_from_end_to_end(found):
    rows = [(slate.name, slate.taken) for slate in found.slates]
    bars, *whiskers = charts.chances_chart(rows, DAY)["series"]
    for i, (_, one) in enumerate(rows):
        low, high = whiskers[i]["data"][0], whiskers[i]["data"][1]["value"]
        assert [low[0], high[0]] == pytest.approx([100 * one.low, 100 * one.high], abs=0.001)
        assert low[0] <= bars["data"][i]["value"] <= high[0]
        assert low[1] == high[1] == i


def test_slates_are_named_in_the_units_shown():
    text = TRIMIX.replace("[ensemble]\n", "[ensemble]\ndives = 100\n")
    [found] = run_ensemble(read_text(text))
    feet = plan_text(text, "imperial").team.members[0].plan
    named = [slate.name for slate in in_units_of(found, feet).slates]
    assert named == ["the plan", "10 ft deeper", "5 min longer", "10 ft deeper, 5 min longer", "none of them"]
    assert [slate.taken for slate in in_units_of(found, feet).slates] == [slate.taken for slate in found.slates]
