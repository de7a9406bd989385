"""Rate and quotas of a key, over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.resources import Caller
from shared.access import Scope
from shared.keys import rotate_key
from tests.support.access import TUS, Keyed, bearer, keyed_service
from tests.support.service import STL

EVERYTHING = frozenset(Scope)


@pytest.fixture
def keyed(tmp_path: Path) -> Iterator[Keyed]:
    with keyed_service(tmp_path) as keyed:
        yield keyed


def order(keyed: Keyed, key: str) -> httpx.Response:
    upload = keyed.ask("everything", "POST", "/v1/uploads?name=a.stl", content=STL).json()["id"]
    wanted = {"nominal_upload_id": upload, "scan_upload_id": upload, "unit": "mm"}
    return keyed.ask(key, "POST", "/v1/inspections", json=wanted)


def code(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["code"]


def test_more_requests_than_the_rate_are_told_when_to_come_back(keyed: Keyed) -> None:
    keyed.issue("slow", EVERYTHING, rate_per_minute=2)
    first, second, third = (keyed.ask("slow", "GET", "/v1/parts") for _ in range(3))
    assert (first.status_code, second.status_code, code(third)) == (200, 200, (429, "rate_limited"))
    assert 25 <= int(third.headers["retry-after"]) <= 30
    assert (first.headers["ratelimit-policy"], first.headers["ratelimit"]) == ('"key";q=2;w=60', '"key";r=1;t=30')
    assert third.headers["ratelimit"].startswith('"key";r=0;')


def test_the_rate_counts_what_is_refused_for_its_scope_too(keyed: Keyed) -> None:
    keyed.issue("slow", frozenset({Scope.READ}), rate_per_minute=1)
    assert keyed.ask("slow", "POST", "/v1/parts", json={"name": "Head"}).status_code == 403
    assert keyed.ask("slow", "GET", "/v1/parts").status_code == 429


def test_jobs_beyond_the_quota_wait_until_one_is_done(keyed: Keyed) -> None:
    keyed.issue("few jobs", EVERYTHING, open_jobs_limit=1)
    first = order(keyed, "few jobs").json()["id"]
    refused = order(keyed, "few jobs")
    assert code(refused) == (429, "job_quota_reached")
    assert int(refused.headers["retry-after"]) > 0
    keyed.service.finish(first)
    assert order(keyed, "few jobs").status_code == 202


def test_jobs_of_other_keys_do_not_count(keyed: Keyed) -> None:
    keyed.issue("few jobs", EVERYTHING, open_jobs_limit=1)
    order(keyed, "everything")
    assert order(keyed, "few jobs").status_code == 202


def test_a_replaced_key_does_not_get_the_quota_twice(keyed: Keyed) -> None:
    key_id = keyed.issue("few jobs", EVERYTHING, open_jobs_limit=1)
    order(keyed, "few jobs")
    with keyed.service.resources.database.writing() as session:
        who = Caller("test", "ws_default", None, EVERYTHING)
        keyed.keys["new"] = rotate_key(session, who, key_id).secret.text
    assert code(order(keyed, "new")) == (429, "job_quota_reached")


def small(keyed: Keyed) -> None:
    keyed.issue("little room", EVERYTHING, stored_bytes_limit=100)


def test_files_beyond_the_room_of_a_key_are_refused_and_leave_nothing(keyed: Keyed) -> None:
    small(keyed)
    kept = keyed.ask("little room", "POST", "/v1/uploads?name=a.stl", content=b"x" * 60)
    refused = keyed.ask("little room", "POST", "/v1/uploads?name=b.stl", content=b"x" * 60)
    assert (kept.status_code, code(refused)) == (201, (507, "storage_quota_reached"))
    assert len(keyed.service.stored_files()) == 1


def test_a_file_of_unannounced_length_is_held_to_it_too(keyed: Keyed) -> None:
    small(keyed)
    pieces = (b"x" * 30 for _ in range(4))
    refused = keyed.ask("little room", "POST", "/v1/uploads?name=a.stl", content=pieces)
    assert code(refused) == (507, "storage_quota_reached")
    assert keyed.service.stored_files() == []


def test_a_form_is_held_to_it_too(keyed: Keyed) -> None:
    small(keyed)
    files = {"nominal": ("a.stl", b"x" * 60), "scan": ("b.stl", b"x" * 60)}
    refused = keyed.ask("little room", "POST", "/v1/inspections/form", files=files, data={"unit": "mm"})
    assert code(refused) == (507, "storage_quota_reached")
    assert keyed.service.stored_files() == []


def begin(keyed: Keyed, size_bytes: int) -> httpx.Response:
    return keyed.ask("little room", "POST", "/v1/uploads/tus", headers={**TUS, "Upload-Length": str(size_bytes)})


def test_a_resumable_upload_takes_its_room_when_it_begins(keyed: Keyed) -> None:
    small(keyed)
    assert begin(keyed, 60).status_code == 201
    assert code(begin(keyed, 60)) == (507, "storage_quota_reached")


def test_a_finished_resumable_upload_counts_once(keyed: Keyed) -> None:
    small(keyed)
    address = begin(keyed, 60).headers["location"]
    headers: dict[str, Any] = {**TUS, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    assert keyed.ask("little room", "PATCH", address, headers=headers, content=b"x" * 60).status_code == 204
    assert begin(keyed, 40).status_code == 201


def test_a_request_at_the_limit_fits(keyed: Keyed) -> None:
    small(keyed)
    assert keyed.ask("little room", "POST", "/v1/uploads?name=a.stl", content=b"x" * 100).status_code == 201


def test_figures_for_prometheus_want_their_own_token(tmp_path: Path) -> None:
    with keyed_service(tmp_path / "figures", metrics_token="of-prometheus") as keyed:  # noqa: S106 - of the test
        ask = keyed.service.client.get
        answers = [ask("/metrics", headers=headers) for headers in ({}, bearer("another"), bearer("of-prometheus"))]
    assert [answer.status_code for answer in answers] == [401, 401, 200]
