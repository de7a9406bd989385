"""Inspections in the database: ordered, listed, cancelled.  The worker moves them on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, joinedload

from api.inspections.schemas import InspectionIn
from api.paging import after_cursor, page_of
from api.parts.service import checked_bodies, checked_plan, checked_unit, get_revision
from api.uploads.service import take_upload
from shared.errors import Conflict, FileSwept, NotFound, ReportNotReady
from shared.filestore import FileStore
from shared.report import ATTACHMENT_FOLDER
from shared.states import InspectionState
from shared.tables import Inspection, Revision, new_id, utc_now

REPORT_FILES = {"json": "report.json", "html": "report.html"}


def create_inspection(session: Session, wanted: InspectionIn) -> Inspection:
    """A new inspection, queued; raises InputError and NotFound."""
    row = _of_revision(session, wanted) if wanted.revision_id else _of_nominal(session, wanted)
    scan = take_upload(session, wanted.scan_upload_id)
    row.scan, row.scan_unit = scan, checked_unit(scan, wanted.scan_unit, wanted.unit)
    row.title = wanted.title or f"{scan.file_name} against {row.nominal.file_name}"[:200]
    if wanted.plan is not None:
        row.plan, row.plan_source = checked_plan(wanted.plan)
    row.state, row.progress, row.attempts, row.cancel_requested = InspectionState.QUEUED.value, 0.0, 0, False
    session.add(row)
    session.flush()
    return row


def get_inspection(session: Session, inspection_id: str) -> Inspection:
    """One inspection; raises NotFound."""
    row = session.scalar(_rows().where(Inspection.id == inspection_id))
    if row is None:
        raise NotFound(
            f"There is no inspection {inspection_id}.",
            advice="See /v1/inspections for those there are.",
            id=inspection_id,
        )
    return row


def list_inspections(
    session: Session, limit: int, cursor: str | None, state: InspectionState | None = None
) -> tuple[Sequence[Inspection], str | None]:
    """A page of inspections, newest first, and the cursor of the next."""
    rows = _rows() if state is None else _rows().where(Inspection.state == state.value)
    page = after_cursor(rows, Inspection.created_at, Inspection.id, cursor).limit(limit + 1)
    return page_of(session.scalars(page).all(), limit)


def cancel_inspection(session: Session, inspection_id: str) -> Inspection:
    """Cancel at once what waits, ask the worker to stop what runs; a second time changes nothing."""
    row = get_inspection(session, inspection_id)
    state = InspectionState(row.state)
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
    session.flush()
    return row


def hold_inspection(session: Session, inspection_id: str, hold: bool) -> Inspection:
    """Keep the files of an inspection whatever their age, or no longer; raises NotFound, FileSwept."""
    row = get_inspection(session, inspection_id)
    if hold and row.swept_at is not None:
        raise _swept(row)
    row.hold = hold
    session.flush()
    return row


def count_by_state(session: Session) -> dict[str, int]:
    """How many inspections are in each state, zeros included."""
    counted = session.execute(select(Inspection.state, func.count()).group_by(Inspection.state)).all()
    return {state.value: 0 for state in InspectionState} | dict(counted)


def report_path(store: FileStore, row: Inspection, kind: str) -> Path:
    """Where the report of a finished inspection lies; raises ReportNotReady, FileSwept."""
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
    return store.local_path(f"{row.report_key}/{REPORT_FILES[kind]}")


def attachment_path(store: FileStore, row: Inspection, name: str) -> Path:
    """Where a file beside the report of a finished inspection lies; raises ReportNotReady, NotFound."""
    folder = report_path(store, row, "json").parent / ATTACHMENT_FOLDER
    path = folder / name
    if path.parent != folder or not path.is_file():
        raise NotFound(
            f"Inspection {row.id} has no file {name!r}.", advice="Take a path from the report's attachments."
        )
    return path


def _swept(row: Inspection) -> FileSwept:
    return FileSwept(
        f"The files of inspection {row.id} were deleted on {row.swept_at:%Y-%m-%d}, at the end of their time.",
        advice="Order it anew with both files. A hold keeps the files of an inspection or a part for ever.",
        id=row.id,
    )


def _rows() -> Select[Inspection]:
    return select(Inspection).options(joinedload(Inspection.nominal), joinedload(Inspection.scan))


def _of_revision(session: Session, wanted: InspectionIn) -> Inspection:
    revision: Revision = get_revision(session, wanted.revision_id or "")
    return Inspection(
        id=new_id("insp"),
        revision_id=revision.id,
        nominal=revision.nominal,
        nominal_unit=revision.unit,
        bodies=revision.bodies,
        plan=revision.plan,
        plan_source=revision.plan_source,
    )


def _of_nominal(session: Session, wanted: InspectionIn) -> Inspection:
    nominal = take_upload(session, wanted.nominal_upload_id or "")
    return Inspection(
        id=new_id("insp"),
        nominal=nominal,
        nominal_unit=checked_unit(nominal, wanted.nominal_unit, wanted.unit),
        bodies=checked_bodies(session, wanted.bodies),
    )
