"""The whole service on a bucket: two machines that share no folder, and a store that goes away.

The server is an emulation of S3 (moto) which answers over HTTP.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from shared.retention import Retention
from shared.settings import Settings
from shared.tables import Upload, utc_now
from tests.support.bucket import KEY_ID, SECRET, BucketServer, bucket_server
from tests.support.service import STEP, Service, running_service
from tests.support.services import running_service as running_processes
from tests.support.services import temporary_redis, wait_for
from worker.backup import back_up, restore
from worker.doctor import Finding, examine


@pytest.fixture
def server() -> Iterator[BucketServer]:
    with bucket_server() as running:
        yield running


@pytest.fixture
def service(tmp_path: Path, server: BucketServer) -> Iterator[Service]:
    with running_service(tmp_path / "service", **server.settings) as running:
        yield running


def settings_of(folder: Path, server: BucketServer) -> Settings:
    return Settings(data_dir=folder, **server.settings)


def files_in(folder: Path) -> list[Path]:
    return [path for path in (folder / "files").rglob("*") if path.is_file()]


@pytest.mark.redis
def test_a_worker_that_shares_no_folder_inspects_what_came_over_http(tmp_path: Path, server: BucketServer) -> None:
    common = {"database_url": f"sqlite:///{tmp_path / 'rows.sqlite3'}", **server.settings}
    with temporary_redis() as broker, running_processes(tmp_path, broker_url=broker, **common) as processes:
        processes.environment = {**processes.environment, "FIRSTPOUR_DATA_DIR": str(tmp_path / "worker")}
        with processes.worker():
            found = processes.wait_until_final(processes.order("quick"))
        with processes.client as client:
            report = client.get(found["links"]["report_json"])
            part = client.get(found["links"]["report_json"], headers={"Range": "bytes=0-0"})
    assert (found["state"], found["attempts"], report.status_code) == ("done", 1, 200)
    assert (part.status_code, part.content) == (206, report.content[:1])
    assert files_in(tmp_path / "worker") == []  # neither inputs nor result are left where the job ran
    log = (tmp_path / "log").read_bytes()
    assert b"finished" in log
    assert KEY_ID.encode() not in log
    assert SECRET.encode() not in log


@pytest.mark.parametrize(
    ("asked", "status", "expected"),
    [("bytes=4-8", 206, STEP[4:9]), ("bytes=-5", 206, STEP[-5:]), ("bytes=9999-", 416, b""), ("", 200, STEP)],
)
def test_a_range_of_an_upload_comes_from_the_store(service: Service, asked: str, status: int, expected: bytes) -> None:
    answer = service.client.get(service.upload()["links"]["content"], headers={"Range": asked} if asked else {})
    assert (answer.status_code, answer.content) == (status, expected)
    assert files_in(service.folder) == []


def test_a_resumable_upload_ends_in_the_bucket(service: Service, server: BucketServer) -> None:
    tus = {"Tus-Resumable": "1.0.0"}
    begun = service.client.post("/v1/uploads/tus", headers={**tus, "Upload-Length": str(len(STEP))})
    piece = {**tus, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    done = service.client.patch(begun.headers["location"], headers=piece, content=STEP)
    upload_id = done.headers["firstpour-upload-id"]
    assert service.client.get(f"/v1/uploads/{upload_id}/content").content == STEP
    assert (len(server.stored()), files_in(service.folder)) == (1, [])


def test_a_store_that_is_away_is_told_and_leaves_nothing(service: Service, server: BucketServer) -> None:
    kept = service.upload()
    server.stop()
    try:
        answers = [
            service.client.post("/v1/uploads?name=a.step", content=STEP),
            service.client.get(kept["links"]["content"]),
        ]
        ready = service.client.get("/v1/health/ready")
    finally:
        server.start()
    assert [(answer.status_code, answer.json()["code"]) for answer in answers] == [(503, "service_unavailable")] * 2
    assert all(answer.headers["retry-after"] for answer in answers)
    assert (ready.status_code, ready.json()["checks"]["files"][:9]) == (503, "StoreAway")
    assert (len(server.stored()), files_in(service.folder)) == (1, [])


def test_a_worker_claims_nothing_while_the_store_is_away(tmp_path: Path, server: BucketServer) -> None:
    with running_processes(tmp_path, **server.settings) as processes:
        job = processes.order("quick")
        server.stop()
        try:
            with processes.worker() as worker:
                wait_for(
                    lambda: b"store_away" in (tmp_path / "log").read_bytes(), "the worker says that the store is away"
                )
                waiting = processes.get(job)
                assert worker.poll() is None
                server.start()
                found = processes.wait_until_final(job)
        finally:
            server.start()
    assert (waiting["state"], waiting["attempts"]) == ("queued", 0)
    assert (found["state"], found["attempts"]) == ("done", 1)


def test_an_upload_nobody_used_is_swept_from_the_bucket(service: Service, server: BucketServer) -> None:
    service.upload()
    with service.resources.database.writing() as session:
        session.execute(update(Upload).values(created_at=utc_now() - timedelta(days=30)))
    resources = service.resources
    assert Retention(resources.database, resources.store, resources.settings).sweep().upload_count == 1
    assert server.stored() == []


def test_a_backup_of_a_folder_is_restored_into_a_bucket_and_back(tmp_path: Path, server: BucketServer) -> None:
    with running_service(tmp_path / "folder") as old:
        done = old.order()["id"]
        old.finish(done, files={"room.csv": b"x_mm\n1\n"})
        back_up(Settings(data_dir=tmp_path / "folder"), tmp_path / "first")
    in_bucket = settings_of(tmp_path / "bucket", server)
    summary = restore(in_bucket, tmp_path / "first")
    with running_service(tmp_path / "bucket", keeps_database=True, **server.settings) as new:
        assert new.client.get(f"/v1/inspections/{done}/files/room.csv").content == b"x_mm\n1\n"
    assert back_up(in_bucket, tmp_path / "second") == summary


def test_the_doctor_tries_the_bucket(tmp_path: Path, server: BucketServer) -> None:
    settings = settings_of(tmp_path, server)
    sound = {check.name: check for check in examine(settings)}["file store"]
    wrong = settings.model_copy(update={"s3_bucket": "firstpour-other"})
    missing = {check.name: check for check in examine(wrong)}["file store"]
    assert (sound.finding, server.stored()) == (Finding.SOUND, [])
    assert (missing.finding, "NoSuchBucket" in missing.detail) == (Finding.WRONG, True)
    assert SECRET not in missing.detail
