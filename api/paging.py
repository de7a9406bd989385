"""Paging by cursor: newest first, stable while new rows arrive."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Protocol, TypeVar

from fastapi import Query
from sqlalchemy import Select, literal, tuple_
from sqlalchemy.orm import InstrumentedAttribute

from shared.errors import RequestInvalid
from shared.tables import UtcDateTime
from shared.texts import check_visible

Limit = Annotated[int, Query(ge=1, le=100, description="How many at most.")]
Cursor = Annotated[str | None, Query(max_length=200, description="next_cursor of the page before.")]


def after_cursor(
    rows: Select[Any],
    created_at: InstrumentedAttribute[datetime],
    row_id: InstrumentedAttribute[str],
    cursor: str | None,
) -> Select[Any]:
    """Order newest first and go on behind the cursor."""
    ordered = rows.order_by(created_at.desc(), row_id.desc())
    if cursor is None:
        return ordered
    moment, behind_id = _decoded(cursor)
    return ordered.where(tuple_(created_at, row_id) < tuple_(literal(moment, UtcDateTime), literal(behind_id)))


class Dated(Protocol):
    """A row that can be paged."""

    @property
    def id(self) -> Any:
        """Its id."""

    @property
    def created_at(self) -> Any:
        """When it was made."""


Row = TypeVar("Row", bound=Dated)


def page_of(rows: Sequence[Row], limit: int) -> tuple[Sequence[Row], str | None]:
    """From ``limit + 1`` rows asked for: a page, and the cursor of the next if there is one."""
    if len(rows) <= limit:
        return rows, None
    last = rows[limit - 1]
    return rows[:limit], base64.urlsafe_b64encode(f"{last.created_at.isoformat()} {last.id}".encode()).decode()


def _decoded(cursor: str) -> tuple[datetime, str]:
    try:
        moment, row_id = base64.urlsafe_b64decode(cursor.encode()).decode().split(" ")
        return datetime.fromisoformat(moment).astimezone(UTC), check_visible(row_id)
    except (ValueError, OverflowError) as error:
        raise RequestInvalid("The cursor was not given by us.", advice="Begin without one.") from error
