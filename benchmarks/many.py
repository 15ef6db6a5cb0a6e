"""How fast many dives are planned. `python -m benchmarks.many` prints the figures; nothing here can fail on time.

The dive: 60 m for 20 minutes on trimix, with 50 % and oxygen. No two dives are alike: depth and bottom time differ by
up to 2 m and 2 min, the same for every contender. The contenders take turns in many short rounds, and each is known by
its best: whatever else the machine does can only slow it down. On one core the clock is the processor's, which stands
still while others have the core; two cores against one are timed by the wall. What may be quoted are ratios of one run.
First of all the contenders' stops are held to each other.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numba
import numpy as np

from benchmarks.dives import Array, Dives, Planned, Site, about, all_sorts, planned_by_leadline, site_of
from benchmarks.plain import FLAGS, NO_COMPILER, Plain, has_compiler
from benchmarks.stepping import LADDER, Stepping
from benchmarks.test_speed import TRIMIX
from benchmarks.vectorised import Vectorised
from leadline import parse_dive
from leadline.dive_file.schema import Dive
from leadline.many.batch import Varied, simulate_many
from leadline.plan.schedule import Layout, lay_out
from leadline.tissue import kernel

ROUNDS = 40
DIVES = 2_000
"""In a round. Rounds are short: in some the machine has nothing else to do."""
CORE_ROUNDS, CORE_DIVES = 300, 5_000
"""Of two cores against one: that both have nothing else to do is rarer."""


class Contender:
    """What plans dives, and how many it planned in a second, round by round."""

    def __init__(
        self, name: str, run: Callable[[Dives], object], dives: Dives, cores: int = 1,
        clock: Callable[[], float] = time.process_time,
    ) -> None:  # fmt: skip
        """On so many cores, by a clock."""
        self.name, self.run, self.dives, self.cores, self.clock = name, run, dives, cores, clock
        self.rounds: list[float] = []
        numba.set_num_threads(cores)
        self.run(dives.part(0, 10))  # compiled, and warm

    @property
    def dives_per_s(self) -> float:
        """In its best round."""
        return max(self.rounds)

    def turn(self) -> None:
        """A round."""
        numba.set_num_threads(self.cores)
        start = self.clock()
        self.run(self.dives)
        self.rounds.append(len(self.dives) / (self.clock() - start))


def take_turns(contenders: Sequence[Contender], rounds: int = ROUNDS) -> None:
    """Round by round."""
    for _ in range(rounds):
        for contender in contenders:
            contender.turn()


# --- Leadline ---------------------------------------------------------------------------------------------------------


class Leadline:
    """Leadline's own planning of many dives in one call: stops, gas, CNS, OTU and what else a row of a sweep has."""

    def __init__(self, tables: dict[str, object]) -> None:
        """Of a dive file."""
        self.dive: Dive = parse_dive(tables)
        self.layout: Layout = lay_out(self.dive)

    def plan(self, dives: Dives) -> object:
        """Plan dives, over as many cores as Numba is told."""
        varied = Varied(dives.depth_m[:, None], dives.leave_at_min[:, None], dives.gf_low, dives.gf_high)
        return simulate_many(self.dive, self.layout, varied, len(dives))


_entry, _inner = (kernel.along_with(one, kernel.__file__) for one in (kernel.entry, kernel.inner))


@_entry
def _schedules(
    start: Array, levels: Array, ways: Array, sources: Array, rules: kernel.Rules, comps: kernel.Compartments,
    depth_m: Array, leave_at_min: Array, run_time_min: Array,
) -> None:  # fmt: skip
    _swim_each(
        start, levels.copy(), ways, sources, rules, kernel.room_for(comps), np.empty(start.shape),
        np.zeros(2048, kernel.LEG), depth_m, leave_at_min, run_time_min,
    )  # fmt: skip


@_inner
def _swim_each(
    start: Array, levels: Array, ways: Array, sources: Array, rules: kernel.Rules, room: kernel.Room,
    tissue: Array, legs: Array, depth_m: Array, leave_at_min: Array, run_time_min: Array,
) -> None:  # fmt: skip
    for i in range(len(depth_m)):
        kernel.copy_tissue(start, tissue)
        levels[0].depth_m = depth_m[i]
        levels[0].leave_at_min = leave_at_min[i]
        _, _, _, _, run_time_min[i] = kernel.simulate_in(tissue, levels, ways, sources, rules, room, legs)


def schedules_alone(layout: Layout) -> Callable[[Dives], Array]:
    """The kernel's schedules, from surface to surface, and nothing else."""
    given = layout.start, layout.levels, layout.ways, layout.source_rows, layout.rules, layout.comps

    def run(dives: Dives) -> Array:
        run_time_min = np.zeros(len(dives))
        _schedules(*given, dives.depth_m, dives.leave_at_min, run_time_min)
        return run_time_min

    return run


# --- What is shown ----------------------------------------------------------------------------------------------------


