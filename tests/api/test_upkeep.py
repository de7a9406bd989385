"""What the service tidies up by itself."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from datetime import timedelta

import pytest

from api.idempotency import Claim, answer_once
from api.resources import LOCAL, Resources
from api.upkeep import tidy, upkeep
from api.uploads.resumable import create_partial
from shared.retention import LEFTOVER_S
from shared.tables import IdempotencyKey, PartialUpload, utc_now
from tests.support.service import Service


def test_what_is_old_goes_and_what_is_young_stays(service: Service) -> None:
    resources = service.resources
    old, young = (create_partial(resources, LOCAL, 100, {"filename": name}) for name in ("old.stl", "young.stl"))
    leftover = service.folder / "files" / "aside" / "leftover"
    leftover.write_bytes(b"x")
    long_ago_s = time.time() - LEFTOVER_S - 60
    os.utime(leftover, (long_ago_s, long_ago_s))
    with resources.database.writing() as session:
        session.get_one(PartialUpload, old.id).expires_at = utc_now() - timedelta(minutes=1)
    tidy(resources)
    with resources.database.reading() as session:
        assert [session.get(PartialUpload, row.id) is None for row in (old, young)] == [True, False]
    assert [path.name for path in service.stored_files()] == [young.storage_key.rpartition("/")[2]]


def test_old_idempotency_keys_go(service: Service) -> None:
    claim = Claim(LOCAL.workspace_id, "k", "POST /v1/parts", "a" * 64)
    answer_once(service.resources.database, claim, lambda _: {"links": {"self": "/"}})
    with service.resources.database.writing() as session:
        session.get_one(IdempotencyKey, (claim.workspace_id, "k", claim.route)).created_at = utc_now() - timedelta(
            days=2
        )
    tidy(service.resources)
    with service.resources.database.reading() as session:
        assert session.get(IdempotencyKey, (claim.workspace_id, "k", claim.route)) is None


def test_what_is_under_way_is_waited_for_when_the_service_stops(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    begun = threading.Event()

    def slowly(_: Resources) -> None:
        begun.set()
        time.sleep(0.3)
        done.append("tidied")

    monkeypatch.setattr("api.upkeep.tidy", slowly)

    async def run() -> None:
        async with upkeep(service.resources):
            await asyncio.to_thread(begun.wait)

    asyncio.run(run())
    assert done == ["tidied"]
