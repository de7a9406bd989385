"""Whether work gets done, for a container's health check: ``python -m worker.health``.

A process that runs proves nothing.  Healthy means: a worker on this machine swept lately, so that it
reaches the database, and no job waits for long while nobody works.
"""

from __future__ import annotations

import socket
import sys
import time
from datetime import timedelta

from sqlalchemy import func, select

from shared.database import Database, open_database
from shared.settings import Settings, load_settings
from shared.states import InspectionState
from shared.tables import Job, utc_now

MISSED_SWEEPS = 3
WAITING_S = 600  # five times what the sweeper lets a lost message wait by default


class Stamp:
    """A file whose age says when a worker on this machine last swept."""

    def __init__(self, settings: Settings) -> None:
        self._path = settings.data_dir / "workers" / f"{socket.gethostname()}.alive"
        self._limit_s = MISSED_SWEEPS * settings.sweep_every_s

    def renew(self) -> None:
        """Swept just now."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self._path.touch()

    def is_fresh(self) -> bool:
        """Swept lately."""
        return self._path.exists() and time.time() - self._path.stat().st_mtime < self._limit_s


def is_queue_stuck(database: Database) -> bool:
    """Whether a job has waited for long while none is being worked on."""
    now = utc_now()
    working = select(func.count()).where(Job.state == InspectionState.RUNNING.value, Job.lease_until > now)
    waiting = select(func.count()).where(
        Job.state == InspectionState.QUEUED.value,
        Job.created_at < now - timedelta(seconds=WAITING_S),
    )
    with database.reading() as session:
        return session.scalars(working).one() == 0 and session.scalars(waiting).one() > 0


def fault(settings: Settings) -> str | None:
    """What is wrong, None if nothing is."""
    if not Stamp(settings).is_fresh():
        return "no worker on this machine swept lately"
    database = open_database(settings)
    try:
        return "inspections wait while nobody works" if is_queue_stuck(database) else None
    finally:
        database.close()


if __name__ == "__main__":
    sys.exit(fault(load_settings()))
