"""Secrets are in no log, whatever is asked and however it ends."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.parts import service as parts
from shared.access import Scope
from tests.support.access import Keyed, bearer, keyed_service

SITE = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def keyed(tmp_path: Path) -> Iterator[Keyed]:
    with keyed_service(tmp_path) as keyed:
        yield keyed


def written(capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture) -> str:
    captured = capsys.readouterr()
    return captured.out + captured.err + caplog.text


def test_no_key_and_no_token_is_logged(
    keyed: Keyed, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise ZeroDivisionError

    client, secrets = keyed.service.client, [keyed.keys[name] for name in ("everything", "malformed", "revoked")]
    for text in secrets:  # let in, refused, signed in, and in places where no key belongs
        client.get("/v1/parts", headers=bearer(text))
        client.post("/v1/parts", json={"name": 1, "key": text}, headers=bearer(text))
        client.get(f"/v1/parts?limit={text}", headers=bearer(text))
        client.post("/sign-in", data={"key": text}, headers=SITE, follow_redirects=False)
    secrets.append(client.cookies["firstpour"])
    made = keyed.ask("everything", "POST", "/v1/keys", json={"name": "New", "scopes": ["read"]}).json()
    secrets.append(made["key"])
    monkeypatch.setattr(parts, "list_parts", fail)
    assert client.get("/v1/parts").status_code == 500  # with the cookie
    assert keyed.ask("everything", "GET", "/v1/parts").status_code == 500
    log = written(capsys, caplog)
    assert "ZeroDivisionError" in log
    assert "request_refused" in log
    assert [text for text in secrets if text[-43:] in log] == []


def test_what_is_logged_names_the_key_by_its_id(
    keyed: Keyed, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    key_id = keyed.issue("watched", frozenset({Scope.READ}))
    keyed.ask("watched", "GET", "/v1/parts")
    assert f'"key_id": "{key_id}"' in written(capsys, caplog)
