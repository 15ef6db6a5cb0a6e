"""A dive as a table: CSV with a row a sample, and what else there is to say in lines before it (docs/exchange.md)."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any

from leadline.dive_file.errors import shortened, shown
from leadline.logbook.dived import MOST_SAMPLES, CylinderCarried, Dived, GasBreathed
from leadline.logbook.exchange.opened import Opened
from leadline.logbook.exchange.recorded import (
    Broken,
    RecordedChange,
    Sample,
    began_of,
    breathed_of,
    checked,
    decimal,
    lines_of,
    plain,
    profile_of,
    seconds,
    told,
)
from leadline.physics.mix import Mix
from leadline.units import Kind, parse

MOST_BYTES = 32_000_000
OPEN = "open"
"""In the column `setpoint`: off the loop."""
_NAMES = {
    "time": "time", "run time": "time", "dive time": "time", "depth": "depth", "ppo2": "ppo2", "po2": "ppo2",
    "temperature": "temperature", "temp": "temperature", "setpoint": "setpoint", "gas": "gas", "mix": "gas",
    "pressure": "pressure",
}  # fmt: skip
"""Columns that are read, by what they may be called."""
_UNITS: dict[str, tuple[str, ...]] = {
    "time": ("s", "min", "h:mm:ss"),
    "depth": ("m", "ft"),
    "ppo2": ("bar",),
    "setpoint": ("bar",),
    "temperature": ("°C", "°F"),
    "pressure": ("bar", "psi"),
}
_SAID_ONCE = ("began", "diver", "title", "water", "altitude")
_SAID_OFTEN = ("cylinder", "notes")
_CLOCK_UNITS = ("h:mm:ss", "hh:mm:ss", "mm:ss", "m:ss")
_HEADER = re.compile(r"(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*$")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$", re.ASCII)
_CLOCK = re.compile(r"(?:(\d+):)?(\d+):(\d\d(?:\.\d+)?)$", re.ASCII)
_LINE_END = re.compile(r"\r\n|\n|\r")
_BARE = re.compile(r"\s*[+-]?[\d.]+\s*$", re.ASCII)


@dataclass
class _Said:
    """The lines before the table: key, value and line number."""

    once: dict[str, tuple[str, int]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    cylinders: list[tuple[str, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Column:
    name: str
    cylinder: str
    """Of a pressure; "" where only one is carried."""
    at: int
    title: str
    reads: Callable[[str], float]
    """ValueError if it is no such number."""


def read(file: Opened, began: datetime | None) -> Dived | str:
    """The dive of a CSV file, or in words why it is broken. DiveFileError where the file is no table of a dive."""
    try:
        text = file.whole(MOST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise file.refused("is neither UDDF nor text in UTF-8; save it as CSV in UTF-8") from None
    said, table, first_line = _parted(text, file)
    header, rows, comma = _table(table, first_line, file)
    names = _columns(header, said, comma, first_line, file)
    cylinders = [_cylinder(value, line, file) for value, line in said.cylinders]
    about = _about(said, file)
    try:
        return _dive(
            names, list(_cells(rows, len(header))), cylinders, about.get("began", began), about, "\n".join(said.notes)
        )
    except Broken as broken:
        return str(broken)
    except csv.Error as error:
        raise file.refused(f"is not CSV: {error}") from None


def _parted(text: str, file: Opened) -> tuple[_Said, str, int]:
    """What is said before the table, the table, and the number of its first line."""
    said, at, number = _Said(), 0, 0
    while at < len(text):
        number += 1
        ends = _LINE_END.search(text, at)
        line = text[at : ends.start() if ends else None].strip()
        if line and not line.startswith("#"):
            return said, text[at:], number
        if line:
            _say(line.lstrip("# \t"), number, said, file)
        at = ends.end() if ends else len(text)
    raise file.refused("has no table; a dive is a line a sample, under a header such as time [s],depth [m]")


def _say(line: str, number: int, said: _Said, file: Opened) -> None:
    """Take one `# key: value`; a line without a known key is a comment."""
    key, colon, value = line.partition(":")
    key, value = plain(key).casefold(), value.strip()
    if not colon:
        return
    if key in _NAMES:
        said.units[_NAMES[key]] = plain(value)
    elif key in _SAID_ONCE:
        if key in said.once:
            raise file.refused(f"says {key} twice", f"line {number}")
        said.once[key] = (value, number)
    elif key == "cylinder":
        said.cylinders.append((value, number))
    elif key == "notes":
        said.notes.extend(lines_of(value))
    elif near := difflib.get_close_matches(key, [*_SAID_ONCE, *_SAID_OFTEN, *_NAMES], 1, 0.8):
        raise file.refused(f"{shown(key)} is not known; did you mean {near[0]}?", f"line {number}")


def _about(said: _Said, file: Opened) -> dict[str, Any]:
    """What is said of the dive as a whole, in the log's own terms."""
    found: dict[str, Any] = {}
    for key, (value, line) in said.once.items():
        try:
            found[key] = _ABOUT[key](value)
        except ValueError as error:
            raise file.refused(f"{key} {shown(value)}: {shortened(str(error))}", f"line {line}") from None
    return found


