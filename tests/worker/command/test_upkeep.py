"""``firstpour upkeep``: what whoever runs the server does by hand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from shared.access import DEFAULT_WORKSPACE
from shared.database import Database, migrate, open_database
from shared.filestore import LocalFileStore
from shared.settings import Settings
from shared.tables import AuditEntry, Part, Upload
from tests.support.inspections import add_inspection, add_upload, row_of
from worker.command import main
from worker.exit_codes import ExitCode
from worker.failures import Failure
from worker.quarantine import quarantined, set_aside

DEATH = Failure("worker_died", "The process that ran the job was ended by SIGSEGV.", "Save it anew.")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "var"


@pytest.fixture
def database(folder: Path) -> Iterator[Database]:
    migrate(Settings(data_dir=folder))
    database = open_database(Settings(data_dir=folder))
    yield database
    database.close()


@pytest.fixture
def store(folder: Path) -> LocalFileStore:
    return LocalFileStore(folder / "files")


def upkeep(folder: Path, *words: str) -> int:
    return main.run(["upkeep", *words, "--data-dir", str(folder)])


def test_a_hold_is_set_and_taken_off(folder: Path, database: Database, store: LocalFileStore) -> None:
    job_id = add_inspection(database, store)
    assert upkeep(folder, "hold", job_id) == ExitCode.CONFORMS
    assert row_of(database, job_id).hold
    assert upkeep(folder, "hold", job_id, "--off") == ExitCode.CONFORMS
    assert not row_of(database, job_id).hold


def test_each_change_of_a_hold_is_in_the_audit_log(folder: Path, database: Database, store: LocalFileStore) -> None:
    job_id = add_inspection(database, store)
    for words in (["hold", job_id], ["hold", job_id], ["hold", job_id, "--off"]):
        assert upkeep(folder, *words) == ExitCode.CONFORMS
    with database.reading() as session:
        entries = session.scalars(select(AuditEntry).where(AuditEntry.target == job_id).order_by(AuditEntry.at)).all()
    assert [(entry.actor, entry.action) for entry in entries] == [
        ("command line", "inspection.held"),
        ("command line", "inspection.hold_ended"),
    ]


def test_a_part_is_held_whole(folder: Path, database: Database) -> None:
    with database.writing() as session:
        session.add(Part(id="part_1", name="Head", workspace_id=DEFAULT_WORKSPACE))
    assert upkeep(folder, "hold", "part_1") == ExitCode.CONFORMS
    with database.reading() as session:
        assert session.get_one(Part, "part_1").hold


def test_quarantined_files_are_listed_and_released(
    folder: Path, database: Database, store: LocalFileStore, capsys: pytest.CaptureFixture[str]
) -> None:
    job_id = add_inspection(database, store)
    with database.writing() as session:
        set_aside(session, job_id, DEATH)
    assert upkeep(folder, "quarantine") == ExitCode.CONFORMS
    line = capsys.readouterr().out
    assert "nominal.stl, scan.stl" in line
    assert "SIGSEGV" in line
    assert upkeep(folder, "release", line.split()[0]) == ExitCode.CONFORMS
    with database.reading() as session:
        assert quarantined(session) == []


def test_sweeping_says_what_went(
    folder: Path, database: Database, store: LocalFileStore, capsys: pytest.CaptureFixture[str]
) -> None:
    unused = add_upload(database, store, "old.stl")
    with database.writing() as session:
        session.get_one(Upload, unused).created_at = datetime.now(UTC) - timedelta(days=30)
    assert upkeep(folder, "sweep") == ExitCode.CONFORMS
    assert "1 uploads" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hold", "insp_unknown"), "insp_unknown"),
        (("release", "0123456789"), "0123456789"),
        (("release", "012"), "too short"),
    ],
)
def test_what_there_is_not_is_named(
    words: tuple[str, ...], said: str, folder: Path, database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    assert upkeep(folder, *words) == ExitCode.FAILED
    assert said in capsys.readouterr().err


def test_a_folder_without_a_service_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert upkeep(folder, "quarantine") == ExitCode.FAILED
    assert str(folder) in capsys.readouterr().err
    assert not folder.exists()
