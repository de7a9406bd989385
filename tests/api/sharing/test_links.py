"""Share links as their owner sees them."""

from __future__ import annotations

import base64
import hashlib
from typing import Any

import pytest
from sqlalchemy import select

from shared.sharing_tables import ShareLink
from shared.tables import AuditEntry
from tests.support.service import Service
from tests.support.sharing import WORDS, Shared, finished, share


def row_of(service: Service, link_id: str) -> ShareLink:
    with service.resources.database.reading() as session:
        return session.get_one(ShareLink, link_id)


def test_a_link_is_shown_once_and_kept_as_a_hash(service: Service, shared: Shared) -> None:
    row = row_of(service, shared.link["id"])
    assert row.token_sha256 == hashlib.sha256(shared.token.encode()).hexdigest()
    assert "url" not in shared.now()
    stored = b"".join(path.read_bytes() for path in service.folder.glob("firstpour.sqlite3*"))
    assert shared.token.encode() not in stored


def test_tokens_have_256_bits_and_differ(service: Service, inspection_id: str) -> None:
    tokens = {share(service, inspection_id).token for _ in range(10)}
    assert len(tokens) == 10
    assert {len(base64.urlsafe_b64decode(token + "=")) for token in tokens} == {32}


def test_a_passphrase_is_kept_as_a_salted_slow_hash(service: Service, inspection_id: str) -> None:
    kept = [row_of(service, share(service, inspection_id, passphrase=WORDS).link["id"]).passphrase for _ in range(2)]
    assert kept[0] != kept[1]
    assert all(text is not None and text.startswith("scrypt$32768$8$3$") for text in kept)


def test_links_are_listed_newest_first_with_what_they_may(service: Service, inspection_id: str) -> None:
    first, second = (share(service, inspection_id, label=name, may_sign=False) for name in ("A", "B"))
    items = service.client.get(f"/v1/inspections/{inspection_id}/links").json()["items"]
    assert [item["id"] for item in items] == [second.link["id"], first.link["id"]]
    assert items[0]["state"] == "active"
    assert (items[0]["may_remark"], items[0]["may_sign"], items[0]["has_passphrase"]) == (True, False, False)


def test_revoking_twice_is_revoking_once(service: Service, shared: Shared) -> None:
    answers = [service.client.post(shared.link["links"]["revoke"]).json() for _ in range(2)]
    assert answers[0] == answers[1]
    assert (answers[0]["state"], answers[0]["revoked_at"] is None) == ("revoked", False)


def test_views_are_counted_with_the_last_time(shared: Shared) -> None:
    for path in ("", "/report.json", "/report.html", "/files/wall1-map.csv"):
        assert shared.guest.get(shared.base + path).status_code == 200
    shared.guest.get(f"{shared.base}/report.html", headers={"Sec-Fetch-Dest": "iframe"})  # inside the page
    now = shared.now()
    assert now["view_count"] == 3
    assert now["last_viewed_at"] is not None


@pytest.mark.parametrize(
    "wrong",
    [
        {"label": ""},
        {"label": "x" * 81},
        {"expires_in_days": 0},
        {"expires_in_days": 366},
        {"passphrase": "short"},
        {"colour": "red"},
    ],
)
def test_a_wrong_wish_is_refused(service: Service, inspection_id: str, wrong: dict[str, Any]) -> None:
    answer = service.client.post(f"/v1/inspections/{inspection_id}/links", json={"label": "Foundry", **wrong})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_there_is_no_link_without_a_report(service: Service) -> None:
    inspection_id = service.order()["id"]
    answer = service.client.post(f"/v1/inspections/{inspection_id}/links", json={"label": "Foundry"})
    assert (answer.status_code, answer.json()["code"]) == (409, "report_not_ready")


def test_a_link_is_found_under_its_own_inspection_only(service: Service, shared: Shared) -> None:
    other = finished(service)
    for method, tail in (("GET", ""), ("POST", "/revoke")):
        answer = service.client.request(method, f"/v1/inspections/{other}/links/{shared.link['id']}{tail}")
        assert answer.status_code == 404
    assert shared.now()["state"] == "active"


def test_making_and_revoking_stand_in_the_audit_log_without_the_token(service: Service, shared: Shared) -> None:
    service.client.post(shared.link["links"]["revoke"])
    with service.resources.database.reading() as session:
        entries = session.scalars(select(AuditEntry).where(AuditEntry.target == shared.link["id"])).all()
    assert {entry.action for entry in entries} == {"link.created", "link.revoked"}
    assert all(shared.token not in str(entry.detail) for entry in entries)


def test_the_address_goes_by_the_public_name(service: Service, shared: Shared) -> None:
    assert shared.link["url"].startswith("http://127.0.0.1:8650/s/")
