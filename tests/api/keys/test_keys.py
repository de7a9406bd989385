"""Access keys over HTTP."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.support.access import bearer, keyed_service
from tests.support.service import Service

KEYS = "/v1/keys"
WANTED = {"name": "Scanner room", "scopes": ["read", "write"]}


def make(service: Service, **changes: Any) -> dict[str, Any]:
    answer = service.client.post(KEYS, json={**WANTED, **changes})
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    assert answer.headers["location"] == found["links"]["self"]
    assert answer.headers["cache-control"] == "private, no-store"
    return found


def test_a_key_is_shown_once_and_afterwards_its_beginning_only(service: Service) -> None:
    made = make(service)
    assert made["key"].startswith(f"{made['prefix']}_")
    read, listed = (service.client.get(path) for path in (made["links"]["self"], KEYS))
    assert read.json() == {name: value for name, value in made.items() if name != "key"}
    assert listed.json()["items"] == [read.json()]
    assert made["key"][14:] not in read.text + listed.text


def test_an_idempotency_key_does_not_have_the_secret_kept(service: Service) -> None:
    headers = {"Idempotency-Key": "k1"}
    first, second = (service.client.post(KEYS, json=WANTED, headers=headers).json() for _ in range(2))
    assert first["key"] != second["key"]


@pytest.mark.parametrize(
    "changes",
    [
        {"scopes": []},
        {"scopes": ["everything"]},
        {"name": " "},
        {"expires_at": "2026-01-31T09:30:00"},  # no zone
        {"rate_per_minute": 0},
        {"stored_bytes_limit": -1},
        {"workspace_id": "ws_other"},
    ],
)
def test_a_wrong_key_is_refused(service: Service, changes: dict[str, Any]) -> None:
    answer = service.client.post(KEYS, json={**WANTED, **changes})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_a_replaced_key_names_the_one_after_it(service: Service) -> None:
    old = make(service)
    new = service.client.post(old["links"]["rotate"], json={"overlap_hours": 2}).json()
    read = service.client.get(old["links"]["self"]).json()
    assert (read["replaced_by"], read["state"], new["scopes"]) == (new["id"], "in_use", old["scopes"])
    left = datetime.fromisoformat(read["expires_at"]) - datetime.fromisoformat(new["created_at"])
    assert timedelta(hours=1.9) < left <= timedelta(hours=2)
    again = service.client.post(old["links"]["rotate"], json={})
    assert (again.status_code, again.json()["data"]["replaced_by"]) == (409, new["id"])


def test_a_revoked_key_says_so(service: Service) -> None:
    made = make(service)
    first, second = (service.client.post(made["links"]["revoke"]).json() for _ in range(2))
    assert (first["state"], first) == ("revoked", second)


def test_an_expired_key_says_so(service: Service) -> None:
    assert make(service, expires_at="2020-01-31T09:30:00Z")["state"] == "expired"


def test_keys_come_in_pages(service: Service) -> None:
    names = [make(service, name=f"key {number}")["name"] for number in range(3)]
    first = service.client.get(KEYS, params={"limit": 2}).json()
    second = service.client.get(KEYS, params={"limit": 2, "cursor": first["next_cursor"]}).json()
    assert [one["name"] for one in first["items"] + second["items"]] == names[::-1]
    assert second["next_cursor"] is None


def test_use_of_a_key_is_noted_to_the_minute(tmp_path: Path) -> None:
    with keyed_service(tmp_path) as keyed:
        key_id = keyed.issue("watched", frozenset({"read"}))  # type: ignore[arg-type]  # a scope is its word
        seen = []
        for _ in range(2):
            keyed.ask("watched", "GET", "/v1/parts")
            seen.append(keyed.ask("everything", "GET", f"{KEYS}/{key_id}").json()["last_used_at"])
    assert seen[0] is not None
    assert seen[0] == seen[1]


def test_a_rotated_key_works_beside_its_successor(tmp_path: Path) -> None:
    with keyed_service(tmp_path) as keyed:
        made = keyed.ask("everything", "POST", KEYS, json=WANTED).json()
        new = keyed.ask("everything", "POST", made["links"]["rotate"], json={}).json()
        asked = [keyed.service.client.get("/v1/parts", headers=bearer(one["key"])) for one in (made, new)]
    assert [answer.status_code for answer in asked] == [200, 200]
