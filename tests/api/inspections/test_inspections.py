"""Ordering, listing, following and cancelling inspections over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from shared.states import InspectionState
from shared.tables import Inspection
from tests.support.service import STL, Service


def row_of(service: Service, inspection_id: str) -> Inspection:
    with service.resources.database.reading() as session:
        return session.get_one(Inspection, inspection_id)


def test_an_order_is_durable_before_its_id_is_sent(service: Service) -> None:
    ordered = service.order(title="First casting")
    assert (ordered["state"], ordered["title"]) == ("queued", "First casting")
    assert service.sender.sent == [ordered["id"]]
    assert row_of(service, ordered["id"]).sent_at is not None


def test_without_a_broker_the_order_waits_for_the_sweeper(service: Service) -> None:
    service.sender.is_up = False
    assert row_of(service, service.order()["id"]).sent_at is None


def test_an_order_can_be_looked_at_where_location_says(service: Service) -> None:
    order = {
        "nominal_upload_id": service.upload()["id"],
        "scan_upload_id": service.upload("s.stl", STL)["id"],
        "scan_unit": "mm",
    }
    answer = service.client.post("/v1/inspections", json=order)
    assert service.client.get(answer.headers["location"]).json() == answer.json()


def test_the_default_title_names_both_files(service: Service) -> None:
    assert service.order()["title"] == "scan.stl against head.step"


@pytest.mark.parametrize(
    ("changes", "status", "code", "words"),
    [
        ({"scan_unit": None}, 422, "unit_missing", "scan.stl carries no unit"),
        ({"scan_upload_id": "up_none"}, 404, "not_found", "There is no upload up_none"),
        ({"nominal_upload_id": None}, 422, "request_invalid", "give either revision_id or nominal_upload_id"),
        ({"revision_id": "rev_1"}, 422, "request_invalid", "give either revision_id or nominal_upload_id"),
        ({"scan_unit": "mile"}, 422, "request_invalid", "body.scan_unit: Input should be"),
        ({"surprise": 1}, 422, "request_invalid", "body.surprise: Extra inputs"),
        ({"plan": "unit: mile"}, 422, "plan_invalid", "line 1, unit"),
        ({"plan": {"firstpour_plan": "2"}}, 422, "plan_invalid", "firstpour_plan"),
        ({"bodies": [{"name": "a", "upload_id": "up_none"}]}, 404, "not_found", "up_none"),
    ],
)
def test_a_wrong_order_is_refused_with_its_reason(
    service: Service, changes: dict[str, Any], status: int, code: str, words: str
) -> None:
    order = {
        "nominal_upload_id": service.upload()["id"],
        "scan_upload_id": service.upload("scan.stl", STL)["id"],
        "scan_unit": "mm",
        **changes,
    }
    answer = service.client.post("/v1/inspections", json=order)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert words in answer.json()["detail"]
    assert answer.json()["advice"]
    assert service.sender.sent == []


def test_a_file_that_is_not_read_is_refused_at_once(service: Service) -> None:
    order = {"nominal_upload_id": service.upload("head.dwg")["id"], "scan_upload_id": service.upload("s.stl")["id"]}
    answer = service.client.post("/v1/inspections", json={**order, "scan_unit": "mm"})
    assert (answer.status_code, answer.json()["code"]) == (422, "file_kind_unknown")


def test_the_plan_is_kept_with_its_own_text(service: Service) -> None:
    text = "firstpour_plan: '1'\nunit: inch\n"
    row = row_of(service, service.order(plan=text)["id"])
    assert row.plan is not None
    assert (row.plan["unit"], row.plan_source) == ("inch", text)


def test_inspections_are_listed_newest_first_page_by_page(service: Service) -> None:
    ids = [service.order()["id"] for _ in range(5)]
    seen, cursor = [], None
    for _ in range(3):
        page = service.client.get(
            "/v1/inspections", params={"limit": 2, **({"cursor": cursor} if cursor else {})}
        ).json()
        seen += [item["id"] for item in page["items"]]
        cursor = page["next_cursor"]
    assert seen == ids[::-1]
    assert cursor is None


def test_the_list_can_be_narrowed_to_a_state(service: Service) -> None:
    done = service.order()["id"]
    service.order()
    service.finish(done)
    listed = service.client.get("/v1/inspections?state=done").json()["items"]
    assert [item["id"] for item in listed] == [done]


@pytest.mark.parametrize("query", ["limit=0", "limit=101", "cursor=nonsense", "cursor=MjAyNS0xMy00NSB4", "state=lost"])
def test_a_wrong_query_is_refused(service: Service, query: str) -> None:
    answer = service.client.get(f"/v1/inspections?{query}")
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_a_waiting_inspection_is_cancelled_at_once_and_only_once(service: Service) -> None:
    address = f"/v1/inspections/{service.order()['id']}/cancel"
    first, second = service.client.post(address), service.client.post(address)
    assert (first.json()["state"], first.json()["links"]["cancel"]) == ("cancelled", None)
    assert first.json() == second.json()


def test_a_running_inspection_is_asked_to_stop(service: Service) -> None:
    inspection_id = service.order()["id"]
    service.move(inspection_id, state="running", stage="align")
    answer = service.client.post(f"/v1/inspections/{inspection_id}/cancel").json()
    assert (answer["state"], answer["cancel_requested"]) == ("running", True)


def test_a_finished_inspection_cannot_be_cancelled(service: Service) -> None:
    inspection_id = service.order()["id"]
    service.finish(inspection_id)
    answer = service.client.post(f"/v1/inspections/{inspection_id}/cancel")
    assert (answer.status_code, answer.json()["data"]) == (409, {"state": InspectionState.DONE.value})


def test_a_failure_is_told_with_advice(service: Service) -> None:
    inspection_id = service.order()["id"]
    error = {"code": "file_truncated", "message": "scan.stl ends early.", "advice": "Copy it again.", "data": {}}
    service.move(inspection_id, state="failed", error=error)
    assert service.client.get(f"/v1/inspections/{inspection_id}").json()["error"] == error
