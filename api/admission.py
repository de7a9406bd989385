"""Who is let in: every route says what it needs, and is entered only by a caller who has it.

The check comes before a byte of the body is read and before any parameter is looked at, so that a
stranger learns nothing from how his request is refused.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import structlog
from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from sqlalchemy import update
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from api.middleware import SAFE_METHODS, more_headers
from api.rates import Standing, spend
from api.resources import CALLER, LOCAL, Caller, Need, Resources, resources
from api.sessions.cookies import session_token
from shared.access import AccessMode, Scope
from shared.errors import RateLimited, RequestForbidden, ScopeMissing, Unauthenticated
from shared.keys import find_key, find_session, is_live
from shared.tables import ApiKey, utc_now

NOTED_EVERY = timedelta(minutes=1)  # last_used_at to the minute; a write a request would be many
SCHEME = "bearer"


class GuardedRoute(APIRoute):
    """A route that does not come to be without saying what it needs of its caller."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Admission, then what FastAPI does."""
        handler, scope = super().get_route_handler(), scope_of(self)

        async def guarded(request: Request) -> Response:
            await admit(request, scope)
            return await handler(request)

        return guarded


@dataclass(frozen=True)
class Presented:
    """What came with a request: a key, or the token of a browser session."""

    key: str | None
    token: str | None


def scope_of(route: APIRoute) -> Scope | None:
    """What a route needs, None for a public one; raises TypeError if it does not say exactly one thing."""
    needs = {need.scope for need in _needs(route.dependant)}
    if len(needs) != 1:
        raise TypeError(f"{route.path} must declare what it needs: one of Needs(Scope...) or Public; it has {needs}")
    return needs.pop()


async def admit(request: Request, scope: Scope | None) -> None:
    """Let the caller of a request in, or raise Unauthenticated, RateLimited, ScopeMissing, RequestForbidden."""
    if scope is None:
        return
    found = resources(request)
    caller = LOCAL if found.settings.access == AccessMode.OPEN else await _with_key(request, found)
    if scope not in caller.scopes:
        raise ScopeMissing(
            f"The key {caller.name!r} does not have the scope {scope}, which this needs.",
            advice="Use a key that has it, or have one made.",
            scope=scope.value,
        )
    request.scope[CALLER] = caller
    structlog.contextvars.bind_contextvars(key_id=caller.key_id)


def caller_with(key: ApiKey) -> Caller:
    """Whoever holds a key."""
    return Caller(key.name, key.workspace_id, key.id, frozenset(map(Scope, key.scopes)))


def is_still_good(session: Session, caller: Caller) -> bool:
    """Whether a caller let in a while ago would be let in now; for answers without an end."""
    if caller.key_id is None:
        return True
    key = session.get(ApiKey, caller.key_id)
    return key is not None and is_live(key, utc_now())


async def _with_key(request: Request, found: Resources) -> Caller:
    presented = _presented(request, found)
    if presented.key is None and presented.token is None:
        raise Unauthenticated
    caller, standing = await run_in_threadpool(_identify, found, presented)
    _tell_rate(request, standing)
    if standing.retry_after_s is not None:
        raise RateLimited(
            f"The key {caller.name!r} may make {standing.limit} requests a minute, and has.",
            advice="Wait as long as Retry-After says. Follow inspections by their events instead of asking often.",
            retry_after_s=standing.retry_after_s,
            limit=standing.limit,
        )
    if presented.key is None:
        _refuse_unexplained_write(request)
    return caller


def _presented(request: Request, found: Resources) -> Presented:
    """A key in the header goes before a cookie."""
    header = request.headers.get("authorization")
    if header is None:
        return Presented(None, session_token(request, found.settings))
    scheme, _, text = header.partition(" ")
    return Presented(text.strip() if scheme.lower() == SCHEME else "", None)


def _identify(found: Resources, presented: Presented) -> tuple[Caller, Standing]:
    """Whose key it is, and what is left of its rate with this request; raises Unauthenticated."""
    with found.database.reading() as session:
        key = (
            find_session(session, presented.token or "") if presented.key is None else find_key(session, presented.key)
        )
    if key is None:
        raise Unauthenticated
    now = utc_now()
    with found.database.counting() as session:
        standing = spend(session, key, time.time())
        if key.last_used_at is None or key.last_used_at < now - NOTED_EVERY:
            session.execute(update(ApiKey).where(ApiKey.id == key.id).values(last_used_at=now))
    return caller_with(key), standing


def _tell_rate(request: Request, standing: Standing) -> None:
    """Headers of draft-ietf-httpapi-ratelimit-headers (from memory of its later drafts)."""
    more_headers(request)["RateLimit-Policy"] = f'"key";q={standing.limit};w=60'
    more_headers(request)["RateLimit"] = f'"key";r={standing.remaining};t={standing.full_after_s}'


def _refuse_unexplained_write(request: Request) -> None:
    """A browser says where a write comes from, and the guard has looked at that; one that does not say is refused."""
    if request.method not in SAFE_METHODS and not {"origin", "sec-fetch-site"} & set(request.headers.keys()):
        raise RequestForbidden(
            "A browser's session may only be used by a browser, which says where a request comes from.",
            advice="Programs send an access key instead.",
        )


def _needs(dependant: Dependant) -> Iterator[Need]:
    for one in dependant.dependencies:
        if isinstance(one.call, Need):
            yield one.call
        yield from _needs(one)
