"""The same key and request make one thing."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.idempotency import Claim, answer_once, forget_old_keys
from shared.access import DEFAULT_WORKSPACE
from shared.errors import IdempotencyKeyReused
from shared.tables import IdempotencyKey, Part, new_id, utc_now
from tests.support.service import STL, Service

KEY = {"Idempotency-Key": "k1"}
CLAIM = Claim(DEFAULT_WORKSPACE, "k1", "POST /v1/parts", "a" * 64)


def parts_in(service: Service) -> int:
    with service.resources.database.reading() as session:
        return session.scalar(select(func.count()).select_from(Part)) or 0


def make_part(session: Session) -> dict[str, Any]:
    part = Part(id=new_id("part"), workspace_id=DEFAULT_WORKSPACE, name="Head")
    session.add(part)
    session.flush()
    return {"id": part.id, "links": {"self": f"/v1/parts/{part.id}"}}


def test_a_repeated_request_gets_the_same_answer(service: Service) -> None:
    first, second = (service.client.post("/v1/parts", json={"name": "Head"}, headers=KEY) for _ in "12")
    assert (first.json(), first.headers["location"]) == (second.json(), second.headers["location"])
    assert (first.headers.get("idempotency-replayed"), second.headers["idempotency-replayed"]) == (None, "true")
    assert parts_in(service) == 1


def test_another_request_under_the_same_key_is_refused(service: Service) -> None:
    service.client.post("/v1/parts", json={"name": "Head"}, headers=KEY)
    answer = service.client.post("/v1/parts", json={"name": "Manifold"}, headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (422, "idempotency_key_reused")


def test_the_same_key_at_another_address_is_another_key(service: Service) -> None:
    service.client.post("/v1/parts", json={"name": "Head"}, headers=KEY)
    assert service.client.post("/v1/uploads?name=a.stl", content=STL, headers=KEY).status_code == 201


def test_a_refused_request_leaves_its_key_free(service: Service) -> None:
    assert service.client.post("/v1/parts", json={"name": ""}, headers=KEY).status_code == 422
    assert service.client.post("/v1/parts", json={"name": "Head"}, headers=KEY).status_code == 201


def test_a_repeated_order_is_sent_to_the_workers_once(service: Service) -> None:
    scan = service.upload("scan.stl", STL)["id"]
    order = {"nominal_upload_id": scan, "scan_upload_id": scan, "unit": "mm"}
    answers = [service.client.post("/v1/inspections", json=order, headers=KEY) for _ in "123"]
    assert service.sender.sent == [answers[0].json()["id"]]


def test_a_crash_midway_leaves_neither_thing_nor_key(service: Service) -> None:
    def crash(session: Session) -> dict[str, Any]:
        make_part(session)
        raise ConnectionError

    with pytest.raises(ConnectionError):
        answer_once(service.resources.database, CLAIM, crash)
    assert parts_in(service) == 0
    assert not answer_once(service.resources.database, CLAIM, make_part).is_replayed


def test_requests_at_the_same_time_make_one_thing(service: Service) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: answer_once(service.resources.database, CLAIM, make_part), range(8)))
    assert len({answer.body["id"] for answer in answers}) == 1
    assert parts_in(service) == 1


def test_keys_are_forgotten_after_a_day(service: Service) -> None:
    answer_once(service.resources.database, CLAIM, make_part)
    other = replace(CLAIM, request_sha256="b" * 64)
    with service.resources.database.writing() as session:
        session.get_one(IdempotencyKey, (CLAIM.workspace_id, CLAIM.key, CLAIM.route)).created_at = (
            utc_now() - timedelta(hours=25)
        )
    with service.resources.database.writing() as session:
        forget_old_keys(session)
    assert not answer_once(service.resources.database, other, make_part).is_replayed


def test_a_fresh_key_is_not_forgotten(service: Service) -> None:
    answer_once(service.resources.database, CLAIM, make_part)
    with service.resources.database.writing() as session:
        forget_old_keys(session)
    with pytest.raises(IdempotencyKeyReused):
        answer_once(service.resources.database, replace(CLAIM, request_sha256="b" * 64), make_part)
