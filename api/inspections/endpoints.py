"""Inspections: order one, list them, look at one, cancel it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from sqlalchemy.orm import Session
from starlette.responses import Response

from api.admission import GuardedRoute
from api.backpressure import check_queue
from api.idempotency import Claimed, answer_once
from api.inspections import service
from api.inspections.schemas import InspectionIn, InspectionOut, InspectionPage, inspection_out
from api.jobs import classify, remind_workers
from api.paging import Cursor, Limit
from api.parts.schemas import HoldIn
from api.problems import declared
from api.resources import NeedsResources, Reader, Writer
from shared.errors import (
    Conflict,
    FileKindUnknown,
    FileSwept,
    IdempotencyKeyReused,
    JobQuotaReached,
    NotFound,
    PlanInvalid,
    QueueFull,
    RequestInvalid,
    RequestTooLarge,
    UnitMissing,
)
from shared.states import InspectionState

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections", tags=["inspections"])


@router.post(
    "",
    status_code=202,
    response_model=InspectionOut,
    summary="Order an inspection of uploaded files",
    responses=declared(
        NotFound,
        RequestInvalid,
        RequestTooLarge,
        PlanInvalid,
        UnitMissing,
        FileKindUnknown,
        IdempotencyKeyReused,
        FileSwept,
        JobQuotaReached,
        QueueFull,
    ),
)
def create_inspection(wanted: InspectionIn, caller: Writer, resources: NeedsResources, claim: Claimed) -> Response:
    """A scan against a revision, or against a nominal given here."""

    def make(session: Session) -> dict[str, object]:
        check_queue(session, resources.settings)
        row = service.create_inspection(session, caller, wanted)
        classify(session, resources.settings, row)
        return inspection_out(row).model_dump(mode="json")

    answer = answer_once(resources.database, claim, make, 202)
    if not answer.is_replayed:
        remind_workers(resources, answer.body["id"])
    return answer.response()


@router.get("", response_model=InspectionPage, summary="List inspections", responses=declared(RequestInvalid))
def list_inspections(
    caller: Reader,
    resources: NeedsResources,
    limit: Limit = 20,
    cursor: Cursor = None,
    state: Annotated[InspectionState | None, Query(description="Only those in this state.")] = None,
) -> InspectionPage:
    """Newest first."""
    with resources.database.reading() as session:
        rows, following = service.list_inspections(session, caller, limit, cursor, state)
        return InspectionPage(items=[inspection_out(row) for row in rows], next_cursor=following)


@router.get(
    "/{inspection_id}", response_model=InspectionOut, summary="Look at an inspection", responses=declared(NotFound)
)
def read_inspection(inspection_id: str, caller: Reader, resources: NeedsResources) -> InspectionOut:
    """State, stage and progress; the links say what can be done next."""
    with resources.database.reading() as session:
        return inspection_out(service.get_inspection(session, caller, inspection_id))


@router.put(
    "/{inspection_id}/hold",
    response_model=InspectionOut,
    summary="Keep the files of an inspection",
    responses=declared(NotFound, FileSwept, RequestInvalid),
)
def hold_inspection(inspection_id: str, wanted: HoldIn, caller: Writer, resources: NeedsResources) -> InspectionOut:
    """As for a dispute: neither age nor room deletes them until the hold is taken off."""
    with resources.database.writing() as session:
        return inspection_out(service.hold_inspection(session, caller, inspection_id, wanted.hold))


@router.post(
    "/{inspection_id}/cancel",
    status_code=202,
    response_model=InspectionOut,
    summary="Cancel an inspection",
    responses=declared(NotFound, Conflict),
)
def cancel_inspection(inspection_id: str, caller: Writer, resources: NeedsResources) -> InspectionOut:
    """At once if it waits; within seconds if it runs."""
    with resources.database.writing() as session:
        return inspection_out(service.cancel_inspection(session, caller, inspection_id))
