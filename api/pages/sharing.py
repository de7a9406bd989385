"""Sharing from the page of an inspection: links, and what was said of the report."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from pydantic import ValidationError
from sqlalchemy.orm import Session
from starlette.responses import RedirectResponse, Response

from api.admission import GuardedRoute
from api.forms import Fields
from api.inspections.schemas import inspection_out
from api.inspections.service import get_inspection, report_path
from api.pages.rendering import page
from api.pages.service import for_caller, shown, stages
from api.resources import Caller, NeedsResources, Resources, Sharer, Writer
from api.sharing import remarks, service
from api.sharing.endpoints import guest_address
from api.sharing.schemas import LinkIn, link_out
from api.sharing.shown import shown_remarks
from api.sharing.texts import NAME_LIMIT
from api.sharing.words import words_of
from shared.access import Scope
from shared.errors import RequestInvalid
from shared.states import InspectionState
from shared.tables import Inspection, utc_now

router = APIRouter(route_class=GuardedRoute, prefix="/inspections/{inspection_id}", include_in_schema=False)


@router.post("/links")
def make_link(
    inspection_id: str, fields: Fields, request: Request, caller: Sharer, resources: NeedsResources
) -> Response:
    """The page again with the address on it, this once."""
    made = service.create_link(resources, caller, inspection_id, _wanted(fields))
    address = guest_address(request, resources.settings.public_url, made.token)
    with resources.database.reading() as session:
        inspection = get_inspection(session, caller, inspection_id)
        values = inspection_values(session, resources, caller, inspection)
    return page("inspection.html", {**values, "new_address": address}, 201)


@router.post("/links/{link_id}/revoke")
def revoke_link(inspection_id: str, link_id: str, caller: Sharer, resources: NeedsResources) -> Response:
    """The revoke button."""
    with resources.database.writing() as session:
        service.revoke_link(session, caller, inspection_id, link_id)
    return RedirectResponse(f"/inspections/{inspection_id}#share", status_code=303)


@router.post("/remarks")
def add_remark(inspection_id: str, fields: Fields, caller: Writer, resources: NeedsResources) -> Response:
    """A remark or sign-off of the shop."""
    words = words_of({"author": caller.name[:NAME_LIMIT], **fields})
    with resources.database.writing() as session:
        inspection = get_inspection(session, caller, inspection_id)
        row = remarks.add_remark(session, resources.store, inspection, caller, words)
    return RedirectResponse(f"/inspections/{inspection_id}#remark-{row.number}", status_code=303)


def inspection_values(session: Session, resources: Resources, caller: Caller, row: Inspection) -> dict[str, Any]:
    """Everything the page of an inspection shows."""
    inspection, now = inspection_out(row), utc_now()
    values = {"one": shown(inspection), "stages": stages(inspection), "new_address": None, **for_caller(caller)}
    if row.state != InspectionState.DONE or row.report_key is None:
        return {**values, "may_share": False, "links": [], "places": (), "remarks": None}
    facts = remarks.report_facts(report_path(resources.store, row, "json"))
    may_share = Scope.SHARE in caller.scopes
    links = service.list_links(session, caller, row.id) if may_share else []
    return {
        **values,
        "may_share": may_share,
        "links": [{**link_out(link, now).model_dump(mode="json"), "until": _day(link.expires_at)} for link in links],
        "places": facts.places,
        "remarks": shown_remarks(remarks.list_remarks(session, row.id), facts),
    }


def _day(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d}"


def _wanted(fields: dict[str, str]) -> LinkIn:
    """A link as the form asks for it: boxes that are not ticked are not sent."""
    given = {name: value for name, value in fields.items() if value}
    ticked = {name: given.pop(name, "") == "yes" for name in ("may_remark", "may_sign")}
    try:
        return LinkIn.model_validate({**given, **ticked})
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()]
        raise RequestInvalid(
            f"The link cannot be made: {'; '.join(faults)}.", advice="Correct the fields named.", faults=faults
        ) from error
