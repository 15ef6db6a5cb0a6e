"""Divers, plans, and dives with their cylinders, changes of gas, samples and pressures."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """To this revision."""
    op.create_table(
        "diver",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), _check("diver", "named", "name <> ''"), nullable=False),
        sa.PrimaryKeyConstraint("id", name="diver_key"),
        sa.UniqueConstraint("name", name="diver_name_once"),
    )
    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="plan_key"),
    )
    op.create_table(
        "dive",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("began", sa.DateTime(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("diver_id", sa.Integer()),
        sa.Column("plan_id", sa.Integer()),
        sa.Column("altitude_m", sa.Double(), _between("dive", "altitude_m", "-430", "6000"), nullable=False),
        sa.Column("water", sa.Text(), _check("dive", "water", "water IN ('en13319', 'sea', 'fresh')")),
        sa.Column("water_kg_m3", sa.Double(), _between("dive", "water_kg_m3", "900", "1300")),
        sa.Column("run_time_min", sa.Double(), _over_0("dive", "run_time_min", "1440"), nullable=False),
        sa.Column("deepest_m", sa.Double(), _over_0("dive", "deepest_m", "350"), nullable=False),
        sa.Column("ppo2_recorded", sa.Boolean(), nullable=False),
        sa.Column("temperature_recorded", sa.Boolean(), nullable=False),
        sa.Column("pressures_recorded", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="dive_key"),
        _check("dive", "one_water", "(water IS NULL) <> (water_kg_m3 IS NULL)"),
        sa.ForeignKeyConstraint(["diver_id"], ["diver.id"], name="dive_to_diver"),
        sa.ForeignKeyConstraint(["plan_id"], ["plan.id"], name="dive_to_plan"),
        sqlite_autoincrement=True,
    )
    op.create_index("dive_by_began", "dive", ["began"])
    op.create_index("dive_by_diver_id_began", "dive", ["diver_id", "began"])
    op.create_table(
        "cylinder",
        sa.Column("dive_number", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("o2", sa.Double(), _check("cylinder", "o2", "o2 > 0 AND o2 <= 1"), nullable=False),
        sa.Column("he", sa.Double(), _check("cylinder", "he", "he >= 0 AND he < 1"), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("size_l", sa.Double(), _between("cylinder", "size_l", "0.1", "300")),
        sa.Column("start_bar", sa.Double(), _between("cylinder", "start_bar", "0", "500")),
        sa.Column("end_bar", sa.Double(), _between("cylinder", "end_bar", "0", "500")),
        sa.Column("pressure_recorded", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("dive_number", "place", name="cylinder_key"),
        _of("dive", "cylinder"),
    )
    op.create_table(
        "breathed",
        sa.Column("dive_number", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("run_time_min", sa.Double(), _check("breathed", "run_time_min", "run_time_min >= 0"), nullable=False),
        sa.Column("cylinder", sa.Integer(), nullable=False),
        sa.Column("setpoint_bar", sa.Double(), _between("breathed", "setpoint_bar", "0.1", "2")),
        sa.PrimaryKeyConstraint("dive_number", "place", name="breathed_key"),
        _of("dive", "breathed"),
        _of("cylinder", "breathed"),
    )
    op.create_table(
        "sample",
        sa.Column("dive_number", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("run_time_min", sa.Double(), _between("sample", "run_time_min", "0", "1440"), nullable=False),
        sa.Column("depth_m", sa.Double(), _between("sample", "depth_m", "0", "350"), nullable=False),
        sa.Column("ppo2_bar", sa.Double(), _between("sample", "ppo2_bar", "0", "5")),
        sa.Column("temperature_c", sa.Double(), _between("sample", "temperature_c", "-5", "60")),
        sa.PrimaryKeyConstraint("dive_number", "place", name="sample_key"),
        _of("dive", "sample"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "pressure",
        sa.Column("dive_number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("sample", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("cylinder", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("bar", sa.Double(), _between("pressure", "bar", "0", "500"), nullable=False),
        sa.PrimaryKeyConstraint("dive_number", "sample", "cylinder", name="pressure_key"),
        _of("cylinder", "pressure"),
        _of("sample", "pressure"),
        sqlite_with_rowid=False,
    )


def _check(table: str, name: str, holds: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(holds, name=op.f(f"{table}_{name}"))


def _between(table: str, column: str, low: str, high: str) -> sa.CheckConstraint:
    return _check(table, column, f"{column} BETWEEN {low} AND {high}")


def _over_0(table: str, column: str, high: str) -> sa.CheckConstraint:
    return _check(table, column, f"{column} > 0 AND {column} <= {high}")


def _of(parent: str, table: str) -> sa.ForeignKeyConstraint:
    """The rows of a table go with the dive, or with the cylinder or sample of it, that they belong to."""
    here = ["dive_number"] if parent == "dive" else ["dive_number", "sample" if parent == "sample" else "cylinder"]
    there = ["dive.number"] if parent == "dive" else [f"{parent}.dive_number", f"{parent}.place"]
    return sa.ForeignKeyConstraint(here, there, name=f"{table}_to_{parent}", ondelete="CASCADE")
