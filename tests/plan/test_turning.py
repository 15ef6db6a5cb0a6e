"""Minimum gas and turn pressure, worked by hand; the arithmetic of the first is in docs/validation.md as well."""

import math
from pathlib import Path

import pytest
from scipy.optimize import brentq

from leadline.dive_file import parse_dive, read_dive
from leadline.physics.mix import Mix
from leadline.physics.real_gas import free_litres
from leadline.plan import plan_dive
from leadline.plan.team import plan_team
from leadline.plan.turning import out_litres
from tests.dives import Tables, cylinder, looped, sentence, tables

EXAMPLES = Path(__file__).parents[2] / "examples"
SEA_BAR_PER_M = 1025.0 * 9.80665 / 1e5
TRIMIX = Mix.parse("18/45")

KEEL = [
    # Marigold, keel: from 60 m at 20 min. Depth at the middle [m], and minutes.
    (60.0, 2.0),  # sorting it out
    (43.5, 33.0 / 9.0),  # up to 27 m at 9 m/min: 25:40
    (27.0, 27.0 - (22.0 + 33.0 / 9.0)),  # to the whole minute, 27:00
    (25.5, 1.0 / 3.0),
    (24.0, 29.0 - (27.0 + 1.0 / 3.0)),  # to 29:00
    (22.5, 1.0 / 3.0),  # at 21 m 50 % is usable: 3.124 bar, 1.562 of oxygen
]
KEEL_L = sum(2.0 * 27.0 * (1.01325 + SEA_BAR_PER_M * depth_m) * minutes for depth_m, minutes in KEEL)
"""Two divers at 1.5 · 18 = 27 L/min. (Common practice, no source.)"""


def keel():
    """The keel of the Marigold."""
    return read_dive(EXAMPLES / "marigold-trimix.toml")


def by_rule(rule: str | float):
    dive = keel()
    return dive.model_copy(update={"gas": dive.gas.model_copy(update={"turn": rule})})


def pressure_of(mix: Mix, water_l: float, litres: float, celsius: float) -> float:
    """The pressure at which a cylinder holds so much, searched."""
    return brentq(lambda bar: free_litres(mix, water_l, bar, celsius) - litres, 0.0, 400.0, xtol=1e-9)


# --- Minimum gas ------------------------------------------------------------------------------------------------------


def test_minimum_gas_of_the_keel_by_hand():
    """2527 L from 60 m to the 50 % at 21 m: 760.8 + 1066.4 + 268.4 + 64.4 + 308.3 + 58.9."""
    (found,) = plan_dive(keel()).minimum_gas
    assert abs(KEEL_L - 2527.17) < 0.01
    assert found.litres == pytest.approx(KEEL_L, rel=1e-9)
    assert (found.mix, found.run_time_min, found.depth_m, found.to_m) == (TRIMIX, 20.0, 60.0, 21.0)
    assert found.minutes == pytest.approx(sum(minutes for _, minutes in KEEL), abs=1e-9)


def test_minimum_gas_to_the_surface():
    """Air, 18 m until 20 min, two divers at 30 L/min: 2 min at 18 m (2.81325 bar), 5/3 min to 3 m (mean 10.5 m, 2.06325
    bar), 1/3 min to the surface (mean 1.5 m, 1.16325 bar): 60 · (5.6265 + 3.43875 + 0.38775) = 567.18 L."""
    (found,) = plan_dive(parse_dive(tables(18, 20))).minimum_gas
    assert found.litres == pytest.approx(567.18, abs=1e-6)
    assert (found.to_m, found.minutes) == (0.0, pytest.approx(4.0))


def test_minimum_gas_is_the_stressed_divers():
    """Their own RMV and minutes: 40 L/min, nothing to sort out: 80 · (3.43875 + 0.38775) = 306.12 L."""
    given = tables(18, 20, diver={"rmv_stressed": 40, "sorting_out": 0})
    (found,) = plan_dive(parse_dive(given)).minimum_gas
    assert found.litres == pytest.approx(306.12, abs=1e-6)


def test_minimum_gas_of_every_level():
    """From the end of each; the ascent from the second by its own tissues. On a loop there is none."""
    given = tables(30, 10) | {"levels": [{"depth": 30, "leave_at": 10}, {"depth": 15, "leave_at": 20}]}
    first, second = plan_dive(parse_dive(given)).minimum_gas
    assert (first.level, first.depth_m, first.run_time_min) == (0, 30.0, 10.0)
    assert (second.level, second.depth_m, second.run_time_min) == (1, 15.0, 20.0)
    # From 15 m: 2 min at 2.51325 bar, 4/3 min to 3 m (mean 9 m, 1.91325), 1/3 min to the surface (1.16325).
    assert second.litres == pytest.approx(60.0 * (5.0265 + 2.551 + 0.38775), abs=1e-6)
    assert plan_dive(parse_dive(looped(60, 20, "18/45", setpoint=1.3))).minimum_gas == ()


