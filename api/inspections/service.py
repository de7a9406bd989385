"""Inspections in the database: ordered, listed, cancelled.  The worker moves them on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, joinedload

from api.inspections.schemas import InspectionIn
from api.paging import after_cursor, page_of
from api.parts.service import checked_bodies, checked_plan, checked_unit, get_revision
from api.quotas import check_jobs
from api.resources import Caller
from api.uploads.service import take_upload
from shared import audit
from shared.errors import Conflict, FileSwept, NotFound, ReportNotReady
from shared.filestore import FileStore, KeyUnknown
from shared.report import ATTACHMENT_FOLDER
from shared.states import InspectionState
from shared.tables import Inspection, Revision, new_id, utc_now

REPORT_FILES = {"json": "report.json", "html": "report.html"}


def create_inspection(session: Session, caller: Caller, wanted: InspectionIn) -> Inspection:
    """A new inspection, queued; raises InputError, NotFound, FileSwept and JobQuotaReached."""
    check_jobs(session, caller)
    row = _of_revision(session, caller, wanted) if wanted.revision_id else _of_nominal(session, caller, wanted)
    row.workspace_id, row.key_id = caller.workspace_id, caller.key_id
    scan = take_upload(session, caller, wanted.scan_upload_id)
    row.scan, row.scan_unit = scan, checked_unit(scan, wanted.scan_unit, wanted.unit)
    row.title = wanted.title or f"{scan.file_name} against {row.nominal.file_name}"[:200]
    if wanted.plan is not None:
        row.plan, row.plan_source = checked_plan(wanted.plan)
    row.state, row.progress, row.attempts, row.cancel_requested = InspectionState.QUEUED.value, 0.0, 0, False
    session.add(row)
    session.flush()
    audit.note(session, caller, "inspection.ordered", row.id, title=row.title)
    return row


def get_inspection(session: Session, caller: Caller, inspection_id: str) -> Inspection:
    """One inspection of the caller's workspace; raises NotFound."""
    row = session.scalar(_rows(caller).where(Inspection.id == inspection_id))
    if row is None:
        raise NotFound(
            f"There is no inspection {inspection_id}.",
            advice="See /v1/inspections for those there are.",
            id=inspection_id,
        )
    return row


def list_inspections(
    session: Session, caller: Caller, limit: int, cursor: str | None, state: InspectionState | None = None
) -> tuple[Sequence[Inspection], str | None]:
    """A page of the workspace's inspections, newest first, and the cursor of the next."""
    rows = _rows(caller) if state is None else _rows(caller).where(Inspection.state == state.value)
    page = after_cursor(rows, Inspection.created_at, Inspection.id, cursor).limit(limit + 1)
    return page_of(session.scalars(page).all(), limit)


def cancel_inspection(session: Session, caller: Caller, inspection_id: str) -> Inspection:
    """Cancel at once what waits, ask the worker to stop what runs; a second time changes nothing."""
    row = get_inspection(session, caller, inspection_id)
    state, was_requested = InspectionState(row.state), row.cancel_requested
    if state == InspectionState.QUEUED:
        row.state, row.finished_at, row.cancel_requested = InspectionState.CANCELLED.value, utc_now(), True
    elif state == InspectionState.RUNNING:
        row.cancel_requested = True
    elif state != InspectionState.CANCELLED:
        raise Conflict(
            f"Inspection {inspection_id} is {state.value} and cannot be cancelled.",
            advice="Nothing needs doing: it does not run any more.",
            state=state.value,
        )
    if not was_requested:
        audit.note(session, caller, "inspection.cancelled", row.id)
    session.flush()
    return row


def hold_inspection(session: Session, caller: Caller, inspection_id: str, hold: bool) -> Inspection:
    """Keep the files of an inspection whatever their age, or no longer; raises NotFound, FileSwept."""
    row = get_inspection(session, caller, inspection_id)
    if hold and row.swept_at is not None:
        raise _swept(row)
    if hold != row.hold:
        audit.note(session, caller, "inspection.held" if hold else "inspection.hold_ended", row.id)
    row.hold = hold
    session.flush()
    return row


def count_by_state(session: Session) -> dict[str, int]:
    """How many inspections are in each state, zeros included."""
    counted = session.execute(select(Inspection.state, func.count()).group_by(Inspection.state)).all()
    return {state.value: 0 for state in InspectionState} | dict(counted)


def report_path(store: FileStore, row: Inspection, kind: str) -> Path:
    """Where the report of a finished inspection lies; raises ReportNotReady, FileSwept."""
    _require_report(row)
    return store.local_path(f"{row.report_key}/{REPORT_FILES[kind]}")


def _require_report(row: Inspection) -> None:
    if row.swept_at is not None:
        raise _swept(row)
    if row.state != InspectionState.DONE or row.report_key is None:
        raise ReportNotReady(
            f"Inspection {row.id} is {row.state} and has no report.",
            advice="Follow /v1/inspections/{id}/events until its state is done."
            if row.error is None
            else row.error["advice"],
            state=row.state,
        )


def attachment_path(store: FileStore, row: Inspection, name: str) -> Path:
    """Where a file beside the report of a finished inspection lies; raises ReportNotReady, NotFound."""
    _require_report(row)
    try:
        return store.local_path(f"{row.report_key}/{ATTACHMENT_FOLDER}/{name}")
    except (KeyUnknown, ValueError) as error:  # ValueError: no name that a file could have
        raise NotFound(
            f"Inspection {row.id} has no file {name!r}.", advice="Take a path from the report's attachments."
        ) from error


def _swept(row: Inspection) -> FileSwept:
    return FileSwept(
        f"The files of inspection {row.id} were deleted on {row.swept_at:%Y-%m-%d}, at the end of their time.",
        advice="Order it anew with both files. A hold keeps the files of an inspection or a part for ever.",
        id=row.id,
    )


def _rows(caller: Caller) -> Select[Inspection]:
    own = select(Inspection).where(Inspection.workspace_id == caller.workspace_id)
    return own.options(joinedload(Inspection.nominal), joinedload(Inspection.scan))


def _of_revision(session: Session, caller: Caller, wanted: InspectionIn) -> Inspection:
    revision: Revision = get_revision(session, caller, wanted.revision_id or "")
    return Inspection(
        id=new_id("insp"),
        revision_id=revision.id,
        nominal=revision.nominal,
        nominal_unit=revision.unit,
        bodies=revision.bodies,
        plan=revision.plan,
        plan_source=revision.plan_source,
    )


def _of_nominal(session: Session, caller: Caller, wanted: InspectionIn) -> Inspection:
    nominal = take_upload(session, caller, wanted.nominal_upload_id or "")
    return Inspection(
        id=new_id("insp"),
        nominal=nominal,
        nominal_unit=checked_unit(nominal, wanted.nominal_unit, wanted.unit),
        bodies=checked_bodies(session, caller, wanted.bodies),
    )
