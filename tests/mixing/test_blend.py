"""Partial-pressure blending: against CoolProp's mixture equation, and by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from leadline.dive_file.schema import HELIUM
from leadline.mixing.bank import Supply
from leadline.mixing.contents import IDEAL, Contents
from leadline.mixing.fill import AIR, Fill, FillRules, Job, after_steps, plan_fill
from leadline.physics.mix import Mix
from tests.mixing import reference as outside

OXYGEN = Mix.parse("oxygen")
BANK = (Supply("He", HELIUM, None), Supply("O2", OXYGEN, None), Supply("air", AIR, None))
FINE = FillRules(gauge_step_bar=0.01)
"""A gauge so fine that rounding to it does not count."""


def job(target: str, bar: float = 200.0, start: str = "air", start_bar: float = 0.0, celsius: float = 20.0) -> Job:
    return Job("", "twin", "bottom", 24.0, Mix.parse(start), start_bar, Mix.parse(target), bar, celsius)


def filled(wanted: Job, rules: FillRules = FINE, bank: tuple[Supply, ...] = BANK) -> Fill:
    found, _ = plan_fill(wanted, bank, rules)
    assert found.done, found.refused
    return found


BLENDS = [
    # target, to bar, what is in it now, at bar, helium first
    ("32", 230, "air", 0, True),
    ("32", 300, "28", 90, True),
    ("50", 200, "air", 0, True),
    ("80", 150, "50", 60, True),
    ("18/45", 230, "air", 0, True),
    ("18/45", 230, "air", 0, False),
    ("18/45", 300, "20/35", 80, True),
    ("18/45", 300, "20/35", 80, False),
    ("21/35", 100, "air", 30, True),
    ("21/35", 50, "air", 0, False),
    ("15/55", 232, "18/45", 110, True),
    ("12/60", 300, "air", 10, False),
    ("10/70", 300, "18/45", 40, True),
    ("30/30", 200, "32", 50, False),
]


@pytest.mark.parametrize("celsius", [5.0, 20.0, 40.0])
@pytest.mark.parametrize(("target", "to_bar", "start", "start_bar", "helium_first"), BLENDS)
def test_pressures_and_mix_against_coolprop(
    target: str, to_bar: float, start: str, start_bar: float, helium_first: bool, celsius: float
) -> None:
    rules = replace(FINE, helium_first=helium_first, room_celsius=celsius, filling_celsius=celsius)
    found = filled(job(target, to_bar, start, start_bar, celsius), rules)
    assert found.drain_to_bar is None
    held = outside.amounts(outside.fractions(start), 24.0, start_bar, celsius)
    wanted = outside.amounts(outside.fractions(target), 24.0, to_bar, celsius)
    order = [step.gas.label for step in found.steps]
    expected = outside.fill_to(held, wanted, order, 24.0, celsius)
    # Measured: 0.42 bar at most, 0.15 % of oxygen, 0.13 % of helium.
    assert [step.exact_bar for step in found.steps] == pytest.approx(expected, abs=1.0)
    for step in found.steps:
        held = outside.filled(held, outside.GASES[step.gas.label], step.to_bar, 24.0, celsius)
    made = held / held.sum()
    assert made[0] == pytest.approx(Mix.parse(target).o2, abs=0.003)
    assert made[1] == pytest.approx(Mix.parse(target).he, abs=0.003)


def test_a_hot_fill_against_coolprop() -> None:
    # Filled at 45 °C to what settles to 230 bar at 15 °C.
    rules = replace(FINE, room_celsius=15.0, filling_celsius=45.0)
    found = filled(job("18/45", 230.0, celsius=15.0), rules)
    held = outside.amounts(outside.AIR, 24.0, 0.0, 15.0)
    wanted = outside.amounts(outside.fractions("18/45"), 24.0, 230.0, 15.0)
    expected = outside.fill_to(held, wanted, ["helium", "oxygen", "air"], 24.0, 45.0)
    assert [step.exact_bar for step in found.steps] == pytest.approx(expected, abs=1.0)
    assert expected[-1] > 250.0
    assert found.steps[-1].settles_bar == pytest.approx(230.0, abs=0.1)
    assert found.result_bar == pytest.approx(230.0, abs=0.1)
    settled = outside.fill_to(held, wanted, ["helium", "oxygen", "air"], 24.0, 15.0)
    assert [step.settles_bar for step in found.steps] == pytest.approx(settled, abs=1.0)
    assert found.steps[1].from_bar == found.steps[0].settles_bar


def test_a_dive_that_counts_on_its_pressure_in_cold_water() -> None:
    # 200 bar of air at 4 °C, in a room at 24 °C: a closed cylinder, by CoolProp.
    found = filled(job("air", 200.0, celsius=4.0), replace(FINE, room_celsius=24.0, filling_celsius=24.0))
    expected = outside.pressure(outside.amounts(outside.AIR, 24.0, 200.0, 4.0), 24.0, 24.0)
    assert found.settled_bar == pytest.approx(expected, abs=0.2)
    assert found.settled_bar > 217.0


# --- By hand ----------------------------------------------------------------------------------------------------------


def test_the_ideal_gas_by_hand() -> None:
    # 32 % to 200 bar on the gauge, 201.01325 in all, from an empty cylinder with 1.01325 bar of air. Oxygen o and
    # air a, in bar: o + a = 200; o + 0.2098 a = 0.32 * 201.01325 - 0.2098 * 1.01325 = 64.11166.
    # So 0.7902 a = 200 - 64.11166, a = 171.9671, o = 28.0329.
    first, last = filled(job("32")).steps
    assert first.ideal_bar == pytest.approx(28.0329, abs=1e-3)
    assert last.ideal_bar == pytest.approx(200.0)


def test_the_ideal_trimix_by_hand() -> None:
    # 18/45 to 230 bar, 231.01325 in all. Helium 0.45 * 231.01325 = 103.9560. Nitrogen 0.37 * 231.01325 = 85.4749 of
    # which 0.7902 * 1.01325 = 0.8007 is there: air 84.6742 / 0.7902 = 107.1554. The rest to 230 is oxygen: 18.8886.
    helium, oxygen, air = filled(job("18/45", 230.0)).steps
    assert helium.ideal_bar == pytest.approx(103.9560, abs=1e-3)
    assert oxygen.ideal_bar == pytest.approx(103.9560 + 18.8886, abs=1e-3)
    assert air.ideal_bar == pytest.approx(230.0)
    # What these would really give, filled by CoolProp.
    held = outside.amounts(outside.AIR, 24.0, 0.0, 20.0)
    for gas, bar in (("helium", 103.9560), ("oxygen", 122.8446), ("air", 230.0)):
        held = outside.filled(held, outside.GASES[gas], bar, 24.0, 20.0)
    found = filled(job("18/45", 230.0)).ideal
    assert found is not None
    assert [found.o2, found.he] == pytest.approx(list(held[:2] / held.sum()), abs=0.003)
    assert found.he > 0.47  # over 2 % more helium than asked: the ideal gas does not do


def test_the_blend_by_hand_on_the_page() -> None:
    # The page's real-gas numbers, against CoolProp; its ideal ones are those of the test above.
    page = (Path(__file__).parents[2] / "docs" / "mixing.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (helium|oxygen|air) \| ([\d.]+) \| ([\d.]+) \| [\d./]+ \| \*\*([\d.]+)\*\* \|$", page, re.M)
    held = outside.amounts(outside.AIR, 24.0, 0.0, 20.0)
    wanted = outside.amounts(outside.fractions("18/45"), 24.0, 230.0, 20.0)
    expected = outside.fill_to(held, wanted, ["helium", "oxygen", "air"], 24.0, 20.0)
    assert [gas for gas, *_ in rows] == ["helium", "oxygen", "air"]
    assert [float(bar) for *_, bar in rows] == pytest.approx(expected, abs=0.5)
    assert float(rows[-1][1]) == pytest.approx(float(wanted.sum()), rel=0.002)
    for _, mol, mol_l, _ in rows:
        assert float(mol) / 24.0 == pytest.approx(float(mol_l), abs=5e-4)


def test_an_ideal_cylinder_is_its_volume_times_its_pressure() -> None:
    # 10 L at 99 atmospheres on the gauge are 1000 L at one atmosphere: at 0 °C a mole is 22.414 L (the handbook's).
    held = Contents.of(AIR, 10.0, 99 * 1.01325, 0.0, IDEAL)
    assert held.mol == pytest.approx(1000.0 / 22.414, rel=1e-4)


def test_air_over_what_is_there_by_hand() -> None:
    # Topping up half a cylinder of 32 % with air, ideal: (101.01325 * 0.32 + 100 * 0.2098) / 201.01325 = 26.52 %.
    held = Contents.of(Mix.parse("32"), 24.0, 100.0, 20.0, IDEAL).filled(AIR, 200.0, 20.0, IDEAL)
    assert held.mix.o2 == pytest.approx(0.26518, abs=1e-5)


def test_a_top_up_with_air_against_coolprop() -> None:
    found = filled(job("18/45", 230.0, "18/45", 90.0))
    (air,) = found.top_ups
    held = outside.amounts(outside.fractions("18/45"), 24.0, 90.0, 20.0)
    held = outside.filled(held, outside.AIR, 230.0, 24.0, 20.0)
    assert [air.mix.o2, air.mix.he] == pytest.approx(list(held[:2] / held.sum()), abs=0.002)


def test_nothing_to_top_up_in_an_empty_or_a_full_cylinder() -> None:
    assert filled(job("32")).top_ups == ()
    assert filled(job("32", 200.0, "32", 200.0)).top_ups == ()


# --- The gauge --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [0.5, 1.0, 5.0, 10.0])
def test_steps_of_the_gauge(step: float) -> None:
    found = filled(job("18/45", 230.0), FillRules(gauge_step_bar=step))
    for one in found.steps:
        assert one.to_bar / step == pytest.approx(round(one.to_bar / step), abs=1e-9)
    # The mix shown is that of the rounded steps, by CoolProp.
    held = outside.amounts(outside.AIR, 24.0, 0.0, 20.0)
    for one in found.steps:
        held = outside.filled(held, outside.GASES[one.gas.label], one.to_bar, 24.0, 20.0)
    assert found.result is not None
    assert [found.result.o2, found.result.he] == pytest.approx(list(held[:2] / held.sum()), abs=0.003)
    # Each step makes good what rounding the one before did: the oxygen is off by no more than its own rounding,
    # half a step of 230 bar.
    assert abs(found.result.o2 - 0.18) < 0.5 * step / 230.0 + 0.002


def test_a_missed_step_against_coolprop() -> None:
    found = filled(job("18/45", 230.0), FillRules(overshoot_bar=5.0))
    tape = [(one.gas.label, one.to_bar) for one in found.steps]
    for i, one in enumerate(found.steps):
        for missed, by in ((one.over, 5.0), (one.under, -5.0)):
            assert missed is not None
            assert missed.to_bar == pytest.approx(one.to_bar + by)
            held = outside.amounts(outside.AIR, 24.0, 0.0, 20.0)
            for j, (gas, bar) in enumerate(tape):
                held = outside.filled(held, outside.GASES[gas], bar + (by if i == j else 0.0), 24.0, 20.0)
            assert [missed.mix.o2, missed.mix.he] == pytest.approx(list(held[:2] / held.sum()), abs=0.003)
            assert missed.end_bar == pytest.approx(230.0 + (by if i == 2 else 0.0), abs=0.1)


def test_a_step_shorter_than_the_miss_cannot_be_that_short() -> None:
    # 3 bar of oxygen in all: it cannot end 5 bar lower than it began.
    found = filled(job("22", 200.0), FillRules(overshoot_bar=5.0))
    assert found.steps[0].to_bar == pytest.approx(3.0, abs=1.0)
    assert found.steps[0].under is None
    assert found.steps[0].over is not None


def test_what_is_already_at_the_pressure_takes_nothing_in() -> None:
    held = Contents.of(AIR, 10.0, 100.0, 20.0)
    assert after_steps(held, [(OXYGEN, 90.0)], 20.0) == held


# --- Draining and refusing --------------------------------------------------------------------------------------------


def test_drained_as_far_as_is_needed_and_no_further() -> None:
    # 50 % in it, 18/45 wanted: all the oxygen may come from what is in it and from air. By CoolProp: with x mol of
    # 50 % left, helium and air make the rest: oxygen 0.5 x + 0.2098 a = 0.18 N, nitrogen 0.5 x + 0.7902 a = 0.37 N,
    # so that 0.5 x (0.7902 - 0.2098) = (0.18 * 0.7902 - 0.37 * 0.2098) N.
    whole = float(outside.amounts(outside.fractions("18/45"), 24.0, 230.0, 20.0).sum())
    left = (0.18 * 0.7902 - 0.37 * 0.2098) / (0.5 * (0.7902 - 0.2098)) * whole
    exact = outside.pressure(left * outside.fractions("50"), 24.0, 20.0)
    found = filled(job("18/45", 230.0, "50", 120.0))
    # A tenth of a percent of oxygen is let pass, 0.4 bar of 50 %; that and the equations are within 1 bar.
    # (Three tenths, and nothing would be drained at all.)
    assert found.drain_to_bar == pytest.approx(exact, abs=1.0)
    assert [step.gas.label for step in found.steps] == ["helium", "air"]
    assert found.result is not None
    assert found.result.o2 == pytest.approx(0.18, abs=0.0015)
    assert filled(job("18/45", 230.0, "50", exact + 0.5)).drain_to_bar is None
    assert filled(job("18/45", 230.0, "50", exact + 4.0)).drain_to_bar is not None


def test_oxygen_is_not_drained_for_a_trace_of_nitrogen() -> None:
    # Ideal: 0.4 % of 91.01 bar in 181.01 is 0.2 %.
    found = filled(job("oxygen", 180.0, "99.6", 90.0))
    assert found.drain_to_bar is None
    assert found.result is not None
    assert found.result.o2 == pytest.approx(0.998, abs=0.0003)


def test_drained_to_a_step_of_the_gauge_rounded_down() -> None:
    assert filled(job("18/45", 230.0, "50", 120.0), FillRules(gauge_step_bar=5.0)).drain_to_bar == pytest.approx(40.0)


def test_no_more_than_the_pressure_asked_for() -> None:
    # 32 % at 150 bar is more than 32 % at 100 bar: let it down, and nothing else.
    found = filled(job("32", 100.0, "32", 150.0), FillRules())
    assert found.drain_to_bar == pytest.approx(100.0)
    assert found.steps == ()
    assert found.result_bar == pytest.approx(100.0)


def refused(wanted: Job, rules: FillRules = FINE, bank: tuple[Supply, ...] = BANK) -> str:
    found, left = plan_fill(wanted, bank, rules)
    assert not found.done
    assert left == bank
    assert found.result is None
    assert found.steps == ()
    return found.refused


@pytest.mark.parametrize(
    ("target", "bank", "said"),
    [
        ("18/45", BANK[1:], 'needs helium, and there is none; add a source with gas = "helium"'),
        ("18/45", (*BANK[1:], Supply("t", Mix.parse("21/35"), None)), "more helium than the 35 % of the lightest"),
        (
            "50",
            (BANK[0], BANK[2]),
            'richer than the richest source, which has 20.98 % of oxygen; add one with gas = "ox',
        ),
        ("18", BANK, "leaner than air, which has 20.98 % of oxygen, and has no helium; give it helium"),
        # 1 - 0.10 / 0.2098 = 52.3 %
        (
            "10/50",
            BANK,
            "more nitrogen than air can bring with only 10 % of oxygen; with 10 % of oxygen it needs at le",
        ),
        ("10/50", BANK, "at least 52.3 % of helium"),
        ("18/45", (BANK[0], BANK[1]), "do not make 18/45; add air"),
        ("32", (), "no gas is at hand"),
    ],
)
def test_what_cannot_be_blended_is_refused_in_words(target: str, bank: tuple[Supply, ...], said: str) -> None:
    assert said in refused(job(target), bank=bank)


def test_what_is_in_the_way_is_refused_where_nothing_may_be_drained() -> None:
    said = refused(job("18/45", 230.0, "50", 120.0), FillRules(drain=False))
    assert said.startswith("what is in it, 50 % at 120 bar, is in the way of 18/45; drain it to 4")
    assert said.endswith(" bar, or allow it, drain = true")


def test_a_supply_too_low_is_refused_with_what_would_do() -> None:
    bank = (BANK[0], Supply("O2", OXYGEN, 100.0), BANK[2])
    said = refused(job("18/45", 230.0), FillRules(), bank)
    assert said.startswith("the supply of oxygen, 100 bar, is too low to fill to 115 bar; a booster is needed")
    assert 'fill oxygen first, which works, order = "oxygen first"' in said
    found = filled(job("18/45", 230.0), FillRules(helium_first=False), bank)
    assert [step.gas.label for step in found.steps] == ["oxygen", "helium", "air"]


def test_no_order_is_proposed_that_does_not_work() -> None:
    bank = (Supply("He", HELIUM, 50.0), Supply("O2", OXYGEN, 10.0), BANK[2])
    assert "first, which works" not in refused(job("18/45", 230.0), FillRules(), bank)


def test_a_pressure_beyond_any_equation_is_refused() -> None:
    assert "498 bar" in refused(job("32", 700.0), FillRules())
    hot = FillRules(room_celsius=0.0, filling_celsius=60.0)
    assert "fill cooler or to less" in refused(job("32", 440.0, celsius=0.0), hot)


# --- What an empty cylinder still holds -------------------------------------------------------------------------------


def test_oxygen_into_an_empty_cylinder_keeps_its_atmosphere_of_air() -> None:
    # Ideal: 1.01325 bar of air in 201.01325: 0.7902 * 1.01325 / 201.01325 = 0.40 % nitrogen.
    found = filled(job("oxygen", 200.0))
    assert found.result is not None
    assert found.result.o2 == pytest.approx(0.996, abs=0.0003)
    assert filled(job("oxygen", 200.0, "oxygen", 0.0)).result == OXYGEN


def test_too_much_of_it_is_refused() -> None:
    # 0.7902 * 1.01325 / 61.01325 = 1.3 % nitrogen.
    said = refused(job("oxygen", 60.0))
    assert "atmosphere of air in a cylinder at 0 makes it 98.7 %; flush it with oxygen" in said


def test_a_full_cylinder_needs_nothing() -> None:
    found = filled(job("32", 200.0, "32", 200.0))
    assert found.steps == ()
    assert found.drain_to_bar is None
    assert found.result is not None
    assert found.result.o2 == pytest.approx(0.32)


# --- Which gases ------------------------------------------------------------------------------------------------------


def test_a_bank_mix_that_is_the_target_goes_in_alone() -> None:
    found = filled(job("32", 200.0, "32", 40.0), bank=(*BANK, Supply("32", Mix.parse("32"), None)))
    assert [step.gas.label for step in found.steps] == ["32"]


def test_the_cheapest_way_where_everything_has_a_price() -> None:
    # 32 % in the bank costs more than oxygen and air.
    priced = (*(replace(one, price=0.001) for one in BANK), Supply("32", Mix.parse("32"), None, None, 0.01))
    found = filled(job("32", 200.0, "32", 40.0), bank=priced)
    assert [step.gas.label for step in found.steps] == ["oxygen", "air"]
    # All litres cost the same: by hand, the ideal gas to the third digit, 160 bar in 24 L.
    litres = sum(step.litres for step in found.steps)
    assert found.cost == pytest.approx(0.001 * litres)
    assert litres == pytest.approx(160.0 * 24.0, rel=0.06)


def test_no_cost_where_a_price_is_missing() -> None:
    assert filled(job("32"), bank=(BANK[0], replace(BANK[1], price=0.01), BANK[2])).cost is None
