"""Files that ended the process of a job as often as it may be tried: they are not tried again and again.

What is set aside is the set of a job's input files by content: a good nominal is not lost to the
shop because one scan of it upsets a library.  The plan has no part in it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from shared.tables import Inspection, Job, QuarantinedFiles, Upload
from worker.failures import Failure


def fingerprint(sha256_of_files: Iterable[str]) -> str:
    """One name for a set of files, whatever their order."""
    return hashlib.sha256("\n".join(sorted(sha256_of_files)).encode()).hexdigest()


def set_aside(session: Session, job_id: str, failure: Failure) -> None:
    """Quarantine the input files of a job; once is enough."""
    uploads = _inputs(session, job_id)
    name = fingerprint(upload.sha256 for upload in uploads)
    if session.get(QuarantinedFiles, name) is None:
        file_names = [upload.file_name for upload in uploads]
        session.add(QuarantinedFiles(id=name, file_names=file_names, error=failure.to_row()))


def refusal(session: Session, job_id: str) -> Failure | None:
    """Why the files of this job are not worked on; None if they may be."""
    name = fingerprint(upload.sha256 for upload in _inputs(session, job_id))
    row = session.get(QuarantinedFiles, name)
    if row is None:
        return None
    return Failure(
        "files_quarantined",
        f"These files were set aside on {row.created_at:%Y-%m-%d}: {row.error['message']}",
        "Send the scan or the CAD saved anew, thinned out if it is large; or have these released by whoever runs"
        " this server, with: firstpour upkeep release",
        {"quarantine_id": name, "cause": row.error["code"]},
    )


def quarantined(session: Session) -> Sequence[QuarantinedFiles]:
    """All that is set aside, newest first."""
    return session.scalars(select(QuarantinedFiles).order_by(QuarantinedFiles.created_at.desc())).all()


def release(session: Session, beginning: str) -> int:
    """Let files be worked on again whose fingerprint begins like this; how many sets."""
    names = [row.id for row in quarantined(session) if row.id.startswith(beginning)]
    session.execute(delete(QuarantinedFiles).where(QuarantinedFiles.id.in_(names)))
    return len(names)


def _inputs(session: Session, job_id: str) -> list[Upload]:
    row = session.get_one(Job, job_id)
    ids = [row.nominal_upload_id]
    if isinstance(row, Inspection):
        ids += [row.scan_upload_id, *(body["upload_id"] for body in row.bodies)]
    return [session.get_one(Upload, upload_id) for upload_id in ids]
