"""Banks and supplies: the cascade against CoolProp and by hand; continuous blending by hand."""

from __future__ import annotations

import pytest
from scipy.optimize import brentq

from leadline.dive_file.schema import HELIUM
from leadline.mixing.bank import Supply, draw
from leadline.mixing.contents import Contents
from leadline.mixing.continuous import blend_continuously
from leadline.mixing.doses import ways
from leadline.mixing.fill import AIR
from leadline.physics.mix import Mix
from tests.mixing import reference as outside

OXYGEN = Mix.parse("oxygen")


def bank(*bars: float, water_l: float = 50.0) -> tuple[Supply, ...]:
    return tuple(Supply(f"He {i + 1}", HELIUM, bar, water_l) for i, bar in enumerate(bars))


def held(water_l: float, bar: float) -> Contents:
    return Contents.of(HELIUM, water_l, bar, 20.0)


def test_two_cylinders_come_even_against_coolprop() -> None:
    # 50 L at 100 bar into 24 L at 20 bar of the same helium: one density in 74 L.
    found = draw(bank(100.0), held(24.0, 20.0), HELIUM, 200.0, 20.0, 20.0)
    whole = outside.amounts(outside.HELIUM, 50.0, 100.0, 20.0) + outside.amounts(outside.HELIUM, 24.0, 20.0, 20.0)
    even = outside.pressure(whole, 74.0, 20.0)
    assert found.short
    assert found.reached_bar == pytest.approx(even, abs=0.2)
    assert found.bank[0].bar == pytest.approx(even, abs=0.2)
    assert found.drawn[0].left_bar == found.bank[0].bar
    # By hand, the ideal gas: (50 * 101.01 + 24 * 21.01) / 74 - 1.01 = 74.1.
    assert even == pytest.approx(74.1, abs=1.5)


def test_the_lowest_comes_first_and_the_fullest_stays() -> None:
    found = draw(bank(200.0, 90.0, 150.0), held(24.0, 10.0), HELIUM, 100.0, 20.0, 20.0)
    assert [one.source for one in found.drawn] == ["He 2", "He 3"]
    assert not found.short
    assert found.contents.bar(20.0) == pytest.approx(100.0, abs=1e-3)
    assert found.bank[0].bar == 200.0
    # Nothing is lost on the way.
    before = sum(held(50.0, bar).mol for bar in (200.0, 90.0, 150.0)) + held(24.0, 10.0).mol
    after = sum(held(50.0, one.bar).mol for one in found.bank if one.bar is not None) + found.contents.mol
    assert after == pytest.approx(before)
    # The cylinder used first is left at what the one being filled was at then.
    assert found.drawn[0].left_bar == pytest.approx(found.drawn[0].to_bar, abs=1e-3)


def test_a_cascade_reaches_further_than_the_fullest_alone() -> None:
    assert draw(bank(200.0), held(24.0, 10.0), HELIUM, 150.0, 20.0, 20.0).short
    assert not draw(bank(200.0, 90.0, 60.0), held(24.0, 10.0), HELIUM, 150.0, 20.0, 20.0).short


def test_a_cylinder_that_gives_nothing_stays_shut() -> None:
    found = draw(bank(50.0, 200.0), held(24.0, 60.0), HELIUM, 100.0, 20.0, 20.0)
    assert [one.source for one in found.drawn] == ["He 2"]
    assert found.bank[0].bar == 50.0


def test_a_warm_cylinder_takes_less_against_coolprop() -> None:
    # 50 L at 100 bar and 20 °C into 24 L that warms to 45 °C.
    found = draw(bank(100.0), held(24.0, 20.0), HELIUM, 200.0, 20.0, 45.0)
    in_bank = outside.amounts(outside.HELIUM, 50.0, 100.0, 20.0)
    in_it = outside.amounts(outside.HELIUM, 24.0, 20.0, 20.0)

    def apart(mol: float) -> float:
        warm = outside.pressure(in_it + mol * outside.HELIUM, 24.0, 45.0)
        return warm - outside.pressure(in_bank - mol * outside.HELIUM, 50.0, 20.0)

    mol = brentq(apart, 0.0, 0.9 * float(in_bank.sum()))
    assert found.bank[0].bar == pytest.approx(outside.pressure(in_bank - mol * outside.HELIUM, 50.0, 20.0), abs=0.2)


def test_a_supply_that_never_runs_low_fills_to_its_own_pressure() -> None:
    found = draw((Supply("He", HELIUM, 120.0),), held(24.0, 20.0), HELIUM, 150.0, 20.0, 20.0)
    assert found.short
    assert found.reached_bar == pytest.approx(120.0, abs=1e-3)
    assert found.drawn[0].left_bar is None


