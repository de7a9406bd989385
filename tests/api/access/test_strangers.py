"""What a stranger can find out: nothing, not even whether a thing exists.

Each request is sent to two services alike: one whose default workspace has something of everything,
and one in which nothing was ever made.  A key of another workspace gets the same answer from both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from shared.tables import Upload
from tests.support.access import (
    OTHER_WORKSPACE,
    Keyed,
    Operation,
    described_operations,
    furnish,
    keyed_service,
    request_for,
    unknown_ids,
)

OWN_EACH_TIME = {"x-request-id", "ratelimit"}
MAKES_A_THING_OF_ITS_OWN = {
    "tus_create",
    "create_upload",
    "create_part",
    "create_from_form",
    "create_key",
    "create_subscription",
}
LISTS_OWN_KEYS = {"list_keys", "list_audit"}  # the stranger's own key is in them, with ids and times of its own
OPERATIONS = [one for one in described_operations() if one.scope is not None]
COMPARED = [one for one in OPERATIONS if one.name not in MAKES_A_THING_OF_ITS_OWN | LISTS_OWN_KEYS]
NOBODY = (None, "malformed", "expired", "revoked")


@dataclass(frozen=True)
class Twins:
    """The same service with and without things in it, and the ids of those things."""

    full: Keyed
    empty: Keyed
    ids: dict[str, str]


@pytest.fixture(scope="module")
def twins(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Twins]:
    folder = tmp_path_factory.mktemp("strangers")
    with keyed_service(folder / "full") as full, keyed_service(folder / "empty") as empty:
        yield Twins(full, empty, furnish(full))


def told(answer: httpx.Response) -> tuple[int, Any, dict[str, str]]:
    """All that an answer says, without what names the request itself."""
    headers = {name: value for name, value in answer.headers.items() if name not in OWN_EACH_TIME}
    text, request_id = answer.text, answer.headers["x-request-id"]
    return answer.status_code, text.replace(request_id, "REQUEST"), headers


def answers(twins: Twins, caller: str | None, operation: Operation) -> list[tuple[int, Any, dict[str, str]]]:
    path, request = operation.path_with(twins.ids), request_for(operation.name, twins.ids)
    return [told(keyed.ask(caller, operation.method, path, **request)) for keyed in (twins.full, twins.empty)]


@pytest.mark.parametrize("operation", COMPARED, ids=lambda one: one.name)
def test_another_workspace_cannot_tell_what_exists_from_what_does_not(twins: Twins, operation: Operation) -> None:
    with_things, without = answers(twins, "other workspace", operation)
    assert with_things == without


@pytest.mark.parametrize("caller", NOBODY, ids=str)
@pytest.mark.parametrize("operation", OPERATIONS, ids=lambda one: one.name)
def test_whoever_has_no_valid_key_gets_one_same_answer(twins: Twins, operation: Operation, caller: str | None) -> None:
    first = told(twins.empty.ask(None, "GET", "/v1/parts"))
    found = answers(twins, caller, operation)
    if operation.method == "HEAD":
        assert [(status, headers) for status, _, headers in found] == [(first[0], first[2])] * 2
    else:
        assert found == [first] * 2


def test_the_refusal_says_how_to_be_let_in(twins: Twins) -> None:
    answer = twins.full.ask(None, "GET", "/v1/parts")
    assert (answer.status_code, answer.json()["code"]) == (401, "unauthenticated")
    assert answer.headers["www-authenticate"] == 'Bearer realm="firstpour"'  # RFC 6750, section 3
    assert "ratelimit" not in answer.headers


@pytest.mark.parametrize("header", ["Bearer", "Bearer ", "Basic Zm9vOmJhcg==", "fp_0123456789_x", "Bearer \xff"])
def test_a_header_that_carries_no_key_is_no_key(twins: Twins, header: str) -> None:
    raw = [(b"authorization", header.encode("latin-1"))]
    answer = twins.full.service.client.get("/v1/parts", headers=raw)
    assert told(answer) == told(twins.empty.ask(None, "GET", "/v1/parts"))


def test_nothing_of_a_request_is_looked_at_before_its_key(twins: Twins) -> None:
    answer = twins.full.ask(None, "POST", "/v1/parts", content=b"{", headers={"Content-Type": "application/json"})
    assert answer.status_code == 401


@pytest.mark.parametrize("path", ["/v1/parts", "/v1/inspections"])
def test_lists_of_another_workspace_are_empty(twins: Twins, path: str) -> None:
    assert twins.full.ask("other workspace", "GET", path).json() == {"items": [], "next_cursor": None}
    assert twins.full.ask("everything", "GET", path).json()["items"] != []


def test_keys_and_log_of_another_workspace_are_its_own(twins: Twins) -> None:
    keys = twins.full.ask("other workspace", "GET", "/v1/keys").json()["items"]
    assert [key["name"] for key in keys][-1:] == ["other workspace"]
    entries = twins.full.ask("other workspace", "GET", "/v1/audit").json()["items"]
    assert {entry["action"] for entry in entries} == {"key.created"}


def test_a_cursor_of_one_workspace_opens_nothing_in_another(twins: Twins) -> None:
    cursor = twins.full.ask("everything", "GET", "/v1/inspections?limit=1").json()["next_cursor"]
    found = twins.full.ask("other workspace", "GET", f"/v1/inspections?cursor={cursor}").json()
    assert found == {"items": [], "next_cursor": None}


def test_an_answer_kept_for_one_workspace_is_not_repeated_to_another(twins: Twins) -> None:
    headers = {"Idempotency-Key": "same"}
    made = [twins.full.ask(who, "POST", "/v1/parts", json={"name": "Head"}, headers=headers) for who in TWO]
    assert made[0].json()["id"] != made[1].json()["id"]
    assert [answer.headers.get("idempotency-replayed") for answer in made] == [None, None]


TWO = ("everything", "other workspace")


@pytest.mark.parametrize("field", ["nominal_upload_id", "scan_upload_id", "revision_id", "bodies"])
def test_an_order_cannot_refer_to_anything_of_another_workspace(twins: Twins, field: str) -> None:
    own = twins.full.ask("other workspace", "POST", "/v1/uploads?name=own.step", content=b"ISO-10303-21;").json()["id"]
    order: dict[str, Any] = {"nominal_upload_id": own, "scan_upload_id": own}
    foreign: dict[str, Any] = {field: twins.ids["upload_id"]}
    if field == "revision_id":
        order, foreign = {"scan_upload_id": own}, {"revision_id": twins.ids["revision_id"]}
    elif field == "bodies":
        foreign = {"bodies": [{"name": "core", "upload_id": twins.ids["upload_id"]}]}
    answer = twins.full.ask("other workspace", "POST", "/v1/inspections", json={**order, **foreign})
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")


def test_an_upload_is_not_finished_by_another_workspace(twins: Twins) -> None:
    operation = next(one for one in OPERATIONS if one.name == "tus_patch")
    answers(twins, "other workspace", operation)
    row = twins.full.ask("everything", "HEAD", f"/v1/uploads/tus/{twins.ids['partial_id']}", headers=TUS_HEADER)
    assert row.headers["upload-offset"] == "0"


TUS_HEADER = {"Tus-Resumable": "1.0.0"}


@pytest.mark.parametrize("name", ["upload_id", "inspection_id", "key_id"])
def test_ids_that_mean_nothing_are_not_found_either(twins: Twins, name: str) -> None:
    paths = {"upload_id": "/v1/uploads/{}", "inspection_id": "/v1/inspections/{}", "key_id": "/v1/keys/{}"}
    assert twins.full.ask("everything", "GET", paths[name].format(unknown_ids()[name])).status_code == 404


def test_pages_of_another_workspace_show_nothing(twins: Twins) -> None:
    headers = {"Accept": "text/html"}
    paths = ("/", f"/inspections/{twins.ids['inspection_id']}")
    for_stranger = [twins.full.ask("other workspace", "GET", path, headers=headers) for path in paths]
    assert [answer.status_code for answer in for_stranger] == [200, 404]
    assert "scan.stl" not in for_stranger[0].text
    assert "scan.stl" in twins.full.ask("everything", "GET", "/", headers=headers).text


def test_a_row_of_the_other_workspace_is_marked_as_its(twins: Twins) -> None:
    made = twins.full.ask("other workspace", "POST", "/v1/uploads?name=a.stl", content=b"solid a")
    with twins.full.service.resources.database.reading() as session:
        row = session.get_one(Upload, made.json()["id"])
    assert (row.workspace_id, row.key_id is not None) == (OTHER_WORKSPACE, True)
