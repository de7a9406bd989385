"""What callers send and get about access keys."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints
from pydantic.config import JsonDict

from shared.access import Scope
from shared.keys import IssuedKey, KeyTerms, is_live
from shared.tables import ApiKey, utc_now

KEY_ID = "key_4d3c2b1a09f8e7d6c5b4a392"
DEFAULTS = KeyTerms(name="", scopes=frozenset())
LONGEST_OVERLAP_H = 24 * 90
EXAMPLE: JsonDict = {
    "id": KEY_ID,
    "name": "Scanner room",
    "prefix": "fp_0a1b2c3d4e",
    "scopes": ["read", "write"],
    "state": "in_use",
    "rate_per_minute": 600,
    "open_jobs_limit": 200,
    "stored_bytes_limit": 214748364800,
    "created_at": "2025-01-31T09:30:00Z",
    "expires_at": "2026-01-31T09:30:00Z",
    "revoked_at": None,
    "last_used_at": "2025-02-03T07:12:00Z",
    "replaced_by": None,
    "links": {
        "self": f"/v1/keys/{KEY_ID}",
        "rotate": f"/v1/keys/{KEY_ID}/rotate",
        "revoke": f"/v1/keys/{KEY_ID}/revoke",
    },
}
ISSUED_EXAMPLE: JsonDict = {**EXAMPLE, "key": f"fp_0a1b2c3d4e_{'x' * 43}"}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class KeyIn(_Strict):
    """A new key."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "Scanner room", "scopes": ["read", "write"], "expires_at": "2026-01-31T09:30:00Z"}]
        }
    )

    name: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
    scopes: Annotated[frozenset[Scope], Field(min_length=1)]
    expires_at: AwareDatetime | None = Field(default=None, description="Without it the key holds until it is revoked.")
    rate_per_minute: Annotated[int, Field(ge=1, le=100_000)] = DEFAULTS.rate_per_minute
    open_jobs_limit: Annotated[int, Field(ge=0, le=1_000_000)] = DEFAULTS.open_jobs_limit
    stored_bytes_limit: Annotated[int, Field(ge=0, le=2**50)] = DEFAULTS.stored_bytes_limit

    def terms(self) -> KeyTerms:
        """As they are kept."""
        return KeyTerms(
            name=self.name,
            scopes=self.scopes,
            expires_at=self.expires_at,
            rate_per_minute=self.rate_per_minute,
            open_jobs_limit=self.open_jobs_limit,
            stored_bytes_limit=self.stored_bytes_limit,
        )


class RotationIn(_Strict):
    """A rotation."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"overlap_hours": 24}]})

    overlap_hours: Annotated[float, Field(ge=0, le=LONGEST_OVERLAP_H)] = Field(
        default=24, description="How long the old key goes on working."
    )

    @property
    def overlap(self) -> timedelta:
        """As a duration."""
        return timedelta(hours=self.overlap_hours)


class KeyLinks(BaseModel):
    """Where to go on."""

    self: str
    rotate: str
    revoke: str


class KeyOut(BaseModel):
    """A key without its secret, of which only a hash is kept."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    id: str
    name: str
    prefix: str = Field(description="How the key begins.")
    scopes: list[Scope]
    state: Literal["in_use", "expired", "revoked"]
    rate_per_minute: int
    open_jobs_limit: int = Field(description="Jobs it may have waiting and running.")
    stored_bytes_limit: int = Field(description="Room for the files it sends.")
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None = Field(description="To the minute.")
    replaced_by: str | None = Field(description="Id of the key that came after it by rotation.")
    links: KeyLinks


class IssuedKeyOut(KeyOut):
    """A key just made.  ``key`` is shown this once and cannot be had again."""

    model_config = ConfigDict(json_schema_extra={"examples": [ISSUED_EXAMPLE]})

    key: str


class KeyPage(BaseModel):
    """Some keys, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [EXAMPLE], "next_cursor": None}]})

    items: list[KeyOut]
    next_cursor: str | None = Field(description="For the next page, or null on the last.")


def key_out(row: ApiKey) -> KeyOut:
    """A key as callers see it."""
    address = f"/v1/keys/{row.id}"
    return KeyOut(
        id=row.id,
        name=row.name,
        prefix=row.prefix,
        scopes=[Scope(scope) for scope in row.scopes],
        state=_state(row),
        rate_per_minute=row.rate_per_minute,
        open_jobs_limit=row.open_jobs_limit,
        stored_bytes_limit=row.stored_bytes_limit,
        created_at=row.created_at,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        last_used_at=row.last_used_at,
        replaced_by=row.replaced_by,
        links=KeyLinks(self=address, rotate=f"{address}/rotate", revoke=f"{address}/revoke"),
    )


def issued_out(issued: IssuedKey) -> IssuedKeyOut:
    """A key just made, with its text."""
    return IssuedKeyOut(**key_out(issued.row).model_dump(), key=issued.secret.text)


def _state(row: ApiKey) -> Literal["in_use", "expired", "revoked"]:
    if row.revoked_at is not None:
        return "revoked"
    return "in_use" if is_live(row, utc_now()) else "expired"
