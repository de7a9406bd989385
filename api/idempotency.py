"""``Idempotency-Key``: the same key and request get the same answer, and the thing is made once.

The key is written in the transaction that makes the thing.  A crash midway leaves neither, and a
second request under way at the same time waits for the first and then repeats its answer, so there
is no state in between that could be left over.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from sqlalchemy import delete
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session
from starlette.responses import JSONResponse

from api.resources import Caller, Writer
from shared.database import Database
from shared.errors import IdempotencyKeyReused
from shared.tables import IdempotencyKey, utc_now

KEPT = timedelta(hours=24)  # long enough for any client's retries
Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=255,
        description="Any text of your own. Repeated under it within a day, a request makes nothing new.",
        examples=["6f1c2a52-first-casting"],
    ),
]


@dataclass(frozen=True)
class Claim:
    """A caller's key for one request, apart from those of other workspaces; unused when the key is None."""

    workspace_id: str
    key: str | None
    route: str
    request_sha256: str


@dataclass(frozen=True)
class Answer:
    """What the caller gets, now or again."""

    status: int
    body: dict[str, Any]
    is_replayed: bool = False

    def response(self) -> JSONResponse:
        """With Location, and a header that tells a repeated answer."""
        headers = {"Location": self.body["links"]["self"]}
        if self.is_replayed:
            headers["Idempotency-Replayed"] = "true"
        return JSONResponse(self.body, self.status, headers)


async def claim(request: Request, caller: Writer, key: Key = None) -> Claim:
    """The claim of a request whose whole body is small."""
    return Claim(caller.workspace_id, key, _route(request), hashlib.sha256(await request.body()).hexdigest())


Claimed = Annotated[Claim, Depends(claim)]


def claim_for(request: Request, caller: Caller, key: str | None, *digests: str) -> Claim:
    """The claim of a request whose body was streamed to the disk and hashed there."""
    return Claim(caller.workspace_id, key, _route(request), hashlib.sha256("\n".join(digests).encode()).hexdigest())


def answer_once(
    database: Database, claim: Claim, make: Callable[[Session], dict[str, Any]], status: int = 201
) -> Answer:
    """Make the thing and answer, or repeat the answer given before."""
    try:
        return _answer(database, claim, make, status)
    except IntegrityError:
        if claim.key is None:
            raise
        return _answer(database, claim, make, status)  # another request took the key first and has finished


def forget_old_keys(session: Session) -> None:
    """Drop keys no client will repeat any more."""
    session.execute(delete(IdempotencyKey).where(IdempotencyKey.created_at < utc_now() - KEPT))


def _answer(database: Database, claim: Claim, make: Callable[[Session], dict[str, Any]], status: int) -> Answer:
    with database.writing() as session:
        if claim.key is None:
            return Answer(status, make(session))
        given = session.get(IdempotencyKey, (claim.workspace_id, claim.key, claim.route))
        if given is not None:
            return _repeated(given, claim)
        row = IdempotencyKey(
            workspace_id=claim.workspace_id,
            key=claim.key,
            route=claim.route,
            request_sha256=claim.request_sha256,
            status=status,
        )
        session.add(row)
        session.flush()  # on PostgreSQL this waits for another request with the same key
        row.body = make(session)
        return Answer(status, row.body)


def _repeated(given: IdempotencyKey, claim: Claim) -> Answer:
    if given.request_sha256 != claim.request_sha256:
        raise IdempotencyKeyReused(
            f"The Idempotency-Key {claim.key!r} came before with another request.",
            advice="Use a new key for a new request, or repeat the first one exactly.",
        )
    assert given.body is not None and given.status is not None  # noqa: S101, PT018 - both are written in one transaction
    return Answer(given.status, given.body, is_replayed=True)


def _route(request: Request) -> str:
    return f"{request.method} {request.url.path}"[:200]
