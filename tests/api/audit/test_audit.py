"""The audit log: what is in it, and that nobody changes it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, update
from sqlalchemy.exc import DatabaseError

from shared.tables import AuditEntry
from tests.support.access import TUS, keyed_service
from tests.support.postgres import fresh_database, temporary_postgres
from tests.support.service import STL, Service, running_service


def entries(service: Service, **query: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = service.client.get("/v1/audit", params=query).json()["items"]
    return found


def test_what_is_made_ordered_and_cancelled_is_in_it(service: Service) -> None:
    part = service.client.post("/v1/parts", json={"name": "Head"}).json()
    upload = service.upload()
    wanted = {"label": "A", "nominal_upload_id": upload["id"]}
    revision = service.client.post(part["links"]["revisions"], json=wanted).json()
    inspection = service.order()
    for _ in range(2):  # the second time changes nothing
        service.client.post(f"/v1/inspections/{inspection['id']}/cancel")
    told = {(one["action"], one["target"]) for one in entries(service)}
    assert told >= {
        ("part.created", part["id"]),
        ("upload.received", upload["id"]),
        ("revision.created", revision["id"]),
        ("inspection.ordered", inspection["id"]),
        ("inspection.cancelled", inspection["id"]),
    }
    assert [one["action"] for one in entries(service)].count("inspection.cancelled") == 1


def test_files_of_a_form_and_resumable_ones_are_in_it(service: Service) -> None:
    files = {"nominal": ("a.stl", STL), "scan": ("b.stl", STL)}
    service.client.post("/v1/inspections/form", files=files, data={"unit": "mm"})
    address = service.client.post("/v1/uploads/tus", headers={**TUS, "Upload-Length": "4"}).headers["location"]
    headers = {**TUS, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    upload_id = service.client.patch(address, content=b"soli", headers=headers).headers["firstpour-upload-id"]
    received = [one for one in entries(service) if one["action"] == "upload.received"]
    assert [one["detail"]["file"] for one in received][1:] == ["b.stl", "a.stl"]
    assert received[0]["target"] == upload_id


def test_an_entry_says_who_and_in_which_request(tmp_path: Path) -> None:
    with keyed_service(tmp_path) as keyed:
        made = keyed.ask("write", "POST", "/v1/parts", json={"name": "Head"})
        (entry,) = keyed.ask("admin", "GET", "/v1/audit", params={"limit": 1}).json()["items"]
    assert entry["actor"].startswith("write (key_")
    assert (entry["request_id"], entry["detail"]) == (made.headers["x-request-id"], {"name": "Head"})


def test_where_no_keys_are_used_the_actor_is_this_machine(service: Service) -> None:
    service.upload()
    assert [one["actor"] for one in entries(service)] == ["local"]


def test_what_was_refused_is_not_in_it(service: Service) -> None:
    service.client.post("/v1/parts/part_none/revisions", json={"label": "A", "nominal_upload_id": "up_none"})
    assert entries(service) == []


def test_a_repeated_request_is_in_it_once(service: Service) -> None:
    for _ in range(2):
        service.client.post("/v1/parts", json={"name": "Head"}, headers={"Idempotency-Key": "k1"})
    assert [one["action"] for one in entries(service)] == ["part.created"]


def test_it_comes_in_pages_newest_first(service: Service) -> None:
    for number in range(3):
        service.client.post("/v1/parts", json={"name": f"part {number}"})
    first = service.client.get("/v1/audit", params={"limit": 2}).json()
    second = entries(service, limit=2, cursor=first["next_cursor"])
    assert [one["detail"]["name"] for one in first["items"] + second] == ["part 2", "part 1", "part 0"]


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def anywhere(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Service]:
    if request.param == "sqlite":
        with running_service(tmp_path) as service:
            yield service
        return
    with temporary_postgres() as url, running_service(tmp_path, database_url=fresh_database(url)) as service:
        yield service


@pytest.mark.parametrize(
    "change", [update(AuditEntry).values(actor="nobody"), delete(AuditEntry)], ids=["update", "delete"]
)
def test_the_database_refuses_to_change_or_delete_an_entry(anywhere: Service, change: Any) -> None:
    anywhere.client.post("/v1/parts", json={"name": "Head"})
    with pytest.raises(DatabaseError, match="only ever added"), anywhere.resources.database.writing() as session:
        session.execute(change)
    assert [one["actor"] for one in entries(anywhere)] == ["local"]