def against_each_other(site: Site, leadline: Leadline, folder: Path) -> None:
    """Leadline, plain C and NumPy on the dive of the claim."""
    yardstick: Contender | None = None
    contenders, dives = [], about(60.0, 20.0, DIVES)
    if has_compiler():
        contenders = [
            Contender(f"plain C, {' '.join((*FLAGS, *more))}", partial(Plain(folder, *more).plan, site), dives)
            for more in ((), ("-march=native",), ("-DFIXED_STEPS",))
        ]
        yardstick = contenders[0]
    else:
        print(f"Plain C: {NO_COMPILER}; its rows, and the ratios to it, are left out.")
    numpy = Contender("NumPy, side by side", Vectorised(site).plan, dives)
    contenders += [
        numpy,
        Contender("Leadline, schedules alone", schedules_alone(leadline.layout), dives),
        Contender("Leadline, with gas, CNS, OTU", leadline.plan, dives),
    ]
    take_turns(contenders)
    print(f"{'60 m for 20 min, 18/45, 50 %, oxygen; one core':58} dives/s   x C  x NumPy")
    for one in contenders:
        to_c = f"{one.dives_per_s / yardstick.dives_per_s:6.2f}" if yardstick else "     -"
        print(f"{one.name:58} {one.dives_per_s:7,.0f}{to_c} {one.dives_per_s / numpy.dives_per_s:8.1f}")


