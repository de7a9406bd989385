"""Work for the workers, whatever its kind."""

from __future__ import annotations

import structlog
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from api.resources import Resources
from shared.retention import uploads_of
from shared.settings import Settings
from shared.states import SizeClass
from shared.tables import FeatureDetection, Inspection, Job, Upload

log = structlog.get_logger(__name__)


def remind_workers(resources: Resources, job_id: str) -> None:
    """Send the id of a committed job; without a broker it stays queued until the sweeper sends it."""
    log.info("job_ordered", job_id=job_id)  # before any worker's line
    with resources.database.reading() as session:
        size_class = SizeClass(session.scalars(select(Job.size_class).where(Job.id == job_id)).one())
    if not resources.sender.send(job_id, size_class):
        log.warning("job_not_sent", job_id=job_id)
        return
    with resources.database.writing() as session:
        session.execute(update(Job).where(Job.id == job_id).values(sent_at=resources.database.now()))


def classify(session: Session, settings: Settings, row: Inspection | FeatureDetection) -> None:
    """Note how much a new job has to read."""
    ids = uploads_of(row) if isinstance(row, Inspection) else [row.nominal_upload_id]
    size_bytes = session.scalar(select(func.sum(Upload.size_bytes)).where(Upload.id.in_(ids))) or 0
    is_large = size_bytes >= settings.large_job_bytes
    row.size_class = (SizeClass.LARGE if is_large else SizeClass.SMALL).value
