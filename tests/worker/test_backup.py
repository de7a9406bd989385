"""Everything out, everything in again, and nothing restored over anything."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sqlalchemy import select

from shared.errors import Conflict, InputError
from shared.settings import Settings
from shared.tables import Base
from tests.support.postgres import fresh_database, temporary_postgres
from tests.support.service import Service, running_service
from worker.backup import MANIFEST, ROWS, back_up, restore


def settings_of(folder: Path) -> Settings:
    return Settings(data_dir=folder)


def filled(service: Service) -> str:
    """A part, a revision, an upload under way, an order and a finished inspection; the id of the last."""
    part = service.client.post("/v1/parts", json={"name": "Zylinderkopf \u00e4 \u4e2d"}).json()["id"]
    upload = service.upload()["id"]
    plan = {"firstpour_plan": "1", "unit": "mm"}
    body = {"label": "A", "nominal_upload_id": upload, "plan": plan}
    assert service.client.post(f"/v1/parts/{part}/revisions", json=body).status_code == 201
    service.client.post("/v1/uploads/tus", headers={"Tus-Resumable": "1.0.0", "Upload-Length": "10"})
    service.order()
    done: str = service.order(title="Second casting")["id"]
    service.finish(done, files={"room.csv": b"x_mm\n1\n"})
    return done


def rows_of(service: Service) -> dict[str, list[object]]:
    tables = [table for table in Base.metadata.sorted_tables if table.name != "partial_uploads"]
    with service.resources.database.reading() as session:
        return {table.name: [tuple(row) for row in session.execute(select(table))] for table in tables}


def test_what_comes_back_is_what_was_there_while_the_service_runs(tmp_path: Path) -> None:
    with running_service(tmp_path / "old") as old:
        done = filled(old)
        summary = back_up(settings_of(tmp_path / "old"), tmp_path / "backup")
        before = rows_of(old)
        report = old.client.get(f"/v1/inspections/{done}/report.json").content
    assert restore(settings_of(tmp_path / "new"), tmp_path / "backup") == summary
    with running_service(tmp_path / "new", keeps_database=True) as new:
        assert rows_of(new) == before
        assert new.client.get(f"/v1/inspections/{done}/report.json").content == report
        assert new.client.get(f"/v1/inspections/{done}/files/room.csv").content == b"x_mm\n1\n"


@pytest.mark.postgres
def test_rows_go_from_one_database_to_another_and_back(tmp_path: Path) -> None:
    with temporary_postgres() as server:
        first, second = (fresh_database(server) for _ in range(2))
        with running_service(tmp_path / "old", database_url=first) as old:
            done = filled(old)
            before = rows_of(old)
            report = old.client.get(f"/v1/inspections/{done}/report.json").content
        summary = back_up(Settings(data_dir=tmp_path / "old", database_url=first), tmp_path / "backup")
        assert restore(Settings(data_dir=tmp_path / "new", database_url=second), tmp_path / "backup") == summary
        with running_service(tmp_path / "new", database_url=second) as new:
            assert rows_of(new) == before
            assert new.client.get(f"/v1/inspections/{done}/report.json").content == report
        back_up(Settings(data_dir=tmp_path / "new", database_url=second), tmp_path / "again")
    assert restore(settings_of(tmp_path / "lite"), tmp_path / "again") == summary
    with running_service(tmp_path / "lite", keeps_database=True) as lite:
        assert rows_of(lite) == before


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    with running_service(tmp_path / "old") as old:
        filled(old)
        back_up(settings_of(tmp_path / "old"), tmp_path / "backup")
    return tmp_path / "backup"


def test_a_service_with_rows_is_not_overwritten(tmp_path: Path, backup: Path) -> None:
    with pytest.raises(Conflict, match="holds rows"):
        restore(settings_of(tmp_path / "old"), backup)


def test_a_backup_is_not_written_over_another(tmp_path: Path, backup: Path) -> None:
    with pytest.raises(Conflict, match="there already"):
        back_up(settings_of(tmp_path / "old"), backup)


@pytest.mark.parametrize("name", [ROWS, "files"])
def test_a_damaged_backup_is_refused_and_leaves_nothing(tmp_path: Path, backup: Path, name: str) -> None:
    path = backup / name if name == ROWS else next(path for path in (backup / name).rglob("*") if path.is_file())
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(InputError, match="damaged"):
        restore(settings_of(tmp_path / "new"), backup)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("key", ["../../../outside", "/etc/hostname"])
def test_a_backup_names_no_file_outside_itself(tmp_path: Path, backup: Path, key: str) -> None:
    manifest = json.loads((backup / MANIFEST).read_text())
    manifest["files"][key] = {"sha256": "0" * 64, "size_bytes": 1}
    (backup / MANIFEST).write_text(json.dumps(manifest))
    with pytest.raises(InputError, match="damaged"):
        restore(settings_of(tmp_path / "new"), backup)


def test_a_backup_of_other_tables_is_refused(tmp_path: Path, backup: Path) -> None:
    manifest = json.loads((backup / MANIFEST).read_text())
    (backup / MANIFEST).write_text(json.dumps({**manifest, "schema": "v0000"}))
    with pytest.raises(InputError, match="v0000"):
        restore(settings_of(tmp_path / "new"), backup)


def test_any_other_folder_is_no_backup(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no backup"):
        restore(settings_of(tmp_path / "new"), tmp_path)


def test_a_file_that_is_gone_is_named(tmp_path: Path) -> None:
    with running_service(tmp_path / "old") as old:
        filled(old)
        gone = next(path for path in (tmp_path / "old" / "files" / "uploads").rglob("*") if path.is_file())
        gone.unlink()
        missing = back_up(settings_of(tmp_path / "old"), tmp_path / "backup").missing
    assert missing == (gone.relative_to(tmp_path / "old" / "files").as_posix(),)
