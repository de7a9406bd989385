"""Holds over HTTP, and what callers see of files at the end of their time."""

from __future__ import annotations

from typing import Any

import pytest

from shared.retention import Retention
from shared.tables import Upload, utc_now
from tests.support.service import STEP, STL, Service


def sweep_everything(service: Service) -> None:
    """Let go whatever may go: one byte is too much."""
    resources = service.resources
    tight = resources.settings.model_copy(update={"store_limit_bytes": 1})
    Retention(resources.database, resources.store, tight).sweep()


def finished(service: Service) -> dict[str, Any]:
    made = service.order()
    service.finish(made["id"])
    return made


def test_a_held_inspection_keeps_its_report_and_a_swept_one_says_so(service: Service) -> None:
    held, other = finished(service), finished(service)
    answer = service.client.put(f"/v1/inspections/{held['id']}/hold", json={"hold": True})
    assert (answer.status_code, answer.json()["hold"]) == (200, True)
    sweep_everything(service)
    assert service.client.get(f"/v1/inspections/{held['id']}/report.json").status_code == 200
    gone = service.client.get(f"/v1/inspections/{other['id']}/report.json")
    assert (gone.status_code, gone.json()["code"]) == (410, "file_swept")
    seen = service.client.get(f"/v1/inspections/{other['id']}").json()
    assert (seen["state"], seen["links"]["report_json"], seen["hold"]) == ("done", None, False)
    assert seen["swept_at"] is not None


def test_a_hold_set_or_taken_off_is_in_the_audit_log_once(service: Service) -> None:
    made = finished(service)
    part = service.client.post("/v1/parts", json={"name": "Head"}).json()
    for hold in (True, True, False):
        for kind, one in (("parts", part), ("inspections", made)):
            service.client.put(f"/v1/{kind}/{one['id']}/hold", json={"hold": hold}).raise_for_status()
    told = [(one["action"], one["target"]) for one in service.client.get("/v1/audit").json()["items"]]
    assert told[:4] == [
        ("inspection.hold_ended", made["id"]),
        ("part.hold_ended", part["id"]),
        ("inspection.held", made["id"]),
        ("part.held", part["id"]),
    ]


def test_what_is_swept_cannot_be_held_any_more(service: Service) -> None:
    made = finished(service)
    sweep_everything(service)
    answer = service.client.put(f"/v1/inspections/{made['id']}/hold", json={"hold": True})
    assert (answer.status_code, answer.json()["code"]) == (410, "file_swept")


def test_a_part_can_be_held(service: Service) -> None:
    part = service.client.post("/v1/parts", json={"name": "Head"}).json()
    assert part["hold"] is False
    answer = service.client.put(f"/v1/parts/{part['id']}/hold", json={"hold": True})
    assert (answer.status_code, answer.json()["hold"]) == (200, True)


@pytest.mark.parametrize("kind", ["parts", "inspections"])
def test_nothing_unknown_can_be_held(service: Service, kind: str) -> None:
    answer = service.client.put(f"/v1/{kind}/unknown/hold", json={"hold": True})
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")


def test_nothing_can_be_ordered_with_an_upload_that_was_swept(service: Service) -> None:
    swept, scan = service.upload("head.step", STEP)["id"], service.upload("scan.stl", STL)["id"]
    with service.resources.database.writing() as session:
        session.get_one(Upload, swept).swept_at = utc_now()
    order = {"nominal_upload_id": swept, "scan_upload_id": scan, "unit": "mm"}
    answers = [service.client.post("/v1/inspections", json=order), service.client.get(f"/v1/uploads/{swept}/content")]
    assert [(answer.status_code, answer.json()["code"]) for answer in answers] == [(410, "file_swept")] * 2
    assert service.client.get(f"/v1/uploads/{swept}").status_code == 200


def test_sizes_are_in_the_metrics(service: Service) -> None:
    finished(service)
    text = service.client.get("/metrics").text
    assert f'firstpour_store_bytes{{kind="uploads"}} {float(len(STEP) + len(STL))}' in text
    assert 'firstpour_store_bytes{kind="aside"} 0.0' in text
    assert "firstpour_store_free_bytes" in text
