"""Sessions and migrations, on SQLite always and on PostgreSQL where a server is installed."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from shared.access import DEFAULT_WORKSPACE
from shared.database import Database, migrate, open_database
from shared.settings import Settings
from shared.sharing_tables import Remark
from shared.tables import Base, FeatureDetection, Inspection, Part, Revision, Upload, new_id, utc_now
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
        session.add(Part(id=new_id("part"), name="head", workspace_id=DEFAULT_WORKSPACE))
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
            session.add(Part(id=new_id("part"), name="head", workspace_id=DEFAULT_WORKSPACE))

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add_after_reading, range(40)))
    assert count_parts(database) == 40


def test_a_reader_is_not_blocked_by_a_writer(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path)
    migrate(settings)
    database = open_database(settings)
    counts: list[int] = []
    with database.writing() as session:
        session.add(Part(id=new_id("part"), name="head", workspace_id=DEFAULT_WORKSPACE))
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
        session.add(FeatureDetection(id="feat_1", title="A", nominal_upload_id="up_1", workspace_id=DEFAULT_WORKSPACE))
    migrate(settings, "0001")
    with database.engine.connect() as connection:
        assert connection.execute(text("SELECT id, title FROM inspections")).all() == [("insp_1", "Head")]
    database.close()


def add_remark(database: Database) -> None:
    """An inspection with one remark."""
    own: dict[str, Any] = {"workspace_id": DEFAULT_WORKSPACE}
    with database.writing() as session:
        session.add(Upload(id="up_1", file_name="a", size_bytes=1, sha256="ab", storage_key="uploads/1", **own))
        session.flush()
        session.add(Inspection(id="insp_1", title="A", nominal_upload_id="up_1", scan_upload_id="up_1", **own))
        session.flush()
        session.add(
            Remark(
                id="rem_1", inspection_id="insp_1", number=1, author="Anna", kind="remark", text="Cold shut.",
                at=utc_now(), report_sha256="ab", previous_sha256="cd", sha256="ef",
            )
        )  # fmt: skip


@pytest.mark.parametrize("change", ["UPDATE remarks SET text = 'Fine.'", "DELETE FROM remarks"])
def test_a_remark_can_neither_be_changed_nor_deleted(database: Database, change: str) -> None:
    add_remark(database)
    with pytest.raises(DBAPIError, match="only ever added"), database.writing() as session:
        session.execute(text(change))
    with database.reading() as session:
        assert session.scalars(select(Remark.text)).all() == ["Cold shut."]


def test_two_remarks_cannot_have_one_place_in_the_row(database: Database) -> None:
    add_remark(database)
    with database.reading() as session:
        first = session.scalars(select(Remark)).one()
        values = {column: getattr(first, column) for column in Remark.__table__.columns.keys()}  # noqa: SIM118 - no dict
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(Remark(**{**values, "id": "rem_2"}))


def test_sharing_can_be_taken_back_with_remarks_in_place(settings: Settings, database: Database) -> None:
    add_remark(database)
    migrate(settings, "0003")
    migrate(settings)
    with database.reading() as session:
        assert session.scalars(select(Inspection.id)).all() == ["insp_1"]
        assert session.scalars(select(Remark.id)).all() == []


BEFORE_WORKSPACES = (
    "INSERT INTO uploads VALUES ('up_1', 'head.step', 1, 'ab', 'uploads/1', '2025-01-31 09:30:00')",
    "INSERT INTO parts VALUES ('part_1', 'Head', '2025-01-31 09:30:00')",
    (
        "INSERT INTO revisions (id, part_id, label, nominal_upload_id, bodies, created_at) "
        "VALUES ('rev_1', 'part_1', 'A', 'up_1', '[]', '2025-01-31 09:30:00')"
    ),
    (
        "INSERT INTO partial_uploads (id, file_name, size_bytes, offset_bytes, storage_key, expires_at, upload_id, "
        "created_at) VALUES ('part_up_1', 'scan.stl', 9, 4, 'partial/1', '2025-02-01 09:30:00', 'up_1', "
        "'2025-01-31 09:30:00')"
    ),
    (
        "INSERT INTO jobs (id, task, title, revision_id, nominal_upload_id, scan_upload_id, bodies, state, progress, "
        "cancel_requested, attempts, lease_owner, lease_until, created_at) VALUES ('insp_1', 'inspect', 'Head', "
        "'rev_1', 'up_1', 'up_1', '[]', 'running', 0.4, FALSE, 1, 'worker 7', '2025-01-31 09:31:00', "
        "'2025-01-31 09:30:00')"
    ),
    (
        "INSERT INTO jobs (id, task, title, nominal_upload_id, state, progress, cancel_requested, attempts, created_at)"
        " VALUES ('feat1_1', 'detect_features', 'A', 'up_1', 'queued', 0.0, FALSE, 0, '2025-01-31 09:30:00')"
    ),
    (
        "INSERT INTO idempotency_keys (key, route, request_sha256, status, body, created_at) "
        "VALUES ('k1', 'POST /v1/parts', 'ab', 201, '{}', '2025-01-31 09:30:00')"
    ),
)
IN_FLIGHT = "SELECT id, state, attempts, lease_owner, lease_until, scan_upload_id FROM jobs ORDER BY id"
OF_WORKSPACES = ("uploads", "partial_uploads", "parts", "jobs", "idempotency_keys")


def rows(database: Database, statement: str) -> list[tuple[object, ...]]:
    with database.engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(statement))]


def test_jobs_in_flight_survive_the_way_to_workspaces_and_back(settings: Settings) -> None:
    migrate(settings, "0002")
    database = open_database(settings)
    with database.engine.begin() as connection:
        for statement in BEFORE_WORKSPACES:
            connection.execute(text(statement))
    before = rows(database, IN_FLIGHT)
    migrate(settings)
    assert rows(database, IN_FLIGHT) == before
    for table in OF_WORKSPACES:
        assert set(rows(database, f"SELECT workspace_id FROM {table}")) == {(DEFAULT_WORKSPACE,)}  # noqa: S608 - ours
    migrate(settings, "0002")
    assert rows(database, IN_FLIGHT) == before
    assert rows(database, "SELECT key, route, status FROM idempotency_keys") == [("k1", "POST /v1/parts", 201)]
    database.close()


def test_a_row_must_say_whose_it_is(settings: Settings) -> None:
    migrate(settings)
    database = open_database(settings)
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(Part(id="part_1", name="Head"))
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(Part(id="part_1", name="Head", workspace_id="ws_none"))
    database.close()


def test_a_migration_that_would_leave_a_row_without_what_it_refers_to_is_taken_back(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path)
    migrate(settings, "0002")
    database = open_database(settings)
    with database.engine.connect() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute(BEFORE_WORKSPACES[3])
    database.close()
    with pytest.raises(IntegrityError, match="foreign_key_check"):
        migrate(settings)
    assert not inspect(open_database(settings).engine).has_table("workspaces")