def _began(value: str) -> datetime:
    try:
        return began_of(plain(value))
    except ValueError:
        raise ValueError("is no date and time; write for example 2026-05-31 10:20") from None


def _water(value: str) -> str | float:
    if value.casefold() in ("sea", "fresh", "en13319"):
        return value.casefold()
    return _quantity(value, "density", "sea, fresh, en13319 or a density such as 1020 kg/m³")


_ABOUT: dict[str, Callable[[str], Any]] = {
    "began": _began,
    "diver": plain,
    "title": plain,
    "water": _water,
    "altitude": lambda value: _quantity(value, "altitude", "1200 m"),
}


def _quantity(value: str, kind: Kind, example: str) -> float:
    """A number with its unit."""
    if _BARE.match(value):
        raise ValueError(f"has no unit; write for example {example}")
    number = parse(value, kind, "metric")
    if not isinstance(number, float):
        raise ValueError("cubic feet are a cylinder's rated gas; write its water volume, such as 11.1 L")
    return number


def _cylinder(value: str, line: int, file: Opened) -> CylinderCarried:
    """`name, gas, volume, pressure at the start, at the end`; from the volume on all may be left out."""
    try:
        parts = [part.strip() for part in next(csv.reader([value], skipinitialspace=True), [])]
        if not 2 <= len(parts) <= 5 or not parts[0]:
            raise ValueError("write name, gas, volume, pressures at start and end: twins, 18/45, 24 L, 230 bar, 60 bar")
        name, gas, size, start, end = (parts + [""] * 3)[:5]
        return CylinderCarried(
            plain(name),
            Mix.parse(gas),
            _quantity(size, "cylinder size", "24 L") if size else None,
            _quantity(start, "pressure", "230 bar") if start else None,
            _quantity(end, "pressure", "60 bar") if end else None,
        )
    except (ValueError, csv.Error) as error:
        raise file.refused(f"cylinder {shown(value)}: {shortened(str(error))}", f"line {line}") from None


def _table(table: str, first_line: int, file: Opened) -> tuple[list[str], Iterator[tuple[int, list[str]]], bool]:
    """Header, rows with their line numbers, and whether a comma can be a decimal one.

    The separator is the one of comma, semicolon and tab that makes columns of time and depth.
    """
    for separator in (",", ";", "\t"):
        reader = csv.reader(io.StringIO(table, newline=""), delimiter=separator, skipinitialspace=True)
        try:
            header = next(reader)
        except (csv.Error, StopIteration):
            continue
        if {"time", "depth"} <= {_titled(title)[0] for title in header}:
            return header, _numbered(reader, first_line - 1), separator != ","
    raise file.refused(
        "has no columns of time and depth; write a header such as time [s],depth [m], then a line a sample",
        f"line {first_line}",
    )


