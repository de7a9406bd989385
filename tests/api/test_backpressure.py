"""A queue with a bound, and disks without room: refused by name, and nothing half-written."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import func, select

from shared.settings import MIB
from shared.tables import Job, PartialUpload, Upload
from tests.support.service import DATABASE, STL, Service, running_service
from tests.support.small_disk import fill, small_disk

DISK_BYTES = 2 * MIB
TUS = {"Tus-Resumable": "1.0.0"}
PIECE = {**TUS, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}


def counts(service: Service) -> list[int]:
    """Uploads and jobs there are."""
    with service.resources.database.reading() as session:
        return [session.scalar(select(func.count()).select_from(table)) or 0 for table in (Upload, Job)]


def refusal(answer: httpx.Response) -> tuple[int, str]:
    """Status and code of a refusal that says when to try again."""
    assert int(answer.headers["Retry-After"]) > 0
    return answer.status_code, answer.json()["code"]


@pytest.fixture
def bounded(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, queue_limit=2) as service:
        yield service


def form(service: Service) -> httpx.Response:
    files = {name: (f"{name}.stl", STL) for name in ("nominal", "scan")}
    return service.client.post("/v1/inspections/form", files=files, data={"unit": "mm"})


def test_beyond_its_bound_the_queue_takes_nothing_until_something_left_it(bounded: Service) -> None:
    first = bounded.order()
    order = {"nominal_upload_id": first["nominal"]["id"], "scan_upload_id": first["scan"]["id"], "unit": "mm"}
    bounded.order()
    before = counts(bounded)
    assert refusal(bounded.client.post("/v1/inspections", json=order)) == (429, "queue_full")
    assert refusal(form(bounded)) == (429, "queue_full")
    told = bounded.client.post("/v1/inspections", json=order).json()
    assert (list(told["data"]), "2" in told["detail"]) == (["retry_after_s"], False)  # no figure of other workspaces
    part = bounded.client.post("/v1/parts", json={"name": "Head"}).json()["id"]
    revision = {"label": "A", "nominal_upload_id": first["nominal"]["id"]}
    assert refusal(bounded.client.post(f"/v1/parts/{part}/revisions", json=revision)) == (429, "queue_full")
    assert counts(bounded) == before
    bounded.move(first["id"], state="running")
    assert bounded.client.post("/v1/inspections", json=order).status_code == 202


def test_an_order_answered_before_is_answered_again_though_the_queue_is_full(bounded: Service) -> None:
    uploads = [bounded.upload(name, STL)["id"] for name in ("head.stl", "scan.stl")]
    order = {"nominal_upload_id": uploads[0], "scan_upload_id": uploads[1], "unit": "mm"}
    key = {"Idempotency-Key": "k"}
    first = bounded.client.post("/v1/inspections", json=order, headers=key).json()
    bounded.order()
    assert bounded.client.post("/v1/inspections", json=order, headers=key).json() == first


@pytest.fixture
def below_floor(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, free_disk_floor_bytes=1 << 60) as service:
        yield service


def test_below_the_floor_of_the_disk_no_file_is_taken(below_floor: Service) -> None:
    client = below_floor.client
    assert refusal(client.post("/v1/uploads?name=a.stl", content=STL)) == (507, "storage_full")
    assert refusal(form(below_floor)) == (507, "storage_full")
    begin = client.post("/v1/uploads/tus", headers={**TUS, "Upload-Length": "9"})
    assert refusal(begin) == (507, "storage_full")
    assert below_floor.stored_files() == []
    assert client.get("/v1/inspections").status_code == 200


def test_a_file_that_would_pass_the_floor_is_refused_by_its_announced_size(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "files", DISK_BYTES),
        running_service(tmp_path, free_disk_floor_bytes=MIB // 4) as service,
    ):
        begin = service.client.post("/v1/uploads/tus", headers={**TUS, "Upload-Length": str(DISK_BYTES)})
        assert refusal(begin) == (507, "storage_full")
        assert service.upload()["size_bytes"] > 0


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Service]:
    """Files on a disk of their own; the database has room."""
    with (
        small_disk(tmp_path / "files", DISK_BYTES),
        running_service(tmp_path, free_disk_floor_bytes=0) as service,
    ):
        yield service


def own_files(service: Service) -> list[str]:
    return [path.name for path in service.stored_files() if path.name != "filling"]


def test_a_disk_that_fills_during_an_upload_keeps_nothing_of_it(full: Service) -> None:
    big = STL + b"x" * MIB
    filling = fill(full.folder / "files", leave_bytes=MIB // 2)
    files = {"nominal": ("head.stl", STL), "scan": ("scan.stl", big)}
    form = full.client.build_request("POST", "/v1/inspections/form", files=files, data={"unit": "mm"})
    body, kind = form.read(), {"Content-Type": form.headers["Content-Type"]}
    unannounced = [("/v1/uploads?name=a.stl", big, {}), ("/v1/inspections/form", body, kind)]
    for address, content, headers in unannounced:
        answer = full.client.post(address, content=iter([content]), headers=headers)
        assert refusal(answer) == (507, "storage_full")
    assert (own_files(full), counts(full)) == ([], [0, 0])
    filling.unlink()
    assert full.client.post("/v1/uploads?name=a.stl", content=big).status_code == 201


def test_a_resumable_upload_goes_on_when_there_is_room_again(full: Service) -> None:
    big = STL + b"x" * MIB
    name = base64.b64encode(b"scan.stl").decode()
    length = {"Upload-Length": str(len(big)), "Upload-Metadata": f"filename {name}"}
    address = full.client.post("/v1/uploads/tus", headers={**TUS, **length}).headers["Location"]
    filling = fill(full.folder / "files", leave_bytes=MIB // 2)
    assert refusal(full.client.patch(address, headers=PIECE, content=big)) == (507, "storage_full")
    filling.unlink()
    offset = full.client.head(address, headers=TUS).headers["Upload-Offset"]
    rest = full.client.patch(address, headers={**PIECE, "Upload-Offset": offset}, content=big[int(offset) :])
    upload = full.client.get(f"/v1/uploads/{rest.headers['Firstpour-Upload-Id']}/content")
    assert upload.content == big
    with full.resources.database.reading() as session:
        assert session.scalars(select(PartialUpload.upload_id)).one() is not None


def test_a_database_without_room_is_told_and_goes_on_when_it_has_some(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk", DISK_BYTES) as disk,
        running_service(tmp_path, database_url=f"sqlite:///{disk / DATABASE}") as service,
    ):
        service.client.post("/v1/parts", json={"name": "Head"}).raise_for_status()
        filling = fill(disk)
        answers = [service.client.post("/v1/parts", json={"name": "x" * 200}) for _ in range(40)]
        refused = [answer for answer in answers if answer.status_code != 201]
        assert {refusal(answer) for answer in refused} == {(507, "storage_full")}
        filling.unlink()
        service.client.post("/v1/parts", json={"name": "Head"}).raise_for_status()
        made = service.client.get("/v1/parts?limit=100").json()["items"]
    assert len(made) == len(answers) - len(refused) + 2
