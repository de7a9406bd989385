"""Remarks and sign-offs: plain text of named people, in a chain that shows every change."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from html.parser import HTMLParser
from typing import Any

import pytest
from sqlalchemy import select, text

from shared.sharing_tables import Delivery, Remark
from shared.tables import AuditEntry
from tests.support.service import Service
from tests.support.sharing import BROWSER, REPORT_WITH_LINES, Shared, share

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "{{ 7*7 }}{% raw %}",
    "javascript:alert(1)",
    "</textarea></form><form action=https://elsewhere.example>",
    "<!--",
    "&lt;b&gt;&#x3c;script&#x3e;",
    "<svg/onload=alert(1)>",
]


class Tags(HTMLParser):
    """Names and attributes of every tag of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(" ".join([tag, *(name for name, _ in attrs)]))


def remarks_of(service: Service, inspection_id: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = service.client.get(f"/v1/inspections/{inspection_id}/remarks").json()["items"]
    return found


def check(service: Service, inspection_id: str, **query: str) -> dict[str, Any]:
    found: dict[str, Any] = service.client.get(f"/v1/inspections/{inspection_id}/remarks/check", params=query).json()
    return found


def tamper(service: Service, statement: str) -> None:
    """Change rows as someone with the database's file could."""
    with service.resources.database.engine.begin() as connection:
        for name in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).scalars().all():
            connection.execute(text(f"DROP TRIGGER {name}"))
        connection.execute(text(statement))


def test_a_remark_carries_name_words_place_time_and_report(shared: Shared) -> None:
    answer = shared.remark(place="W1")
    assert answer.status_code == 201
    (kept,) = remarks_of(shared.service, shared.inspection_id)
    assert kept == answer.json()
    assert (kept["number"], kept["author"], kept["text"], kept["place"]) == (1, "Anna", "Cold shut at W1.", "W1")
    assert (kept["kind"], kept["decision"], kept["link_id"]) == ("remark", None, shared.link["id"])
    assert kept["report_sha256"] == hashlib.sha256(REPORT_WITH_LINES.encode()).hexdigest()


@pytest.mark.parametrize("decision", ["accepted", "accepted_with_remarks", "not_accepted"])
def test_a_sign_off_is_a_decision_under_a_name(shared: Shared, decision: str) -> None:
    kept = shared.remark(decision=decision).json()
    assert (kept["kind"], kept["decision"]) == ("sign_off", decision)
    assert decision.replace("_", " ") in shared.guest.get(shared.base).text


def test_a_piece_accepted_as_it_is_needs_no_words(shared: Shared) -> None:
    assert shared.remark(decision="accepted", text="").status_code == 201
    assert shared.remark(decision="not_accepted", text=" ").status_code == 422


@pytest.mark.parametrize("hostile", HOSTILE)
def test_what_a_guest_writes_is_text_everywhere(shared: Shared, hostile: str) -> None:
    owner = f"/inspections/{shared.inspection_id}"
    shared.remark(author="Anna", text="Plain.")
    before = [Tags(page).seen for page in (shared.guest.get(shared.base).text, owner_page(shared, owner))]
    assert shared.remark(author=hostile[:80], text=hostile).status_code == 201
    for page, tags in zip((shared.guest.get(shared.base).text, owner_page(shared, owner)), before, strict=True):
        new = Tags(page).seen
        one_entry = [tag for tag in new if tags.count(tag) != new.count(tag)]
        assert {tag.split()[0] for tag in one_entry} <= {"li", "p", "bdi", "span", "time", "b"}
        assert not any(" on" in tag for tag in new)


def owner_page(shared: Shared, path: str) -> str:
    return shared.service.client.get(path, headers=BROWSER).text


def test_names_are_set_apart_by_direction(shared: Shared) -> None:
    shared.remark(author="\u05d0\u05d1\u05d2 7", text="\u0645\u0631\u062d\u0628\u0627")
    page = shared.guest.get(shared.base).text
    assert '<bdi class="author">\u05d0\u05d1\u05d2 7</bdi>' in page
    assert '<p class="text" dir="auto">' in page


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("author", ""),
        ("author", "   "),
        ("author", "x" * 81),
        ("author", "An\nna"),
        ("author", "Anna\u202egnp"),
        ("author", "An\x00na"),
        ("author", "An\u200bna"),
        ("author", "\u2066Anna\u2069"),
        ("author", "Anna\x1b[31m"),
        ("author", "Anna\u2028"),
        ("text", ""),
        ("text", "x" * 4001),
        ("text", "fine \u202e toidi"),
        ("text", "bell \x07"),
        ("text", "\ufeffmark"),
        ("text", "private \ue000"),
        ("place", "W9"),
        ("decision", "safe"),
        ("decision", "ACCEPTED"),
        ("id", "rem_1"),
    ],
)
def test_what_hides_misleads_or_means_nothing_is_refused(shared: Shared, field: str, value: str) -> None:
    answer = shared.remark(**{field: value})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")
    assert answer.json()["advice"]
    assert remarks_of(shared.service, shared.inspection_id) == []


def test_lines_and_marks_of_all_scripts_are_kept(shared: Shared) -> None:
    said = "Erste Zeile\nzweite\t0,45 mm \u2013 \u00d8 8\nफाउंड्री"
    assert shared.remark(text=said.replace("\n", "\r\n")).json()["text"] == said