def _numbered(reader: Any, before: int) -> Iterator[tuple[int, list[str]]]:
    for row in reader:
        if any(cell.strip() for cell in row):
            yield before + reader.line_num, row


def _titled(title: str) -> tuple[str, str, str]:
    """A column's name as it is known, the cylinder it is of, and its unit. The name is "" where it is not known."""
    match = _HEADER.match(title.strip())
    words, unit = (plain(match[1]), plain(match[2])) if match else (plain(title), "")
    name = _NAMES.get(words.casefold(), "")
    first, _, rest = words.partition(" ")
    if not name and first.casefold() == "pressure":
        return "pressure", rest, unit
    return name, "", unit


def _columns(header: list[str], said: _Said, comma: bool, line: int, file: Opened) -> list[_Column]:
    found: list[_Column] = []
    for at, title in enumerate(header):
        name, cylinder, unit = _titled(title)
        place = f"line {line}, column {shown(plain(title))}"
        if not name:
            words = plain((_HEADER.match(title) or [title, title])[1]).casefold()
            if near := difflib.get_close_matches(words, _NAMES, 1, 0.8):
                raise file.refused(f"is not known; did you mean {near[0]}?", place)
            continue
        if any((one.name, one.cylinder.casefold()) == (name, cylinder.casefold()) for one in found):
            raise file.refused("stands there twice", place)
        unit = unit or said.units.get(name, "")
        found.append(_Column(name, cylinder, at, plain(title), _reader(name, unit, comma, place, file)))
    return found


def _reader(name: str, unit: str, comma: bool, place: str, file: Opened) -> Callable[[str], float]:
    """What makes a number of a cell: minutes, metres, bar or °C."""
    if name == "gas":
        return float  # never asked: a gas is no number
    units = _UNITS[name]
    wrong = f"use {' or '.join(f'{name} [{one}]' for one in units)}"
    if name == "time":
        if unit.casefold() not in ("", "s", "sec", "seconds", "min", "minutes", *_CLOCK_UNITS):
            raise file.refused(f"{shown(unit)} is not a unit of time here; {wrong}", place)
        return lambda cell: _time(cell, unit.casefold(), comma)
    if not unit:
        raise file.refused(f"has no unit; {wrong}", place)
    kind: Kind = {"depth": "depth", "temperature": "temperature"}.get(name, "pressure")  # type: ignore[assignment]
    try:
        zero, one = parse(f"0 {unit}", kind, "metric"), parse(f"1 {unit}", kind, "metric")
    except ValueError:
        raise file.refused(f"{shown(unit)} is not a unit of {name}; {wrong}", place) from None
    assert isinstance(zero, float)
    assert isinstance(one, float)
    factor, offset = one - zero, zero
    return lambda cell: _plain_number(cell, comma) * factor + offset


def _plain_number(cell: str, comma: bool) -> float:
    text = cell.replace(",", ".") if comma and cell.count(",") == 1 and "." not in cell else cell
    if _NUMBER.match(text) is None or not math.isfinite(number := float(text)):
        raise ValueError
    return number


def _time(cell: str, unit: str, comma: bool) -> float:
    """Seconds of run time."""
    if match := _CLOCK.match(cell.replace(",", ".") if comma else cell):
        hours, minutes, seconds = int(match[1] or 0), int(match[2]), float(match[3])
        if seconds >= 60.0 or (match[1] and minutes >= 60) or (not match[1] and not unit):
            raise ValueError
        return 3600.0 * hours + 60.0 * minutes + seconds
    if unit in ("", *_CLOCK_UNITS):
        raise ValueError
    number = _plain_number(cell, comma)
    return 60.0 * number if unit.startswith("m") else number


