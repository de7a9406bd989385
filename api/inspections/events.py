"""Progress as server-sent events, read from the database: the row is the truth, whoever moves it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from api.admission import GuardedRoute, is_still_good
from api.inspections.schemas import InspectionOut, inspection_out
from api.inspections.service import get_inspection
from api.problems import declared
from api.resources import Caller, NeedsResources, Reader, Resources
from shared.errors import NotFound, Unauthenticated

router = APIRouter(route_class=GuardedRoute, prefix="/v1/inspections", tags=["inspections"])
POLL_S = 0.4  # below what a person notices
RETRY_MS = 2000
STREAM_EXAMPLE = 'event: progress\nid: running-align-0.3500-1-False\ndata: {"state": "running", "stage": "align"}\n\n'


async def standing(inspection_id: str, caller: Reader, resources: NeedsResources) -> InspectionOut:
    """The inspection when the stream begins, so that an unknown one is refused before it does."""
    return await run_in_threadpool(_read, resources, caller, inspection_id)


@router.get(
    "/{inspection_id}/events",
    response_class=EventSourceResponse,
    summary="Follow an inspection",
    responses={**declared(NotFound), 200: {"content": {"text/event-stream": {"example": STREAM_EXAMPLE}}}},
)
async def follow_inspection(
    first: Annotated[InspectionOut, Depends(standing)], caller: Reader, resources: NeedsResources
) -> AsyncIterator[ServerSentEvent]:
    """Events named ``progress`` with the whole inspection as data whenever it changed, and ``end`` with the last.

    A client that comes back, with or without Last-Event-ID, gets the present state first.
    """
    known, current = None, first
    while not resources.closing.is_set():
        mark = _mark(current)
        if mark != known:
            name = "end" if current.state.is_final else "progress"
            yield ServerSentEvent(event=name, id=mark, retry=RETRY_MS, data=current)
            known = mark
        if current.state.is_final:
            return
        await asyncio.sleep(POLL_S)
        try:
            current = await run_in_threadpool(_read, resources, caller, first.id)
        except Unauthenticated:  # the answer is under way and can only end; whoever comes back is told
            return


def _read(resources: Resources, caller: Caller, inspection_id: str) -> InspectionOut:
    """The inspection as it stands; a key revoked since the stream began ends it, as it would any other request."""
    with resources.database.reading() as session:
        if not is_still_good(session, caller):
            raise Unauthenticated
        return inspection_out(get_inspection(session, caller, inspection_id))


def _mark(seen: InspectionOut) -> str:
    parts = (seen.state, seen.stage, f"{seen.progress:.4f}", seen.attempts, seen.cancel_requested)
    return "-".join(str(part) for part in parts)
