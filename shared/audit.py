"""The audit log: who did what, when; written in the transaction that does it, never changed afterwards."""

from __future__ import annotations

from typing import Any, Protocol

from sqlalchemy.orm import Session

from shared.logs import current_request_id
from shared.tables import AuditEntry, new_id, utc_now


class Actor(Protocol):
    """Whoever does something."""

    @property
    def name(self) -> str:
        """What to call them."""

    @property
    def workspace_id(self) -> str:
        """Where they do it."""

    @property
    def key_id(self) -> str | None:
        """The key they do it with, if with one."""


def note(session: Session, who: Actor, action: str, target: str, **detail: Any) -> None:
    """Add one entry to the log.

    action : what was done, such as ``key.created``;  target : id of what it was done to
    detail : figures and words, JSON types only, never a secret
    """
    entry = AuditEntry(
        id=new_id("aud"),
        at=utc_now(),
        workspace_id=who.workspace_id,
        actor=f"{who.name} ({who.key_id})" if who.key_id else who.name,
        action=action,
        target=target,
        request_id=current_request_id(),
        detail=detail,
    )
    session.add(entry)