def _dive(
    names: Sequence[_Column],
    table: Sequence[tuple[int, list[str]]],
    cylinders: list[CylinderCarried],
    began: datetime | None,
    about: dict[str, Any],
    notes: str,
) -> Dived:
    if began is None:
        raise Broken("does not say when it began; write a line # began: 2026-05-31 10:20 before the table")
    _check_blanks(table, names)
    _check_commas(table, names)
    gas = next((column for column in names if column.name == "gas"), None)
    if not cylinders and gas is not None:
        labels = dict.fromkeys(cells[gas.at] for _, cells in table if cells[gas.at])
        cylinders = [CylinderCarried(label, _mix(label)) for label in labels]
    if not cylinders:
        raise Broken(
            "has no gas: write a line such as # cylinder: twins, 18/45, or a column gas; it is never taken for air"
        )
    samples, changes = _run(names, table, cylinders)
    return checked(
        Dived(
            began=began,
            profile=profile_of(samples, len(cylinders)),
            cylinders=tuple(cylinders),
            breathed=breathed_of(changes, samples[-1].time_s),
            title=about.get("title", ""),
            diver=about.get("diver", ""),
            altitude_m=about.get("altitude", 0.0),
            water=about.get("water", "en13319"),
            notes=notes,
        )
    )


def _cells(rows: Iterable[tuple[int, list[str]]], width: int) -> Iterator[tuple[int, list[str]]]:
    """Rows as wide as the header, with their line numbers."""
    for count, (line, row) in enumerate(rows, 1):
        if count > 2 * MOST_SAMPLES:
            raise Broken(f"has over {2 * MOST_SAMPLES} lines; a dive has at most {MOST_SAMPLES} samples")
        cells = [cell.strip() for cell in row] + [""] * (width - len(row))
        if any(cells[width:]):
            said = f"has {len(cells)} cells in line {line}, and the header {width}"
            raise Broken(f"{said}; with decimal commas, part the columns by semicolons")
        yield line, cells


def _check_blanks(table: Sequence[tuple[int, list[str]]], names: Sequence[_Column]) -> None:
    """A blank means "as before" only where a column is filled at changes alone; elsewhere it could mean anything."""
    for column in names:
        if column.name not in ("gas", "setpoint"):
            continue
        cells = [cells[column.at] for _, cells in table]
        filled = any(one and one == later for one, later in pairwise(cells))
        blank = next((line for line, cells in table if not cells[column.at]), None)
        if filled and blank is not None:
            off = f", {OPEN} for off the loop" if column.name == "setpoint" else ""
            raise Broken(f"has no {column.name} in line {blank}: fill every line{off}, or only those where it changes")
        if column.name == "setpoint" and any(cells) and not cells[0]:
            raise Broken(f"has no setpoint in line {table[0][0]}, its first; write one, or {OPEN} for off the loop")


def _check_commas(table: Sequence[tuple[int, list[str]]], names: Sequence[_Column]) -> None:
    numbers = [column.at for column in names if column.name != "gas"]
    commas = next((line for line, cells in table if any("," in cells[at] for at in numbers)), None)
    points = next((line for line, cells in table if any("." in cells[at] for at in numbers)), None)
    if commas is not None and points is not None:
        raise Broken(
            f"has numbers with a comma (line {commas}) and with a point (line {points}); write one or the other"
        )


def _mix(label: str) -> Mix:
    try:
        return Mix.parse(label)
    except ValueError as error:
        raise Broken(f"breathes {error}") from None


