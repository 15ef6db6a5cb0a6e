"""The tables are made by the revisions alone, from every earlier version, whole or not at all."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from leadline.logbook.database import where
from leadline.logbook.database.store import Logbook
from leadline.logbook.database.tables import HEAD, metadata
from leadline.logbook.database.where import LogError, bring_up_to_date
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, Profile
from leadline.physics.mix import Mix
from tests.logbook.dives import marigold


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(where.MIGRATIONS))
    return ScriptDirectory.from_config(config)


REVISIONS = [script.revision for script in scripts().walk_revisions()][::-1]
"""Oldest first."""


def url(path: Path) -> str:
    return f"sqlite:///{path}"


def as_written(path: Path) -> dict[str, list[str]]:
    """The tables as SQLite has them, but for Alembic's own: the parts of each, in whatever order."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    ours = [(name, sql) for name, sql in rows if not name.startswith(("sqlite_", "alembic_"))]
    return {name: sorted(line.strip().rstrip(", ") for line in sql.splitlines()) for name, sql in ours}


def dives_of_0001(connection: sqlite3.Connection) -> dict[int, Dived]:
    """Dives written by hand as revision 0001 has them."""
    connection.executescript(
        """
        INSERT INTO diver VALUES (1, 'Ann');
        INSERT INTO plan VALUES (1, 'marigold.toml', 'units = "metric"
');
        INSERT INTO dive VALUES (1, '2026-05-31 10:20:00.000000', 'Marigold, bow to stern',
            'Visibility 12 m.
Current from the Gull Stack on the way up.', 1, 1, 0, 'sea', NULL, 38, 51, 0, 1, 1);
        INSERT INTO cylinder VALUES (1, 0, 'twins', 0.18, 0.45, '18/45', 24, 230, 110, 1);
        INSERT INTO cylinder VALUES (1, 1, 'deco', 0.5, 0, '50', 11.1, 200, 160, 1);
        INSERT INTO breathed VALUES (1, 0, 0, 0, NULL), (1, 1, 24, 1, NULL);
        INSERT INTO sample VALUES (1, 0, 0, 0, NULL, 14), (1, 1, 3, 51, NULL, NULL), (1, 2, 20, 51, NULL, 8),
            (1, 3, 24, 21, NULL, NULL), (1, 4, 27, 21, NULL, 9), (1, 5, 36, 6, NULL, NULL), (1, 6, 38, 0, NULL, 13.5);
        INSERT INTO pressure VALUES (1, 0, 0, 230), (1, 2, 0, 120), (1, 3, 0, 110), (1, 6, 0, 110),
            (1, 0, 1, 200), (1, 3, 1, 200), (1, 6, 1, 160);
        INSERT INTO dive VALUES (3, '2026-06-01 09:00:00.000000', '', '', NULL, NULL, 540.5, NULL, 1003.5, 30, 20.25,
            1, 0, 0);
        INSERT INTO cylinder VALUES (3, 0, 'diluent', 0.2098, 0, 'air', NULL, NULL, NULL, 0);
        INSERT INTO breathed VALUES (3, 0, 0, 0, 1.2);
        INSERT INTO sample VALUES (3, 0, 0, 0, 0.7, NULL), (3, 1, 29, 20.25, NULL, NULL), (3, 2, 30, 0, 1.1, NULL);
        """
    )
    loop = Dived(
        began=marigold().began.replace(month=6, day=1, hour=9, minute=0),
        profile=Profile((0.0, 29.0, 30.0), (0.0, 20.25, 0.0), (0.7, None, 1.1)),
        cylinders=(CylinderCarried("diluent", Mix.parse("air")),),
        breathed=(GasBreathed(0.0, 0, 1.2),),
        altitude_m=540.5,
        water=1003.5,
    )
    return {1: marigold(), 3: loop}


WRITTEN: dict[str, Callable[[sqlite3.Connection], dict[int, Dived]]] = {"0001": dives_of_0001}
"""What fills a database of each revision, and the dives that it then has. Every revision needs an entry."""


