"""What is drawn: the distributions stated, cut off where no dive can be, in the order stated."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from leadline.dive_file import parse_dive
from leadline.ensemble import draws
from leadline.many.batch import simulate_many
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.units import SYSTEMS
from tests.dives import cylinder, looped, tables


def dive_with(given=None, **more):
    return parse_dive(tables(40, 25, "21/35", ("50",), **more) | {"ensemble": given or {}})


def one(given, name, **more):
    return next(found for found in draws.inputs(dive_with(given, **more)) if found.name == name)


SHARES = np.array([0.001, 0.05, 0.3, 0.5, 0.9, 0.999])


def test_a_normal_depth_is_cut_off_at_the_surface():
    """SciPy's own truncated normal: off by no more than takes the 40 m level to 0.5 m, or to 350 m."""
    found = one({"depth": {"distribution": "normal", "spread": 20}}, "depth")
    right = stats.truncnorm(-39.5 / 20, 310 / 20, scale=20)
    assert found.ppf(SHARES) == pytest.approx(right.ppf(SHARES), abs=1e-9)
    assert found.ppf([0.0, 1.0]) == pytest.approx([-39.5, 310.0])


def test_a_lognormal_rmv_is_a_factor_about_the_plan():
    """One sigma up is the factor, one down one over the factor: of a normal 0.841345 lies below one sigma."""
    found = one({"rmv_bottom": {"distribution": "lognormal", "spread": 1.25}}, "rmv_bottom")
    assert found.ppf([0.15865525393, 0.5, 0.84134474607]) == pytest.approx([16.0, 20.0, 25.0])
    assert found.ppf(0.0) == pytest.approx(0.1)  # the least RMV that a dive file takes, L/min


def test_uniform_and_triangular_by_hand():
    """A triangle from 2 over 4 to 10: (4 - 2) / (10 - 2) = 0.25 lies below its mode, and below 3 a quarter of that."""
    flat = one({"ascent": {"distribution": "uniform", "low": 6, "high": 10}}, "ascent")
    assert flat.ppf([0.0, 0.25, 1.0]) == pytest.approx([6.0, 7.0, 10.0])
    peaked = one({"switch": {"distribution": "triangular", "low": 2, "mode": 4, "high": 10}}, "switch")
    assert peaked.ppf([0.0, 0.0625, 0.25, 1.0]) == pytest.approx([2.0, 3.0, 4.0, 10.0])


@pytest.mark.parametrize("name", ["depth", "time", "ascent", "rmv", "switch"])
def test_draws_are_of_their_distribution(name):
    """Kolmogorov and Smirnov: a draw of 5000 from the right distribution is so far off once in ten thousand."""
    dive = dive_with()
    found = draws.inputs(dive)
    values = draws.drawn(found, draws.generator(3), 5000)
    column = [one.name for one in found].index(name)
    right = {
        "depth": stats.norm(0, 1.5),
        "time": stats.norm(0, 2),
        "ascent": stats.norm(9, 1.5),
        "rmv": stats.lognorm(math.log(1.15)),
        "switch": stats.triang(0, 0, 2),
    }[name]
    assert stats.kstest(values[:, column], right.cdf).pvalue > 1e-4


def test_the_order_of_the_draws():
    """Of each dive in turn eight numbers, of which depth takes the first and RMV the fourth, as documented."""
    numbers = np.random.Generator(np.random.PCG64(7)).random(24).reshape(3, 8)
    found = draws.inputs(dive_with({"ascent": "as planned"}))
    assert [one.name for one in found] == ["depth", "time", "rmv", "switch"]
    values = draws.drawn(found, draws.generator(7), 3)
    assert values[:, 0] == pytest.approx(1.5 * stats.norm.ppf(numbers[:, 0]), abs=1e-6)
    assert values[:, 2] == pytest.approx(1.15 ** stats.norm.ppf(numbers[:, 3]), rel=1e-6)


def test_a_larger_sample_begins_with_a_smaller():
    found = draws.inputs(dive_with())
    numbers = draws.generator(1)
    in_parts = np.concatenate([draws.drawn(found, numbers, count) for count in (10, 30, 60)])
    assert np.array_equal(in_parts, draws.drawn(found, draws.generator(1), 100))


def test_one_input_as_planned_leaves_the_others():
    every, without = (draws.inputs(dive_with(given)) for given in ({}, {"depth": "as planned"}))
    assert [one.name for one in every if one not in without] == ["depth"]
    both = [draws.drawn(found, draws.generator(1), 50) for found in (every, without)]
    assert np.array_equal(both[0][:, 1:], both[1])


# --- What is drawn of which dive --------------------------------------------------------------------------------------


def names(given):
    return [one.name for one in draws.inputs(parse_dive(given))]


def test_only_what_a_dive_has():
    alone = tables(30, 20)
    assert names(alone) == ["depth", "time", "ascent", "rmv"]
    assert names(tables(30, 20, deco=("50",))) == ["depth", "time", "ascent", "rmv", "switch"]
    assert names(looped(40, 20, "21/35", setpoint=1.3)) == ["depth", "time", "ascent", "rmv", "setpoint"]
    rmvs = {name: {"distribution": "lognormal", "spread": 1.2} for name in ("rmv_bottom", "rmv_deco")}
    assert names(alone | {"ensemble": rmvs}) == ["depth", "time", "ascent", "rmv_bottom", "rmv_deco"]
    assert names(alone | {"ensemble": rmvs | {"rmv_deco": "as planned"}}) == ["depth", "time", "ascent", "rmv_bottom"]