def test_oxygen_breaks_on_the_bottom_gas_are_not_minimum_gas():
    """It ends where the next gas is usable, at 21 m, though the bottom gas is breathed again in breaks at 6 m."""
    breaks = {"last": "6 m", "oxygen_breaks": {"on": 12, "off": 6}}
    with_breaks, without = (
        plan_dive(parse_dive(tables(60, 25, "18/45", ("50", "oxygen"), stops=stops)))
        for stops in (breaks, {"last": "6 m"})
    )
    assert any(s.source.mix == TRIMIX for s in with_breaks.schedule.switches[1:])
    assert with_breaks.minimum_gas == without.minimum_gas
    assert with_breaks.minimum_gas[0].to_m == 21.0


# --- The turn ---------------------------------------------------------------------------------------------------------


def test_the_rules_by_hand():
    """3000 L held, 1200 kept: 1800 usable. Thirds: 1000, at most 900. Kept 600: 1000 of at most 1200."""
    assert out_litres("all usable", 3000.0, 1200.0) == 1800.0
    assert out_litres("halves", 3000.0, 1200.0) == 900.0
    assert out_litres("thirds", 3000.0, 1200.0) == 900.0
    assert out_litres("thirds", 3000.0, 600.0) == 1000.0
    assert out_litres(0.4, 3000.0, 1200.0) == pytest.approx(720.0)
    for rule in ("all usable", "halves", "thirds", 0.4):
        assert out_litres(rule, 3000.0, 3100.0) == 0.0


@pytest.mark.parametrize(
    ("rule", "out_l"),
    [
        # The twin 15 hold 6084.1 L; 2527.2 are kept, so 3556.9 are usable, and a third of the fill is 2028.0.
        ("all usable", 3556.93),
        ("halves", 1778.46),
        ("thirds", 1778.46),
        (0.4, 1422.77),
    ],
)
def test_turn_pressure_of_the_keel_by_hand(rule, out_l):
    """What may be breathed out, and the pressure that holds the rest."""
    (found,) = plan_dive(by_rule(rule)).turns
    content_l = free_litres(TRIMIX, 30.0, 230.0, 9.0)
    assert content_l == pytest.approx(6084.1, abs=0.1)
    assert found.out_l == pytest.approx(out_l, abs=0.01)
    assert found.turn_bar == pytest.approx(pressure_of(TRIMIX, 30.0, content_l - out_l, 9.0), abs=1e-3)
    assert found.kept_bar == pytest.approx(pressure_of(TRIMIX, 30.0, KEEL_L, 9.0), abs=1e-6)
    assert found.kept_bar == pytest.approx(87.8, abs=0.05)


def test_thirds_of_a_shallow_dive():
    """Air, 18 m, 24 L at 200 bar: the kept gas is small, so a third of the fill goes out."""
    given = tables(18, 20, gas={"turn": "thirds"}) | {
        "cylinders": [cylinder("air", "bottom", size="24 L", reserve="10 bar")]
    }
    (found,) = plan_dive(parse_dive(given)).turns
    content_l = free_litres(Mix.parse("air"), 24.0, 200.0, 14.0)
    assert found.out_l == pytest.approx(content_l / 3.0, rel=1e-9)
    assert found.turn_bar == pytest.approx(pressure_of(Mix.parse("air"), 24.0, 2.0 * content_l / 3.0, 14.0), abs=1e-6)


def test_the_reserve_is_kept_where_it_is_more_than_minimum_gas():
    """Air, 18 m: minimum gas is 567 L, some 24 bar of a twin 12; 50 bar stay."""
    given = tables(18, 20) | {"cylinders": [cylinder("air", "bottom", size="24 L")]}
    (found,) = plan_dive(parse_dive(given)).turns
    assert found.kept_bar == pytest.approx(50.0, abs=1e-9)
    assert found.turn_bar == pytest.approx(50.0, abs=1e-9)