def _run(
    names: Sequence[_Column], table: Sequence[tuple[int, list[str]]], cylinders: Sequence[CylinderCarried]
) -> tuple[list[Sample], list[RecordedChange]]:
    """Samples and changes. A line without a depth is a change alone."""
    of = {id(column): _which(column.cylinder, cylinders) for column in names if column.name == "pressure"}
    samples: list[Sample] = []
    changes: list[RecordedChange] = []
    cylinder: int | None = 0 if len(cylinders) == 1 else None
    setpoint: float | None = None
    before_s = 0.0
    for line, cells in table:
        read: dict[str, float] = {}
        pressures: dict[int, float] = {}
        changed = False
        for column in names:
            cell = cells[column.at]
            if not cell:
                continue
            if column.name == "gas":
                cylinder, changed = _which(cell, cylinders), True
            elif column.name == "setpoint":
                setpoint, changed = _setpoint(cell, column, line), True
            elif column.name == "pressure":
                pressures[of[id(column)]] = _number(cell, column, line)
            else:
                read[column.name] = _number(cell, column, line)
        if "time" not in read:
            raise Broken(f"has no time in line {line}")
        time_s = read["time"]
        if time_s < before_s:
            raise Broken(f"goes back in time at line {line} ({time_s:g} s after {before_s:g} s)")
        before_s = time_s
        if "depth" in read:
            samples.append(Sample(time_s, read["depth"], read.get("ppo2"), read.get("temperature"), pressures))
        elif not changed or len(read) > 1 or pressures:
            raise Broken(f"has no depth in line {line}")
        if cylinder is not None:
            changes.append(RecordedChange(time_s, cylinder, setpoint))
    if not samples:
        raise Broken("has no samples; a dive is its times and depths")
    if not changes:
        raise Broken("does not say which of its cylinders was breathed; a column gas says it")
    return samples, changes


def _number(cell: str, column: _Column, line: int) -> float:
    try:
        return column.reads(cell)
    except (ValueError, OverflowError):
        raise Broken(
            f"has {shown(cell)} in line {line}, column {shown(column.title)}, which is no {column.name}"
        ) from None


def _setpoint(cell: str, column: _Column, line: int) -> float | None:
    return None if cell.casefold() == OPEN else _number(cell, column, line) or None


def _which(text: str, cylinders: Sequence[CylinderCarried]) -> int:
    """The cylinder that is meant: "cylinder 2", a name, or a gas that only one has. "" where only one is carried."""
    if not text and len(cylinders) == 1:
        return 0
    numbered = [i for i in range(len(cylinders)) if text.casefold() == f"cylinder {i + 1}"]
    named = [i for i, one in enumerate(cylinders) if one.name.casefold() == plain(text).casefold()]
    try:
        mix = Mix.parse(text)
        filled = [i for i, one in enumerate(cylinders) if one.mix == mix]
    except ValueError:
        filled = []
    found = numbered or named or filled
    if len(found) == 1:
        return found[0]
    known = ", ".join(one.name for one in cylinders[:8])
    which = "is none" if not found else "is not the only one"
    raise Broken(f"has a cylinder or gas {shown(text)}, which {which} of those carried: {known}")


