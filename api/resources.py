"""What the endpoints work with, assembled once in :mod:`api.app`; and who is calling."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Event
from typing import Annotated, Any, Protocol

from fastapi import Depends, Request

from api.metrics import Metrics
from shared.access import DEFAULT_WORKSPACE, Scope
from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import SizeClass


class Sender(Protocol):
    """Reminds the workers of jobs that are already in the database."""

    def send(self, job_id: str, size_class: SizeClass) -> bool:
        """Send the id; False if the broker cannot be reached, which harms nothing: the sweeper sends later."""

    def check_reachable(self) -> None:
        """Raise an OSError when the broker cannot be reached."""


@dataclass(frozen=True, eq=False)
class Resources:
    """closing is set when the server begins to stop, so that endless answers end."""

    settings: Settings
    database: Database
    store: FileStore
    sender: Sender
    metrics: Metrics
    closing: Event = field(default_factory=Event)


@dataclass(frozen=True)
class Caller:
    """Who is calling, for which workspace, and what they may do there; key_id is None where no keys are used."""

    name: str
    workspace_id: str
    key_id: str | None
    scopes: frozenset[Scope]


LOCAL = Caller("local", DEFAULT_WORKSPACE, None, frozenset(Scope))  # whoever reaches the loopback address


@dataclass(frozen=True)
class Need:
    """What a route asks of its caller; :mod:`api.admission` has seen to it before the route is entered.

    scope : None lets everybody in, and then there may be no caller
    """

    scope: Scope | None

    def __call__(self, request: Request) -> Caller | None:
        """The caller who was let in."""
        return caller_of(request)


def caller_of(request: Request) -> Caller | None:
    """Who was let in by :mod:`api.admission`."""
    found: Caller | None = request.scope.get(CALLER)
    return found


def let_in(request: Request) -> Caller:
    """The caller of a route that is not public."""
    found: Caller = request.scope[CALLER]
    return found


CALLER = "firstpour_caller"


def Needs(scope: Scope) -> Any:
    """The scope a route declares: annotate its parameter ``caller`` with it."""
    return Depends(Need(scope))


def resources(request: Request) -> Resources:
    """The resources of the running application."""
    found: Resources = request.app.state.resources
    return found


NeedsResources = Annotated[Resources, Depends(resources)]
Public = Depends(Need(None))  # for ``dependencies=[Public]`` of a route that everybody may use
Reader = Annotated[Caller, Needs(Scope.READ)]
Writer = Annotated[Caller, Needs(Scope.WRITE)]
Sharer = Annotated[Caller, Needs(Scope.SHARE)]
Admin = Annotated[Caller, Needs(Scope.ADMIN)]
