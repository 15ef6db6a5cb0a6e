"""Two models side by side: who is asked, what is added up, and what is said."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from leadline.dive_file import DiveFileError, parse_dive
from leadline.plan.compare import GROUPS, SURFACE_MIN, compare_settings, compared_as_data
from leadline.plan.models import Bubbles, DissolvedGas
from leadline.plan.planned import plan_dive
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.tissue.bubbles_dive import Course, bubble_dive
from tests.authority.published import ZHL16
from tests.dives import looped, tables

TRIMIX = tables(60, 20, "18/45", ("50", "oxygen"))
LOOP = looped(60, 25, "18/45", setpoint=1.3)
OC_GASES = {"air": (0.2098, 0.0), "18/45": (0.18, 0.45), "50 %": (0.5, 0.0), "oxygen": (1.0, 0.0)}


def names(given, **more):
    [one] = compare_settings(parse_dive(given | more))
    return [side.name for side in one.sides]


# --- Who is asked -------------------------------------------------------------------------------------------


def test_without_compare_it_is_the_files_own_model_and_bubbles():
    assert names(TRIMIX) == ["ZH-L16C, GF 40/80", "bubble model, nuclei 100 %"]


def test_one_is_compared_with_the_files_own():
    assert names(TRIMIX, compare=[{"bubbles": 120}]) == ["ZH-L16C, GF 40/80", "bubble model, nuclei 120 %"]
    assert names(TRIMIX, compare=[{"gradient_factors": [30, 70]}]) == ["ZH-L16C, GF 40/80", "ZH-L16C, GF 30/70"]


def test_two_are_compared_as_they_are_written():
    two = [{"coefficients": "ZH-L16B", "gradient_factors": [55, 70]}, {"bubbles": 80}]
    assert names(TRIMIX, compare=two) == ["ZH-L16B, GF 55/70", "bubble model, nuclei 80 %"]


@pytest.mark.parametrize(
    ("wrong", "key", "said"),
    [
        ([{"bubbles": 100, "gradient_factors": [40, 80]}], "[[compare]] 1, bubbles", "of their own"),
        ([{}, {"bubbles": 20}], "[[compare]] 2, bubbles", "outside 50 to 200 %"),
        ([{"gradient_factors": [80, 40]}], "[[compare]] 1, gradient_factors", "write the lower first"),
        ([{"coefficients": "ZH-L12"}], "[[compare]] 1, coefficients", "ZH-L12"),
        ([{"nuclei": 100}], "[[compare]] 1", "nuclei"),
        ([{}, {}, {}], "compare", "2"),
    ],
)
def test_what_is_refused(wrong, key, said):
    with pytest.raises(DiveFileError) as refused:
        parse_dive(TRIMIX | {"compare": wrong})
    assert any(key in line and said in line for line in refused.value.lines()), refused.value.lines()


# --- What they make of a dive -------------------------------------------------------------------------------


@pytest.mark.parametrize("given", [TRIMIX, LOOP, tables(20, 30)], ids=["trimix", "loop", "no stop"])
def test_the_files_own_column_is_its_plan(given):
    """Stops, run time, TTS, gas and GF at the surface: those of the plan and its track."""
    dive = parse_dive(given)
    [found] = compare_settings(dive)
    own, planned = found.sides[0], plan_dive(dive)
    assert own.legs == planned.schedule.legs
    assert own.run_time_min == planned.schedule.run_time_min
    assert own.tts_min == planned.schedule.tts_min
    assert own.first_stop_m == planned.schedule.first_stop_m
    assert own.cylinders == planned.supply
    assert own.loop == planned.loop
    points = planned.schedule.track.points
    assert own.gf_surface == pytest.approx(points[-1]["gf_surface"], abs=1e-12)
    left = [point for point in points if point["run_time_min"] == dive.levels[-1].leave_at]
    assert own.ceiling_m == pytest.approx(left[0]["ceiling_m"], abs=1e-9)


@pytest.mark.parametrize("given", [TRIMIX, LOOP], ids=["trimix", "loop"])
def test_the_bubble_column_is_the_bubble_models_dive(given):
    dive = parse_dive(given)
    layout = lay_out(dive)
    course = Course(layout.start, layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps)
    dived = bubble_dive(course, (0.55 * 1.2, 0.45 * 1.2))
    [found] = compare_settings(parse_dive(given | {"compare": [{"bubbles": 120}]}))
    side = found.sides[1]
    assert [(leg.end_m, leg.end_min) for leg in side.legs] == [(leg.end_m, leg.end_min) for leg in dived.legs]
    for before, after in pairwise(side.legs):
        assert (before.end_min, before.end_m) == (after.start_min, after.start_m)
    for row in found.rows:
        there = [leg for leg in side.legs if leg.kind == "stop" and leg.end_m == row.depth_m]
        if not there:
            assert row.minutes[1] is row.leave_min[1] is None
            continue
        assert row.leave_min[1] == there[-1].end_min
        assert row.minutes[1] == math.ceil(there[-1].end_min - there[0].start_min - 1e-6)
    depths_m = [row.depth_m for row in found.rows]
    assert depths_m == sorted(depths_m, reverse=True)


def test_supersaturation_is_added_up():
    """Each compartment integrated by `quad`, leg by leg, from Haldane's and Schreiner's equations written out here."""
    dive = parse_dive(TRIMIX)
    [found] = compare_settings(dive)
    for side in found.sides:
        legs = [(leg.start_min, leg.end_min, leg.start_m, leg.end_m, OC_GASES[leg.source.name]) for leg in side.legs]
        end = side.run_time_min
        legs.append((end, end + 120.0, 0.0, 0.0, OC_GASES["air"]))
        for c in (0, 3, 7, 12):
            rates = [math.log(2.0) / ZHL16[key][c] for key in ("n2_half_time_min", "he_half_time_min")]
            p, total = [0.95055 * 0.7902, 0.0], 0.0
            for start, stop, from_m, to_m, (o2, he) in legs:
                fractions = 1.0 - o2 - he, he
                slope = 0.1 * (to_m - from_m) / (stop - start)

                def tension(t, fractions=fractions, p=tuple(p), from_m=from_m, slope=slope, rates=rates):
                    found = []
                    for f, k, before in zip(fractions, rates, p, strict=True):
                        inspired, r = (1.01325 + 0.1 * from_m - 0.0627) * f, slope * f
                        fading = (inspired - before - r / k) * math.exp(-k * t)
                        found.append(inspired + r * (t - 1.0 / k) - fading)
                    return found

                def over(t, tension=tension, from_m=from_m, slope=slope):
                    return max(0.0, sum(tension(t)) - (1.01325 + 0.1 * from_m + slope * t))

                total += quad(over, 0.0, stop - start, limit=200, epsabs=1e-6)[0]
                p = tension(stop - start)
            assert side.supersaturation_bar_min[c] == pytest.approx(total, abs=0.02), (side.name, c)
    assert SURFACE_MIN == 120.0


def test_groups_are_all_compartments_once():
    assert [c for first, last in GROUPS.values() for c in range(first, last + 1)] == list(range(1, 17))
    [found] = compare_settings(parse_dive(TRIMIX))
    side = found.sides[0]
    assert side.group_bar_min("fast") == pytest.approx(sum(side.supersaturation_bar_min[:5]) / 5)
    assert side.group_bar_min("slow") == pytest.approx(sum(side.supersaturation_bar_min[10:]) / 6)


def test_a_model_that_does_not_let_it_be_dived_is_refused_beside_the_other():
    """50 m for 25 min and 9 m from the first minute that the file's own stops allow: larger nuclei want longer."""
    levels = [{"depth": 50, "leave_at": 25}, {"depth": 9, "leave_at": 90}]
    own = dive_schedule(*laid(tables(50, 25, levels=levels)))
    arrives = next(leg.start_min for leg in own.legs if leg.kind == "level" and leg.level == 1)
    levels[1]["leave_at"] = math.ceil(arrives)
    [found] = compare_settings(parse_dive(tables(50, 25, levels=levels, compare=[{"bubbles": 150}])))
    assert not found.sides[0].refused
    assert "the stops on the way to 9 m are done at" in found.sides[1].refused
    assert all(row.minutes[1] is None for row in found.rows)
    assert found.sides[1].run_time_min == 0.0
    assert compared_as_data([found])["comparisons"][0]["sides"][1]["refused"] == found.sides[1].refused