@pytest.mark.parametrize("revision", REVISIONS)
def test_dives_of_every_version_are_there_in_this_one(tmp_path: Path, revision: str):
    path = tmp_path / "log.db"
    bring_up_to_date(where._engine(url(path)), revision)
    with closing(sqlite3.connect(path)) as connection:
        dives = WRITTEN[revision](connection)
        connection.commit()
    with Logbook(url(path)) as log:
        assert {entry.number: log.dive(entry.number).dived for entry in log.entries()} == dives
        assert log.add(replace(marigold(), diver="Ben")) == max(dives) + 1  # and it can be written to
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]


def test_the_tables_in_the_code_are_those_of_the_last_revision(tmp_path: Path):
    migrated, made = tmp_path / "migrated.db", tmp_path / "made.db"
    Logbook(url(migrated)).close()
    engine = create_engine(url(made))
    metadata.create_all(engine)
    engine.dispose()
    assert as_written(migrated) == as_written(made)  # checks and options with them, which Alembic does not compare
    with create_engine(url(migrated)).connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    connection.engine.dispose()


def test_there_is_one_line_of_revisions_and_the_code_knows_its_end():
    assert scripts().get_heads() == [HEAD]
    assert list(WRITTEN) == REVISIONS


def test_a_log_of_a_newer_version_is_refused_and_untouched(tmp_path: Path):
    path = tmp_path / "log.db"
    with Logbook(url(path)) as log:
        log.add(marigold())
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    before = path.read_bytes()
    with pytest.raises(LogError, match=r"log\.db: is the log of a newer Leadline .* nothing was changed"):
        Logbook(url(path))
    assert path.read_bytes() == before


def test_a_revision_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The second half of it fails, as on a full disk."""
    path = tmp_path / "log.db"
    folder = tmp_path / "migrations"
    (folder / "versions").mkdir(parents=True)
    for file in ("env.py", "versions/v0001_dives.py"):
        (folder / file).write_bytes((where.MIGRATIONS / file).read_bytes())
    (folder / "versions" / "v0002.py").write_text(
        "from alembic import op\nrevision, down_revision = '0002', '0001'\n"
        "def upgrade():\n    op.execute('CREATE TABLE half (x INTEGER)')\n    op.execute('DELETE FROM dive')\n"
        "    op.execute('NOT SQL')\n"
    )
    with Logbook(url(path)) as log:
        log.add(marigold())
    monkeypatch.setattr(where, "MIGRATIONS", folder)
    monkeypatch.setattr(where, "HEAD", "0002")
    with pytest.raises(LogError, match="does not answer"):
        Logbook(url(path))
    monkeypatch.undo()
    assert "half" not in as_written(path)
    with Logbook(url(path)) as log:
        assert log.dive(1).dived == marigold()


def test_a_table_made_anew_keeps_what_points_at_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Alembic changes a table of SQLite by dropping it: samples must not go with their dives."""
    path, folder = tmp_path / "log.db", tmp_path / "migrations"
    (folder / "versions").mkdir(parents=True)
    for file in ("env.py", "versions/v0001_dives.py"):
        (folder / file).write_bytes((where.MIGRATIONS / file).read_bytes())
    (folder / "versions" / "v0002.py").write_text(
        "from alembic import op\nimport sqlalchemy as sa\nrevision, down_revision = '0002', '0001'\n"
        "def upgrade():\n    with op.batch_alter_table('dive', recreate='always') as dive:\n"
        "        dive.add_column(sa.Column('boat', sa.Text()))\n"
    )
    with Logbook(url(path)) as log:
        log.add(marigold())
    monkeypatch.setattr(where, "MIGRATIONS", folder)
    monkeypatch.setattr(where, "HEAD", "0002")
    with Logbook(url(path)) as log:
        assert log.dive(1).dived == marigold()
        log.remove(1)
        assert log.entries() == ()
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM sample").fetchone() == (0,)  # pointers are watched again


OPENS = (
    "import sys; from leadline.logbook.database.store import Logbook; log = Logbook(sys.argv[1]); "
    "print(len(log.entries()))"
)


def test_several_that_open_a_new_log_at_once_all_come_out_well(tmp_path: Path):
    path = tmp_path / "log.db"
    started = [
        subprocess.Popen([sys.executable, "-c", OPENS, url(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    for one in started:
        out, err = one.communicate(timeout=120)
        assert (one.returncode, out.strip(), err) == (0, b"0", b"")
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
