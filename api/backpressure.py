"""Refusing work before it hurts: a bound on the jobs that wait, and a floor of room on the disk."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.resources import Resources
from shared.errors import QueueFull, StorageFull
from shared.settings import MIB, Settings
from shared.states import InspectionState
from shared.tables import Job

QUEUE_RETRY_S = 60  # about one small job
DISK_RETRY_S = 600  # room comes back when files are swept, or when somebody makes some


def check_queue(session: Session, settings: Settings) -> None:
    """Raise QueueFull when no further job may wait.

    On PostgreSQL callers who ask at the same moment may pass the bound by their number: it guards
    disk and patience, not a count.
    """
    waiting = select(func.count()).select_from(Job).where(Job.state == InspectionState.QUEUED.value)
    count = session.scalars(waiting).one()
    if count >= settings.queue_limit:
        raise QueueFull(
            "As many jobs wait as this server lets wait.",  # how many others have is not for this caller
            advice="Try again in a minute or so; uploads are kept. The server's owner can start more workers.",
            retry_after_s=QUEUE_RETRY_S,
        )


def check_disk(resources: Resources, announced_bytes: int = 0) -> None:
    """Raise StorageFull when so many bytes more would leave less than the floor."""
    floor_bytes = resources.settings.free_disk_floor_bytes
    if resources.store.free_bytes() - announced_bytes < floor_bytes:
        raise storage_full(f"The server's disk has no room for this; {floor_bytes // MIB} MiB must stay free.")


def storage_full(message: str) -> StorageFull:
    """The disk is full, or as good as full."""
    return StorageFull(
        message,
        advice="Nothing was kept of this request. Make room on the server, then send it again.",
        retry_after_s=DISK_RETRY_S,
    )
