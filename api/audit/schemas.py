"""What callers get of the audit log."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from shared.tables import AuditEntry

EXAMPLE: JsonDict = {
    "id": "aud_77aa66bb55cc44dd33ee22ff",
    "at": "2025-01-31T09:30:00Z",
    "actor": "Office (key_4d3c2b1a09f8e7d6c5b4a392)",
    "action": "key.revoked",
    "target": "key_0f1e2d3c4b5a69788796a5b4",
    "request_id": "7c1f0a9b2d3e4f50",
    "detail": {"name": "Scanner room"},
}


class AuditEntryOut(BaseModel):
    """Who did what, when."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    id: str
    at: datetime
    actor: str = Field(description="Name and id of the key, or who else it was.")
    action: str = Field(description="Stable word for programs.")
    target: str = Field(description="Id of what it was done to.")
    request_id: str | None = Field(description="As in our log; null if it was done by command.")
    detail: dict[str, Any]


class AuditPage(BaseModel):
    """Some entries, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [EXAMPLE], "next_cursor": None}]})

    items: list[AuditEntryOut]
    next_cursor: str | None = Field(description="For the next page, or null on the last.")


def entry_out(row: AuditEntry) -> AuditEntryOut:
    """An entry as callers see it."""
    return AuditEntryOut.model_validate(row, from_attributes=True)
