"""The SQL database: SQLite in WAL mode by default, PostgreSQL by setting.

Readers use :meth:`Database.reading`, whoever changes rows :meth:`Database.writing`: on SQLite a
transaction that starts as a reader and then writes fails at once when another process wrote in
between, however long the busy timeout (SQLite documentation, "Isolation In SQLite").
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import Connection, Engine, create_engine, event, func, make_url, select, text
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import Session

from shared import migrations
from shared.settings import Settings
from shared.tables import utc_now

BUSY_TIMEOUT_MS = 15_000  # a report's folder is published between writes, never inside one; 15 s is ample
MIGRATION_LOCK = 0x46697273  # any fixed number: PostgreSQL's advisory lock for migrations
WRITES = "firstpour_writes"
SILENCE = {  # a network that says nothing any more must not hold a heartbeat for the two hours TCP would wait
    "connect_timeout": 5,
    "keepalives_idle": 20,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}


class Database:
    """Engine and sessions of one process.  Open it after a fork, never before."""

    def __init__(self, engine: Engine, counting_engine: Engine) -> None:
        self.engine, self._counting_engine = engine, counting_engine

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Session that sees one consistent state and changes nothing."""
        with Session(self.engine, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Session that commits at the end, or rolls back on any exception; holds SQLite's write lock."""
        with Session(self.engine, expire_on_commit=False) as session, session.begin():
            session.connection(execution_options={WRITES: True})
            yield session

    @contextmanager
    def counting(self) -> Iterator[Session]:
        """Session for figures moved by every request; it does not wait for the disk.

        A power cut may lose the last of them and harms nothing else.
        """
        with Session(self._counting_engine, expire_on_commit=False) as session, session.begin():
            session.connection(execution_options={WRITES: True})
            if self._counting_engine.dialect.name == "postgresql":
                session.execute(text("SET LOCAL synchronous_commit TO OFF"))
            yield session

    def now(self) -> datetime:
        """The database's own clock, one for all machines: a machine whose clock is wrong takes no lease from another.

        SQLite has none; all its processes are on one machine.
        """
        if self.engine.dialect.name == "sqlite":
            return utc_now()
        with self.engine.connect() as connection:
            found: datetime = connection.execute(select(func.clock_timestamp())).scalar_one()
        return found.astimezone(UTC)

    def close(self) -> None:
        """Give every connection back."""
        self.engine.dispose()
        self._counting_engine.dispose()


def open_database(settings: Settings) -> Database:
    """Open the database of the settings; tables are :func:`migrate`'s business."""
    engine = _engine(settings)
    if engine.dialect.name != "sqlite":
        return Database(engine, engine)
    counting = _engine(settings)
    event.listen(counting, "connect", _hurry_sqlite)
    return Database(engine, counting)


def migrate(settings: Settings, revision: str = "head") -> None:
    """Bring the tables up (or down) to ``revision``.

    Safe when several processes start at once: each takes the lock before it looks at the version,
    and version and tables change in one transaction on both databases.
    """
    engine = _engine(settings)
    is_sqlite = engine.dialect.name == "sqlite"
    if is_sqlite:
        event.listen(engine, "connect", _leave_foreign_keys)
    try:
        with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
            if not is_sqlite:
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            _run_alembic(connection, revision)
            if is_sqlite:
                _check_foreign_keys(connection)
    finally:
        engine.dispose()


def alembic_config(connection: Connection) -> Config:
    """Alembic's configuration for an open connection; there is no ini file."""
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def is_disk_full(error: OperationalError) -> bool:
    """Whether a statement failed for want of room on the database's disk (PostgreSQL error 53100, SQLITE_FULL)."""
    marks = (getattr(error.orig, "sqlstate", None), getattr(error.orig, "sqlite_errorname", None))
    return "53100" in marks or "SQLITE_FULL" in marks


def _run_alembic(connection: Connection, revision: str) -> None:
    config = alembic_config(connection)
    present = MigrationContext.configure(connection).get_current_revision() or ""
    if (
        revision == "base" or revision.startswith("-") or revision < present
    ):  # numbered, so they sort; "head" sorts last
        command.downgrade(config, revision)
    else:
        command.upgrade(config, revision)


def _engine(settings: Settings) -> Engine:
    url = make_url(settings.sql_url)
    if url.get_backend_name() != "sqlite":
        return create_engine(url, pool_pre_ping=True, pool_size=5, max_overflow=40, connect_args=SILENCE)
    if url.database:
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, connect_args={"check_same_thread": False}, max_overflow=40)
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin transactions on its own; _begin_sqlite does
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")  # an accepted job must survive a power cut; NORMAL may lose it in WAL
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _hurry_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    connection.execute("PRAGMA synchronous = NORMAL")  # in WAL mode safe from damage, and syncs at checkpoints only


def _leave_foreign_keys(connection: sqlite3.Connection, _record: Any) -> None:
    """A table that others refer to can only be made anew without them (SQLite documentation, "ALTER TABLE", 7)."""
    connection.execute("PRAGMA foreign_keys = OFF")


def _check_foreign_keys(connection: Connection) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    if broken:
        raise IntegrityError("PRAGMA foreign_key_check", None, RuntimeError(f"rows refer to nothing: {broken[:5]}"))


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