@pytest.mark.parametrize(("may", "fields"), [("may_remark", {}), ("may_sign", {"decision": "accepted"})])
def test_a_link_allows_only_what_it_says(
    service: Service, inspection_id: str, may: str, fields: dict[str, str]
) -> None:
    shared = share(service, inspection_id, **{may: False})
    answer = shared.remark(**fields)
    assert (answer.status_code, answer.json()["code"]) == (403, "link_forbids")


def test_the_same_words_twice_in_a_row_are_one_remark(shared: Shared) -> None:
    first, second, other = shared.remark(), shared.remark(), shared.remark(text="And a burr.")
    assert first.json() == second.json()
    assert other.json()["number"] == 2


def test_in_a_browser_one_comes_back_to_the_page(shared: Shared) -> None:
    answer = shared.guest.post(f"{shared.base}/remarks", data={"author": "A", "text": "b"}, headers=BROWSER)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{shared.base}#remark-1")


def test_guests_of_one_link_do_not_read_those_of_another(service: Service, shared: Shared) -> None:
    other = share(service, shared.inspection_id, label="Other foundry")
    shared.remark(text="Between us.")
    service.client.post(f"/v1/inspections/{shared.inspection_id}/remarks", json={"text": "To all."})
    seen = [one["text"] for one in other.guest.get(f"{other.base}/remarks").json()["items"]]
    assert seen == ["To all."]
    assert "Between us." not in other.guest.get(other.base).text
    assert [one["text"] for one in remarks_of(service, shared.inspection_id)] == ["Between us.", "To all."]


def test_the_shop_remarks_under_the_name_of_its_key(service: Service, inspection_id: str) -> None:
    wanted = {"text": "For the bench only.", "decision": "accepted_with_remarks", "place": "W1"}
    kept = service.client.post(f"/v1/inspections/{inspection_id}/remarks", json=wanted).json()
    assert (kept["author"], kept["link_id"], kept["kind"]) == ("local", None, "sign_off")


def test_entries_hang_together_and_the_check_says_so(service: Service, shared: Shared) -> None:
    entries = [shared.remark(text=f"Remark {number}.").json() for number in range(4)]
    assert [one["previous_sha256"] for one in entries] == ["0" * 64, *(one["sha256"] for one in entries[:-1])]
    found = check(service, shared.inspection_id, known_sha256=entries[2]["sha256"])
    assert found == {
        "is_whole": True, "entry_count": 4, "broken_number": None, "reason": None,
        "last_sha256": entries[3]["sha256"], "is_known_there": True, "is_report_same": True,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("statement", "broken_number"),
    [
        ("UPDATE remarks SET text = 'Fine.' WHERE number = 2", 2),
        ("UPDATE remarks SET author = 'Bert' WHERE number = 1", 1),
        ("UPDATE remarks SET at = '2020-01-01 00:00:00.000000' WHERE number = 3", 3),
        ("DELETE FROM remarks WHERE number = 2", 2),
        ("DELETE FROM remarks WHERE number = 1", 1),
    ],
)
def test_the_check_names_the_first_entry_that_was_tampered_with(
    service: Service, shared: Shared, statement: str, broken_number: int
) -> None:
    for number in range(4):
        shared.remark(text=f"Remark {number}.")
    tamper(service, statement)
    found = check(service, shared.inspection_id)
    assert (found["is_whole"], found["broken_number"]) == (False, broken_number)


def test_who_kept_the_last_digest_sees_that_the_end_was_cut_off(service: Service, shared: Shared) -> None:
    kept = [shared.remark(text=f"Remark {number}.").json()["sha256"] for number in range(3)]
    tamper(service, "DELETE FROM remarks WHERE number = 3")
    assert check(service, shared.inspection_id)["is_whole"]
    assert not check(service, shared.inspection_id, known_sha256=kept[-1])["is_known_there"]


def test_another_report_under_old_remarks_is_told(service: Service, shared: Shared) -> None:
    shared.remark()
    tamper(service, "UPDATE remarks SET report_sha256 = 'ab'")
    assert not check(service, shared.inspection_id)["is_report_same"]


def test_many_at_once_make_one_chain(service: Service, shared: Shared) -> None:
    with ThreadPoolExecutor(4) as pool:
        codes = list(pool.map(lambda number: shared.remark(text=f"Remark {number}.").status_code, range(12)))
    assert codes == [201] * 12
    found = check(service, shared.inspection_id)
    assert (found["is_whole"], found["entry_count"]) == (True, 12)


def test_a_remark_is_told_to_subscribers_and_stands_in_the_audit_log(service: Service, shared: Shared) -> None:
    service.client.post("/v1/subscriptions", json={"url": "https://hooks.example/in"})
    remark, signed = shared.remark().json(), shared.remark(decision="accepted").json()
    with service.resources.database.reading() as session:
        bodies = [json.loads(body) for body in session.scalars(select(Delivery.body))]
        actions = session.execute(select(AuditEntry.action, AuditEntry.actor, AuditEntry.target)).all()
    by_type = {body["type"]: body["data"] for body in bodies}
    assert by_type["remark.added"]["sha256"] == remark["sha256"]
    assert by_type["sign_off.added"]["decision"] == "accepted"
    assert ("sign_off.added", f"guest of {shared.link['id']}", signed["id"]) in [tuple(row) for row in actions]


def test_a_refused_remark_is_neither_kept_nor_told(service: Service, shared: Shared) -> None:
    service.client.post("/v1/subscriptions", json={"url": "https://hooks.example/in"})
    shared.remark(place="W9")
    with service.resources.database.reading() as session:
        assert session.scalars(select(Delivery.id)).all() == []
        assert session.scalars(select(Remark.id)).all() == []