def test_dissimilar_twins_turn_together():
    """15 L at 230 bar and 10 L at 180 bar, halves: each is breathed by its part of what is above the reserves, as gas
    is drawn, and what is kept is what is left then: both come to their turn at one minute, and neither below it."""
    given = tables(36, 15, gas={"turn": "halves"}) | {
        "cylinders": [
            cylinder("air", "bottom", size="15 L", pressure="230 bar"),
            cylinder("air", "bottom", name="small", size="10 L", pressure="180 bar"),
        ]
    }
    found = plan_dive(parse_dive(given))
    air = Mix.parse("air")
    held = [free_litres(air, 15.0, 230.0, 14.0), free_litres(air, 10.0, 180.0, 14.0)]
    kept_l = max(found.minimum_gas[0].litres, sum(free_litres(air, litres, 50.0, 14.0) for litres in (15.0, 10.0)))
    out_l = (sum(held) - kept_l) / 2.0
    above = [one - free_litres(air, litres, 50.0, 14.0) for one, litres in zip(held, (15.0, 10.0), strict=True)]
    for turn, content_l, usable_l, water_l in zip(found.turns, held, above, (15.0, 10.0), strict=True):
        part = usable_l / sum(above)
        out, kept = out_l * part, content_l - (sum(held) - kept_l) * part
        assert turn.out_l == pytest.approx(out, rel=1e-9)
        assert turn.turn_bar == pytest.approx(pressure_of(air, water_l, content_l - out, 14.0), abs=1e-6)
        assert turn.kept_bar == pytest.approx(pressure_of(air, water_l, kept, 14.0), abs=1e-6)
    assert sum(turn.out_l for turn in found.turns) == pytest.approx(out_l, rel=1e-9)
    moments = {round(turn.turn_at_min, 9) for turn in found.turns if turn.turn_at_min is not None}
    assert len(moments) <= 1


def test_when_the_turn_pressure_is_reached_by_hand():
    """Air, 36 m (4.61325 bar), 20 L/min; 1.8 min down, mean 18 m (2.81325): 101.277 L, then 92.265 L a minute."""
    given = tables(36, 15, gas={"turn": "halves"}) | {"cylinders": [cylinder("air", "bottom", size="18 L")]}
    found = plan_dive(parse_dive(given))
    (turn,) = found.turns
    assert turn.turn_at_min == pytest.approx(1.8 + (turn.out_l - 101.277) / 92.265, abs=1e-6)
    assert turn.turn_at_min < 15.0
    finding = next(f for f in found.findings if f.code == "turn-reached")
    assert (finding.severity, finding.run_time_min) == ("caution", turn.turn_at_min)
    larger = plan_dive(parse_dive(given | {"cylinders": [cylinder("air", "bottom", size="60 L")]}))
    assert larger.turns[0].turn_at_min is None
    assert "turn-reached" not in {f.code for f in larger.findings}


@pytest.mark.parametrize("rule", ["thirds", "halves", "all usable", 0.5])
@pytest.mark.parametrize(("size", "leaves_nothing"), [("6 L", True), ("24 L", False)])
def test_a_rule_that_leaves_nothing_is_a_no_go(rule, size, leaves_nothing):
    """Air, 36 m until 10 min: two divers at 30 L/min need at least 2 min at 4.61325 bar, 554 L, and the way up, over
    1100 L together: a 6 L cylinder at 200 bar holds 1100 L, 24 L hold 4500."""
    given = tables(36, 10, gas={"turn": rule}) | {"cylinders": [cylinder("air", "bottom", size=size)]}
    found = plan_dive(parse_dive(given))
    assert (found.turns[0].out_l == 0.0) == leaves_nothing
    no_go = [f for f in found.own if f.code == "turn"]
    assert [f.severity for f in no_go] == (["no-go"] if leaves_nothing else [])
    if leaves_nothing:
        assert found.minimum_gas[0].litres > found.supply[0].content_l
        assert found.turns[0].turn_bar == pytest.approx(200.0)
        assert "leaves nothing" in sentence(no_go[0])
        # That a mate's gas runs out is the same cause, and said once.
        assert [f.code for f in found.findings if f.severity == "no-go"] == ["gas-short"]


def test_two_bottom_gases_turn_on_their_own_minimum_gas():
    given: Tables = tables(54, 15) | {
        "levels": [{"depth": 54, "leave_at": 15, "gas": "18/45"}, {"depth": 30, "leave_at": 30, "gas": "32"}],
        "cylinders": [
            cylinder("18/45", "bottom", size="24 L", pressure="230 bar"),
            cylinder("32", "bottom", size="24 L", pressure="230 bar"),
        ],
    }
    found = plan_dive(parse_dive(given))
    assert [(m.level, m.mix.label) for m in found.minimum_gas] == [(0, "18/45"), (1, "32")]
    assert [t.mix.label for t in found.turns] == ["18/45", "32"]
    # 18/45 from 54 m to where 32 %, a bottom gas, is usable: 1.41 bar / 0.32 is 33.9 m, on the grid 33 m.
    assert found.minimum_gas[0].to_m == 33.0
    by_hand = 2.0 * 30.0 * (6.41325 * 2.0 + (1.01325 + 4.35) * 21.0 / 9.0)
    assert found.minimum_gas[0].litres == pytest.approx(by_hand, abs=1e-6)


