"""The dive log: dives as dived, with their plans, kept in a database."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sql
from sqlalchemy import Connection, RowMapping

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.logbook.database import tables as t
from leadline.logbook.database.where import WRITING, LogError, chosen, in_words, name_of, opened
from leadline.logbook.dived import LONGEST_MIN, Column, CylinderCarried, Dived, GasBreathed, KeptPlan, Profile, problems
from leadline.physics.mix import Mix

SAME_START = timedelta(minutes=2)
SAME_DEPTH_M = 0.5
SAME_RUN_TIME_MIN = 1.0
"""Two recordings as near as this to each other are of one dive."""
SLACK = 1e-9
MOST_NUMBERS = 2**63 - 1
"""A database counts no further."""
Row = dict[str, Any]


class BrokenDive(DiveFileError):
    """A dive that cannot be true is not kept."""


class Duplicate(LogError):
    """The dive is in the log already."""

    def __init__(self, source: str, entry: Entry) -> None:
        """`entry` is the one that is there."""
        self.number = entry.number
        super().__init__(
            source, f"is in the log already, as dive {entry.number} ({which(entry.began, entry.title, entry.diver)})"
        )


class NoSuchDive(LogError):
    """The log has no dive of that number."""


@dataclass(frozen=True)
class Entry:
    """What a list of dives says of one."""

    number: int
    began: datetime
    title: str
    diver: str
    deepest_m: float
    run_time_min: float
    has_plan: bool

    @property
    def ends(self) -> datetime:
        """When it was over, on the clock of the place."""
        return self.began + timedelta(minutes=self.run_time_min)


@dataclass(frozen=True)
class Logged:
    """A dive of the log."""

    number: int
    dived: Dived


class Logbook:
    """A dive log. Numbers count from 1 in the order added, and none is given twice.

    What the database refuses is a LogError. A file on disk may be used by several processes and threads at once.
    """

    def __init__(self, url: str) -> None:
        """Open the log of a database URL; a new one is made, an older one brought up to date. LogError if it cannot."""
        self._engine = opened(url)

    @classmethod
    def open(cls, url: str | None = None) -> Self:
        """The log of a URL, or of the environment's LEADLINE_DATABASE, or the user's own. LogError if it cannot be."""
        return cls(chosen(url))

    @property
    def name(self) -> str:
        """Where it is: a file, or a URL without its password."""
        return name_of(self._engine)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        """It is open already."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Close it."""
        self.close()

    # --- Reading

    def entries(self, diver: str | None = None) -> tuple[Entry, ...]:
        """Every dive, or those of one diver ("": of no name), by when they began. Capitals do not matter."""
        with self._reading() as connection:
            found = tuple(_entries(connection))
        return found if diver is None else tuple(one for one in found if one.diver.casefold() == diver.casefold())

    def divers(self) -> tuple[str, ...]:
        """The names of all who have dives in the log, in order."""
        with self._reading() as connection:
            return tuple(connection.scalars(sql.select(t.diver.c.name).order_by(t.diver.c.name)))

    def dive(self, number: int) -> Logged:
        """A dive, to the last sample. NoSuchDive if there is none of that number."""
        with self._reading() as connection:
            self._there(connection, number)
            return Logged(number, _read(connection, number))

    def before(self, number: int, days: float = 5.0) -> tuple[Logged, ...]:
        """The dives of the same diver that ended within some days before a dive began, in the order dived.

        A dive that names no diver may be anyone's and counts for everyone. NoSuchDive; LogError where one of them had
        not ended, or where nobody can say whose they are.
        """
        with self._reading() as connection:
            entry = self._there(connection, number)
            return self._before(connection, entry, days)

    def after(self, number: int, minutes: float) -> tuple[Entry, ...]:
        """The dives of the same diver, or of nobody, that began within minutes of the end of a dive. NoSuchDive."""
        with self._reading() as connection:
            of = self._there(connection, number)
            began = t.dive.c.began
            near = (began > of.began, began < of.ends + timedelta(minutes=minutes))
            found = tuple(_entries(connection, *near))
        own = of.diver.casefold()
        return tuple(entry for entry in found if not own or entry.diver.casefold() in (own, ""))

    def _before(self, connection: Connection, of: Entry, days: float) -> tuple[Logged, ...]:
        since = of.began - timedelta(days=days)
        began_ = t.dive.c.began
        near = (began_ >= since - timedelta(minutes=LONGEST_MIN), began_ < of.began)
        earlier = [entry for entry in _entries(connection, *near) if entry.ends >= since]
        names = {entry.diver.casefold(): entry.diver for entry in earlier if entry.diver}
        if not of.diver and len(names) > 1:
            said = f"names no diver, and {' and '.join(names.values())} have dived before it; say whose it is"
            raise LogError(f"dive {of.number}", f"{said}: leadline log diver {of.number} NAME")
        own = of.diver.casefold()
        found = [entry for entry in earlier if not own or entry.diver.casefold() in (own, "")]
        for entry in found:
            if entry.ends > of.began:
                said = f"lasts until {entry.ends:%Y-%m-%d %H:%M}, and dive {of.number} begins at {of.began:%H:%M}"
                whose = f"{of.diver} cannot be on both" if of.diver else "one diver cannot be on both"
                remedy = f"say whose it is (leadline log diver {entry.number} NAME), or remove one of them"
                raise LogError(f"dive {entry.number}", f"{said}; {whose}: {remedy}")
        return tuple(Logged(entry.number, _read(connection, entry.number)) for entry in found)

    # --- Writing

    def add(self, dived: Dived) -> int:
        """Keep a dive, whole or not at all, and give its number.

        BrokenDive where it cannot be true. Duplicate where it is there already: of the same diver, or one of them of no
        name, and as near in time, depth and run time as two recordings of one dive are.
        """
        wrong = problems(dived)
        source = printable(dived.title) or "dive"
        if wrong:
            raise BrokenDive(source, [Problem("", said) for said in wrong])
        with self._writing() as connection:
            if same := _same(connection, dived):
                raise Duplicate(source, same)
            return _write(connection, dived)

    def keep_plan(self, number: int, plan: KeptPlan) -> None:
        """Keep the dive file that a dive was dived by, in place of another. NoSuchDive if there is none."""
        with self._writing() as connection:
            self._there(connection, number)
            here = t.dive.c.number == number
            connection.execute(sql.update(t.dive).where(here).values(plan_id=_plan_id(connection, plan)))
            _tidy(connection)

    def name_diver(self, number: int, diver: str) -> None:
        """Say whose a dive was. NoSuchDive if there is none of that number."""
        with self._writing() as connection:
            self._there(connection, number)
            here = t.dive.c.number == number
            connection.execute(sql.update(t.dive).where(here).values(diver_id=_diver_id(connection, diver)))
            _tidy(connection)

    def remove(self, number: int) -> None:
        """Take a dive out of the log, for good. NoSuchDive if there is none of that number."""
        with self._writing() as connection:
            self._there(connection, number)
            connection.execute(sql.delete(t.dive).where(t.dive.c.number == number))
            _tidy(connection)

    # --- The database

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """One state of the log, whoever writes meanwhile."""
        with in_words(self._engine), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """A transaction."""
        with in_words(self._engine), self._engine.execution_options(**WRITING).begin() as connection:
            yield connection

    def _there(self, connection: Connection, number: int) -> Entry:
        found = list(_entries(connection, t.dive.c.number == number)) if abs(number) <= MOST_NUMBERS else []
        if not found:
            numbers = connection.scalars(sql.select(t.dive.c.number).order_by(t.dive.c.number)).all()
            said = f"it has {spans(numbers)}" if numbers else "it has none yet"
            raise NoSuchDive(self.name, f"there is no dive {number} in the log; {said}")
        return found[0]


