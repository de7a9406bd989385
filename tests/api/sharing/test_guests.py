"""What a guest reaches, and what nobody learns."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
from sqlalchemy import update

from shared.sharing_tables import ShareLink
from shared.tables import Job, utc_now
from tests.support.access import furnish, keyed_service
from tests.support.service import PAGE, Service
from tests.support.sharing import BROWSER, FILE, REPORT_WITH_LINES, WORDS, Shared, finished, share

PATHS = ("", "/report.json", "/report.html", f"/files/{FILE}", "/remarks")
POSTS = ("/remarks", "/passphrase")
UNKNOWN = "A" * 43


def change(service: Service, link_id: str, **values: Any) -> None:
    with service.resources.database.writing() as session:
        row = session.get_one(ShareLink, link_id)
        for name, value in values.items():
            setattr(row, name, value)


def without_id(answer: httpx.Response) -> tuple[int, dict[str, Any], dict[str, str]]:
    """Everything an answer tells but the number of the request."""
    body = {name: value for name, value in answer.json().items() if name != "instance"}
    headers = {name: value for name, value in answer.headers.items() if name not in {"x-request-id", "date"}}
    return answer.status_code, body, headers


def test_a_guest_gets_the_report_its_files_and_a_page(shared: Shared) -> None:
    page, as_json, as_html, file, remarks = (shared.guest.get(shared.base + path) for path in PATHS)
    assert (as_json.text, as_html.text, file.content) == (REPORT_WITH_LINES, PAGE, b"x_mm\n1.0\n")
    assert f'src="{shared.base}/report.html"' in page.text
    assert f"{shared.base}/files/{FILE}" in page.text
    assert remarks.json() == {"inspection_id": shared.inspection_id, "items": []}


@pytest.mark.parametrize("accept", ["application/json", BROWSER["Accept"]])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_unknown_expired_and_revoked_get_exactly_the_same(
    service: Service, inspection_id: str, method: str, accept: str
) -> None:
    expired, revoked, locked = (share(service, inspection_id, passphrase=word) for word in (None, None, "cylinder"))
    change(service, expired.link["id"], expires_at=utc_now() - timedelta(seconds=1))
    change(service, locked.link["id"], expires_at=utc_now() - timedelta(seconds=1))
    service.client.post(revoked.link["links"]["revoke"])
    tokens = [UNKNOWN, expired.token, revoked.token, locked.token, expired.token[:-1], "x", "é" * 500]
    for path in PATHS if method == "GET" else POSTS:
        answers = [
            service.stranger().request(
                method, f"/s/{token}{path}", data={"author": "A", "text": "b"} if method == "POST" else None,
                headers={"Accept": accept},
            )
            for token in tokens
        ]  # fmt: skip
        if accept == "application/json":
            assert all(without_id(answer) == without_id(answers[0]) for answer in answers)
            assert answers[0].json()["code"] == "not_found"
        assert {answer.status_code for answer in answers} == {404}
        assert {len(answer.content) for answer in answers} == {len(answers[0].content)}


def test_control_characters_in_a_token_are_refused_before_any_link_is_looked_for(service: Service) -> None:
    answer = service.stranger().get("/s/%00", headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_a_revoked_link_is_dead_at_once_even_with_the_passphrase_given(locked: Shared) -> None:
    assert locked.guest.post(f"{locked.base}/passphrase", data={"passphrase": WORDS}).status_code == 303
    assert locked.guest.get(f"{locked.base}/report.json").status_code == 200
    locked.service.client.post(locked.link["links"]["revoke"])
    assert locked.guest.get(f"{locked.base}/report.json").status_code == 404


def test_a_guest_reaches_one_report_only(service: Service, shared: Shared) -> None:
    other = finished(service, "Second casting")
    page = shared.guest.get(shared.base).text
    assert other not in page
    assert "Second casting" not in page
    for path in (f"/files/{other}", "/files/other.csv", "/files/..%2freport.json", "/files/%2e%2e", "/links", "/../x"):
        assert shared.guest.get(shared.base + path).status_code == 404


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_there_is_nothing_to_change(shared: Shared, method: str) -> None:
    for path in PATHS:
        assert shared.guest.request(method, shared.base + path).status_code == 405


@pytest.mark.parametrize("token", [None, UNKNOWN])
@pytest.mark.parametrize("path", [*PATHS, "/nothing"])
def test_the_address_does_not_leak_and_is_not_kept(shared: Shared, path: str, token: str | None) -> None:
    headers = shared.guest.get(f"/s/{token or shared.token}{path}", headers=BROWSER).headers
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-robots-tag"].startswith("noindex")
    assert headers["cache-control"] == "private, no-store"
    assert headers["x-content-type-options"] == "nosniff"


def test_the_page_runs_no_script_and_shows_nothing_but_our_own(shared: Shared) -> None:
    answer = shared.guest.get(shared.base)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert "<script" not in answer.text
    assert answer.headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize("path", ["", "/report.json", "/report.html", f"/files/{FILE}", "/remarks"])
def test_a_guest_of_a_swept_report_gets_advice_a_guest_can_follow(service: Service, shared: Shared, path: str) -> None:
    with service.resources.database.writing() as session:
        session.execute(update(Job).values(swept_at=utc_now()))
    told = shared.remark() if path == "/remarks" else shared.guest.get(shared.base + path)
    assert (told.status_code, told.json()["code"], told.json()["data"]) == (410, "file_swept", {})
    assert told.json()["advice"].startswith("Ask whoever sent you the link")


def test_the_report_keeps_its_policy_and_is_framed_by_ours_alone(shared: Shared) -> None:
    headers = shared.guest.get(f"{shared.base}/report.html").headers
    assert "script-src 'none'" in headers["content-security-policy"]
    assert headers["content-security-policy"].endswith("frame-ancestors 'self'")
    assert headers["x-frame-options"] == "SAMEORIGIN"


def test_the_log_never_has_a_token(shared: Shared, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (*PATHS, "/nothing"):
        shared.guest.get(shared.base + path)
    shared.remark()
    shared.remark(text="")
    told = capsys.readouterr()
    lines = [json.loads(line) for line in (told.out + told.err).splitlines() if line.startswith("{")]
    assert any(line.get("path") == "/s/{token}/report.json" for line in lines)
    assert shared.token not in told.out + told.err


def test_with_a_passphrase_there_is_first_a_question(locked: Shared) -> None:
    page = locked.guest.get(locked.base, headers=BROWSER)
    assert page.status_code == 403
    assert 'type="password"' in page.text
    assert "First casting" not in page.text
    for path in PATHS[1:]:
        answer = locked.guest.get(locked.base + path)
        assert (answer.status_code, answer.json()["code"]) == (403, "passphrase_needed")
    assert locked.remark().status_code == 403
    assert locked.now()["view_count"] == 0


def test_the_right_passphrase_opens_this_link_alone(service: Service, locked: Shared) -> None:
    other = share(service, locked.inspection_id, passphrase=WORDS)
    answer = locked.guest.post(f"{locked.base}/passphrase", data={"passphrase": WORDS})
    cookie = answer.headers["set-cookie"].lower()
    assert all(
        part in cookie for part in ("httponly", "samesite=strict", f"path={locked.base.lower()}", "max-age=7200")
    )
    assert locked.guest.get(locked.base).status_code == 200
    value = cookie_value(answer)
    stolen = service.stranger().get(f"{other.base}/report.json", headers={"Cookie": f"firstpour_guest={value}"})
    assert stolen.status_code == 403


def cookie_value(answer: httpx.Response) -> str:
    return answer.headers["set-cookie"].partition("=")[2].partition(";")[0]


@pytest.mark.parametrize("forged", ["", "x", "9999999999.", "9999999999.00", "99999999999999999.ab", "-1.ab", "é.é"])
def test_a_ticket_cannot_be_made_up(service: Service, locked: Shared, forged: str) -> None:
    cookie = {"Cookie": f"firstpour_guest={forged}".encode("latin-1")}
    assert service.stranger().get(f"{locked.base}/report.json", headers=cookie).status_code == 403  # type: ignore[arg-type]  # httpx takes bytes


def test_a_ticket_cannot_be_given_a_longer_life(service: Service, locked: Shared) -> None:
    answer = locked.guest.post(f"{locked.base}/passphrase", data={"passphrase": WORDS})
    until, _, signature = cookie_value(answer).partition(".")
    longer = {"Cookie": f"firstpour_guest={int(until) + 1}.{signature}"}
    assert service.stranger().get(f"{locked.base}/report.json", headers=longer).status_code == 403


def tries(locked: Shared, *words: str) -> list[int]:
    return [
        locked.service.stranger().post(f"{locked.base}/passphrase", data={"passphrase": word}).status_code
        for word in words
    ]


def test_after_five_wrong_passphrases_not_even_the_right_one_is_looked_at(service: Service, locked: Shared) -> None:
    assert tries(locked, *["wrong"] * 6, WORDS) == [403] * 5 + [429] * 2
    answer = locked.guest.post(f"{locked.base}/passphrase", data={"passphrase": WORDS}, headers=BROWSER)
    assert 0 < int(answer.headers["retry-after"]) <= 60
    change(service, locked.link["id"], next_try_at=utc_now())
    assert tries(locked, WORDS) == [303]
    assert tries(locked, *["wrong"] * 4) == [403] * 4  # counted anew


def test_the_pause_doubles_with_every_further_try_up_to_an_hour(service: Service, locked: Shared) -> None:
    pauses_s = []
    tries(locked, *["wrong"] * 4)
    for _ in range(8):
        change(service, locked.link["id"], next_try_at=None)
        tries(locked, "wrong")
        with service.resources.database.reading() as session:
            until = session.get_one(ShareLink, locked.link["id"]).next_try_at
        assert until is not None
        pauses_s.append(round((until - utc_now()).total_seconds(), -1))
    assert pauses_s == pytest.approx([60, 120, 240, 480, 960, 1920, 3600, 3600], abs=20)


def test_a_wrong_passphrase_is_told_on_the_form(locked: Shared) -> None:
    answer = locked.guest.post(f"{locked.base}/passphrase", data={"passphrase": "<b>wrong</b>"}, headers=BROWSER)
    assert answer.status_code == 403
    assert 'role="alert"' in answer.text
    assert "wrong</b>" not in answer.text


def test_a_passphrase_written_in_another_way_of_unicode_is_the_same(service: Service, inspection_id: str) -> None:
    composed = share(service, inspection_id, passphrase="Z\u00fcndkerze 14")  # noqa: S106 - opens nothing
    assert tries(composed, "Zu\u0308ndkerze 14") == [303]


def test_a_link_without_a_passphrase_takes_any(shared: Shared) -> None:
    answer = shared.guest.post(f"{shared.base}/passphrase", data={"passphrase": "x"})
    assert (answer.status_code, "set-cookie" in answer.headers) == (303, False)


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"{}", "application/json", 415),
        (b"author=%ff", "application/x-www-form-urlencoded", 422),
        (b"a=" + b"x" * 70_000, "application/x-www-form-urlencoded", 413),
        (b"&".join(b"a=1" for _ in range(50)), "application/x-www-form-urlencoded", 422),
        (b"\xff\xfe", "application/x-www-form-urlencoded", 422),
    ],
)
def test_a_form_that_cannot_be_read_is_refused(shared: Shared, content: bytes, kind: str, status: int) -> None:
    answer = shared.guest.post(f"{shared.base}/remarks", content=content, headers={"Content-Type": kind})
    assert answer.status_code == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "null"}, 201),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 201),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "null"}, 403),
        ({"Origin": "https://elsewhere.example"}, 403),
    ],
)
def test_another_sites_page_cannot_speak_for_a_guest(shared: Shared, headers: dict[str, str], status: int) -> None:
    answer = shared.guest.post(f"{shared.base}/remarks", data={"author": "A", "text": "b"}, headers=headers)
    assert answer.status_code == status


def test_where_keys_are_used_a_guest_needs_none_and_reaches_nothing_else(tmp_path: Path) -> None:
    with keyed_service(tmp_path / "keyed") as keyed:
        report = f"/v1/inspections/{furnish(keyed)['inspection_id']}"
        base = urlsplit(keyed.ask("share", "POST", f"{report}/links", json={"label": "Foundry"}).json()["url"]).path
        guest = keyed.service.stranger()
        opened = [guest.get(base + path).status_code for path in ("", "/report.json", "/report.html", "/remarks")]
        others = [
            guest.get(path).status_code for path in (f"{report}/report.json", f"{report}/links", "/v1/inspections")
        ]
    assert opened == [200] * 4
    assert others == [401] * 3
