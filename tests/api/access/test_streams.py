"""An answer without an end ends with the key it was begun with."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.inspections.events import standing
from api.resources import LOCAL, Caller
from shared.access import AccessMode, Scope
from shared.errors import Unauthenticated
from shared.keys import KeyTerms, create_key, revoke_key
from tests.support.access import bearer
from tests.support.live import live_service
from tests.support.service import STL


def test_following_ends_when_the_key_is_revoked(tmp_path: Path) -> None:
    with live_service(tmp_path / "data", access=AccessMode.KEYS) as live:
        database = live.service.resources.database
        with database.writing() as session:
            issued = create_key(session, LOCAL, KeyTerms(name="A", scopes=frozenset(Scope)))
        client = live.service.client
        client.headers.update(bearer(issued.secret.text))
        upload = client.post("/v1/uploads?name=a.stl", content=STL).json()["id"]
        order = {"nominal_upload_id": upload, "scan_upload_id": upload, "unit": "mm"}
        links = client.post("/v1/inspections", json=order).json()["links"]
        with client.stream("GET", links["events"]) as stream:
            lines = stream.iter_lines()
            assert next(lines) == "event: progress"
            with database.writing() as session:
                revoke_key(session, LOCAL, issued.row.id)
            assert "event: end" not in list(lines)  # the inspection goes on; only the telling stops
        assert client.get(links["self"]).status_code == 401


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.mark.anyio
async def test_nothing_is_told_to_a_key_that_is_gone(tmp_path: Path) -> None:
    gone = Caller("gone", LOCAL.workspace_id, "key_none", frozenset(Scope))
    with live_service(tmp_path / "data") as live, pytest.raises(Unauthenticated):
        await standing("insp_none", gone, live.service.resources)