def spans(numbers: Sequence[int]) -> str:
    """Numbers in order, those in a row as one: "1 to 3, 5, 7 to 9"."""
    rows: list[list[int]] = []
    for number in numbers:
        if rows and number == rows[-1][-1] + 1:
            rows[-1] = [rows[-1][0], number]
        else:
            rows.append([number])
    return ", ".join(f"{row[0]} to {row[-1]}" if len(row) > 1 else f"{row[0]}" for row in rows)


def printable(text: str) -> str:
    """Text as one line, without signs that would move a terminal's cursor or change its colours."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def which(began: datetime, title: str, diver: str) -> str:
    """A dive as a message names it: "2026-05-31 10:20, Marigold, Ann"."""
    return printable(", ".join(part for part in (f"{began:%Y-%m-%d %H:%M}", title, diver) if part))


def _entries(connection: Connection, *where: sql.ColumnElement[bool]) -> Iterator[Entry]:
    dive = t.dive.c
    rows = connection.execute(
        sql.select(dive.number, dive.began, dive.title, t.diver.c.name, dive.deepest_m, dive.run_time_min, dive.plan_id)
        .select_from(t.dive.outerjoin(t.diver))
        .where(*where)
        .order_by(dive.began, dive.number)
    )
    for number, began, title, diver, deepest_m, run_time_min, plan_id in rows:
        yield Entry(number, began, title, diver or "", deepest_m, run_time_min, plan_id is not None)


def _same(connection: Connection, dived: Dived) -> Entry | None:
    dive = t.dive.c
    near = (
        dive.began.between(dived.began - SAME_START, dived.began + SAME_START),
        sql.func.abs(dive.deepest_m - dived.deepest_m) <= SAME_DEPTH_M + SLACK,
        sql.func.abs(dive.run_time_min - dived.run_time_min) <= SAME_RUN_TIME_MIN + SLACK,
    )
    alike = {dived.diver.casefold(), ""}
    either = not dived.diver
    return next((one for one in _entries(connection, *near) if either or one.diver.casefold() in alike), None)


# --- Rows -------------------------------------------------------------------------------------------------------------


def _write(connection: Connection, dived: Dived) -> int:
    profile, named_water = dived.profile, isinstance(dived.water, str)
    written = connection.execute(
        sql.insert(t.dive).values(
            began=dived.began,
            title=dived.title,
            notes=dived.notes,
            diver_id=_diver_id(connection, dived.diver),
            plan_id=_plan_id(connection, dived.plan) if dived.plan is not None else None,
            altitude_m=dived.altitude_m,
            water=dived.water if named_water else None,
            water_kg_m3=None if named_water else dived.water,
            run_time_min=dived.run_time_min,
            deepest_m=dived.deepest_m,
            ppo2_recorded=bool(profile.ppo2_bar),
            temperature_recorded=bool(profile.temperature_c),
            pressures_recorded=bool(profile.pressure_bar),
        )
    )
    key = written.inserted_primary_key
    assert key is not None
    number = int(key[0])
    pressures = profile.pressure_bar or ((),) * len(dived.cylinders)
    rows: Mapping[sql.Table, list[Row]] = {
        t.cylinder: [
            {
                "name": one.name,
                "o2": one.mix.o2,
                "he": one.mix.he,
                "label": one.mix.label,
                "size_l": one.size_l,
                "start_bar": one.start_bar,
                "end_bar": one.end_bar,
                "pressure_recorded": bool(column),
            }
            for one, column in zip(dived.cylinders, pressures, strict=True)
        ],
        t.breathed: [
            {"run_time_min": one.run_time_min, "cylinder": one.cylinder, "setpoint_bar": one.setpoint_bar}
            for one in dived.breathed
        ],
        t.sample: [
            {"run_time_min": at, "depth_m": depth_m, "ppo2_bar": ppo2_bar, "temperature_c": celsius}
            for at, depth_m, ppo2_bar, celsius in zip(
                profile.run_time_min,
                profile.depth_m,
                _filled(profile.ppo2_bar, profile),
                _filled(profile.temperature_c, profile),
                strict=True,
            )
        ],
    }
    for table, found in rows.items():
        connection.execute(
            sql.insert(table), [{"dive_number": number, "place": i, **row} for i, row in enumerate(found)]
        )
    read = [
        {"dive_number": number, "sample": i, "cylinder": place, "bar": bar}
        for i in range(len(profile.run_time_min))
        for place, column in enumerate(pressures)
        if column and (bar := column[i]) is not None
    ]
    if read:
        connection.execute(sql.insert(t.pressure), read)
    return number


def _filled(column: Column, profile: Profile) -> Column:
    return column or (None,) * len(profile.run_time_min)


def _diver_id(connection: Connection, name: str) -> int | None:
    return _id(connection, t.diver, name=name) if name else None


def _plan_id(connection: Connection, plan: KeptPlan) -> int:
    """A plan is kept once, for all the dives of a team."""
    return _id(connection, t.plan, file=plan.file, text=plan.text)


def _id(connection: Connection, table: sql.Table, **values: str) -> int:
    """Of the row with these values, which is written where there is none."""
    found = connection.scalar(sql.select(table.c.id).filter_by(**values))
    if found is not None:
        return int(found)
    key = connection.execute(sql.insert(table).values(**values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _tidy(connection: Connection) -> None:
    """Let go of divers and plans that no dive has any more."""
    for table, used in ((t.plan, t.dive.c.plan_id), (t.diver, t.dive.c.diver_id)):
        connection.execute(sql.delete(table).where(~sql.exists().where(used == table.c.id)))


def _read(connection: Connection, number: int) -> Dived:
    head = (
        connection.execute(
            sql.select(
                t.dive,
                t.diver.c.name.label("diver"),
                t.plan.c.file.label("plan_file"),
                t.plan.c.text.label("plan_text"),
            )
            .select_from(t.dive.outerjoin(t.diver).outerjoin(t.plan))
            .where(t.dive.c.number == number)
        )
        .mappings()
        .one()
    )
    cylinders, breathed, samples = (
        connection.execute(sql.select(table).where(table.c.dive_number == number).order_by(table.c.place)).all()
        for table in (t.cylinder, t.breathed, t.sample)
    )
    return Dived(
        began=head["began"],
        profile=Profile(
            run_time_min=tuple(row.run_time_min for row in samples),
            depth_m=tuple(row.depth_m for row in samples),
            ppo2_bar=tuple(row.ppo2_bar for row in samples) if head["ppo2_recorded"] else (),
            temperature_c=tuple(row.temperature_c for row in samples) if head["temperature_recorded"] else (),
            pressure_bar=_pressures(connection, number, [row.pressure_recorded for row in cylinders], len(samples))
            if head["pressures_recorded"]
            else (),
        ),
        cylinders=tuple(
            CylinderCarried(row.name, Mix(row.o2, row.he, row.label), row.size_l, row.start_bar, row.end_bar)
            for row in cylinders
        ),
        breathed=tuple(GasBreathed(row.run_time_min, row.cylinder, row.setpoint_bar) for row in breathed),
        title=head["title"],
        diver=head["diver"] or "",
        altitude_m=head["altitude_m"],
        water=head["water"] if head["water"] is not None else head["water_kg_m3"],
        notes=head["notes"],
        plan=_plan(head),
    )


def _plan(head: RowMapping) -> KeptPlan | None:
    return KeptPlan(head["plan_file"], head["plan_text"]) if head["plan_id"] is not None else None


def _pressures(connection: Connection, number: int, recorded: Sequence[bool], samples: int) -> tuple[Column, ...]:
    """A column for each cylinder carried. [bar]"""
    columns: list[list[float | None]] = [[None] * samples if one else [] for one in recorded]
    pressure = t.pressure.c
    rows = connection.execute(
        sql.select(pressure.cylinder, pressure.sample, pressure.bar).where(pressure.dive_number == number)
    )
    for cylinder, sample, bar in rows:
        columns[cylinder][sample] = bar
    return tuple(map(tuple, columns))
