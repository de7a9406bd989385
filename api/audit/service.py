"""The audit log in the database, read."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.paging import after_cursor, page_of
from api.resources import Caller
from shared.tables import AuditEntry


def list_entries(
    session: Session, caller: Caller, limit: int, cursor: str | None
) -> tuple[Sequence[AuditEntry], str | None]:
    """A page of the workspace's log, newest first, and the cursor of the next."""
    own = select(AuditEntry).where(AuditEntry.workspace_id == caller.workspace_id)
    rows = after_cursor(own, AuditEntry.at, AuditEntry.id, cursor).limit(limit + 1)
    return page_of(session.scalars(rows).all(), limit)
