"""Browsers signed in with a key: the page, the cookie, and what it may be used for."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from sqlalchemy import select, update

from api.resources import LOCAL
from api.upkeep import tidy
from shared.access import Scope, digest_of
from shared.keys import revoke_key
from shared.tables import ApiKey, AuditEntry, BrowserSession, utc_now
from tests.support.access import Keyed, keyed_service
from tests.support.service import BASE_URL, Service

HTML = {"Accept": "text/html"}
OWN_SITE = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def keyed(tmp_path: Path) -> Iterator[Keyed]:
    with keyed_service(tmp_path) as keyed:
        yield keyed


def sign_in(keyed: Keyed, key: str = "everything", wanted: str = "/") -> httpx.Response:
    form = {"key": keyed.keys[key], "next": wanted}
    return keyed.service.client.post("/sign-in", data=form, headers={**HTML, **OWN_SITE}, follow_redirects=False)


def get(keyed: Keyed, path: str = "/") -> httpx.Response:
    return keyed.service.client.get(path, headers=HTML)


def sessions(keyed: Keyed) -> list[BrowserSession]:
    with keyed.service.resources.database.reading() as session:
        return list(session.scalars(select(BrowserSession)))


def test_a_browser_without_session_is_shown_where_to_sign_in(keyed: Keyed) -> None:
    answer = get(keyed, "/inspections/insp_1")
    assert answer.status_code == 401
    assert 'action="/sign-in"' in answer.text
    assert 'name="next" value="/inspections/insp_1"' in answer.text
    assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert "<script>" not in answer.text


def test_a_key_signs_in_and_the_browser_goes_where_it_wanted(keyed: Keyed) -> None:
    answer = sign_in(keyed, wanted="/inspections/insp_1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/inspections/insp_1")
    assert "Past inspections" in get(keyed).text
    assert get(keyed, "/v1/parts").status_code == 200


@pytest.mark.parametrize("key", ["malformed", "expired", "revoked"])
def test_what_is_no_valid_key_does_not(keyed: Keyed, key: str) -> None:
    answer = sign_in(keyed, key)
    assert answer.status_code == 401
    assert "no valid access key" in answer.text
    assert "set-cookie" not in answer.headers
    assert keyed.keys[key] not in answer.text


def test_the_cookie_is_for_no_script_and_no_other_site(keyed: Keyed) -> None:
    cookie = sign_in(keyed).headers["set-cookie"].lower().split("; ")
    assert {"httponly", "samesite=strict", "path=/", "max-age=43200"} <= set(cookie)
    assert "secure" not in cookie  # over plain http a browser would not send it back
    assert not any(one.startswith("domain") for one in cookie)


def test_over_https_the_cookie_is_secure_and_bound_to_the_host(tmp_path: Path) -> None:
    with keyed_service(tmp_path / "https", public_url="https://firstpour.example") as keyed:
        cookie = sign_in(keyed).headers["set-cookie"]
    assert cookie.startswith("__Host-firstpour=")
    assert {"Secure", "HttpOnly", "SameSite=strict"} <= set(cookie.split("; "))


def test_of_a_session_only_a_hash_is_kept(keyed: Keyed) -> None:
    token = sign_in(keyed).cookies["firstpour"]
    assert [one.token_sha256 for one in sessions(keyed)] == [digest_of(token)]
    assert len(token) == 43  # 256 bits in base64


@pytest.mark.parametrize(
    ("wanted", "gone_to"),
    [
        ("/inspections/insp_1?before=x", "/inspections/insp_1?before=x"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("https://evil.example", "/"),
        ("/a\r\nSet-Cookie: x=y", "/"),
        ("", "/"),
    ],
)
def test_signing_in_never_leads_to_another_site(keyed: Keyed, wanted: str, gone_to: str) -> None:
    assert sign_in(keyed, wanted=wanted).headers["location"] == gone_to


def post(keyed: Keyed, headers: dict[str, str]) -> int:
    return keyed.service.client.post("/v1/parts", json={"name": "Head"}, headers=headers).status_code


def test_a_session_writes_for_our_own_pages_only(keyed: Keyed) -> None:
    sign_in(keyed)
    assert post(keyed, OWN_SITE) == post(keyed, {"Origin": BASE_URL}) == 201
    assert post(keyed, {"Sec-Fetch-Site": "cross-site"}) == post(keyed, {"Origin": "https://evil.example"}) == 403
    assert post(keyed, {}) == 403  # a browser says where a request comes from


def test_another_site_can_neither_sign_in_nor_out(keyed: Keyed) -> None:
    sign_in(keyed)
    for path in ("/sign-in", "/sign-out"):
        answer = keyed.service.client.post(
            path, data={"key": keyed.keys["read"]}, headers={"Origin": "https://evil.example"}
        )
        assert answer.status_code == 403
    assert len(sessions(keyed)) == 1


def test_a_session_may_do_what_its_key_may(keyed: Keyed) -> None:
    sign_in(keyed, "read")
    assert post(keyed, OWN_SITE) == 403
    page = get(keyed).text
    assert 'action="/v1/inspections/form"' not in page
    assert "Sign out" in page


def test_signing_out_ends_the_session_here_and_in_the_browser(keyed: Keyed) -> None:
    token = sign_in(keyed).cookies["firstpour"]
    answer = keyed.service.client.post("/sign-out", headers=OWN_SITE, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert "max-age=0" in answer.headers["set-cookie"].lower()
    keyed.service.client.cookies.set("firstpour", token)  # whoever kept it
    assert get(keyed).status_code == 401


def test_a_session_ends_with_its_key(keyed: Keyed) -> None:
    sign_in(keyed)
    with keyed.service.resources.database.writing() as session:
        key_id = session.scalars(select(ApiKey.id).where(ApiKey.name == "everything")).one()
        revoke_key(session, LOCAL, key_id)
    assert get(keyed).status_code == 401


def test_a_session_ends_after_its_time_and_is_tidied_away(keyed: Keyed) -> None:
    sign_in(keyed)
    with keyed.service.resources.database.writing() as session:
        session.execute(update(BrowserSession).values(expires_at=utc_now() - timedelta(seconds=1)))
    assert get(keyed).status_code == 401
    tidy(keyed.service.resources)
    assert sessions(keyed) == []


def test_a_session_does_not_outlive_a_key_that_is_soon_over(keyed: Keyed) -> None:
    end = utc_now() + timedelta(minutes=5)
    keyed.issue("short", frozenset({Scope.READ}), expires_at=end)
    sign_in(keyed, "short")
    assert [one.expires_at for one in sessions(keyed)] == [end]


def test_a_key_in_the_header_goes_before_the_cookie(keyed: Keyed) -> None:
    sign_in(keyed)
    assert keyed.ask("malformed", "GET", "/v1/parts").status_code == 401


def test_signing_in_and_out_is_in_the_log(keyed: Keyed) -> None:
    sign_in(keyed)
    keyed.service.client.post("/sign-out", headers=OWN_SITE)
    with keyed.service.resources.database.reading() as session:
        entries = session.scalars(select(AuditEntry.action).order_by(AuditEntry.at)).all()
    assert list(entries)[-2:] == ["session.signed_in", "session.signed_out"]


def test_where_no_keys_are_used_there_is_nothing_to_sign_in_to(service: Service) -> None:
    answer = service.client.get("/sign-in", headers=HTML, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Sign out" not in service.client.get("/", headers=HTML).text
