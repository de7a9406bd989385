"""The audit log."""

from __future__ import annotations

from fastapi import APIRouter

from api.admission import GuardedRoute
from api.audit import service
from api.audit.schemas import AuditPage, entry_out
from api.paging import Cursor, Limit
from api.problems import declared
from api.resources import Admin, NeedsResources
from shared.errors import RequestInvalid

router = APIRouter(route_class=GuardedRoute, prefix="/v1/audit", tags=["audit"])


@router.get("", response_model=AuditPage, summary="Read the audit log", responses=declared(RequestInvalid))
def list_audit(caller: Admin, resources: NeedsResources, limit: Limit = 20, cursor: Cursor = None) -> AuditPage:
    """Who did what in this workspace, newest first.  Entries are never changed or deleted."""
    with resources.database.reading() as session:
        rows, following = service.list_entries(session, caller, limit, cursor)
        return AuditPage(items=[entry_out(row) for row in rows], next_cursor=following)
