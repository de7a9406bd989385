"""Work for the workers, whatever its kind."""

from __future__ import annotations

import structlog
from sqlalchemy import update

from api.resources import Resources
from shared.tables import Job, utc_now

log = structlog.get_logger(__name__)


def remind_workers(resources: Resources, job_id: str) -> None:
    """Send the id of a committed job; without a broker it stays queued until the sweeper sends it."""
    log.info("job_ordered", job_id=job_id)  # the one line with the id of the request and that of the job
    if not resources.sender.send(job_id):
        log.warning("job_not_sent", job_id=job_id)
        return
    with resources.database.writing() as session:
        session.execute(update(Job).where(Job.id == job_id).values(sent_at=utc_now()))
