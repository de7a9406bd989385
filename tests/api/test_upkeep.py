"""What the service tidies up by itself."""

from __future__ import annotations

import os
import time
from datetime import timedelta

from api.idempotency import Claim, answer_once
from api.resources import LOCAL
from api.upkeep import tidy
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
