"""The compartments: coefficients, and how they load."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import count

from leadline.physics.mix import Mix
from leadline.plan.gases import Source as Breathed
from leadline.plan.schedule import source_rows
from leadline.tissue import coefficients, kernel, known_answer, loading
from leadline.tissue.coefficients import SetName
from leadline.verify.check import CheckSource, Point, Series
from leadline.verify.published import Table, load, source_of

TOPIC = "Tissues"
AS_PRINTED = "the same figures, four decimals"


def series() -> Iterator[Series]:
    """Coefficients, the formulas they follow, tissues at rest and after a half-time, and the proof before a plan."""
    table = load("zhl16")
    printed = source_of(table)
    yield _printed("Half-times", "min", 2, printed, table, {
        "nitrogen": ("n2_half_time_min", "n2_half_time_min", "ZH-L16C"),
        "helium": ("he_half_time_min", "he_half_time_min", "ZH-L16C"),
    })  # fmt: skip
    yield _printed("a", "bar", 4, printed, table, {
        "nitrogen, B": ("n2_a_bar_zhl16b", "n2_a_bar", "ZH-L16B"),
        "nitrogen, C": ("n2_a_bar_zhl16c", "n2_a_bar", "ZH-L16C"),
        "helium": ("he_a_bar", "he_a_bar", "ZH-L16C"),
    })  # fmt: skip
    yield _printed("b", "", 4, printed, table, {
        "nitrogen": ("n2_b", "n2_b", "ZH-L16C"),
        "helium": ("he_b", "he_b", "ZH-L16C"),
    })  # fmt: skip
    yield from _formulas(table)
    yield from _loading()
    yield Series(
        TOPIC, "Known answers before every plan", "", "faults", 0, "equal", 0.0, "it holds or it does not",
        CheckSource(
            "The sum of all coefficients, and the stops of two dives by the independent planner", "worked out",
            "by hand and by the independent planner",
        ),
        (Point("coefficients and two dives", 0, _faults),), finer=0,
    )  # fmt: skip


def _printed(
    name: str, unit: str, decimals: int, source: CheckSource, table: Table, parts: dict[str, tuple[str, str, SetName]]
) -> Series:
    points = (
        Point(f"{number}", figure, partial(_figure, field, letter, number - 1), part)
        for part, (key, field, letter) in parts.items()
        for number, figure in zip(count(1), table[key], strict=False)
    )
    why = "the same figures" if unit == "min" else AS_PRINTED
    title = {"a": "Coefficient a", "b": "Coefficient b"}.get(name, name)
    return Series(TOPIC, title, "compartment", unit, decimals, "equal", 0.0, why, source, tuple(points), finer=0)


def _figure(field: str, letter: SetName, i: int) -> float:
    return float(getattr(coefficients.coefficient_set(letter), field)[i])


def _formulas(table: Table) -> Iterator[Series]:
    half_times = list(enumerate(table["n2_half_time_min"]))
    source = source_of(table["zhl16a_formulas"])
    why = "the fourth decimal, and one unit more in it"

    def of(name: str, field: str, formula: Callable[[float], float], which: Iterable[tuple[int, float]]) -> Series:
        points = tuple(Point(f"{i + 1}", formula(t), partial(_figure, field, "ZH-L16A", i)) for i, t in which)
        return Series(TOPIC, name, "compartment", "", 4, "equal", 1.5e-4, why, source, points, finer=0)

    yield of("a of set A by its formula", "n2_a_bar", lambda t: 2.0 * t ** (-1.0 / 3.0), half_times)
    # The fourth is printed 0.7825 where the formula gives 0.7725: kept as printed, among the coefficients above.
    others = [one for one in half_times if one[0] != 3]
    yield of("b by its formula, but the fourth", "n2_b", lambda t: 1.005 - t**-0.5, others)
    graham = table["graham"]
    yield Series(
        TOPIC, "Half-times, nitrogen over helium", "compartment", "", 4, "equal", 0.01,
        "the tables have 2.65, printed to 0.01 min", source_of(graham),
        tuple(Point(f"{i + 1}", graham["ratio"], partial(_ratio, i)) for i in range(16)), relative=True, finer=0,
    )  # fmt: skip


def _ratio(i: int) -> float:
    return _figure("n2_half_time_min", "ZH-L16C", i) / _figure("he_half_time_min", "ZH-L16C", i)


def _loading() -> Iterator[Series]:
    rest, half = load("loading")["at_rest"], load("loading")["half_time"]
    yield Series(
        TOPIC, "At rest at the surface", "compartment", "bar", 7, "equal", 1e-7, "the digits written", source_of(rest),
        tuple(Point(f"{i + 1}", rest["n2_bar"], partial(_at_rest, i), "nitrogen") for i in range(16)), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "After one half-time", "compartment", "bar", 7, "equal", 1e-7, "the digits written", source_of(half),
        tuple(
            Point(f"{i + 1}", half[key], partial(_halved, gas, half[at], i), name)
            for name, key, at, gas in (("nitrogen", "n2_bar", "air_bar", 0), ("helium", "he_bar", "trimix_bar", 1))
            for i in range(16)
        ),
        finer=0,
    )  # fmt: skip

    way = load("loading")["under_way"]
    yield Series(
        TOPIC, "Under way", "compartment", "bar", 7, "equal", 1e-7, "the digits written", source_of(way),
        tuple(
            Point(f"{number}", bar, partial(_under_way, gas, number - 1), name)
            for gas, (name, key) in enumerate((("nitrogen", "n2_bar"), ("helium", "he_bar")))
            for number, bar in zip(way["compartment"], way[key], strict=True)
        ),
        finer=0,
    )  # fmt: skip
    limit = load("loading")["tolerated"]
    columns = ("n2_bar", "he_bar", "gf_percent", "tolerated_bar")
    yield Series(
        TOPIC, "Lowest pressure tolerated", "N2 + He, bar, GF", "bar", 5, "equal", 1e-5, "the digits written",
        source_of(limit),
        tuple(
            Point(f"{n2:g} + {he:g}, {gf} %", bar, partial(_tolerated, n2, he, gf / 100.0))
            for n2, he, gf, bar in zip(*(limit[column] for column in columns), strict=True)
        ),
        finer=0,
    )  # fmt: skip


def _at_rest(i: int) -> float:
    return float(loading.saturated(1.01325)[0, i])


def _halved(gas: int, bar: float, i: int) -> float:
    """The tension of a compartment after one half-time of nitrogen (0) in air, or of helium (1) in 18/45."""
    tissue = loading.saturated(1.01325)
    source = source_rows([Breathed(Mix.parse(("air", "18/45")[gas]))])[0]
    half_time_min = load("zhl16")[("n2_half_time_min", "he_half_time_min")[gas]][i]
    kernel.load_constant(tissue, bar, half_time_min, source, loading.compartments("ZH-L16C"))
    return float(tissue[gas, i])


def _under_way(gas: int, i: int) -> float:
    """The tension after 3 min on the way from the surface to 7 bar, on 18/45."""
    tissue = loading.saturated(1.01325)
    source = source_rows([Breathed(Mix.parse("18/45"))])[0]
    kernel.load_travel(tissue, 1.01325, 7.0, 3.0, source, loading.compartments("ZH-L16C"))
    return float(tissue[gas, i])


def _tolerated(n2_bar: float, he_bar: float, gf: float) -> float:
    tissue = loading.saturated(1.01325)
    tissue[:, 4] = n2_bar, he_bar
    return float(kernel.ceiling_bar(tissue, gf, loading.compartments("ZH-L16C")))


def _faults() -> int:
    known_answer.prove()
    return 0