def test_a_pressure_kept_is_never_more_than_the_fill():
    for size in ("2 L", "6 L", "24 L"):
        (turn,) = plan_dive(parse_dive(tables(36, 10) | {"cylinders": [cylinder("air", "bottom", size=size)]})).turns
        assert 0.0 < turn.kept_bar <= turn.turn_bar <= 200.0
        assert math.isfinite(turn.turn_bar)


@pytest.mark.parametrize("depth_m", [18, 21])
def test_minimum_gas_where_a_deco_gas_is_usable_at_once(depth_m):
    """Air at 18 or 21 m with 50 %: the minutes of sorting it out are on the gas that the mate is given, 2 · 30 L/min;
    then 50 % is taken up there."""
    given = tables(depth_m, 30, deco=("50",)) | {
        "cylinders": [cylinder("air", "bottom", size="24 L"), cylinder("50", "deco")]
    }
    found = plan_dive(parse_dive(given))
    (minimum,) = found.minimum_gas
    assert (minimum.mix, minimum.depth_m, minimum.to_m) == (Mix.parse("air"), depth_m, depth_m)
    assert minimum.litres == pytest.approx(2.0 * 30.0 * 2.0 * (1.01325 + 0.1 * depth_m), rel=1e-9)
    assert [turn.mix.label for turn in found.turns] == ["air"]


def test_a_dive_left_on_arrival():
    """40 m at 20 m/min, left at 2 min: no minute at the bottom, but gas to share and a pressure to turn at.

    2 min at 40 m (5.01325 bar), 37/9 min up to 3 m (mean 21.5 m, 3.16325 bar), 1/3 min (1.16325 bar), at 60 L/min.
    """
    found = plan_dive(parse_dive(tables(40, 2)))
    assert not [leg for leg in found.schedule.legs if leg.kind == "level"]
    (minimum,) = found.minimum_gas
    assert (minimum.depth_m, minimum.run_time_min) == (40.0, 2.0)
    assert minimum.litres == pytest.approx(60.0 * (2.0 * 5.01325 + 37.0 / 9.0 * 3.16325 + 1.16325 / 3.0), rel=1e-9)
    assert len(found.turns) == 1
    deeper = next(contingency for contingency in found.contingencies if contingency.kind == "deeper")
    assert max(leg.end_m for leg in deeper.legs) == 43.0


def test_a_bottom_gas_has_a_turn_pressure_though_nothing_of_it_is_kept_for_a_mate():
    """Air at 18 m with 50 % usable there, and no minute to sort it out: the reserve is kept, 50 bar."""
    given = tables(18, 30, deco=("50",), diver={"sorting_out": 0}) | {
        "cylinders": [cylinder("air", "bottom", size="24 L"), cylinder("50", "deco")]
    }
    (turn,) = plan_dive(parse_dive(given)).turns
    assert (turn.mix, turn.kept_bar) == (Mix.parse("air"), pytest.approx(50.0))


def test_a_plan_that_passes_the_teams_turn_pressure_is_cautioned():
    """Abe has 36 L and Bea 18 L of the same air, both with all usable: Bea may breathe less, so Abe turns where he has
    breathed as much. By his own rule he stays above his turn; by the team's he does not."""
    given = tables(30, 20, "air") | {
        "gas": {"turn": "all usable"},
        "cylinders": [cylinder("air", "bottom", size="36 L", pressure="230 bar")],
        "team": [
            {"name": "Abe", "rmv_bottom": 35, "rmv_stressed": 40},
            {"name": "Bea", "cylinders": [cylinder("air", "bottom", size="18 L", pressure="200 bar")]},
        ],
    }  # fmt: skip
    team = plan_team(parse_dive(given))
    turn = next(one for one in team.turns if one.diver == "Abe")
    (own,) = team.members[0].plan.turns
    assert turn.turn_bar > own.turn_bar
    told = [f for f in team.findings if f.code == "turn-reached" and f.diver == "Abe" and f.values.get("team")]
    use = team.members[0].plan.supply[0]
    passed = use.bar_at(20.0) < turn.turn_bar - 1e-6
    assert passed
    assert [f.severity for f in told] == ["caution"]
    assert "down to the team's turn pressure" in sentence(told[0])
    assert 3.0 < told[0].run_time_min < 20.0
