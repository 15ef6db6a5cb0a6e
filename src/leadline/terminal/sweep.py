"""A sweep in the terminal: how far it is while it runs, and what came of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rich.console import Console, Group
from rich.progress import BarColumn, Progress, TextColumn
from rich.text import Text

from leadline.cautions import CAUTIONS
from leadline.sweep.run import Done

FIRST_LINE_S, LINE_S = 10.0, 60.0
"""Where standard error is no terminal: the first line, and from one to the next."""


@dataclass(frozen=True)
class Watch:
    """Who hears of a sweep that runs."""

    told: Callable[[int, int], None]
    """How many dives are done, of how many."""
    say: Callable[[str], None]
    """A line, of anything else."""


@contextmanager
def progress(console: Console | None = None, clock: Callable[[], float] = time.monotonic) -> Iterator[Watch]:
    """How far a sweep is, on standard error: a bar, or a line now and then where that is no terminal."""
    console = console or Console(stderr=True, highlight=False)
    began = clock()
    first: int | None = None

    def said(done: int, of: int) -> str:
        nonlocal began, first
        if first is None:  # what was finished before says nothing of how fast it goes
            first, began = done, clock()
        return how_far(done, of, done - first, clock() - began)

    if not console.is_terminal:
        next_s = began + FIRST_LINE_S

        def line(done: int, of: int) -> None:
            nonlocal next_s
            text = said(done, of)
            if clock() >= next_s and done < of:
                next_s = clock() + LINE_S
                console.print(Text(text), soft_wrap=True)

        yield Watch(line, lambda text: console.print(Text(text), soft_wrap=True))
        return
    bar = Progress(BarColumn(bar_width=24), TextColumn("{task.description}"), console=console, transient=True)
    with bar:
        task = bar.add_task("Planning ...", total=None)

        def drawn(done: int, of: int) -> None:
            bar.update(task, completed=done, total=of, description=said(done, of))

        yield Watch(drawn, lambda text: console.print(Text(text)))


def how_far(done: int, of: int, planned: int, seconds: float) -> str:
    """Dives done of all, the rate, and the time left, by the dives planned in so many seconds."""
    text = f"{done:,} of {of:,} dives"
    if planned <= 0 or seconds <= 0.0:
        return text
    return f"{text}, {rate(planned, seconds)}, {lasting((of - done) * seconds / planned)} left"


def rate(dives: int, seconds: float) -> str:
    """How fast dives are planned."""
    a_second = dives / max(seconds, 1e-9)
    return f"{a_second:,.0f} a second" if a_second >= 10.0 else f"{a_second:.1f} a second"


def lasting(seconds: float) -> str:
    """A time in words."""
    whole = max(0, round(seconds))
    if whole < 120:
        return f"{whole} s"
    minutes, hours = round(seconds / 60.0), round(seconds / 3600.0)
    if minutes < 120:
        return f"{minutes} min"
    return f"{hours} h" if hours < 48 else f"{round(seconds / 86400.0)} days"


def show_done(done: Done, title: str, seconds: float, console: Console | None = None) -> None:
    """Print what came of a sweep."""
    console = console or Console(highlight=False)
    summed = done.summed
    lines = [Text(f"{title}: {done.dives:,} {'dive' if done.dives == 1 else 'dives'}", style="bold")]
    if done.planned == 0:
        lines.append(Text("All of them were finished before: nothing was planned anew."))
    else:
        before = done.dives - done.planned
        also = f"; {before:,} were finished before" if before else ""
        lines.append(Text(f"Planned {done.planned:,} in {lasting(seconds)}, {rate(done.planned, seconds)}{also}."))
    if summed.refused:
        of = f"{summed.refused:,} of {summed.rows:,} rows cannot be dived"
        lines.append(Text(f"{of}, each with the reason in its column refused. The first: {summed.reason}."))
    lines += [Text(""), *(Text(line, style="dim") for line in CAUTIONS), Text(""), Text(str(done.path))]
    console.print(Group(*lines), soft_wrap=True)
