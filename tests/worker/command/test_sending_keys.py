"""The access key of ``firstpour send``."""

from __future__ import annotations

import pytest

from worker.command.main import app
from worker.command.sending import Server, _client


@pytest.mark.parametrize(("key", "header"), [("fp_x", "Bearer fp_x"), ("", None)])
def test_a_key_goes_with_every_request(key: str, header: str | None) -> None:
    with _client(Server("http://127.0.0.1:8650", key)) as client:
        assert client.headers.get("authorization") == header


def test_a_key_is_not_shown_where_the_server_is_printed() -> None:
    assert "fp_x" not in repr(Server("http://127.0.0.1:8650", "fp_x"))


def test_the_key_may_come_from_the_environment(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        app(["send", "--help"])
    assert "FIRSTPOUR_KEY" in capsys.readouterr().out
