"""The same service on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from api.idempotency import Claim, answer_once
from api.resources import LOCAL
from shared.sharing_tables import Delivery
from shared.tables import FeatureDetection
from tests.support.postgres import fresh_database, temporary_postgres
from tests.support.service import Service, running_service
from tests.support.sharing import WORDS, finished, share

pytestmark = pytest.mark.postgres


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with temporary_postgres() as url:
        yield url


@pytest.fixture
def on_postgres(server: str, tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, database_url=fresh_database(server)) as service:
        yield service


def test_inspections_are_paged_and_cancelled(on_postgres: Service) -> None:
    ids = [on_postgres.order(plan={"firstpour_plan": "1"})["id"] for _ in range(5)]
    first = on_postgres.client.get("/v1/inspections?limit=3").json()
    second = on_postgres.client.get("/v1/inspections", params={"limit": 3, "cursor": first["next_cursor"]}).json()
    assert [item["id"] for item in first["items"] + second["items"]] == ids[::-1]
    assert on_postgres.client.post(f"/v1/inspections/{ids[0]}/cancel").json()["state"] == "cancelled"
    assert on_postgres.client.get("/v1/health/ready").json()["is_ready"]


def test_the_same_key_at_the_same_time_makes_one_thing(on_postgres: Service) -> None:
    made: list[int] = []

    def make(session: Session) -> dict[str, Any]:
        made.append(1)
        return {"id": str(len(made)), "links": {"self": "/"}}

    claim = Claim(LOCAL.workspace_id, "k", "POST /v1/parts", "a" * 64)
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: answer_once(on_postgres.resources.database, claim, make), range(8)))
    assert {answer.body["id"] for answer in answers} == {"1"}
    assert len(made) == 1


def test_a_resumable_upload_becomes_an_upload(on_postgres: Service) -> None:
    tus = {"Tus-Resumable": "1.0.0"}
    begun = on_postgres.client.post("/v1/uploads/tus", headers={**tus, "Upload-Length": "4"})
    headers = {**tus, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    ended = on_postgres.client.patch(begun.headers["location"], content=b"abcd", headers=headers)
    upload = on_postgres.client.get(f"/v1/uploads/{ended.headers['firstpour-upload-id']}").json()
    assert upload["size_bytes"] == 4


def test_features_asked_for_by_many_at_once_are_queued_once(on_postgres: Service) -> None:
    part = on_postgres.client.post("/v1/parts", json={"name": "head"}).json()
    wanted = {"label": "A", "nominal_upload_id": on_postgres.upload()["id"]}
    revision = on_postgres.client.post(part["links"]["revisions"], json=wanted).json()
    with on_postgres.resources.database.writing() as session:
        session.execute(delete(FeatureDetection))
    address = revision["links"]["features"]
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: on_postgres.client.get(address).json()["state"], range(8)))
    assert answers == ["queued"] * 8
    assert len(on_postgres.sender.sent) == 2  # with the revision, and by one of the eight


def test_remarks_of_many_guests_at_once_make_one_chain(on_postgres: Service) -> None:
    on_postgres.client.post("/v1/subscriptions", json={"url": "https://hooks.example/in"})
    shared = share(on_postgres, finished(on_postgres))
    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(lambda number: shared.remark(text=f"Remark {number}.").status_code, range(12)))
    assert codes == [201] * 12
    found = on_postgres.client.get(f"/v1/inspections/{shared.inspection_id}/remarks/check").json()
    assert (found["is_whole"], found["entry_count"]) == (True, 12)
    with on_postgres.resources.database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Delivery)) == 12


def test_guessers_at_once_get_no_more_tries_than_in_turn(on_postgres: Service) -> None:
    locked = share(on_postgres, finished(on_postgres), passphrase=WORDS)

    def guess(_: int) -> int:
        guesser = on_postgres.stranger()
        return guesser.post(f"{locked.base}/passphrase", data={"passphrase": "x"}).status_code

    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(guess, range(8)))
    assert sorted(codes) == [403] * 5 + [429] * 3


def test_a_subscription_deleted_meanwhile_does_not_hold_up_a_remark(on_postgres: Service) -> None:
    made = on_postgres.client.post("/v1/subscriptions", json={"url": "https://hooks.example/in"}).json()
    shared = share(on_postgres, finished(on_postgres))
    with ThreadPoolExecutor(2) as pool:
        remark = pool.submit(lambda: [shared.remark(text=f"Remark {number}.").status_code for number in range(5)])
        gone = pool.submit(lambda: on_postgres.client.delete(made["links"]["self"]).status_code)
        assert (remark.result(), gone.result()) == ([201] * 5, 204)
    with on_postgres.resources.database.reading() as session:
        assert session.scalars(select(Delivery)).all() == []
