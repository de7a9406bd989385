"""Share links of an inspection: make one, list them, look at one, revoke it."""

from __future__ import annotations

from fastapi import APIRouter, Request

from api.admission import GuardedRoute
from api.problems import declared
from api.resources import NeedsResources, Sharer
from api.sharing import service
from api.sharing.schemas import LinkIn, LinkList, LinkOut, NewLinkOut, link_out
from shared.errors import FileSwept, NotFound, ReportNotReady, RequestInvalid, RequestTooLarge
from shared.tables import utc_now

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections/{inspection_id}/links", tags=["sharing"])


@router.post(
    "",
    status_code=201,
    response_model=NewLinkOut,
    summary="Make a link to a report",
    responses=declared(NotFound, FileSwept, ReportNotReady, RequestInvalid, RequestTooLarge),
)
def create_link(
    inspection_id: str, wanted: LinkIn, request: Request, caller: Sharer, resources: NeedsResources
) -> NewLinkOut:
    """Whoever has the address in the answer sees this report and nothing else; it is shown only now."""
    made = service.create_link(resources, caller, inspection_id, wanted)
    shown = link_out(made.row, utc_now()).model_dump()
    return NewLinkOut(**shown, url=guest_address(request, resources.settings.public_url, made.token))


@router.get("", response_model=LinkList, summary="List the links to a report", responses=declared(NotFound))
def list_links(inspection_id: str, caller: Sharer, resources: NeedsResources) -> LinkList:
    """Newest first, with those that are over."""
    with resources.database.reading() as session:
        rows, now = service.list_links(session, caller, inspection_id), utc_now()
        return LinkList(items=[link_out(row, now) for row in rows])


@router.get("/{link_id}", response_model=LinkOut, summary="Look at a link", responses=declared(NotFound))
def read_link(inspection_id: str, link_id: str, caller: Sharer, resources: NeedsResources) -> LinkOut:
    """How often and when it was last opened."""
    with resources.database.reading() as session:
        return link_out(service.get_link(session, caller, inspection_id, link_id), utc_now())


@router.post("/{link_id}/revoke", response_model=LinkOut, summary="Revoke a link", responses=declared(NotFound))
def revoke_link(inspection_id: str, link_id: str, caller: Sharer, resources: NeedsResources) -> LinkOut:
    """It opens nothing from now on; its remarks stay."""
    with resources.database.writing() as session:
        return link_out(service.revoke_link(session, caller, inspection_id, link_id), utc_now())


def guest_address(request: Request, public_url: str, token: str) -> str:
    """The address to pass on: by the public name, else by the one that was called."""
    return f"{(public_url or str(request.base_url)).rstrip('/')}/s/{token}"
