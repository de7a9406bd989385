"""Files that ended the process of a job as often as it may be tried: they are not tried again and again.

What is set aside is the set of a job's input files by content: a good nominal is not lost to the
shop because one scan of it upsets a library.  The plan has no part in it.  Each workspace has its own: from
a refusal nobody may learn that another shop has the same files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from shared.tables import Inspection, Job, QuarantinedFiles, Upload
from worker.failures import Failure


def fingerprint(workspace_id: str, sha256_of_files: Iterable[str]) -> str:
    """One name for a set of files of a workspace, whatever their order."""
    return hashlib.sha256("\n".join([workspace_id, *sorted(sha256_of_files)]).encode()).hexdigest()


def set_aside(session: Session, job_id: str, failure: Failure) -> None:
    """Quarantine the input files of a job; once is enough."""
    job = session.get_one(Job, job_id)
    uploads = _inputs(session, job)
    name = _name(job, uploads)
    if session.get(QuarantinedFiles, name) is None:
        file_names = [upload.file_name for upload in uploads]
        session.add(QuarantinedFiles(id=name, file_names=file_names, error=failure.to_row()))


def refusal(session: Session, job_id: str) -> Failure | None:
    """Why the files of this job are not worked on; None if they may be."""
    job = session.get_one(Job, job_id)
    name = _name(job, _inputs(session, job))
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


def _name(job: Job, uploads: Sequence[Upload]) -> str:
    return fingerprint(job.workspace_id, (upload.sha256 for upload in uploads))


def _inputs(session: Session, job: Job) -> list[Upload]:
    ids = [job.nominal_upload_id]
    if isinstance(job, Inspection):
        ids += [job.scan_upload_id, *(body["upload_id"] for body in job.bodies)]
    return [session.get_one(Upload, upload_id) for upload_id in ids]
