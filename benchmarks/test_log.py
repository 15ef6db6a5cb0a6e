"""A log of a thousand dives: what a list of it takes, and a dive in or out.

`python -m pytest benchmarks` prints the figures; nothing here can fail on time. The dives are those of a plan, 60 m for
20 minutes on trimix, dived to the letter: 58 minutes, a sample every ten seconds, the pressures of three cylinders.
They are in a file, made before anything is measured.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from leadline import plan_dive, read_dive
from leadline.logbook.as_planned import dived_as_planned
from leadline.logbook.database.store import Logbook
from leadline.logbook.dived import Dived
from leadline.terminal.log import show_entries
from leadline.units import METRIC

EXAMPLE = Path(__file__).parents[1] / "examples" / "marigold-trimix.toml"
DIVES = 1000


def of_day(dive: Dived, day: int) -> Dived:
    """The same dive on another day, a little deeper each time."""
    deeper = 1.0 + day / 1e5
    profile = replace(dive.profile, depth_m=tuple(depth_m * deeper for depth_m in dive.profile.depth_m))
    return replace(dive, began=dive.began + timedelta(days=day), profile=profile)


@pytest.fixture(scope="module")
def dive() -> Dived:
    """The dive of the plan."""
    return dived_as_planned(plan_dive(read_dive(EXAMPLE)), datetime(2020, 1, 1, 10, 20), "Ann")


@pytest.fixture(scope="module")
def url(dive: Dived, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A log of a thousand of them."""
    found = f"sqlite:///{tmp_path_factory.mktemp('log') / 'log.db'}"
    with Logbook(found) as log:
        for day in range(DIVES):
            log.add(of_day(dive, day))
    return found


@pytest.fixture
def log(url: str) -> Iterator[Logbook]:
    """That log, open."""
    with Logbook(url) as opened:
        yield opened


def test_a_list(benchmark: Any, url: str) -> None:
    """Opened, its version looked at, listed, closed."""

    def listed() -> int:
        with Logbook(url) as log:
            return len(log.entries())

    assert benchmark(listed) >= DIVES


def test_a_list_on_a_screen(benchmark: Any, log: Logbook) -> None:
    """Listed, and set below each other."""
    console = Console(width=100, force_terminal=True)

    def shown() -> str:
        with console.capture() as capture:
            show_entries(log.entries(), log.name, METRIC, console)
        return capture.get()

    assert len(benchmark(shown).splitlines()) >= DIVES


def test_a_dive_out(benchmark: Any, log: Logbook) -> None:
    """Read to the last sample."""
    assert benchmark(log.dive, DIVES // 2).number == DIVES // 2


def test_a_dive_in(benchmark: Any, log: Logbook, dive: Dived) -> None:
    """Looked at, held against those that are there, written to disk."""
    days = iter(range(2 * DIVES, 100 * DIVES))
    assert benchmark(lambda: log.add(of_day(dive, next(days)))) > DIVES


def test_the_dives_before(benchmark: Any, log: Logbook) -> None:
    """Those of the last thirteen days, as the next dive asks for them."""
    assert len(benchmark(log.before, DIVES // 2, 13.0)) == 13