def csv_of(dived: Dived) -> bytes:
    """A dive as CSV, in UTF-8. The same dive gives the same bytes. Its plan is left out."""
    cylinders = [_as_read(cylinder) for cylinder in dived.cylinders]
    text = io.StringIO(newline="")
    for line in _before(dived, cylinders):
        text.write(line.rstrip() + "\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows(_rows(dived, cylinders))
    return text.getvalue().encode()


def _as_read(cylinder: CylinderCarried) -> CylinderCarried:
    """A cylinder as it can be read again: its gas to a hundredth of a percent."""
    mix = cylinder.mix
    o2, he = (f"{round(100.0 * part, 2):g}" for part in (mix.o2, mix.he))
    for label in (mix.label, f"{o2}/{he}" if mix.he else o2):
        try:
            read_again = Mix.parse(label)
        except ValueError:
            continue
        if abs(read_again.o2 - mix.o2) <= 5.1e-5 and abs(read_again.he - mix.he) <= 5.1e-5:
            mix = read_again
            break
    return CylinderCarried(plain(cylinder.name) or mix.name, mix, cylinder.size_l, cylinder.start_bar, cylinder.end_bar)


def _before(dived: Dived, cylinders: Sequence[CylinderCarried]) -> Iterator[str]:
    yield f"# began: {dived.began.isoformat(' ')}"
    for key, value in (("diver", dived.diver), ("title", dived.title)):
        if plain(value):
            yield f"# {key}: {plain(value)}"
    yield f"# water: {dived.water if isinstance(dived.water, str) else f'{dived.water!r} kg/m³'}"
    yield f"# altitude: {decimal(dived.altitude_m, 3)} m"
    for one in cylinders:
        parts = [one.name, one.mix.label, _with_unit(one.size_l, 6, "L")]
        parts += [_with_unit(bar, 5, "bar") for bar in (one.start_bar, one.end_bar)]
        yield f"# cylinder: {', '.join(map(_quoted, parts))}"
    if dived.notes:
        yield from (f"# notes: {line}" for line in lines_of(dived.notes))


def _rows(dived: Dived, cylinders: Sequence[CylinderCarried]) -> Iterator[list[str]]:
    profile = dived.profile
    breathed = told(dived.breathed, dived.run_time_min)
    loop = any(one.setpoint_bar is not None for one in breathed)
    columns: list[tuple[str, Sequence[float | None], int]] = []
    for title, column, decimals in (
        ("ppo2 [bar]", profile.ppo2_bar, 5),
        ("temperature [°C]", profile.temperature_c, 3),
    ):
        if column:
            columns.append((title, column, decimals))
    for i, column in enumerate(profile.pressure_bar):
        if column:
            columns.append((f"pressure {_called(i, cylinders, cylinders[i].name)} [bar]", column, 5))
    yield ["time [s]", "depth [m]", *(title for title, _, _ in columns), "gas", *(["setpoint [bar]"] if loop else [])]

    changes = dict(_changes(breathed, cylinders, loop))
    rows: list[tuple[float, str, int | None]]
    rows = [(minute, seconds(minute), i) for i, minute in enumerate(profile.run_time_min)]
    sampled = {at for _, at, _ in rows}
    alone = [(one.run_time_min, seconds(one.run_time_min), None) for one in breathed]
    for _, at, row in sorted([*rows, *(one for one in alone if one[1] not in sampled)], key=lambda one: one[0]):
        depth = "" if row is None else decimal(profile.depth_m[row], 3)
        readings = ["" if row is None else _or_blank(column[row], decimals) for _, column, decimals in columns]
        yield [at, depth, *readings, *changes.pop(at, [""] * (1 + loop))]


def _changes(
    breathed: Sequence[GasBreathed], cylinders: Sequence[CylinderCarried], loop: bool
) -> Iterator[tuple[str, list[str]]]:
    """The last cells of the lines where gas or setpoint changes, by the line's time."""
    for before, now in zip((None, *breathed), breathed, strict=False):
        same = before is not None and before.cylinder == now.cylinder
        gas = "" if same else _called(now.cylinder, cylinders, cylinders[now.cylinder].mix.label)
        held = before is not None and before.setpoint_bar == now.setpoint_bar
        setpoint = "" if held else OPEN if now.setpoint_bar is None else decimal(now.setpoint_bar, 5)
        yield seconds(now.run_time_min), [gas, setpoint] if loop else [gas]


def _called(i: int, cylinders: Sequence[CylinderCarried], wish: str) -> str:
    """A cylinder so that it is found again: as wished, else its name, else its number."""
    for text in (wish, cylinders[i].name):
        try:
            if text[0] not in "=+-@" and _which(text, cylinders) == i:  # what a spreadsheet would work out
                return text
        except Broken:
            continue
    return f"cylinder {i + 1}"


def _quoted(part: str) -> str:
    return '"' + part.replace('"', '""') + '"' if "," in part or '"' in part else part


def _or_blank(number: float | None, decimals: int) -> str:
    return "" if number is None else decimal(number, decimals)


def _with_unit(number: float | None, decimals: int, unit: str) -> str:
    return "" if number is None else f"{decimal(number, decimals)} {unit}"
