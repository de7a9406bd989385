"""What happens to stored files when the rows that would name them do not come to be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy.orm import Session

from api.idempotency import Answer, Claim, answer_once
from api.quotas import check_bytes
from api.resources import Caller, Resources
from shared.file_writers import StoredFile


def refuse_beyond_quota(resources: Resources, caller: Caller, announced_bytes: int) -> None:
    """Refuse what has no room before it is received; it is counted again when it is here.

    Raises StorageQuotaReached.
    """
    with resources.database.reading() as session:
        check_bytes(session, caller, announced_bytes)


def keep_or_drop(
    resources: Resources,
    files: Sequence[StoredFile],
    claim: Claim,
    make: Callable[[Session], dict[str, Any]],
    status: int = 201,
) -> Answer:
    """Answer once; files that got no row, after a refusal or a repeated answer, are deleted."""
    is_kept = False
    try:
        answer = answer_once(resources.database, claim, make, status)
        is_kept = not answer.is_replayed
        return answer
    finally:
        for file in files if not is_kept else ():
            resources.store.delete(file.key)
