"""Remarks and sign-offs on a report: read them, add one, check that none was changed."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.admission import GuardedRoute
from api.inspections.service import get_inspection
from api.problems import declared
from api.resources import NeedsResources, Reader, Writer
from api.sharing import remarks
from api.sharing.schemas import ChainOut, RemarkIn, RemarkList, RemarkOut, remark_out
from api.sharing.texts import NAME_LIMIT
from shared.errors import Conflict, FileSwept, NotFound, ReportNotReady, RequestInvalid, RequestTooLarge

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections/{inspection_id}/remarks", tags=["sharing"])
Known = Annotated[
    str | None,
    Query(pattern="^[0-9a-f]{64}$", description="sha256 of an entry you once saw.", examples=["ab" * 32]),
]


@router.get("", response_model=RemarkList, summary="Read remarks and sign-offs", responses=declared(NotFound))
def list_remarks(inspection_id: str, caller: Reader, resources: NeedsResources) -> RemarkList:
    """Of all guests and of the shop, oldest first."""
    with resources.database.reading() as session:
        inspection = get_inspection(session, caller, inspection_id)
        rows = remarks.list_remarks(session, inspection.id)
        return RemarkList(inspection_id=inspection.id, items=[remark_out(row) for row in rows])


@router.post(
    "",
    status_code=201,
    response_model=RemarkOut,
    summary="Add a remark or sign-off",
    responses=declared(NotFound, FileSwept, ReportNotReady, Conflict, RequestInvalid, RequestTooLarge),
)
def add_remark(inspection_id: str, wanted: RemarkIn, caller: Writer, resources: NeedsResources) -> RemarkOut:
    """Guests see it too. It cannot be changed or taken back; add another that puts it right."""
    author = wanted.author or caller.name[:NAME_LIMIT]
    words = remarks.Words(author=author, text=wanted.text, decision=wanted.decision, place=wanted.place)
    with resources.database.writing() as session:
        inspection = get_inspection(session, caller, inspection_id)
        return remark_out(remarks.add_remark(session, resources.store, inspection, caller, words))


@router.get(
    "/check",
    response_model=ChainOut,
    summary="Check the chain of remarks",
    responses=declared(NotFound, FileSwept, ReportNotReady, RequestInvalid),
)
def check_remarks(
    inspection_id: str, caller: Reader, resources: NeedsResources, known_sha256: Known = None
) -> ChainOut:
    """Names the first entry that was changed, moved or taken out."""
    with resources.database.reading() as session:
        inspection = get_inspection(session, caller, inspection_id)
        return remarks.check_remarks(session, resources.store, inspection, known_sha256)
