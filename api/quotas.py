"""How much a key may have at a time: jobs that wait or run, and bytes that are kept.

Each check locks the key's row first, in the transaction that adds what is checked, so that two
requests at once cannot both take the last place.  Where no keys are used there is no quota.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from api.resources import Caller
from shared.errors import JobQuotaReached, StorageQuotaReached
from shared.states import InspectionState
from shared.tables import ApiKey, Job, PartialUpload, Upload

OPEN = (InspectionState.QUEUED.value, InspectionState.RUNNING.value)
RETRY_AFTER_S = 30  # a job takes a minute or so
MIB = 1024 * 1024


def check_jobs(session: Session, caller: Caller) -> None:
    """Refuse one job more than the key may have waiting and running; raises JobQuotaReached."""
    key = _locked(session, caller)
    if key is None:
        return
    count = session.scalars(_of_family(select(func.count(Job.id)), key, Job).where(Job.state.in_(OPEN))).one()
    if count >= key.open_jobs_limit:
        raise JobQuotaReached(
            f"The key {key.name!r} has {count} jobs waiting or running, as many as it may.",
            advice="Wait until some are done, or cancel some.",
            retry_after_s=RETRY_AFTER_S,
            limit=key.open_jobs_limit,
        )


def check_bytes(session: Session, caller: Caller, size_bytes: int) -> None:
    """Refuse files beyond the room of the key, announced ones included; raises StorageQuotaReached."""
    key = _locked(session, caller)
    if key is None:
        return
    kept = _of_family(select(func.sum(Upload.size_bytes)), key, Upload).where(Upload.swept_at.is_(None))
    under_way = _of_family(select(func.sum(PartialUpload.size_bytes)), key, PartialUpload)
    announced = under_way.where(PartialUpload.upload_id.is_(None))
    stored = sum(int(session.scalar(rows) or 0) for rows in (kept, announced))
    if stored + size_bytes > key.stored_bytes_limit:
        raise StorageQuotaReached(
            f"The files of the key {key.name!r} take {stored / MIB:.0f} MiB of {key.stored_bytes_limit / MIB:.0f} MiB; "
            f"{size_bytes / MIB:.1f} MiB more do not fit.",
            advice="Give up resumable uploads that are not wanted, or have the key's room made larger.",
            limit_bytes=key.stored_bytes_limit,
            stored_bytes=stored,
        )


def _locked(session: Session, caller: Caller) -> ApiKey | None:
    """The caller's key, with the first key of its family locked: it stands for all of them."""
    if caller.key_id is None:
        return None
    key = session.get_one(ApiKey, caller.key_id)
    session.execute(select(ApiKey.id).where(ApiKey.id == key.family_id).with_for_update(key_share=True))
    return key


def _of_family(rows: Select[Any], key: ApiKey, table: type[Job | Upload | PartialUpload]) -> Select[Any]:
    family = select(ApiKey.id).where(ApiKey.family_id == key.family_id)
    return rows.where(table.key_id.in_(family))
