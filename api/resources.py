"""What the endpoints work with, assembled once in :mod:`api.app`; and who is calling."""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Event
from typing import Annotated, Protocol

from fastapi import Depends, Request

from api.metrics import Metrics
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
    """Who is calling.  Until there are keys it is whoever reaches the loopback address."""

    name: str


def caller() -> Caller:
    """The one place through which every route learns who calls; keys will be checked here."""
    return Caller("local")


def resources(request: Request) -> Resources:
    """The resources of the running application."""
    found: Resources = request.app.state.resources
    return found


NeedsResources = Annotated[Resources, Depends(resources)]
NeedsCaller = Depends(caller)
