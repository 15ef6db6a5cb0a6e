"""The checks themselves: every one can fail, and fails where the product's figure or function has gone wrong."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest

from leadline import units
from leadline.physics import environment, mix, real_gas
from leadline.plan import breathing, flying, gases, oxygen, schedule, supply
from leadline.tissue import bubbles, coefficients, known_answer, loading
from leadline.verify.check import CheckSource, Point, Series, number, outcome
from leadline.verify.published import source_of
from leadline.verify.topics import TOPICS, every_series

SOURCE = CheckSource("nowhere", "worked out", "by hand")
SERIES = Series("Topic", "name", "at", "m", 1, "equal", 0.1, "why", SOURCE, ())
Patch = pytest.MonkeyPatch


# --- The rules, by hand -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "tolerance", "relative", "right", "wrong"),
    [
        ("equal", 0.0, False, [10.0], [10.000001, 9.999999]),
        ("equal", 0.5, False, [9.5, 10.5], [9.49, 10.51]),
        ("equal", 0.05, True, [9.5, 10.5], [9.49, 10.51]),  # 5 % of 10
        ("over", 0.0, False, [10.01], [10.0, 9.0]),
        ("at most", 0.0, False, [10.0, 3.0], [10.01]),
        ("at most", 1.0, False, [11.0, 3.0], [11.01]),
    ],
)
def test_the_rules_by_hand(rule: Any, tolerance: float, relative: bool, right: list[float], wrong: list[float]) -> None:
    series = replace(SERIES, rule=rule, tolerance=tolerance, relative=relative)
    assert all(series.allows(computed, 10.0) for computed in right)
    assert not any(series.allows(computed, 10.0) for computed in [*wrong, math.nan, math.inf, -math.inf])


@pytest.mark.parametrize(
    ("rule", "tolerance", "relative", "finer", "words"),
    [
        ("equal", 0.0, False, 0, "exact"),
        ("equal", 0.1, False, 0, "to the last digit"),
        ("equal", 0.2, False, 0, "± 0.2 m"),
        ("equal", 0.002, True, 0, "± 0.2 %"),
        ("over", 0.0, False, 0, "more"),
        ("at most", 0.0, False, 0, "not more"),
        ("at most", 1.0, False, 0, "at most 1 m more"),
    ],
)
def test_a_tolerance_in_words(rule: Any, tolerance: float, relative: bool, finer: int, words: str) -> None:
    assert replace(SERIES, rule=rule, tolerance=tolerance, relative=relative, finer=finer).tolerance_text == words


def test_what_cannot_be_computed_is_wrong_and_says_why() -> None:
    def broken() -> float:
        raise ZeroDivisionError("by the engine")

    points = (Point("here", 1.0, broken), Point("there", 1.0, lambda: math.nan), Point("nowhere", 1.0, lambda: 1.0))
    found = outcome(replace(SERIES, points=points))
    assert [row.passed for row in found.rows] == [False, False, True]
    assert [row.fault for row in found.rows] == ["ZeroDivisionError: by the engine", "gives nan", ""]
    assert not found.passed


def test_figures_are_shown_alike_where_a_last_bit_differs() -> None:
    assert number(0.15000000000000002, 1) == number(0.15, 1) == number(0.14999999999999997, 1)
    assert number(-1e-12, 2) == "0.00"
    assert number(math.nan, 2) == "none"


# --- Sources ----------------------------------------------------------------------------------------------------------


def test_every_series_says_where_its_figures_are_from() -> None:
    for series in every_series():
        assert len(series.source.text) > 20
        assert series.why
        assert series.source.how or series.source.standing == "from memory"
        assert series.points


@pytest.mark.parametrize("table", [{}, {"from_memory": False}, {"confirmed": "in print", "from_memory": True}])
def test_a_table_that_does_not_say_how_far_to_trust_it_is_refused(table: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="one of them is right"):
        source_of({"source": "a book", **table})


def test_names_are_told_apart() -> None:
    names = [(series.topic, series.name) for series in every_series()]
    assert len(set(names)) == len(names)
    for series in every_series():
        if series.topic != "Schedules":  # a depth can be stopped at twice
            at = [(point.part, point.at) for point in series.points]
            assert len(set(at)) == len(at), series.name


# --- Each can fail ----------------------------------------------------------------------------------------------------


def last(figures: tuple[float, ...], by: float) -> tuple[float, ...]:
    return (*figures[:-1], figures[-1] + by)


def first(figures: tuple[float, ...], by: float) -> tuple[float, ...]:
    return (figures[0] + by, *figures[1:])


def units_off(patch: Patch) -> None:
    patch.setitem(units._FACTORS["depth"], "ft", 0.3049)


def lapse_off(patch: Patch) -> None:
    patch.setattr(environment, "_LAPSE_K_PER_M", 0.0066)


def water_off(patch: Patch) -> None:
    patch.setitem(environment.WATER_KG_M3, "sea", 1036.0)


def density_off(patch: Patch) -> None:
    patch.setitem(mix.DENSITY_G_L, "n2", 1.35)


def limit_off(patch: Patch) -> None:
    patch.setattr(breathing, "DENSITY_LIMIT_G_L", 6.3)


def air_off(patch: Patch) -> None:
    patch.setattr(mix, "AIR_O2", 0.22)


def depth_off(patch: Patch) -> None:
    patch.setattr(environment.Environment, "depth", lambda self, bar: (bar - self.surface_bar) / self.bar_per_m + 1.0)


def vapour_off(patch: Patch) -> None:
    patch.setattr(gases, "WATER_VAPOUR_BAR", 0.05)


def semi_closed_off(patch: Patch) -> None:
    patch.setattr(gases.Source, "ppo2", lambda self, bar: self.mix.o2 * bar)


def cooling_off(patch: Patch) -> None:
    patch.setattr(real_gas, "pressure_at", lambda mix, bar, celsius, to: bar * (to + 273.15) / (celsius + 273.15))


def rating_off(patch: Patch) -> None:
    patch.setattr(real_gas, "FREE_CUBIC_FOOT_L", units.CUBIC_FOOT_L * 0.99)


def ideal_gas(patch: Patch) -> None:
    patch.setattr(real_gas._Isotherm, "compressibility", lambda self, mol_l: (1.0, 1.0))
    for function in (real_gas._isotherm, real_gas.molar_density, real_gas.pressure_at):
        function.cache_clear()


def half_time_off(patch: Patch) -> None:
    patch.setattr(coefficients, "HE_HALF_TIME_MIN", last(coefficients.HE_HALF_TIME_MIN, 5.0))


def a_off(patch: Patch) -> None:
    for name in ("ZH-L16A", "ZH-L16C"):
        patch.setitem(coefficients.N2_A_BAR, name, last(coefficients.N2_A_BAR[name], 0.0003))  # type: ignore[index]


def b_off(patch: Patch) -> None:
    patch.setattr(coefficients, "N2_B", last(coefficients.N2_B, 0.0003))


def rest_off(patch: Patch) -> None:
    patch.setattr(loading, "saturated", lambda surface_bar: known_answer.saturated(surface_bar) * 1.001)


def loading_off(patch: Patch) -> None:
    sound = loading.compartments("ZH-L16C")
    patch.setattr(loading, "compartments", lambda name: sound._replace(rate=sound.rate * 1.001))


def a_in_the_engine_off(patch: Patch) -> None:
    sound = loading.compartments("ZH-L16C")
    patch.setattr(loading, "compartments", lambda name: sound._replace(a=sound.a * 1.001))


def tolerant(by: float) -> Callable[[Patch], None]:
    def off(patch: Patch) -> None:
        sound = loading.compartments
        patch.setattr(schedule, "compartments", lambda name: sound(name)._replace(a=sound(name).a * by))

    return off


def single_off(patch: Patch) -> None:
    patch.setattr(oxygen, "SINGLE", oxygen.limits(last(oxygen.NOAA_SINGLE_MIN, 5.0)))
    oxygen.leg_rates.cache_clear()


def day_off(patch: Patch) -> None:
    patch.setattr(oxygen, "DAY", oxygen.limits(first(oxygen.NOAA_DAY_MIN, 5.0)))


def otu_off(patch: Patch) -> None:
    sound = oxygen.otu_rate
    patch.setattr(oxygen, "otu_rate", lambda ppo2_bar: 1.1 * sound(ppo2_bar))
    oxygen.leg_rates.cache_clear()


def stress_off(patch: Patch) -> None:
    patch.setattr(supply, "STRESS", 1.4)


def pressure_off(patch: Patch) -> None:
    patch.setattr(environment.Environment, "pressure", lambda self, m: self.surface_bar + self.bar_per_m * m * 1.01)


def half_life_off(patch: Patch) -> None:
    patch.setattr(oxygen, "CNS_HALF_LIFE_MIN", 89.0)


def days_off(patch: Patch) -> None:
    patch.setattr(oxygen, "REPEX_OTU", first(oxygen.REPEX_OTU, 50.0))


def flying_off(patch: Patch) -> None:
    for name in ("ONE_DIVE", "WITH_STOPS"):
        patch.setattr(flying, name, replace(flying.ONE_DIVE, minutes=11 * 60))
    patch.setattr(flying, "CABIN_M", 3000.0)


def bubbles_off(patch: Patch) -> None:
    patch.setattr(bubbles, "SKIN", 2.6)


WRONG: dict[Callable[[Patch], None], set[str]] = {
    units_off: {"Factors"},
    lapse_off: {"Surface pressure at altitude"},
    water_off: {"Pressure at depth", "Real sea water", "33 feet of sea water"},
    density_off: {
        "Density at 0 °C and 1 atmosphere", "Density of air", "Mixes of \"about 6 g/L\"",
        "Where air reaches the limits",
    },
    limit_off: {"Density limits"},
    air_off: {"Oxygen of air", "Equivalent air depth", "Equivalent narcotic depth"},
    depth_off: {"Depth limits (MOD)"},
    vapour_off: {"ppO2 on a loop"},
    semi_closed_off: {"ppO2 on a semi-closed loop"},
    cooling_off: {"A warm fill in cold water"},
    rating_off: {"Water volume of rated cylinders"},
    ideal_gas: {
        "Density of nitrogen, air, nitrox", "Density of oxygen, helium", "Density of trimix",
        "Compressibility of air at 300 K", "Contents of a twin 12 at 232 bar", "Turn pressure",
    },
    half_time_off: {"Half-times", "Half-times, nitrogen over helium", "Known answers before every plan"},
    a_off: {"Coefficient a", "a of set A by its formula"},
    b_off: {"Coefficient b", "b by its formula, but the fourth"},
    rest_off: {"At rest at the surface"},
    loading_off: {"After one half-time", "Under way"},
    a_in_the_engine_off: {"Lowest pressure tolerated"},
    tolerant(1.02): {
        "Stops: the minute each is left", "Run time", "Tissues on surfacing"
    },
    tolerant(1.3): {"Bühlmann's table, GF 80"},
    tolerant(1.6): {"U.S. Navy's table, GF 85"},
    tolerant(0.9): {"Bühlmann's table, GF 100"},
    single_off: {"NOAA limit, single exposure", "Between NOAA's rows", "CNS of a full exposure", "CNS of a dive"},
    day_off: {"NOAA limit, 24 hours"},
    otu_off: {"OTU a minute", "OTU a minute at 0.6 bar", "OTU of a dive"},
    half_life_off: {"CNS after a surface interval"},
    days_off: {"Most OTU in so many days"},
    stress_off: {"Minimum gas"},
    bubbles_off: {"Parameters", "Equations"},
    flying_off: {"Guidance, dives without stops", "Guidance, dives with stops", "The highest cabin"},
    pressure_off: {"Breathed on a dive"},
}  # fmt: skip
"""What goes wrong in the product, and the series that must see it."""


@contextmanager
def gone_wrong(how: Callable[[Patch], None]) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        how(patch)
        yield
    for function in (real_gas._isotherm, real_gas.molar_density, real_gas.pressure_at, oxygen.leg_rates):
        function.cache_clear()


@pytest.mark.parametrize("how", WRONG, ids=lambda how: f"{how.__name__}-{len(WRONG[how])}")
def test_a_check_fails_where_the_product_has_gone_wrong(how: Callable[[Patch], None]) -> None:
    missed = set(WRONG[how])
    with gone_wrong(how):
        for topic in TOPICS:
            missed -= {one.name for one in topic.series() if one.name in missed and not outcome(one).passed}
    assert not missed


def test_a_schedule_that_stops_elsewhere_says_where() -> None:
    with gone_wrong(tolerant(0.8)):
        [stops, *_] = next(topic for topic in TOPICS if topic.TOPIC == "Schedules").series()
        faults = {row.fault for row in outcome(stops).rows}
    assert any(fault.startswith("LookupError: the stop is at ") for fault in faults)


def test_every_series_is_seen_to_fail() -> None:
    """The test above, of all of them."""
    seen: set[str] = set().union(*WRONG.values())
    assert seen == {series.name for series in every_series()}


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.TOPIC)
def test_a_published_figure_that_was_changed_is_seen(topic: Any) -> None:
    """Of each series, every figure in turn is put off by more than is allowed: no check is only decoration."""
    for series in topic.series():
        for row in outcome(series).rows:
            published = row.point.published
            off = 3.0 * (series.tolerance * (published if series.relative else 1.0) + 10.0 ** -abs(series.decimals))
            changed = {"equal": row.computed + off, "over": row.computed + 1.0, "at most": row.computed - 2.0}
            assert not series.allows(row.computed, changed[series.rule]), (series.name, row.point.at)
