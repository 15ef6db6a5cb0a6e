"""What a cylinder holds: real gas."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from leadline.physics import real_gas
from leadline.physics.mix import Mix
from leadline.units import PSI_BAR
from leadline.verify.check import Point, Series
from leadline.verify.published import load, source_of

TOPIC = "Cylinders"
TRACE = 1e-9
"""No mix is without oxygen: a pure gas has this fraction of it, far below what any figure can show."""
PURE = {"nitrogen": Mix(TRACE, 0.0, "nitrogen"), "helium": Mix(TRACE, 1.0 - TRACE, "helium")}
WITHIN = {"nitrogen, air, nitrox": 0.0015, "oxygen, helium": 0.002, "trimix": 0.004}
KINDS = {
    "nitrogen, air, nitrox": ("nitrogen", "air", "32", "50"),
    "oxygen, helium": ("oxygen", "helium"),
    "trimix": ("18/45", "10/70"),
}
WHY = {
    "nitrogen, air, nitrox": "how well two published equations agree",
    "oxygen, helium": "how well two published equations agree; of these two one is short",
    "trimix": "no measurements stand behind the pair of oxygen and helium in either equation",
}


def series() -> Iterator[Series]:
    """Density, compressibility, cooling and rated capacity."""
    yield from _reference()
    air = load("real_gas")["air_300k"]
    yield Series(
        TOPIC, "Compressibility of air at 300 K", "bar", "", 4, "equal", 0.002,
        "the table counts argon and is from an older equation", source_of(air),
        tuple(
            Point(f"{bar}", z, partial(_compressibility, bar))
            for bar, z in zip(air["bar"], air["compressibility"], strict=True)
        ),
        relative=True, finer=0,
    )  # fmt: skip
    contents = load("real_gas")["contents"]
    yield Series(
        TOPIC, "Contents of a twin 12 at 232 bar", "gas", "L", 1, "equal", 0.002,
        "how well two published equations agree", source_of(contents),
        tuple(Point(label, litres, partial(_contents, label)) for label, litres in contents["litres"].items()),
        relative=True, finer=0,
    )  # fmt: skip
    cooled = load("real_gas")["cooled"]
    yield Series(
        TOPIC, "A warm fill in cold water", "gas", "bar", 1, "equal", 0.001, "how well two published equations agree",
        source_of(cooled),
        tuple(Point(label, bar, partial(_cooled, label)) for label, bar in cooled["bar"].items()),
        relative=True,
    )  # fmt: skip
    rated = load("real_gas")["cylinders"]
    yield Series(
        TOPIC, "Water volume of rated cylinders", "cylinder", "L", 1, "equal", 0.015,
        "makers round capacity to the cubic foot and water to 0.1 L", source_of(rated),
        tuple(
            Point(name, water_l, partial(_water, cubic_feet, psi))
            for name, cubic_feet, psi, water_l in zip(
                rated["name"], rated["rated_cubic_feet"], rated["working_psi"], rated["water_l"], strict=True
            )
        ),
        relative=True,
    )  # fmt: skip


def _reference() -> Iterator[Series]:
    table = load("real_gas")["reference"]
    for kind, labels in KINDS.items():
        yield Series(
            TOPIC, f"Density of {kind}", "bar", "mol/L", 4, "equal", WITHIN[kind], WHY[kind], source_of(table),
            tuple(
                Point(f"{bar}", mol_l, partial(_density, label, bar), _mix(label).name)
                for label in labels
                for bar, mol_l in zip(table["bar"], table["mol_l"][label], strict=True)
            ),
            relative=True, finer=0,
        )  # fmt: skip


def _mix(label: str) -> Mix:
    return PURE[label] if label in PURE else Mix.parse(label)


def _density(label: str, bar: float) -> float:
    return real_gas.molar_density(_mix(label), bar, 20.0)


def _compressibility(bar: float) -> float:
    return real_gas.compressibility(Mix.parse("air"), bar, 300.0 - 273.15)


def _contents(label: str) -> float:
    return real_gas.free_litres(Mix.parse(label), 24.0, 232.0, 20.0)


def _cooled(label: str) -> float:
    return real_gas.pressure_at(Mix.parse(label), 230.0, 30.0, 9.0)


def _water(cubic_feet: float, psi: float) -> float:
    return real_gas.water_litres(cubic_feet, psi * PSI_BAR)
