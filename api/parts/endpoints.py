"""Parts and their revisions."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy.orm import Session
from starlette.responses import Response

from api.admission import GuardedRoute
from api.backpressure import check_queue
from api.idempotency import Claimed, answer_once
from api.jobs import classify, remind_workers
from api.paging import Cursor, Limit
from api.parts import service
from api.parts.schemas import (
    HoldIn,
    PartIn,
    PartOut,
    PartPage,
    RevisionIn,
    RevisionOut,
    RevisionPage,
    part_out,
    revision_out,
)
from api.problems import declared
from api.resources import NeedsResources, Reader, Writer
from shared.errors import (
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

router = APIRouter(route_class=GuardedRoute, prefix="/v1/parts", tags=["parts"])


@router.post(
    "",
    status_code=201,
    response_model=PartOut,
    summary="Create a part",
    responses=declared(RequestInvalid, RequestTooLarge, IdempotencyKeyReused),
)
def create_part(wanted: PartIn, caller: Writer, resources: NeedsResources, claim: Claimed) -> Response:
    """A part being developed; its revisions hold the nominal."""
    answer = answer_once(
        resources.database,
        claim,
        lambda session: part_out(service.create_part(session, caller, wanted)).model_dump(mode="json"),
    )
    return answer.response()


@router.get("", response_model=PartPage, summary="List parts", responses=declared(RequestInvalid))
def list_parts(caller: Reader, resources: NeedsResources, limit: Limit = 20, cursor: Cursor = None) -> PartPage:
    """Newest first."""
    with resources.database.reading() as session:
        parts, following = service.list_parts(session, caller, limit, cursor)
        return PartPage(items=[part_out(part) for part in parts], next_cursor=following)


@router.get("/{part_id}", response_model=PartOut, summary="Read a part", responses=declared(NotFound))
def read_part(part_id: str, caller: Reader, resources: NeedsResources) -> PartOut:
    """One part."""
    with resources.database.reading() as session:
        return part_out(service.get_part(session, caller, part_id))


@router.put(
    "/{part_id}/hold",
    response_model=PartOut,
    summary="Keep all files of a part",
    responses=declared(NotFound, RequestInvalid),
)
def hold_part(part_id: str, wanted: HoldIn, caller: Writer, resources: NeedsResources) -> PartOut:
    """Those of its revisions and inspections; neither age nor room deletes them until the hold is taken off."""
    with resources.database.writing() as session:
        return part_out(service.hold_part(session, caller, part_id, wanted.hold))


@router.post(
    "/{part_id}/revisions",
    status_code=201,
    response_model=RevisionOut,
    summary="Create a revision",
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
def create_revision(
    part_id: str, wanted: RevisionIn, caller: Writer, resources: NeedsResources, claim: Claimed
) -> Response:
    """Nominal, unit, cores and other bodies by name, and the plan; its features are listed soon after."""

    def make(session: Session) -> dict[str, object]:
        check_queue(session, resources.settings)
        revision = service.create_revision(session, caller, part_id, wanted)
        classify(session, resources.settings, service.detection_of(session, revision))
        return revision_out(revision).model_dump(mode="json")

    answer = answer_once(resources.database, claim, make)
    if not answer.is_replayed:
        remind_workers(resources, service.detection_id(answer.body["id"]))
    return answer.response()


@router.get(
    "/{part_id}/revisions",
    response_model=RevisionPage,
    summary="List the revisions of a part",
    responses=declared(NotFound, RequestInvalid),
)
def list_revisions(
    part_id: str, caller: Reader, resources: NeedsResources, limit: Limit = 20, cursor: Cursor = None
) -> RevisionPage:
    """Newest first."""
    with resources.database.reading() as session:
        revisions, following = service.list_revisions(session, caller, part_id, limit, cursor)
        return RevisionPage(items=[revision_out(revision) for revision in revisions], next_cursor=following)


@router.get(
    "/{part_id}/revisions/{revision_id}",
    response_model=RevisionOut,
    summary="Read a revision",
    responses=declared(NotFound),
)
def read_revision(part_id: str, revision_id: str, caller: Reader, resources: NeedsResources) -> RevisionOut:
    """One revision."""
    with resources.database.reading() as session:
        return revision_out(service.get_revision(session, caller, revision_id, part_id))
