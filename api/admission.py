"""Who is let in: every route says what it needs, and is entered only by a caller who has it.

The check comes before a byte of the body is read and before any parameter is looked at, so that a
stranger learns nothing from how his request is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Iterator
from typing import Any

from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from starlette.responses import Response

from api.resources import CALLER, LOCAL, Need
from shared.access import Scope


class GuardedRoute(APIRoute):
    """A route that does not come to be without saying what it needs of its caller."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Admission, then what FastAPI does."""
        handler, scope = super().get_route_handler(), scope_of(self)

        async def guarded(request: Request) -> Response:
            await admit(request, scope)
            return await handler(request)

        return guarded


def scope_of(route: APIRoute) -> Scope | None:
    """What a route needs, None for a public one; raises TypeError if it does not say exactly one thing."""
    needs = {need.scope for need in _needs(route.dependant)}
    if len(needs) != 1:
        raise TypeError(f"{route.path} must declare what it needs: one of Needs(Scope...) or Public; it has {needs}")
    return needs.pop()


async def admit(request: Request, scope: Scope | None) -> None:
    """Let the caller of a request in, or raise."""
    if scope is not None:
        request.scope[CALLER] = LOCAL


def _needs(dependant: Dependant) -> Iterator[Need]:
    for one in dependant.dependencies:
        if isinstance(one.call, Need):
            yield one.call
        yield from _needs(one)