@numba.njit(parallel=True, cache=True)
def _arithmetic(parts: int, n: int) -> float:
    """Vectors multiplied and added, without memory."""
    total = 0.0
    for part in numba.prange(parts):
        own = np.full(32, 0.1 / (part + 1.0))
        for _ in range(n // parts):
            for lane in range(32):
                x = own[lane]
                own[lane] = 0.5 + x * (0.1 - x * (0.2 - x * 0.3))
        total += own.sum()
    return total


def cores(leadline: Leadline) -> None:
    """Two cores against one, beside what the machine's two cores have to give at the moment."""
    dives, wall = about(60.0, 20.0, CORE_DIVES), time.perf_counter
    ours = [Contender(f"{n} cores", leadline.plan, dives, n, wall) for n in (1, 2)]
    plain = [Contender(f"{n} cores", lambda some: _arithmetic(8, 400 * len(some)), dives, n, wall) for n in (1, 2)]
    take_turns((*ours, *plain), CORE_ROUNDS)
    print("\nTwo cores against one, by the wall          best rounds  middle rounds")
    for name, (one, two) in (("Leadline, with gas, CNS, OTU", ours), ("plain arithmetic", plain)):
        middle = statistics.median(two.rounds) / statistics.median(one.rounds)
        print(f"{name:44}{two.dives_per_s / one.dives_per_s:11.2f}{middle:15.2f}")


def ladder() -> None:
    """What each gain is worth, on short stops and on long ones."""
    print("\nWhat each gain is worth: microseconds a dive, on one core")
    air = tables(45.0, 60.0, (), bottom="air")
    columns = []
    for given, depth_m, minutes in ((TRIMIX, 60.0, 20.0), (air, 45.0, 60.0)):
        site = site_of(lay_out(parse_dive(given)))
        dives = about(depth_m, minutes, DIVES)
        rungs = [Contender(name, Stepping(site, gains).plan, dives) for name, gains in LADDER]
        take_turns(rungs)
        columns.append(rungs)
    print(f"{'':50}{'trimix, 60 m, 20 min':>24}{'air, 45 m, 60 min':>24}")
    for short, long in zip(*columns, strict=True):
        print(f"{short.name:50}{1e6 / short.dives_per_s:24.2f}{1e6 / long.dives_per_s:24.2f}")


DECO_GASES = ("50", "oxygen", "35/25", "40")
"""One after the other; all but oxygen and 50 % are there to change gas more often."""
TWO = DECO_GASES[:2]


def tables(
    depth_m: float, minutes: float, deco: Sequence[str] = TWO, loop: bool = False, bottom: str = ""
) -> dict[str, object]:
    """A dive file. Below 75 m the trimix is too lean for the surface, and the dive is begun on 50 %."""
    bottom = bottom or ("18/45" if depth_m <= 75.0 else "10/65")
    found: dict[str, object] = {"units": "metric", "levels": [{"depth": depth_m, "leave_at": minutes}]}
    cylinders = [{"name": gas, "gas": gas, "size": 12, "pressure": 200, "use": "deco"} for gas in deco]
    if loop:
        return found | {"loop": {"diluent": bottom, "setpoint": 1.3, "low_setpoint": 0.7, "high_from": 20}}
    cylinders.append({"name": "back gas", "gas": bottom, "size": 24, "pressure": 230, "use": "bottom"})
    if depth_m > 75.0:
        cylinders.append({"name": "travel", "gas": "50", "size": 12, "pressure": 200, "use": "travel"})
    return found | {"cylinders": cylinders}


def growth() -> None:
    """How cost grows with depth, time and gases."""
    rows: list[tuple[str, str, dict[str, object], float, float]] = []
    for depth_m in (30.0, 45.0, 60.0, 75.0, 90.0, 100.0):
        rows.append(("depth", f"{depth_m:g} m for 20 min", tables(depth_m, 20.0), depth_m, 20.0))
    for minutes in (10.0, 20.0, 40.0, 60.0):
        rows.append(("bottom time", f"60 m for {minutes:g} min", tables(60.0, minutes), 60.0, minutes))
    for count in range(5):
        given = tables(60.0, 20.0, DECO_GASES[:count])
        rows.append(("deco gases", f"60 m for 20 min, {count} deco gases", given, 60.0, 20.0))
    for loop, name in ((False, "open circuit"), (True, "loop")):
        rows.append(("loop", f"60 m for 20 min, {name}", tables(60.0, 20.0, loop=loop), 60.0, 20.0))
    pairs = []
    for _, name, given, depth_m, minutes in rows:
        leadline, dives = Leadline(given), about(depth_m - 2.0, minutes, DIVES // 2)
        runs = schedules_alone(leadline.layout), leadline.plan
        pairs.append([Contender(name, run, dives) for run in runs])
    take_turns([one for pair in pairs for one in pair])
    print("\nHow cost grows: thousands of dives a second on one core, dives up to 4 m shallower")
    print(f"{'':44}{'schedules alone':>18}{'with gas, CNS, OTU':>20}")
    before = ""
    for (what, name, *_), (alone, whole) in zip(rows, pairs, strict=True):
        shown = what if what != before else ""
        print(f"{shown:12}{name:32}{alone.dives_per_s / 1e3:18.0f}{whole.dives_per_s / 1e3:20.0f}")
        before = what


SWEEP = """
units = "metric"
[[levels]]
depth = 60
leave_at = 20
[[cylinders]]
name = "back gas"
gas = "18/45"
size = 24
pressure = 220
use = "bottom"
[[cylinders]]
name = "fifty"
gas = "50"
size = 11
pressure = 200
use = "deco"
[[cylinders]]
name = "oxygen"
gas = "oxygen"
size = 7
pressure = 180
use = "deco"
[[sweep.axes]]
key = "levels.1.leave_at"
from = 15
to = 24
step = 1
[[sweep.axes]]
key = "diver.rmv_bottom"
from = 15
to = 24.9
step = 0.1
[[sweep.axes]]
key = "diver.rmv_deco"
from = 12
to = {to}
step = 0.01
"""
"""Ten bottom times, a hundred breathing rates at the bottom, and as many on decompression as it takes."""


def memory() -> None:
    """The largest memory that `leadline sweep` ever holds, and how long it takes, command and all."""
    print("\nleadline sweep: a Parquet file with a row a dive")
    for dives in (10_000, 100_000, 1_000_000):
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder, "dive.toml")
            file.write_text(SWEEP.format(to=12.0 + (dives // 1000 - 1) / 100.0))
            command = "from leadline.cli.main import run; run()"
            start = time.perf_counter()
            child = subprocess.Popen(
                (sys.executable, "-c", command, "sweep", str(file), "-o", str(Path(folder, "result.parquet"))),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            _, status, usage = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            took_s = time.perf_counter() - start
            if child.returncode != 0:
                raise SystemExit(f"leadline sweep ended with exit status {child.returncode}")
            size_mb = Path(folder, "result.parquet").stat().st_size / 1e6
        print(
            f"{dives:10,} dives {took_s:7.1f} s {usage.ru_maxrss / 1024:7.0f} MiB at most;"
            f" the file has {size_mb:6.1f} MB"
        )


def hold_to_each_other(layout: Layout, folder: Path) -> None:
    """AssertionError unless every contender has the kernel's stops on thousands of dives of all sorts."""
    site, dives = site_of(layout), all_sorts(3000, 75.0)
    expected = planned_by_leadline(layout, dives)
    found: dict[str, Planned] = {"NumPy": Vectorised(site).plan(dives)}
    if has_compiler():
        found["plain C"] = Plain(folder).plan(site, dives)
        found["plain C, fixed steps"] = Plain(folder, "-DFIXED_STEPS").plan(site, dives)
    for name, gains in LADDER:
        found[name] = Stepping(site, gains).plan(dives)
    for name, each in found.items():
        assert np.array_equal(each.leave_min, expected.leave_min), name
    stops = int((expected.leave_min > 0.0).sum())
    print(f"{len(dives):,} dives with {stops:,} stops: left on the same minute by the kernel, {', '.join(found)}.\n")


def main() -> None:
    """Print it all, or the parts that are asked for."""
    parts = ("contenders", "cores", "ladder", "growth", "memory")
    parser = argparse.ArgumentParser(prog="python -m benchmarks.many", description=__doc__)
    parser.add_argument("part", nargs="*", choices=[*parts, []], help="all if none is named")
    asked = parser.parse_args().part or parts
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if "contenders" in asked:
            deep = lay_out(parse_dive(TRIMIX | {"levels": [{"depth": 75, "leave_at": 60}]}))
            hold_to_each_other(deep, folder)
            against_each_other(site_of(deep), Leadline(TRIMIX), folder)
        if "cores" in asked:
            cores(Leadline(TRIMIX))
        if "ladder" in asked:
            ladder()
        if "growth" in asked:
            growth()
        if "memory" in asked:
            memory()


if __name__ == "__main__":
    main()
