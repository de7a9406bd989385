"""Parts and revisions over HTTP."""

from __future__ import annotations

import base64
from typing import Any

import pytest

from tests.support.service import STL, Service

PLAN = "firstpour_plan: '1'\nunit: inch\n"


@pytest.fixture
def part(service: Service) -> dict[str, Any]:
    found: dict[str, Any] = service.client.post("/v1/parts", json={"name": "  Two-cylinder head "}).json()
    return found


def revise(service: Service, part: dict[str, Any], **changes: Any) -> Any:
    revision = {"label": "B", "nominal_upload_id": service.upload()["id"], **changes}
    return service.client.post(part["links"]["revisions"], json=revision)


def test_a_part_can_be_read_where_it_says(service: Service, part: dict[str, Any]) -> None:
    assert part["name"] == "Two-cylinder head"
    assert service.client.get(part["links"]["self"]).json() == part


def test_parts_are_listed_newest_first(service: Service, part: dict[str, Any]) -> None:
    newer = service.client.post("/v1/parts", json={"name": "Manifold"}).json()
    first = service.client.get("/v1/parts?limit=1").json()
    second = service.client.get("/v1/parts", params={"limit": 1, "cursor": first["next_cursor"]}).json()
    assert [first["items"], second["items"], second["next_cursor"]] == [[newer], [part], None]


def test_a_revision_keeps_its_bodies_and_plan(service: Service, part: dict[str, Any]) -> None:
    body = {"name": "intake_1", "role": "core", "upload_id": service.upload("intake.step")["id"]}
    answer = revise(service, part, bodies=[body], plan=PLAN)
    revision = answer.json()
    assert (answer.status_code, revision["bodies"], revision["plan"]["unit"]) == (201, [body], "inch")
    assert service.client.get(answer.headers["location"]).json() == revision
    assert service.client.get(part["links"]["revisions"]).json() == {"items": [revision], "next_cursor": None}


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"plan": "unit: mile"}, "plan_invalid"),
        ({"nominal_upload_id": "up_0"}, "not_found"),
        ({"label": " "}, "request_invalid"),
        ({"unit": "mile"}, "request_invalid"),
        ({"bodies": [{"name": "a", "upload_id": "up_0"}]}, "not_found"),
        ({"bodies": [{"name": "a", "upload_id": "u"}, {"name": "a", "upload_id": "u"}]}, "request_invalid"),
        ({"bodies": [{"name": "a", "upload_id": "u", "role": "mould"}]}, "request_invalid"),
    ],
)
def test_a_wrong_revision_is_refused(
    service: Service, part: dict[str, Any], changes: dict[str, Any], code: str
) -> None:
    assert revise(service, part, **changes).json()["code"] == code


def test_a_nominal_without_unit_needs_one_stated(service: Service, part: dict[str, Any]) -> None:
    upload_id = service.upload("head.stl", STL)["id"]
    assert revise(service, part, nominal_upload_id=upload_id).json()["code"] == "unit_missing"
    assert revise(service, part, nominal_upload_id=upload_id, unit="inch").json()["unit"] == "inch"


def test_a_revision_belongs_to_its_part(service: Service, part: dict[str, Any]) -> None:
    other = service.client.post("/v1/parts", json={"name": "Manifold"}).json()
    revision = revise(service, part).json()
    answer = service.client.get(f"{other['links']['revisions']}/{revision['id']}")
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")


@pytest.mark.parametrize("path", ["/v1/parts/none", "/v1/parts/none/revisions", "/v1/parts/none/revisions/none"])
def test_what_is_not_there_is_not_found(service: Service, path: str) -> None:
    assert service.client.get(path).status_code == 404


def test_an_inspection_of_a_revision_takes_everything_from_it(service: Service, part: dict[str, Any]) -> None:
    revision = revise(service, part, plan=PLAN).json()
    scan = service.upload("scan.stl", STL)["id"]
    order = {"revision_id": revision["id"], "scan_upload_id": scan, "unit": "mm"}
    ordered = service.client.post("/v1/inspections", json=order).json()
    assert (ordered["revision_id"], ordered["nominal"]) == (revision["id"], revision["nominal"])


@pytest.mark.parametrize("more", [{"nominal_unit": "mm"}, {"bodies": [{"name": "a", "upload_id": "u"}]}])
def test_what_belongs_to_the_revision_is_not_taken_from_the_order(service: Service, more: dict[str, Any]) -> None:
    order = {"revision_id": "rev_1", "scan_upload_id": "up_1", **more}
    answer = service.client.post("/v1/inspections", json=order)
    assert "belong to the revision" in answer.json()["detail"]


@pytest.mark.parametrize("name", ["a\x00b", "a\u202eb", "\x1b[2J"])
def test_names_that_cannot_be_seen_whole_are_refused(service: Service, name: str) -> None:
    answer = service.client.post("/v1/parts", json={"name": name})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")
    assert "marks of direction" in answer.json()["detail"]


def test_a_cursor_with_a_hidden_character_is_refused(service: Service) -> None:
    cursor = base64.urlsafe_b64encode(b"2025-01-31T09:30:01+00:00 part\0").decode()
    assert service.client.get("/v1/parts", params={"cursor": cursor}).status_code == 422
