"""The tables of the dive log. Everything is metric; a time of day is the clock of the place.

A change here needs a revision in `migrations/versions` and a new HEAD.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    DateTime,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
)

HEAD = "0001"
"""The revision of these tables."""

metadata = MetaData(
    naming_convention={
        "ck": "%(table_name)s_%(constraint_name)s",
        "fk": "%(table_name)s_to_%(referred_table_name)s",
        "ix": "%(table_name)s_by_%(column_0_N_name)s",
        "pk": "%(table_name)s_key",
        "uq": "%(table_name)s_%(column_0_N_name)s_once",
    }
)


def _between(name: str, low: float, high: float) -> CheckConstraint:
    return CheckConstraint(f"{name} BETWEEN {low:g} AND {high:g}", name=name)


def _over_0(name: str, high: float) -> CheckConstraint:
    return CheckConstraint(f"{name} > 0 AND {name} <= {high:g}", name=name)


diver = Table(
    "diver",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, CheckConstraint("name <> ''", name="named"), nullable=False, unique=True),
)

plan = Table(
    "plan",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("file", Text, nullable=False),
    Column("text", Text, nullable=False),
)

dive = Table(
    "dive",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("began", DateTime, nullable=False, index=True),
    Column("title", Text, nullable=False),
    Column("notes", Text, nullable=False),
    Column("diver_id", ForeignKey("diver.id")),
    Column("plan_id", ForeignKey("plan.id")),
    Column("altitude_m", Double, _between("altitude_m", -430, 6000), nullable=False),
    Column("water", Text, CheckConstraint("water IN ('en13319', 'sea', 'fresh')", name="water")),
    Column("water_kg_m3", Double, _between("water_kg_m3", 900, 1300)),
    # Of the samples, so that a list of dives need not read them:
    Column("run_time_min", Double, _over_0("run_time_min", 1440), nullable=False),
    Column("deepest_m", Double, _over_0("deepest_m", 350), nullable=False),
    # What was recorded at all, if only as gaps:
    Column("ppo2_recorded", Boolean, nullable=False),
    Column("temperature_recorded", Boolean, nullable=False),
    Column("pressures_recorded", Boolean, nullable=False),
    CheckConstraint("(water IS NULL) <> (water_kg_m3 IS NULL)", name="one_water"),
    Index(None, "diver_id", "began"),
    sqlite_autoincrement=True,  # the number of a dive that was removed is never given again
)


def _of_dive() -> Column[int]:
    return Column("dive_number", ForeignKey("dive.number", ondelete="CASCADE"), primary_key=True)


def _place(name: str = "place") -> Column[int]:
    """Which of a dive's, from 0."""
    return Column(name, Integer, primary_key=True, autoincrement=False)


cylinder = Table(
    "cylinder",
    metadata,
    _of_dive(),
    _place(),
    Column("name", Text, nullable=False),
    Column("o2", Double, CheckConstraint("o2 > 0 AND o2 <= 1", name="o2"), nullable=False),
    Column("he", Double, CheckConstraint("he >= 0 AND he < 1", name="he"), nullable=False),
    Column("label", Text, nullable=False),
    Column("size_l", Double, _between("size_l", 0.1, 300)),
    Column("start_bar", Double, _between("start_bar", 0, 500)),
    Column("end_bar", Double, _between("end_bar", 0, 500)),
    Column("pressure_recorded", Boolean, nullable=False),
)

breathed = Table(
    "breathed",
    metadata,
    _of_dive(),
    _place(),
    Column("run_time_min", Double, CheckConstraint("run_time_min >= 0", name="run_time_min"), nullable=False),
    Column("cylinder", Integer, nullable=False),
    Column("setpoint_bar", Double, _between("setpoint_bar", 0.1, 2)),
    ForeignKeyConstraint(["dive_number", "cylinder"], ["cylinder.dive_number", "cylinder.place"], ondelete="CASCADE"),
)

sample = Table(
    "sample",
    metadata,
    _of_dive(),
    _place(),
    Column("run_time_min", Double, _between("run_time_min", 0, 1440), nullable=False),
    Column("depth_m", Double, _between("depth_m", 0, 350), nullable=False),
    Column("ppo2_bar", Double, _between("ppo2_bar", 0, 5)),
    Column("temperature_c", Double, _between("temperature_c", -5, 60)),
    sqlite_with_rowid=False,
)

pressure = Table(
    "pressure",
    metadata,
    Column("dive_number", Integer, primary_key=True, autoincrement=False),
    _place("sample"),
    _place("cylinder"),
    Column("bar", Double, _between("bar", 0, 500), nullable=False),
    ForeignKeyConstraint(["dive_number", "cylinder"], ["cylinder.dive_number", "cylinder.place"], ondelete="CASCADE"),
    ForeignKeyConstraint(["dive_number", "sample"], ["sample.dive_number", "sample.place"], ondelete="CASCADE"),
    sqlite_with_rowid=False,
)