def laid(given):
    dive = parse_dive(given)
    return dive, lay_out(dive)


def test_a_dive_that_nobody_can_dive_is_refused_whole():
    with pytest.raises(DiveFileError, match="hyperoxic"):
        compare_settings(parse_dive(tables(60, 20, "50")))


def test_every_diver_of_a_team_is_compared():
    team = [{"name": "Ann", "gradient_factors": [30, 70]}, {"name": "Ben"}]
    found = compare_settings(parse_dive(TRIMIX | {"team": team}))
    assert [one.diver for one in found] == ["Ann", "Ben"]
    assert [one.sides[0].name for one in found] == ["ZH-L16C, GF 30/70", "ZH-L16C, GF 40/80"]
    assert found[0].sides[1].legs == found[1].sides[1].legs


def test_both_satisfy_the_interface():
    """Starting tissues, load, ceiling, schedule: asked of either, in the same words."""
    dive = parse_dive(TRIMIX)
    for model in (DissolvedGas(dive), Bubbles(dive)):
        tissue = model.start()
        assert tissue[0] == pytest.approx(0.95055 * 0.7902)
        bottom = [leg for leg in model.schedule() if leg.end_min <= 20.0]
        for leg in bottom:
            tissue = model.load(tissue, leg)
        assert tissue[0, 0] == pytest.approx(7.01325 * 0.37 - 0.0627 * 0.37, rel=0.12)
        assert model.start()[0] == pytest.approx(0.95055 * 0.7902)  # not loaded in place
        assert 20.0 < model.ceiling_m(tissue) < 40.0
        assert model.ceiling_m(model.start()) == 0.0


def test_json_is_plain_and_whole():
    data = compared_as_data(compare_settings(parse_dive(LOOP)))
    [one] = data["comparisons"]
    for side in one["sides"]:
        assert len(side["supersaturation_bar_min"]) == 16
        assert side["run_time_min"] > side["tts_min"] > 0.0
        assert side["stops"][-1]["leave_min"] < side["run_time_min"]
        assert side["loop"]["oxygen_l"] > 0.0
        assert np.isfinite(side["gf_surface"])
    assert any("11 cases" in line for line in data["notes"])
