"""What goes at the end of its time, and what never does."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update

from shared.access import DEFAULT_WORKSPACE
from shared.database import Database, migrate, open_database
from shared.filestore import LocalFileStore
from shared.retention import LEFTOVER_S, Retention, Swept, stored_bytes
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import Inspection, Job, Part, Revision, Upload
from tests.support.inspections import add_inspection, add_upload, row_of

NOW = datetime(2025, 6, 1, tzinfo=UTC)
LONG_AGO = NOW - timedelta(days=400)
DONE = {"state": InspectionState.DONE.value, "finished_at": LONG_AGO}
NOTHING = Swept(0, 0, 0)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path, keep_days=365)


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


@pytest.fixture
def store(settings: Settings) -> LocalFileStore:
    return LocalFileStore(settings.files_dir)


def sweep(database: Database, store: LocalFileStore, settings: Settings) -> Swept:
    return Retention(database, store, settings, lambda: NOW).sweep()


def finished(database: Database, store: LocalFileStore, **values: Any) -> str:
    """An inspection with a report in the store."""
    job_id = add_inspection(database, store, **{**DONE, **values})
    aside = store.new_folder()
    (aside / "report.json").write_bytes(b"x" * 100)
    key = store.publish_folder(aside, f"reports/{job_id}/1")
    with database.writing() as session:
        row = session.get_one(Inspection, job_id)
        row.report_key, row.report_bytes = key, 100
    return job_id


def is_there(store: LocalFileStore, job_id: str) -> bool:
    return any(store.keys_older_than("reports", -60)) and store.local_path(f"reports/{job_id}/1").exists()


def uploads_left(database: Database, store: LocalFileStore, job_id: str) -> list[bool]:
    """Whether the bytes of nominal and scan are there, and their rows say the same."""
    with database.reading() as session:
        row = session.get_one(Inspection, job_id)
        uploads = [session.get_one(Upload, name) for name in (row.nominal_upload_id, row.scan_upload_id)]
    left = [(store.root / upload.storage_key).exists() for upload in uploads]
    assert left == [upload.swept_at is None for upload in uploads]
    return left


def test_an_old_inspection_loses_its_report_and_uploads_and_keeps_its_row(
    database: Database, store: LocalFileStore, settings: Settings
) -> None:
    old = finished(database, store)
    young = finished(database, store, finished_at=NOW - timedelta(days=364))
    assert sweep(database, store, settings) == Swept(upload_count=2, report_count=1, leftover_count=0)
    row = row_of(database, old)
    assert (row.state, row.swept_at) == (InspectionState.DONE, NOW)
    assert uploads_left(database, store, old) == [False, False]
    assert uploads_left(database, store, young) == [True, True]
    assert is_there(store, young)
    assert sweep(database, store, settings) == NOTHING


KEPT: dict[str, dict[str, Any]] = {
    "held": {"hold": True},
    "queued": {"state": InspectionState.QUEUED.value, "finished_at": None, "created_at": LONG_AGO},
    "running": {"state": InspectionState.RUNNING.value, "finished_at": None, "created_at": LONG_AGO},
}


@pytest.mark.parametrize("name", KEPT)
def test_what_is_held_or_waits_or_runs_keeps_its_files(
    name: str, database: Database, store: LocalFileStore, settings: Settings
) -> None:
    kept = finished(database, store, **KEPT[name])
    with database.writing() as session:
        session.execute(update(Upload).values(created_at=LONG_AGO))
    tight = settings.model_copy(update={"store_limit_bytes": 1})
    assert sweep(database, store, tight) == NOTHING
    assert uploads_left(database, store, kept) == [True, True]


def test_the_hold_of_a_part_keeps_the_inspections_of_all_its_revisions(
    database: Database, store: LocalFileStore, settings: Settings
) -> None:
    nominal_id = add_upload(database, store, "head.step")
    with database.writing() as session:
        session.add(Part(id="part_1", name="Head", workspace_id=DEFAULT_WORKSPACE, hold=True))
        session.flush()
        session.add(Revision(id="rev_1", part_id="part_1", label="A", nominal_upload_id=nominal_id, bodies=[]))
    kept = finished(database, store, revision_id="rev_1")
    assert sweep(database, store, settings) == NOTHING
    with database.writing() as session:
        session.get_one(Part, "part_1").hold = False
    assert sweep(database, store, settings) == Swept(upload_count=2, report_count=1, leftover_count=0)
    assert uploads_left(database, store, kept) == [False, False]


def test_an_upload_that_a_revision_or_another_inspection_needs_stays(
    database: Database, store: LocalFileStore, settings: Settings
) -> None:
    old = finished(database, store)
    with database.reading() as session:
        row = session.get_one(Inspection, old)
    young = {"finished_at": NOW, "bodies": [{"name": "jacket", "role": "core", "upload_id": row.scan_upload_id}]}
    finished(database, store, **young)
    with database.writing() as session:
        session.add(Part(id="part_1", name="Head", workspace_id=DEFAULT_WORKSPACE))
        session.flush()
        session.add(
            Revision(id="rev_1", part_id="part_1", label="A", nominal_upload_id=row.nominal_upload_id, bodies=[])
        )
    assert sweep(database, store, settings) == Swept(upload_count=0, report_count=1, leftover_count=0)
    assert uploads_left(database, store, old) == [True, True]


def test_an_upload_nobody_ordered_anything_with_goes_after_a_week(
    database: Database, store: LocalFileStore, settings: Settings
) -> None:
    old, young = (add_upload(database, store, name) for name in ("old.stl", "young.stl"))
    with database.writing() as session:
        session.get_one(Upload, old).created_at = NOW - timedelta(days=8)
        session.get_one(Upload, young).created_at = NOW - timedelta(days=6)
    assert sweep(database, store, settings) == Swept(upload_count=1, report_count=0, leftover_count=0)
    with database.reading() as session:
        assert session.get_one(Upload, old).swept_at == NOW
        assert session.get_one(Upload, young).swept_at is None


def test_beyond_its_room_the_store_lets_the_oldest_go_first(
    database: Database, store: LocalFileStore, settings: Settings
) -> None:
    days = [3, 1, 2]
    ids = [finished(database, store, finished_at=NOW - timedelta(days=day)) for day in days]
    with database.reading() as session:
        one_bytes = sum(stored_bytes(session).values()) // 3
    tight = settings.model_copy(update={"store_limit_bytes": 2 * one_bytes})
    assert sweep(database, store, tight) == Swept(upload_count=2, report_count=1, leftover_count=0)
    assert [row_of(database, job_id).swept_at is None for job_id in ids] == [False, True, True]
    with database.reading() as session:
        assert sum(stored_bytes(session).values()) == 2 * one_bytes


def test_what_a_crash_left_goes_after_a_day(database: Database, store: LocalFileStore, settings: Settings) -> None:
    kept = finished(database, store, finished_at=NOW)
    running = finished(database, store, state=InspectionState.RUNNING.value)
    with database.writing() as session:
        session.get_one(Job, running).report_key = None  # published, killed before the row
    store.publish_folder(store.new_folder(), f"reports/{kept}/2")
    with store.new_file() as file:
        file.write(b"x")
        file.commit()
    assert sweep(database, store, settings) == NOTHING
    long_ago_s = time.time() - LEFTOVER_S - 60
    for path in settings.files_dir.glob("*/*/*"):
        os.utime(path, (long_ago_s, long_ago_s))
    assert sweep(database, store, settings) == Swept(upload_count=0, report_count=0, leftover_count=2)
    assert is_there(store, kept)
    assert is_there(store, running)
    assert uploads_left(database, store, kept) == [True, True]


def test_sizes_are_told_by_kind(database: Database, store: LocalFileStore) -> None:
    finished(database, store)
    with database.reading() as session:
        assert stored_bytes(session) == {"uploads": 2 * len(b"solid"), "partial": 0, "reports": 100}
    assert store.aside_bytes() == 0
