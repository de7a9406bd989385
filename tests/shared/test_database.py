"""Sessions and migrations, on SQLite always and on PostgreSQL where a server is installed."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import IntegrityError

from shared.database import Database, migrate, open_database
from shared.settings import Settings
from shared.tables import Base, FeatureDetection, Inspection, Part, Revision, new_id, utc_now
from tests.support.postgres import fresh_database, temporary_postgres

INSPECTION_OF_THE_FIRST_VERSION = (
    "INSERT INTO uploads VALUES ('up_1', 'head.step', 1, 'ab', 'uploads/1', '2025-01-31 09:30:00')",
    (
        "INSERT INTO inspections (id, title, nominal_upload_id, scan_upload_id, bodies, state, progress, "
        "cancel_requested, attempts, created_at) VALUES"
        " ('insp_1', 'Head', 'up_1', 'up_1', '[]', 'queued', 0.0, FALSE, 0, '2025-01-31 09:30:00')"
    ),
)


@pytest.fixture(scope="module")
def postgres() -> Iterator[str]:
    with temporary_postgres() as url:
        yield url


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def settings(request: pytest.FixtureRequest, tmp_path: Path) -> Settings:
    if request.param == "sqlite":
        return Settings(data_dir=tmp_path)
    return Settings(data_dir=tmp_path, database_url=fresh_database(request.getfixturevalue("postgres")))


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


def count_parts(database: Database) -> int:
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(Part)) or 0


def test_migrations_give_exactly_the_declared_tables(database: Database) -> None:
    with database.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []


def test_migrations_can_be_taken_back(settings: Settings, database: Database) -> None:
    migrate(settings, "base")
    assert inspect(database.engine).get_table_names() == ["alembic_version"]
    migrate(settings)
    assert count_parts(database) == 0


def test_two_starts_at_once_migrate_once(settings: Settings) -> None:
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(migrate, [settings] * 4)) == [None] * 4


def test_two_processes_starting_at_once_migrate_once(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path)
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=migrate, args=(settings,)) for _ in range(2)]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0, 0]


def test_an_exception_rolls_back(database: Database) -> None:
    with suppress(ZeroDivisionError), database.writing() as session:
        session.add(Part(id=new_id("part"), name="head"))
        session.flush()
        _ = 1 / 0
    assert count_parts(database) == 0


def test_foreign_keys_are_enforced(database: Database) -> None:
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(Revision(id="rev_1", part_id="none", label="A", nominal_upload_id="none", bodies=[], plan=None))


def test_writers_wait_for_each_other(database: Database) -> None:
    def add_after_reading(_: int) -> None:
        with database.writing() as session:
            session.scalar(select(func.count()).select_from(Part))
            session.add(Part(id=new_id("part"), name="head"))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add_after_reading, range(40)))
    assert count_parts(database) == 40


def test_a_reader_is_not_blocked_by_a_writer(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path)
    migrate(settings)
    database = open_database(settings)
    counts: list[int] = []
    with database.writing() as session:
        session.add(Part(id=new_id("part"), name="head"))
        session.flush()
        reader = threading.Thread(target=lambda: counts.append(count_parts(database)))
        reader.start()
        reader.join(5)
    database.close()
    assert counts == [0]


def test_sqlite_is_durable_and_in_wal_mode(tmp_path: Path) -> None:
    database = open_database(Settings(data_dir=tmp_path))
    with database.engine.connect() as connection:
        modes = [connection.execute(text(f"PRAGMA {name}")).scalar() for name in ("journal_mode", "synchronous")]
    database.close()
    assert modes == ["wal", 2]


@pytest.mark.postgres
def test_all_machines_go_by_the_clock_of_the_database(postgres: str, monkeypatch: pytest.MonkeyPatch) -> None:
    database = open_database(Settings(database_url=postgres))
    before = utc_now()
    monkeypatch.setattr("shared.database.utc_now", lambda: before - timedelta(days=1))  # ours is wrong
    assert timedelta(0) <= database.now() - before < timedelta(minutes=5)
    database.close()


def test_rows_survive_the_way_to_jobs_and_back(settings: Settings) -> None:
    migrate(settings, "0001")
    database = open_database(settings)
    with database.engine.begin() as connection:
        for statement in INSPECTION_OF_THE_FIRST_VERSION:
            connection.execute(text(statement))
    migrate(settings)
    with database.writing() as session:
        row = session.scalars(select(Inspection)).one()
        assert (row.id, row.title, row.scan_upload_id, row.bodies) == ("insp_1", "Head", "up_1", [])
        session.add(FeatureDetection(id="feat_1", title="A", nominal_upload_id="up_1"))
    migrate(settings, "-2")
    with database.engine.connect() as connection:
        assert connection.execute(text("SELECT id, title FROM inspections")).all() == [("insp_1", "Head")]
    database.close()
