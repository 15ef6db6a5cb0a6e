"""The dive log in the terminal: its list, and one dive with its profile drawn in letters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from itertools import pairwise

from rich.cells import cell_len, set_cell_size
from rich.console import Console, Group, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from leadline.logbook.database.store import Entry, Logged, printable
from leadline.logbook.dived import Dived, GasBreathed, Profile
from leadline.terminal.layout import add_row, rich_table
from leadline.units import System

_BLANK = Text("")
PICTURE_COLUMNS, PICTURE_ROWS = 64, 14


def show_entries(entries: Sequence[Entry], where: str, system: System, console: Console | None = None) -> None:
    """Print a list of dives; `where` is what they are of."""
    console = console or Console(highlight=False, markup=False)
    width = console.width if console.is_terminal else None
    console.out(entries_as_text(entries, where, system, width), highlight=False)


def show_dive(logged: Logged, system: System, console: Console | None = None) -> None:
    """Print a dive."""
    console = console or Console(highlight=False, markup=False)
    console.print(render_dive(logged, system), soft_wrap=False)


class Told:
    """Where one hears how far a long reading or writing has come: on standard error, with a bar if it is a terminal."""

    def __init__(self, console: Console, bar: Progress) -> None:
        """`bar` is drawn on the console."""
        self._console, self._bar = console, bar
        self._task: TaskID | None = None

    def begins(self, what: str, total: int) -> None:
        """The next file, and how many dives it has."""
        self._task = self._bar.add_task(what, total=total)

    def advances(self) -> None:
        """One dive more is done."""
        if self._task is not None:
            self._bar.advance(self._task)

    def says(self, line: str) -> None:
        """A line of its own."""
        self._console.print(Text(line), soft_wrap=True)


@contextmanager
def progress(console: Console | None = None) -> Iterator[Told]:
    """What is told while many dives are read or written."""
    console = console or Console(stderr=True, highlight=False, markup=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        yield Told(console, bar)


def entries_as_text(entries: Sequence[Entry], where: str, system: System, width: int | None = None) -> str:
    """A list of dives, the last at its end: a line each, cut to a width if there is one.

    Lines of text, not a table of Rich's: a log has thousands of dives.
    """
    if not entries:
        return f"No dive in {where}."
    heads = ["Dive", "began", f"deepest {system.depth_unit}", "run time", "diver", "plan", "title"]
    rows = [_list_row(entry, system) for entry in entries]
    if not any(entry.diver for entry in entries):
        heads, *rows = ([*cells[:4], *cells[5:]] for cells in (heads, *rows))
    widths = [max(map(cell_len, column)) for column in zip(heads, *rows, strict=True)]
    lines = [_list_line(cells, widths, width) for cells in (heads, *rows)]
    rule = "─" * min(sum(widths) + 2 * (len(widths) - 1), width or 1000)
    hours, minutes = divmod(round(sum(entry.run_time_min for entry in entries)), 60)
    count = "1 dive" if len(entries) == 1 else f"{len(entries)} dives"
    return "\n".join([lines[0], rule, *lines[1:], f"{count}, {hours} h {minutes:02d} min in the water. {where}"])


def _list_row(entry: Entry, system: System) -> list[str]:
    numbers = [f"{entry.number}", f"{entry.began:%Y-%m-%d %H:%M}", system.depth(entry.deepest_m)]
    words = ["plan" if entry.has_plan else "", printable(entry.title)]
    return [*numbers, _minutes(entry.run_time_min), printable(entry.diver), *words]


def _list_line(cells: Sequence[str], widths: Sequence[int], width: int | None) -> str:
    """Cells below each other, numbers to the right."""
    right = {0, 2, 3}
    padded = []
    for i, (cell, wide) in enumerate(zip(cells, widths, strict=True)):
        blank = " " * (wide - cell_len(cell))
        padded.append(blank + cell if i in right else cell + blank)
    line = "  ".join(padded).rstrip()
    return line if width is None else set_cell_size(line, width).rstrip() if cell_len(line) > width else line


def render_dive(logged: Logged, system: System) -> RenderableType:
    """A dive as Rich sees it."""
    dived = logged.dived
    parts: list[RenderableType] = [Text(printable(dived.title) or "Untitled dive", style="bold")]
    parts += (Text(line) for line in _facts(logged, system))
    parts += [_BLANK, *(Text(line) for line in picture(dived.profile, system)), _BLANK]
    parts += [_cylinders(dived, system), _BLANK, _breathed(dived, system)]
    if dived.notes:
        parts += [_BLANK, *(Text(printable(line)) for line in dived.notes.splitlines())]
    return Group(*parts)


def picture(profile: Profile, system: System) -> Iterator[str]:
    """The profile in letters: depth downwards, run time to the right. A column shows all the depths of its minutes."""
    end_min, deepest_m = profile.run_time_min[-1], max(profile.depth_m)
    spans = _spans(profile, PICTURE_COLUMNS)
    step_m = deepest_m / (PICTURE_ROWS - 1)
    marked = [row for row in range(PICTURE_ROWS) if row % 4 == 0 or row == PICTURE_ROWS - 1]
    labels = [f"{row * step_m / system.depth_m:.0f}" if row in marked else "" for row in range(PICTURE_ROWS)]
    width = max(len(label) for label in labels)
    for row, label in enumerate(labels):
        line = "".join(
            "*" if round(shallow / step_m) <= row <= round(deep / step_m) else " " for shallow, deep in spans
        )
        yield f"{label:>{width}} |{line.rstrip()}"
    ends = f"{end_min:.0f} min"
    yield f"{'':>{width}} +{'-' * PICTURE_COLUMNS}"
    yield f"{system.depth_unit:>{width}}  0{ends:>{PICTURE_COLUMNS - 1}}"


def _spans(profile: Profile, columns: int) -> list[tuple[float, float]]:
    """The shallowest and the deepest depth in each of so many equal parts of the run time. [m]"""
    end_min = profile.run_time_min[-1]
    points = list(zip(profile.run_time_min, profile.depth_m, strict=True))
    found = [(float("inf"), float("-inf"))] * columns

    def seen(column: int, depth_m: float) -> None:
        shallow, deep = found[column]
        found[column] = (min(shallow, depth_m), max(deep, depth_m))

    for (start_min, start_m), (next_min, next_m) in pairwise(points):
        first, last = (min(int(at / end_min * columns), columns - 1) for at in (start_min, next_min))
        seen(first, start_m)
        seen(last, next_m)
        for edge in range(first + 1, last + 1):
            share = (edge * end_min / columns - start_min) / (next_min - start_min)
            depth_m = start_m + min(1.0, share) * (next_m - start_m)
            seen(edge - 1, depth_m)
            seen(edge, depth_m)
    return found


def _facts(logged: Logged, system: System) -> Iterator[str]:
    dived = logged.dived
    ends = _ended(dived)
    whose = f", {printable(dived.diver)}" if dived.diver else ""
    yield f"Dive {logged.number}{whose}: {dived.began:%Y-%m-%d %H:%M} to {ends}"
    yield (
        f"Deepest {system.at(dived.deepest_m)}, mean {system.at(_mean_m(dived.profile))}, "
        f"run time {_minutes(dived.run_time_min)}"
    )
    water = f"{dived.water:g} kg/m³" if not isinstance(dived.water, str) else dived.water
    altitude = f", at an altitude of {system.at(dived.altitude_m)}" if dived.altitude_m else ""
    yield f"Water {water}{altitude}"
    celsius = [one for one in dived.profile.temperature_c if one is not None]
    if celsius:
        yield f"Temperature {_degrees(min(celsius), system)} to {_degrees(max(celsius), system)}"
    cells = [one for one in dived.profile.ppo2_bar if one is not None]
    if cells:
        yield f"ppO2 in the loop {min(cells):.2f} to {max(cells):.2f} bar, as recorded"
    yield f"{len(dived.profile.run_time_min)} samples"
    yield f"Plan: {printable(dived.plan.file)}" if dived.plan is not None else "Plan: none is kept"


def _ended(dived: Dived) -> str:
    ended = dived.began + timedelta(minutes=dived.run_time_min)
    return f"{ended:%H:%M}" if ended.date() == dived.began.date() else f"{ended:%Y-%m-%d %H:%M}"


def _mean_m(profile: Profile) -> float:
    """Mean depth over the run time. [m]"""
    points = zip(profile.run_time_min, profile.depth_m, strict=True)
    area = sum((t1 - t0) * (d0 + d1) / 2.0 for (t0, d0), (t1, d1) in pairwise(points))
    return area / profile.run_time_min[-1]


def _minutes(minutes: float) -> str:
    """Minutes and seconds: "58:12"."""
    whole, seconds = divmod(round(60.0 * minutes), 60)
    return f"{whole}:{seconds:02d}"


def _degrees(celsius: float, system: System) -> str:
    return f"{32.0 + 1.8 * celsius:.0f} °F" if system.name == "imperial" else f"{celsius:.1f} °C"


def _cylinders(dived: Dived, system: System) -> Table:
    unit = system.pressure_unit
    table = rich_table(
        [("Cylinder", False), ("gas", False), ("L", True), (f"start {unit}", True), (f"end {unit}", True)]
    )
    for one in dived.cylinders:
        bars = ["" if bar is None else system.pressure(bar) for bar in (one.start_bar, one.end_bar)]
        add_row(table, printable(one.name), one.mix.name, "" if one.size_l is None else f"{one.size_l:.4g}", *bars)
    return table


def _breathed(dived: Dived, system: System) -> Table:
    table = rich_table([("Run time", True), (f"at {system.depth_unit}", True), ("breathed", False), ("from", False)])
    for one in dived.breathed:
        cylinder = dived.cylinders[one.cylinder]
        depth = system.depth(_depth_m(dived.profile, one.run_time_min))
        add_row(table, _minutes(one.run_time_min), depth, _source(dived, one), printable(cylinder.name))
    return table


def _source(dived: Dived, one: GasBreathed) -> str:
    gas = dived.cylinders[one.cylinder].mix.name
    return gas if one.setpoint_bar is None else f"loop {one.setpoint_bar:g}, diluent {gas}"


def _depth_m(profile: Profile, at_min: float) -> float:
    """The depth at a run time, between its samples. [m]"""
    points = zip(profile.run_time_min, profile.depth_m, strict=True)
    for (t0, d0), (t1, d1) in pairwise(points):
        if at_min <= t1:
            return d0 + (d1 - d0) * (at_min - t0) / (t1 - t0)
    return profile.depth_m[-1]
