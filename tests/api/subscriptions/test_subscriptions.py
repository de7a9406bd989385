"""Subscriptions over the interface; what is sent is in tests/worker/delivery."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select, update

from api.upkeep import tidy
from shared.access import DEFAULT_WORKSPACE
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.tables import AuditEntry, Workspace, utc_now
from tests.support.service import Service, running_service

URL = "https://hooks.example/in"


@pytest.fixture
def made(service: Service) -> dict[str, Any]:
    answer = service.client.post("/v1/subscriptions", json={"url": URL, "events": ["remark.added", "remark.added"]})
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def rows(service: Service) -> list[Delivery]:
    with service.resources.database.reading() as session:
        return list(session.scalars(select(Delivery)))


def test_the_secret_is_shown_once(service: Service, made: dict[str, Any]) -> None:
    assert made["secret"].startswith("whsec_")
    shown = [service.client.get(path).text for path in ("/v1/subscriptions", made["links"]["self"])]
    assert all(made["secret"] not in text and made["id"] in text for text in shown)


def test_events_are_all_unless_chosen_and_each_once(service: Service, made: dict[str, Any]) -> None:
    assert made["events"] == ["remark.added"]
    everything = service.client.post("/v1/subscriptions", json={"url": URL}).json()["events"]
    assert everything == ["inspection.finished", "inspection.failed", "remark.added", "sign_off.added"]


@pytest.mark.parametrize(
    "url",
    [
        "http://hooks.example/",
        "https://127.0.0.1/",
        "https://[::1]/",
        "https://10.0.0.1/",
        "https://a:b@hooks.example/",
    ],
)
def test_an_address_that_may_not_be_called_is_refused_at_once(service: Service, made: dict[str, Any], url: str) -> None:
    answers = [
        service.client.post("/v1/subscriptions", json={"url": url}),
        service.client.patch(made["links"]["self"], json={"url": url}),
    ]
    assert {(answer.status_code, answer.json()["code"]) for answer in answers} == {(422, "url_refused")}


@pytest.mark.parametrize("wrong", [{"events": []}, {"events": ["subscription.test"]}, {"url": ""}, {"secret": "x"}])
def test_a_wrong_wish_is_refused(service: Service, wrong: dict[str, Any]) -> None:
    assert service.client.post("/v1/subscriptions", json={"url": URL, **wrong}).status_code == 422


def test_a_listed_network_may_be_called_by_http(tmp_path: Any) -> None:
    with running_service(tmp_path / "listed", webhook_networks="10.0.0.0/8") as service:
        answer = service.client.post("/v1/subscriptions", json={"url": "http://10.1.2.3/in"})
    assert answer.status_code == 201


def test_what_is_given_is_changed_and_the_rest_stays(service: Service, made: dict[str, Any]) -> None:
    service.client.patch(made["links"]["self"], json={"is_active": False})
    changed = service.client.patch(made["links"]["self"], json={"events": ["sign_off.added"]}).json()
    assert (changed["url"], changed["events"], changed["is_active"]) == (URL, ["sign_off.added"], False)


def test_one_we_stopped_can_be_taken_up_again(service: Service, made: dict[str, Any]) -> None:
    with service.resources.database.writing() as session:
        session.execute(update(Subscription).values(is_active=False, stopped_because="No message arrived."))
    shown = service.client.patch(made["links"]["self"], json={"is_active": True}).json()
    assert (shown["is_active"], shown["stopped_because"]) == (True, None)


def test_a_new_secret_takes_over_from_the_old(service: Service, made: dict[str, Any]) -> None:
    new = service.client.post(f"{made['links']['self']}/secret").json()["secret"]
    with service.resources.database.reading() as session:
        row = session.get_one(Subscription, made["id"])
    assert row.secrets_at(utc_now()) == [new, made["secret"]]
    assert row.secrets_at(utc_now() + timedelta(hours=24)) == [new]


def test_a_test_message_is_written_for_this_one_alone(service: Service, made: dict[str, Any]) -> None:
    service.client.post("/v1/subscriptions", json={"url": URL})
    sent = service.client.post(f"{made['links']['self']}/test")
    assert sent.status_code == 202
    (row,) = rows(service)
    assert (row.subscription_id, json.loads(row.body)["type"]) == (made["id"], "subscription.test")
    assert service.client.get(made["links"]["deliveries"]).json()["items"] == [sent.json()]


def test_deliveries_are_paged_newest_first(service: Service, made: dict[str, Any]) -> None:
    ids = [service.client.post(f"{made['links']['self']}/test").json()["id"] for _ in range(3)]
    first = service.client.get(made["links"]["deliveries"], params={"limit": 2}).json()
    rest = service.client.get(made["links"]["deliveries"], params={"cursor": first["next_cursor"]}).json()
    assert [one["id"] for one in first["items"] + rest["items"]] == ids[::-1]
    assert rest["next_cursor"] is None


def test_a_failed_message_can_be_sent_again_under_its_id(service: Service, made: dict[str, Any]) -> None:
    sent = service.client.post(f"{made['links']['self']}/test").json()
    entry = {"at": utc_now().isoformat(), "status": 500, "error": None}
    with service.resources.database.writing() as session:
        session.execute(update(Delivery).values(state="failed", attempts=10, next_attempt_at=None, log=[entry]))
    again = service.client.post(f"{made['links']['deliveries']}/{sent['id']}/retry").json()
    assert (again["id"], again["state"], again["attempts"]) == (sent["id"], "pending", 0)
    assert [one["status"] for one in again["log"]] == [500]
    assert again["next_attempt_at"] is not None


def test_deleting_takes_its_messages_along(service: Service, made: dict[str, Any]) -> None:
    service.client.post(f"{made['links']['self']}/test")
    assert service.client.delete(made["links"]["self"]).status_code == 204
    assert service.client.get(made["links"]["self"]).status_code == 404
    assert rows(service) == []


@pytest.mark.parametrize(
    ("method", "tail"),
    [("GET", ""), ("PATCH", ""), ("DELETE", ""), ("POST", "/secret"), ("POST", "/test"), ("GET", "/deliveries")],
)
def test_those_of_another_workspace_do_not_exist(
    service: Service, made: dict[str, Any], method: str, tail: str
) -> None:
    with service.resources.database.writing() as session:
        session.add(Workspace(id="ws_2", name="Other"))
        session.flush()
        session.execute(update(Subscription).values(workspace_id="ws_2"))
    other = service.client.request(method, made["links"]["self"] + tail, json={} if method == "PATCH" else None)
    assert other.status_code == 404
    assert service.client.get("/v1/subscriptions").json()["items"] == []


def test_there_is_an_end_to_how_many(service: Service, made: dict[str, Any]) -> None:
    with service.resources.database.writing() as session:
        for number in range(49):
            session.add(
                Subscription(
                    id=f"sub_{number}", workspace_id=DEFAULT_WORKSPACE, url=URL, events=[], secret=URL, created_by="x"
                )
            )
    answer = service.client.post("/v1/subscriptions", json={"url": URL})
    assert (answer.status_code, answer.json()["code"]) == (409, "conflict")


def test_what_was_settled_long_ago_is_forgotten(service: Service, made: dict[str, Any]) -> None:
    for _ in range(3):
        service.client.post(f"{made['links']['self']}/test")
    old, young, pending = (row.id for row in rows(service))
    month = utc_now() - timedelta(days=31)
    changes: dict[str, dict[str, Any]] = {
        old: {"state": DeliveryState.DELIVERED.value, "created_at": month},
        young: {"state": DeliveryState.FAILED.value},
        pending: {"created_at": month},
    }
    for message_id, values in changes.items():
        with service.resources.database.writing() as session:
            session.execute(update(Delivery).where(Delivery.id == message_id).values(values))
    tidy(service.resources)
    assert {row.id for row in rows(service)} == {young, pending}


def test_who_made_and_changed_it_stands_in_the_audit_log(service: Service, made: dict[str, Any]) -> None:
    service.client.post(f"{made['links']['self']}/secret")
    service.client.delete(made["links"]["self"])
    with service.resources.database.reading() as session:
        entries = session.scalars(
            select(AuditEntry).where(AuditEntry.target == made["id"]).order_by(AuditEntry.at)
        ).all()
    assert [entry.action for entry in entries] == [
        "subscription.created", "subscription.secret_changed", "subscription.deleted",
    ]  # fmt: skip
    assert all(made["secret"] not in json.dumps(entry.detail) for entry in entries)
