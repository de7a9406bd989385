"""Keys of a workspace, listed; :mod:`shared.keys` makes, rotates and revokes them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.paging import after_cursor, page_of
from api.resources import Caller
from shared.tables import ApiKey


def list_keys(session: Session, caller: Caller, limit: int, cursor: str | None) -> tuple[Sequence[ApiKey], str | None]:
    """A page of the workspace's keys, ended ones included, newest first, and the cursor of the next."""
    own = select(ApiKey).where(ApiKey.workspace_id == caller.workspace_id)
    rows = after_cursor(own, ApiKey.created_at, ApiKey.id, cursor).limit(limit + 1)
    return page_of(session.scalars(rows).all(), limit)
