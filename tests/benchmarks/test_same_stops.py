"""The benchmark's contenders plan the same dives: the kernel, plain C, NumPy, and every gain measured by itself.

Plain C and the vectorised NumPy are other programs of the same method: what they agree on is not an accident of one
compiler, and a speed is compared only with that of the same stops.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from benchmarks.dives import Dives, Planned, Site, all_sorts, planned_by_leadline, site_of
from benchmarks.plain import NO_COMPILER, Plain, has_compiler
from benchmarks.stepping import LADDER, Gains, Stepping
from benchmarks.vectorised import Vectorised

from leadline import parse_dive
from leadline.many.batch import Varied, simulate_many
from leadline.plan.schedule import lay_out
from leadline.tissue import kernel
from tests.dives import Tables, tables

DIVES = 1500
ROUNDED_BAR = 1e-9
"""Tensions may differ by rounding: exponentials come from another library, or are multiplied in another order."""

LAYOUTS = {
    "trimix, two deco gases": tables(75, 60, "18/45", ("50", "oxygen")),
    "feet, three deco gases": tables(
        "240 ft", 60, "18/45", ("35/25", "50", "oxygen"), units="imperial", rates={"ascent": "33 ft/min"}
    ),
    "last stop 6 m, holds, three rates": tables(
        60,
        60,
        "21/35",
        ("50", "oxygen"),
        stops={"last": 6, "gas_switch": 2},
        rates={"descent": 15, "ascent": 10, "between_stops": 6, "to_surface": 1},
        site={"altitude": 1500, "water": "fresh"},
    ),
    "air": tables(50, 60, gf=(30, 90)),
}


@dataclass(frozen=True)
class Case:
    """Dives of one layout, and what the kernel makes of them."""

    given: Tables
    site: Site
    dives: Dives
    kernel: Planned


@pytest.fixture(scope="module", params=LAYOUTS)
def case(request: pytest.FixtureRequest) -> Case:
    given = LAYOUTS[request.param]
    dive = parse_dive(given)
    layout = lay_out(dive)
    dives = all_sorts(DIVES, dive.deepest_m)
    return Case(given, site_of(layout), dives, planned_by_leadline(layout, dives))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where C is built. Without a compiler these tests are skipped, or fail where LEADLINE_COMPILER=required."""
    if not has_compiler():
        if os.environ.get("LEADLINE_COMPILER") == "required":
            pytest.fail(f"LEADLINE_COMPILER=required, and {NO_COMPILER}")
        pytest.skip(NO_COMPILER)
    return tmp_path_factory.mktemp("plain")


def hold_to(found: Planned, expected: Planned) -> None:
    """Stops to the last digit; what is left in the tissues to rounding."""
    assert np.array_equal(found.fault, expected.fault)
    assert np.array_equal(found.arrive_min > 0.0, expected.arrive_min > 0.0)
    assert np.array_equal(found.leave_min, expected.leave_min)
    assert np.abs(found.arrive_min - expected.arrive_min).max() < ROUNDED_BAR
    assert np.abs(found.run_time_min - expected.run_time_min).max() < ROUNDED_BAR
    assert np.abs(found.tissue - expected.tissue).max() < ROUNDED_BAR


def test_the_dives_are_of_all_sorts(case: Case) -> None:
    stops = (case.kernel.leave_min > 0.0).sum(axis=1)
    assert (stops == 0).sum() > DIVES / 50
    assert (stops > 5).sum() > DIVES / 4
    left_min = case.kernel.leave_min[case.kernel.leave_min > 0.0]
    assert np.array_equal(left_min, np.round(left_min))
    assert np.isin([kernel.FINE, kernel.LEFT_TOO_EARLY], case.kernel.fault).all()


@pytest.mark.parametrize("flags", [(), ("-DFIXED_STEPS",)], ids=["as it is", "fixed steps"])
def test_plain_c(case: Case, folder: Path, flags: tuple[str, ...]) -> None:
    hold_to(Plain(folder, *flags).plan(case.site, case.dives), case.kernel)


def test_numpy(case: Case) -> None:
    hold_to(Vectorised(case.site).plan(case.dives), case.kernel)


@pytest.mark.parametrize("gains", [gains for _, gains in LADDER], ids=[name for name, _ in LADDER])
def test_every_gain(case: Case, gains: Gains) -> None:
    hold_to(Stepping(case.site, gains).plan(case.dives), case.kernel)


def test_plain_c_to_the_last_bit_beside_plain_loops(case: Case, folder: Path) -> None:
    # Same operations, same order, one library's exponentials: nothing is left to differ.
    in_c, in_numba = Plain(folder).plan(case.site, case.dives), Stepping(case.site, Gains()).plan(case.dives)
    for name, array in vars(in_c).items():
        assert np.array_equal(array, getattr(in_numba, name)), name


def test_many_dives_in_one_call(case: Case, folder: Path) -> None:
    dive = parse_dive(case.given)
    dives = case.dives
    varied = Varied(dives.depth_m[:, None], dives.leave_at_min[:, None], dives.gf_low, dives.gf_high)
    swum = simulate_many(dive, lay_out(dive), varied, len(dives))
    in_c = Plain(folder).plan(case.site, dives)
    fine = in_c.fault == kernel.FINE
    assert np.array_equal(swum.figures["fault"], in_c.fault)
    stop_min = in_c.leave_min - in_c.arrive_min
    assert np.abs(swum.figures["stops_min"] - stop_min.sum(axis=1))[fine].max() < ROUNDED_BAR
    assert np.abs(swum.figures["run_time_min"] - in_c.run_time_min)[fine].max() < ROUNDED_BAR
    # Held at the level itself, off the stop grid, C counts that in with the grid's next depth.
    on_grid = fine & ~((stop_min > 0.0) & (case.site.stop_m > dives.depth_m[:, None] + kernel.CLOSE)).any(axis=1)
    assert on_grid.sum() > DIVES / 2
    assert np.array_equal(swum.stop_min[on_grid] > 0.0, stop_min[on_grid] > 0.0)
    assert np.abs(swum.stop_min - stop_min)[on_grid].max() < ROUNDED_BAR
