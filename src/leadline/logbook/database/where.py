"""Where the dive log is, and how its database is opened: made or brought up to date, or refused in words."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import ConnectionPoolEntry

from leadline.dive_file.errors import DiveFileError, Problem
from leadline.logbook.database.tables import HEAD

VARIABLE = "LEADLINE_DATABASE"
"""Of the environment: the URL of the log."""
MIGRATIONS = Path(__file__).with_name("migrations")
PATIENCE_S = 60.0
"""How long a write waits for another to end."""
WRITING = {"writing": True}
"""Option of a connection that will write: SQLite then locks at the beginning, where it can still wait."""
_SAID = {
    "unable to open": "cannot be opened: the folder must be there, and both must be yours to write",
    "not a database": "is not a database; name the file of a dive log, or one that is not there yet",
    "readonly": "cannot be written to; see to whom the file and its folder belong",
    "read-only": "cannot be written to; see to whom the file and its folder belong",
    "locked": "is in use by another program; try again once that has ended",
    "disk is full": "cannot be written to: the disk is full",
    "malformed": "is damaged; take your last copy of it",
}
"""What SQLite says, and what is told."""


class LogError(DiveFileError):
    """The log cannot do what it is asked for."""

    def __init__(self, source: str, message: str) -> None:
        """`source` is the log, or the dive."""
        super().__init__(source, [Problem("", message)])


def chosen(url: str | None) -> str:
    """The URL of the log: as given, as the environment has it, or a file in the user's data folder, which is made."""
    if url is None:
        url = os.environ.get(VARIABLE) or None
    if url is not None:
        return url
    import platformdirs

    remedy = f"name another place with --database or {VARIABLE}, such as sqlite:///dives.db"
    try:
        folder = platformdirs.user_data_path("leadline", appauthor=False)
    except RuntimeError:  # older ones of the library give a path that begins with "~"
        folder = Path()
    if not folder.is_absolute():
        raise LogError("dive log", f"there is no home folder to keep it in; {remedy}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogError(str(folder), f"cannot be made to keep the dive log in ({error.strerror}); {remedy}") from None
    return f"sqlite:///{folder / 'log.db'}"


def opened(url: str) -> Engine:
    """The database of a URL, with the log's tables as they are now. LogError if it cannot be that."""
    engine = _engine(url)
    with in_words(engine):
        with engine.connect() as connection:
            revision = _revision(connection)
        if revision != HEAD:
            bring_up_to_date(engine)
        _write_ahead(engine)
    return engine


@contextmanager
def in_words(engine: Engine) -> Iterator[None]:
    """What goes wrong with the database, as a LogError."""
    try:
        yield
    except DBAPIError as error:
        said = str(error.orig).splitlines()[0] if str(error.orig) else type(error.orig).__name__
        told = next((words for sign, words in _SAID.items() if sign in said.lower()), f"does not answer: {said}")
        raise LogError(name_of(engine), told) from error


def name_of(engine: Engine) -> str:
    """The log as a user knows it: its file, or its URL without the password."""
    is_path = engine.dialect.name == "sqlite" and _is_path(engine.url)
    return engine.url.database or "" if is_path else engine.url.render_as_string()


def bring_up_to_date(engine: Engine, to: str = "head") -> None:
    """Run the revisions that the database has not seen, all or none of them."""
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    with (
        engine.execution_options(**WRITING).connect() as connection,
        _pointers_unwatched(connection),
        connection.begin(),
    ):
        revision = _revision(connection)  # another process may have been quicker
        if revision is None and inspect(connection).get_table_names():
            raise LogError(name_of(engine), "is a database of something else; a dive log has one of its own")
        if revision is not None and revision not in known:
            said = f"is the log of a newer Leadline (its tables are of revision {revision}, this one knows {HEAD})"
            raise LogError(name_of(engine), f"{said}; nothing was changed: install the newer one")
        config.attributes["connection"] = connection
        command.upgrade(config, to)
        if engine.dialect.name == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").first():
            raise LogError(name_of(engine), "holds dives that point at nothing; nothing was changed")


@contextmanager
def _pointers_unwatched(connection: Connection) -> Iterator[None]:
    """SQLite changes a table by making it anew, and must not drop with the old one all that points at it."""
    if connection.engine.dialect.name != "sqlite":
        yield
        return
    cursor = connection.connection.cursor()
    cursor.execute("PRAGMA foreign_keys = OFF")
    try:
        yield
    finally:
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()


def _revision(connection: Connection) -> str | None:
    """The revision of the tables; None where there are none."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()


def _engine(url: str) -> Engine:
    example = "write for example sqlite:///dives.db"
    try:
        parsed = make_url(url)
    except ArgumentError:
        remedy = f"write sqlite:///{url}" if url and ":" not in url else example
        raise LogError(url or '""', f"is not the URL of a database; {remedy}") from None
    shown = parsed.render_as_string()
    if parsed.get_backend_name() == "sqlite" and _is_path(parsed):
        path = Path(parsed.database or "")
        if path.is_dir():
            raise LogError(str(path), f"is a folder; name a file in it, sqlite:///{path / 'log.db'}")
        if not path.parent.is_dir():
            raise LogError(str(path), f"cannot be made: there is no folder {path.parent}")
    try:
        engine = create_engine(parsed)
    except NoSuchModuleError:
        raise LogError(shown, f"is no kind of database known here; {example}") from None
    except ModuleNotFoundError as error:
        raise LogError(shown, f"needs a driver that is not installed, {error.name}; install it, or {example}") from None
    except (ArgumentError, TypeError, ValueError) as error:
        raise LogError(shown, f"is not the URL of a database ({error}); {example}") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _connected)
        event.listen(engine, "begin", _begun)
    return engine


def _connected(connection: Any, _: ConnectionPoolEntry) -> None:
    if isinstance(connection, sqlite3.Connection):
        connection.isolation_level = None  # transactions begin where `_begun` says, tables included
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {1000 * PATIENCE_S:.0f}")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _begun(connection: Connection) -> None:
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _is_path(url: URL) -> bool:
    return url.database not in (None, "", ":memory:") and "uri" not in url.query


def _write_ahead(engine: Engine) -> None:
    """SQLite's write-ahead log, so that nobody who reads waits for one who writes. The file remembers it.

    It is changed only while nobody else has the file open, and SQLite does not wait for that.
    """
    if engine.dialect.name != "sqlite":
        return
    with engine.connect() as connection:
        cursor = connection.connection.cursor()
        cursor.execute("PRAGMA journal_mode")
        if cursor.fetchall() != [("delete",)]:
            return  # it is so already, or in memory
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                cursor.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise LogError(name_of(engine), f"{_SAID['locked']}") from None
                time.sleep(0.05)
