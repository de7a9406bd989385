"""Pages for people; everything on them comes from the same services as the interface for programs."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import RedirectResponse, Response

from api.admission import GuardedRoute
from api.inspections import service as inspections
from api.inspections.schemas import inspection_out
from api.pages.rendering import page
from api.pages.service import for_caller, shown
from api.pages.sharing import inspection_values
from api.paging import Cursor
from api.resources import NeedsResources, Reader, Writer

router = APIRouter(route_class=GuardedRoute, include_in_schema=False)
LISTED = 20


@router.get("/")
def home(caller: Reader, resources: NeedsResources, before: Cursor = None) -> Response:
    """The form, and what was inspected so far."""
    with resources.database.reading() as session:
        rows, older = inspections.list_inspections(session, caller, LISTED, before)
        listed = [shown(inspection_out(row)) for row in rows]
    values = {"inspections": listed, "older": older, "is_first": before is None, **for_caller(caller)}
    return page("home.html", values)


@router.get("/inspections/{inspection_id}")
def show_inspection(inspection_id: str, caller: Reader, resources: NeedsResources) -> Response:
    """Progress while it runs, then what came of it."""
    with resources.database.reading() as session:
        inspection = inspections.get_inspection(session, caller, inspection_id)
        values = inspection_values(session, resources, caller, inspection)
    return page("inspection.html", values)


@router.post("/inspections/{inspection_id}/cancel")
def cancel(inspection_id: str, caller: Writer, resources: NeedsResources) -> Response:
    """The cancel button."""
    with resources.database.writing() as session:
        row = inspections.cancel_inspection(session, caller, inspection_id)
    return RedirectResponse(f"/inspections/{row.id}", status_code=303)
