"""A semi-closed loop from the first stop on: less is breathed, less fresh gas comes in, and the loop is leaner."""

from dataclasses import replace

import pytest

from leadline.dive_file import parse_dive
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.contingency import contingencies
from leadline.plan.gases import Source
from leadline.plan.scenarios import all_scenarios
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.supply import cylinder_use
from tests.dives import cylinder, looped


def balance(bar, o2, rmv):
    """fO2 = (P·f - m) / (P - m) with m = 1.2 L/min over rmv / 3, as ppO2: oxygen brought is metabolised or vented."""
    m = 1.2 / (rmv / 3.0)
    return bar * (bar * o2 - m) / (bar - m)


def oxygen_gone(rmv_deco, bailout=("18/45", "oxygen"), rmv_bottom=20):
    given = looped(60, 20, "18/45", setpoint=1.3, metabolic_oxygen=1.2, semi_closed=3)
    given["cylinders"] = [cylinder(gas, "bailout", size="24 L") for gas in bailout]
    given["cylinders"].append(cylinder("18/45", "diluent", name="diluent", size="5 L"))
    given["diver"] = {"rmv_bottom": rmv_bottom, "rmv_deco": rmv_deco}
    return next(c for c in plan_dive(parse_dive(given)).contingencies if c.kind == "oxygen gone")


def semi_closed(found):
    return [leg for leg in found.legs if leg.source.circuit == "semi-closed"]


@pytest.mark.parametrize(("rmv", "ppo2"), [(20, 0.238), (16, 0.193), (10, 0.046)])
def test_the_balance_by_hand(rmv, ppo2):
    """18/45 at 12 m, 1.2 L/min metabolised: at 20 L/min enough to stay awake, at 10 not."""
    bar = 1.01325 + 1.2
    assert balance(bar, 0.18, rmv) == pytest.approx(ppo2, abs=0.0005)
    assert Source(Mix.parse("18/45"), None, 3.6 / rmv).ppo2(bar) == pytest.approx(balance(bar, 0.18, rmv), abs=1e-9)


@pytest.mark.parametrize("rmv_deco", [20, 16, 10, 25])
def test_from_the_first_stop_on_the_smaller_rmv_counts(rmv_deco):
    """What is inspired, leg by leg; and no leg of the loop below 0.21 bar (common practice, no source) at its RMV."""
    legs = semi_closed(oxygen_gone(rmv_deco))
    assert {leg.after_first_stop for leg in legs} == {False, True}
    for leg in legs:
        rmv = min(20, rmv_deco) if leg.after_first_stop else 20
        for depth_m in (leg.start_m, leg.end_m):
            bar = 1.01325 + 0.1 * depth_m
            assert leg.source.ppo2(bar) == pytest.approx(balance(bar, 0.18, rmv))
            assert balance(bar, 0.18, rmv) >= 0.21


def test_where_less_is_breathed_the_loop_is_left_deeper():
    """Left at the last depth of the grid that holds 0.21 bar: by hand 12, 15 and 21 m."""
    for rmv_deco, left_m in ((20, 12.0), (16, 15.0), (10, 21.0)):
        assert min(leg.end_m for leg in semi_closed(oxygen_gone(rmv_deco))) == left_m
        at_next = balance(1.01325 + 0.1 * (left_m - 3.0), 0.18, rmv_deco)
        assert at_next < 0.21 <= balance(1.01325 + 0.1 * left_m, 0.18, rmv_deco)


def test_the_same_loop_at_rest_is_no_change_of_gas():
    found = oxygen_gone(10)
    assert [switch.source.name for switch in found.switches] == ["semi-closed 18/45", "18/45", "oxygen"]


@pytest.mark.parametrize("rmv_deco", [10, 16, 20, 25])
def test_no_less_diluent_is_counted_at_rest(rmv_deco):
    """A third of 20 L/min is vented, whatever is breathed at rest; of 25 at rest a third of 25."""
    found = oxygen_gone(rmv_deco)
    by_hand = sum(
        (max(20, rmv_deco) if leg.after_first_stop else 20) / 3.0
        * (1.01325 + 0.05 * (leg.start_m + leg.end_m)) * leg.minutes
        for leg in semi_closed(found)
    )  # fmt: skip
    (diluent,) = [use for use in found.supply if use.use == "diluent"]
    fed = sum(part.litres for part in diluent.legs if part.start_min >= found.leaves_at_min - 1e-6)
    assert fed == pytest.approx(by_hand)


def test_off_the_grid_a_gas_is_usable_from_its_grid_depth():
    """22 m, 50 %: 1.61 bar there, and a 21 m gas. 32 % is breathed until then."""
    given = looped(22, 40, "air", setpoint=1.3)
    given["cylinders"] = [cylinder("32", "bailout"), cylinder("50", "bailout")]
    found = plan_dive(parse_dive(given))
    bailout = next(c for c in found.bailouts if c.scenario.level == 0)
    taken = [(switch.depth_m, switch.source.mix.label) for switch in bailout.switches]
    assert taken == [(22.0, "32"), (21.0, "50")]
    rich = next(part for part in bailout.breathing if part.source.mix.label == "50")
    assert rich.deepest_m == 21.0


def test_one_diluent_feeds_the_loop_at_work_and_at_rest():
    """Where it takes most gas is where no other point of the dive takes more: every one tried by itself."""
    given = looped(45, 15, "18/45", setpoint=1.3, metabolic_oxygen=1.0)
    given["cylinders"] = [cylinder(gas, "bailout") for gas in ("18/45", "oxygen")]
    given["cylinders"].append(cylinder("18/45", "diluent", name="diluent", size="3 L"))
    given["diver"] = {"rmv_bottom": 20, "rmv_deco": 16}
    dive = parse_dive(given)
    layout = lay_out(dive)
    dived = dive_schedule(dive, layout)
    cylinders, _ = cylinder_use(dive, dived.legs)
    scenario = next(s for s in all_scenarios(dive, dived) if s.kind == "oxygen gone")

    def largest(contingency):
        uses = [use for use in contingency.supply if use.use in ("bailout", "diluent")]
        return max(use.used_l / use.content_l for use in uses)

    def shown(*found):
        return [largest(c) for c in contingencies(dive, layout, dived, cylinders, found) if c.legs]

    alone = (replace(scenario, points=(i, i + 1)) for i in range(len(dived.track)))
    assert max(shown(scenario)) == pytest.approx(max(share for one in alone for share in shown(one)), rel=1e-9)
