"""A revision's features: queued with it, shown when listed, never among the inspections."""

from __future__ import annotations

from typing import Any

import pytest

from api.features.schemas import EXAMPLE
from shared.feature_list import FeatureList
from shared.plan_reading import parse_plan
from shared.tables import FeatureDetection, utc_now
from tests.support.service import Service

LISTED = FeatureList.model_validate(EXAMPLE["features"])
FAILURE = {"code": "file_truncated", "message": "head.step ends early.", "advice": "Export it again.", "data": {}}


@pytest.fixture
def revision(service: Service) -> dict[str, Any]:
    part = service.client.post("/v1/parts", json={"name": "head"}).json()
    wanted = {"label": "A", "nominal_upload_id": service.upload()["id"]}
    answer = service.client.post(part["links"]["revisions"], json=wanted)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def move(service: Service, **values: Any) -> None:
    """What a worker would write into the row."""
    with service.resources.database.writing() as session:
        for name, value in values.items():
            setattr(session.query(FeatureDetection).one(), name, value)


def finish(service: Service) -> None:
    """End the detection as a worker does."""
    aside = service.resources.store.new_folder()
    (aside / "features.json").write_text(LISTED.model_dump_json())
    key = service.resources.store.publish_folder(aside, "reports/feat_1/1")
    move(service, state="done", report_key=key, finished_at=utc_now())


def test_a_new_revision_has_its_features_queued_and_sent(service: Service, revision: dict[str, Any]) -> None:
    answer = service.client.get(revision["links"]["features"])
    assert (answer.status_code, answer.json()["state"], answer.json()["features"]) == (200, "queued", None)
    assert int(answer.headers["retry-after"]) > 0
    assert service.sender.sent == [f"feat1_{revision['id'].removeprefix('rev_')}"]


def test_a_replayed_revision_is_sent_once(service: Service) -> None:
    part = service.client.post("/v1/parts", json={"name": "head"}).json()
    wanted = {"label": "A", "nominal_upload_id": service.upload()["id"]}
    for _ in range(2):
        service.client.post(part["links"]["revisions"], json=wanted, headers={"Idempotency-Key": "once"})
    assert len(service.sender.sent) == 1


def test_features_are_shown_when_they_are_listed(service: Service, revision: dict[str, Any]) -> None:
    finish(service)
    answer = service.client.get(revision["links"]["features"])
    assert answer.json()["state"] == "ready"
    assert FeatureList.model_validate(answer.json()["features"]) == LISTED
    assert "retry-after" not in answer.headers


def test_a_failed_detection_says_why(service: Service, revision: dict[str, Any]) -> None:
    move(service, state="failed", error=FAILURE)
    found = service.client.get(revision["links"]["features"]).json()
    assert (found["state"], found["error"], found["features"]) == ("failed", FAILURE, None)


def test_a_revision_older_than_detection_gets_queued_when_asked_for(service: Service, revision: dict[str, Any]) -> None:
    with service.resources.database.writing() as session:
        session.query(FeatureDetection).delete()
    states = [service.client.get(revision["links"]["features"]).json()["state"] for _ in range(2)]
    assert states == ["queued", "queued"]
    assert len(service.sender.sent) == 2  # with the revision, and by the first of the two


def test_a_broker_that_is_away_loses_nothing(service: Service, revision: dict[str, Any]) -> None:
    service.sender.is_up = False
    assert service.client.get(revision["links"]["features"]).json()["state"] == "queued"


def test_detections_are_no_inspections(service: Service, revision: dict[str, Any]) -> None:
    detection_id = service.sender.sent[0]
    assert service.client.get("/v1/inspections").json()["items"] == []
    addresses = ("", "/events", "/report", "/report.json")
    statuses = {service.client.get(f"/v1/inspections/{detection_id}{address}").status_code for address in addresses}
    assert statuses == {404}
    assert service.client.post(f"/v1/inspections/{detection_id}/cancel").status_code == 404
    assert 'firstpour_inspections{state="queued"} 0.0' in service.client.get("/metrics").text
    assert detection_id not in service.client.get("/").text


@pytest.mark.parametrize("address", ["features", "plan-draft"])
def test_an_unknown_revision_is_told(service: Service, revision: dict[str, Any], address: str) -> None:
    part, known = revision["part_id"], revision["id"]
    for wrong in (f"/v1/parts/{part}/revisions/rev_none", f"/v1/parts/part_none/revisions/{known}"):
        assert service.client.get(f"{wrong}/{address}").json()["code"] == "not_found"


def test_a_plan_is_drafted_from_the_list_as_yaml(service: Service, revision: dict[str, Any]) -> None:
    finish(service)
    address = service.client.get(revision["links"]["features"]).json()["links"]["plan_draft"]
    answer = service.client.get(address, params={"general": "ISO 2768-f", "unit": "inch", "kind": "machined"})
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/yaml; charset=utf-8")
    plan = parse_plan(answer.text, "the draft")
    assert (plan.unit, plan.piece.kind, plan.general_tolerance) == ("inch", "machined", "ISO 2768-f")


def test_a_draft_waits_for_the_list(service: Service, revision: dict[str, Any]) -> None:
    answer = service.client.get(f"{revision['links']['self']}/plan-draft")
    assert (answer.status_code, answer.json()["code"]) == (409, "features_not_ready")
    assert answer.json()["data"]["state"] == "queued"


def test_a_draft_from_a_failed_detection_says_what_to_do(service: Service, revision: dict[str, Any]) -> None:
    move(service, state="failed", error=FAILURE)
    problem = service.client.get(f"{revision['links']['self']}/plan-draft").json()
    assert (problem["code"], problem["advice"]) == ("features_not_ready", "Export it again.")


@pytest.mark.parametrize("query", [{"general": "ISO 9999-m"}, {"unit": "mile"}, {"kind": "forging"}, {"grade": "7"}])
def test_a_draft_refuses_what_it_does_not_know(
    service: Service, revision: dict[str, Any], query: dict[str, str]
) -> None:
    finish(service)
    answer = service.client.get(f"{revision['links']['self']}/plan-draft", params=query)
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")