def test_a_compressor_comes_after_the_bank() -> None:
    sources = (Supply("compressor", AIR, None), Supply("bank", AIR, 150.0, 50.0))
    found = draw(sources, Contents.of(AIR, 12.0, 50.0, 20.0), AIR, 200.0, 20.0, 20.0)
    assert [one.source for one in found.drawn] == ["bank", "compressor"]
    assert found.drawn[0].to_bar < 150.0
    assert not found.short


# --- Continuous blending ----------------------------------------------------------------------------------------------

ALL = (HELIUM, OXYGEN, AIR)


def test_the_analysers_by_hand() -> None:
    # 18/45 into a cylinder that holds 18/45: the stream is 18/45. Before helium: 18 / (100 - 45) = 32.73 %.
    start = Contents.of(Mix.parse("18/45"), 24.0, 50.0, 20.0)
    wanted = Contents.of(Mix.parse("18/45"), 24.0, 230.0, 20.0)
    found = blend_continuously(start, wanted, ALL, 20.0)
    assert found.refused == ""
    assert found.oxygen_reading == pytest.approx(18 / 55, abs=1e-6)
    assert found.final_reading == pytest.approx(0.18, abs=1e-6)
    # Air brings all the nitrogen: 37 / 0.7902 = 46.82; it brings 9.82 of oxygen, so that 8.18 flow in.
    assert found.air == pytest.approx(0.4682, abs=1e-4)
    assert found.oxygen == pytest.approx(0.0818, abs=1e-4)
    assert found.helium == pytest.approx(0.45, abs=1e-6)
    assert found.to_bar == pytest.approx(230.0)


def test_the_stream_makes_up_for_what_is_there() -> None:
    # Half full of air by amount, 30 % wanted: 0.5 * 20.98 + 0.5 x = 30, x = 39.02 %.
    wanted = Contents.of(Mix.parse("30"), 24.0, 200.0, 20.0)
    start = Contents(24.0, 0.0, 0.0, 0.0).plus(AIR, 0.5 * wanted.mol)
    found = blend_continuously(start, wanted, ALL, 20.0)
    assert [found.oxygen_reading, found.final_reading] == pytest.approx([0.3902, 0.3902], abs=1e-6)
    assert found.helium == 0.0


@pytest.mark.parametrize(
    ("target", "start", "gases", "said"),
    [
        ("50", "50", ALL, "take in 50.0 % of oxygen, over 40 %; blend by partial pressure"),
        ("10/50", "10/50", ALL, "air alone brings more oxygen than the mix has"),
        ("32", "32", (AIR,), "no oxygen at hand"),
        ("18/45", "18/45", (AIR, OXYGEN), "no helium at hand"),
        ("32", "18/45", ALL, "in the way"),
    ],
)
def test_what_a_compressor_cannot_blend(target: str, start: str, gases: tuple[Mix, ...], said: str) -> None:
    there = Contents.of(Mix.parse(start), 24.0, 50.0, 20.0)
    found = blend_continuously(there, Contents.of(Mix.parse(target), 24.0, 230.0, 20.0), gases, 20.0)
    assert found.stream is None
    assert said in found.refused


def test_helium_without_oxygen() -> None:
    # Air thinned to 30 % helium: 0.7 * 20.98 = 14.69 %. The oxygen analyser reads air.
    mix = Mix(0.7 * 0.2098, 0.3)
    found = blend_continuously(Contents.of(mix, 24.0, 20.0, 20.0), Contents.of(mix, 24.0, 200.0, 20.0), ALL, 20.0)
    assert found.oxygen == 0.0
    assert found.oxygen_reading == pytest.approx(0.2098)
    assert found.final_reading == pytest.approx(0.1469, abs=1e-4)


# --- Amounts ----------------------------------------------------------------------------------------------------------


def test_amounts_by_hand() -> None:
    # 100 mol of 32 % of nothing: oxygen 32 - 0.2098 a with a = 68 / 0.7902 = 86.054: 13.946.
    nothing = Contents(10.0, 0.0, 0.0, 0.0)
    (way,) = ways(nothing, nothing.plus(Mix.parse("32"), 100.0), ALL)
    assert dict(zip((gas.label for gas in way.gases), way.mol, strict=True)) == pytest.approx(
        {"oxygen": 13.946, "air": 86.054}, abs=1e-3
    )


def test_no_amount_is_negative() -> None:
    # 10/50 from these would need less oxygen than air brings.
    nothing = Contents(10.0, 0.0, 0.0, 0.0)
    assert ways(nothing, nothing.plus(Mix.parse("10/50"), 100.0), ALL) == []
