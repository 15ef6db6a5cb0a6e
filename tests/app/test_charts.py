"""The pictures: what they show is what the plan says, and it can be seen."""

import math
import re
import tomllib
from pathlib import Path

import pytest

from leadline.app import tables
from leadline.app.charts import DAY, NIGHT, cursor_points, dive_chart, limits_chart, tissue_chart
from leadline.dive_file import parse_dive
from leadline.plan.team import plan_team
from leadline.solve.frontier import Curve, Frontier, FrontierPoint

EXAMPLES = Path(__file__).parents[2] / "examples"


def planned(name):
    return plan_team(parse_dive(tomllib.loads((EXAMPLES / f"{name}.toml").read_text()))).members[0].plan


@pytest.fixture(scope="module")
def trimix():
    return planned("marigold-trimix")


def contrast(one, other):
    """Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.1, relative luminance and contrast ratio."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_the_measure_itself():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the standard's well-known near miss


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_pictures_can_be_seen(palette):
    """AA: text 4.5 to 1, lines 3 to 1."""
    for text in (palette.ink, palette.soft, palette.laid_over):
        assert contrast(text, palette.paper) >= 4.5
    for line in palette.lines:
        assert contrast(line, palette.paper) >= 3.0


def test_the_profile_is_the_plan(trimix):
    """Sixty metres, left at 20 min, up at the run time; depth downwards; each gas by name, colour and pattern."""
    options = dive_chart(trimix)
    assert options["yAxis"][0]["inverse"] is True
    lines = [one for one in options["series"] if one["xAxisIndex"] == 0 and one["name"] in ("18/45", "50 %", "oxygen")]
    assert [one["name"] for one in lines] == ["18/45", "50 %", "oxygen"]
    assert len({one["lineStyle"]["color"] for one in lines}) == len({str(o["lineStyle"]["type"]) for o in lines}) == 3
    assert lines[0]["data"][0]["value"] == [0.0, 0.0]
    assert [20.0, 60.0] in lines[0]["data"]
    assert lines[-1]["data"][-1] == [pytest.approx(trimix.schedule.run_time_min, abs=1e-3), 0.0]
    assert options["xAxis"][0]["max"] == math.ceil(trimix.schedule.run_time_min)


def test_what_is_laid_over(trimix):
    longer = next(found for found in trimix.contingencies if found.name == "5 min longer")
    options = dive_chart(trimix, [longer])
    line = next(one for one in options["series"] if one["name"] == "5 min longer")
    assert [25.0, 60.0] in line["data"]
    assert options["xAxis"][0]["max"] == math.ceil(longer.run_time_min)


@pytest.mark.parametrize("name", ["marigold-trimix", "marigold-loop"])
def test_the_cursor_reads_the_track(name):
    """At every point: as many as there are, and at the bottom the depth of the dive file and the rising TTS."""
    plan = planned(name)
    read = cursor_points(plan)
    assert {len(column) for column in read.values()} == {len(plan.schedule.track.points)}
    leave = max(i for i, t in enumerate(read["t"]) if t <= plan.dive.levels[0].leave_at)
    assert read["depth"][leave] == {"marigold-trimix": "60 m", "marigold-loop": "150 ft"}[name]
    assert read["run_time"][leave] == f"{plan.dive.levels[0].leave_at:.0f}:00"
    assert int(read["tts"][leave].split()[0]) == math.ceil(plan.schedule.tts_min - 1e-6)
    assert read["ndl"][leave] == "stops"
    assert read["depth"][-1] in ("0 m", "0 ft")


def test_tissues_stand_where_gf_says(trimix):
    """The leading compartment, in percent of the way from ambient pressure to its M-value, is GF now times 100."""
    read = cursor_points(trimix)
    for percent, gf in zip(read["tissues"], read["gf"], strict=True):
        assert max(0.0, max(percent)) == pytest.approx(float(gf.split()[0]), abs=0.6)
    assert len(tissue_chart(trimix)["series"][0]["data"]) == 16


def around(trimix):
    """Two limits by hand: one that is met everywhere, one that lets no time pass at 66 m."""
    points = [(57.0, 30), (60.0, 24), (63.0, 18), (66.0, None)]
    cns = Curve("cns", "", "CNS", tuple(FrontierPoint(m, minutes, False, "", "") for m, minutes in points))
    gas = Curve(
        "gas-short", "18/45", "18/45 in twin set",
        tuple(FrontierPoint(m, 50 if m < 60 else 40, m < 60, "", "") for m, _ in points),
    )  # fmt: skip
    return Frontier(trimix.dive, 60.0, 20, True, 50, (cns, gas), True, 99)


def test_the_limits_as_a_picture(trimix):
    options = limits_chart(around(trimix))
    cns, gas, own = options["series"]

    def places(line):
        return [point["value"] if isinstance(point, dict) else point for point in line["data"]]

    assert places(cns) == [[57.0, 30], [60.0, 24], [63.0, 18], [66.0, 0]]
    assert places(gas) == [[57.0, 50], [60.0, 40], [63.0, 40], [66.0, 40]]
    assert own["data"] == [[60.0, 20]]
    listed = re.findall(r"<td[^>]*>([^<]*)</td>", tables.limits(around(trimix)))
    assert listed == ["A", "CNS", "to 24 min", "B", "18/45 in twin set", "to 40 min"]
    assert tables.stands(around(trimix)) == "This dive, 60 m for 20 min, is inside every limit."
