"""What the service tidies up by itself: expired partial uploads, files at the end of their time, old keys, messages."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import structlog
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool

from api.idempotency import forget_old_keys
from api.resources import Resources
from api.sessions.service import forget_ended_sessions
from api.subscriptions.service import forget_old_deliveries
from api.uploads.resumable import drop_expired
from shared.retention import Retention

log = structlog.get_logger(__name__)
EVERY_S = 600.0


@asynccontextmanager
async def upkeep(resources: Resources, every_s: float = EVERY_S) -> AsyncIterator[None]:
    """Tidy up now and then while the service runs.

    What is under way when it stops is waited for: its thread uses the database, which is closed next.
    """
    stopped = asyncio.Event()
    task = asyncio.create_task(_tidy_until(stopped, resources, every_s))
    try:
        yield
    finally:
        stopped.set()
        await task


def tidy(resources: Resources) -> None:
    """Once."""
    expired = drop_expired(resources)
    swept = Retention(resources.database, resources.store, resources.settings).sweep()
    with resources.database.writing() as session:
        forget_old_keys(session)
        forget_old_deliveries(session)
        forget_ended_sessions(session)
    if expired or any(vars(swept).values()):
        log.info("tidied", expired_uploads=expired, **vars(swept))


async def _tidy_until(stopped: asyncio.Event, resources: Resources, every_s: float) -> None:
    while not stopped.is_set():
        try:
            await run_in_threadpool(tidy, resources)
        except (OSError, SQLAlchemyError) as error:
            log.warning("tidying_failed", reason=str(error))
        with suppress(TimeoutError):
            await asyncio.wait_for(stopped.wait(), every_s)