def test_defaults_are_common_in_both_systems():
    metric = [one.in_words(SYSTEMS["metric"]) for one in draws.inputs(dive_with())]
    assert metric == [
        "normal, standard deviation 1.5 m", "normal, standard deviation 2 min",
        "normal about 9 m/min, standard deviation 1.5 m/min", "lognormal, spread by a factor of 1.15",
        "triangular, 0 min to 2 min, most often 0 min",
    ]  # fmt: skip
    feet = parse_dive(tables("40 m", 25, "21/35", units="imperial"))
    words = [one.in_words(SYSTEMS["imperial"]) for one in draws.inputs(feet)]
    assert words[0] == "normal, standard deviation 5 ft"
    assert words[2] == "normal about 30 ft/min, standard deviation 5 ft/min"
    assert all(one.common for one in draws.inputs(feet))


def test_what_is_cut_off_is_said():
    """40 m cannot be drawn shallower than by 39.5 m: of a normal with standard deviation 20 m that cuts off 2.4 %."""
    little = one({"depth": {"distribution": "normal", "spread": 10}}, "depth")
    assert little.in_words(SYSTEMS["metric"]) == "normal, standard deviation 10 m"
    assert little.possible == pytest.approx(1.0, abs=1e-4)
    much = one({"depth": {"distribution": "normal", "spread": 20}}, "depth")
    assert much.in_words(SYSTEMS["metric"]) == "normal, standard deviation 20 m, cut off below -39.5 m"
    assert much.possible == pytest.approx(1.0 - 0.02414, abs=1e-5)  # SciPy: norm.cdf(-39.5 / 20)
    feet = parse_dive(
        tables("40 m", 25, "21/35", units="imperial")
        | {"ensemble": {"depth": {"distribution": "uniform", "low": -131, "high": 10}}}
    )
    assert draws.inputs(feet)[0].in_words(SYSTEMS["imperial"]) == "uniform, -131 ft to 10 ft, cut off below -129.6 ft"


# --- What the draws make of a dive ------------------------------------------------------------------------------------


def test_depths_times_rates_by_hand():
    """Two levels, 40 m to 25 min and 21 m to 40 min; descent 20 m/min.

    1: 2 m deeper, 3 min longer: 42 m to 28, 23 m to 43.
    2: 30 m shallower and 24 min shorter: 10 m is reached after 10 / 20 = 0.5 min, and left then: 24.5 min earlier than
       planned would be before it, 24 is after: left at 1. The second level would be at -9 m; it is held at 0.5 m, and
       left 24 min early, at 16.
    """
    given = tables(40, 25, levels=[{"depth": 40, "leave_at": 25}, {"depth": 21, "leave_at": 40}])
    given["rates"] = {"ascent": 10, "between_stops": 6, "to_surface": 3}
    dive = parse_dive(given)
    found = draws.inputs(dive)
    assert [one.name for one in found] == ["depth", "time", "ascent", "rmv"]
    dived = draws.dived(dive, found, np.array([[2.0, 3.0, 8.0, 1.1], [-30.0, -24.0, 10.0, 0.9]]))
    assert dived.depth_m == pytest.approx(np.array([[42.0, 23.0], [10.0, 0.5]]))
    assert dived.leave_at_min == pytest.approx(np.array([[28.0, 43.0], [1.0, 16.0]]))
    varied = dived.varied(dive)
    assert varied.ascent == pytest.approx([8.0, 10.0])
    assert varied.between_stops == pytest.approx([4.8, 6.0])
    assert varied.to_surface == pytest.approx([2.4, 3.0])
    assert varied.rmv_bottom == pytest.approx([22.0, 18.0])
    assert varied.rmv_deco == pytest.approx([17.6, 14.4])


def test_no_level_is_left_before_it_is_reached():
    """60 m at 20 m/min is reached after 3 min, 62 m after 3.1."""
    dive = parse_dive(tables(60, 10, "18/45"))
    found = draws.inputs(dive)
    dived = draws.dived(dive, found, np.array([[2.0, -9.0, 9.0, 1.0]]))
    assert dived.leave_at_min[0] == pytest.approx([3.1])
    assert min(one.low for one in found if one.name == "time") == pytest.approx(-7.0)


def test_one_factor_for_both_rmvs_gives_way_to_one_of_its_own():
    given = {"rmv_deco": {"distribution": "uniform", "low": 10, "high": 12}}
    dive = dive_with(given)
    found = draws.inputs(dive)
    values = draws.drawn(found, draws.generator(1), 100)
    dived = draws.dived(dive, found, values)
    assert np.all((dived.rmv_deco >= 10) & (dived.rmv_deco <= 12))
    factor = values[:, [one.name for one in found].index("rmv")]
    assert dived.rmv_bottom == pytest.approx(20.0 * factor)


@pytest.mark.parametrize(
    "given",
    [
        tables(40, 25, "21/35", ("50", "oxygen"), stops={"gas_switch": 1}),
        looped(45, 25, "21/35", setpoint=1.3)
        | {"cylinders": [cylinder("21/35", "bailout"), cylinder("50", "bailout")]},
    ],
    ids=["open", "loop"],
)
def test_a_draw_planned_whole_is_the_dive_of_the_sample(given):
    dive = parse_dive(given)
    found = draws.inputs(dive)
    dived = draws.dived(dive, found, draws.drawn(found, draws.generator(5), 20))
    swum = simulate_many(dive, lay_out(dive), dived.varied(dive), 20)
    for i in range(20):
        alone = dived.dive(dive, i)
        assert dive_schedule(alone, lay_out(alone)).run_time_min == swum.figures["run_time_min"][i]
