"""What callers send and get about share links and remarks."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from pydantic.config import JsonDict

from api.inspections.schemas import ID as INSPECTION_ID
from api.sharing.texts import NAME_LIMIT, TEXT_LIMIT
from shared.sharing_tables import Decision, Remark, RemarkKind, ShareLink

LINK_ID = "link_7a6b5c4d3e2f1a0b9c8d7e6f"
REMARK_ID = "rem_5f4e3d2c1b0a9f8e7d6c5b4a"
DIGEST = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
Label = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80)]
Passphrase = Annotated[str, StringConstraints(min_length=8, max_length=200)]


class LinkState(StrEnum):
    """Whether a link still opens anything."""

    ACTIVE = "active"
    EXPIRED = "expired"
    REVOKED = "revoked"


class LinkIn(BaseModel):
    """A link to one report, for someone without a key."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        json_schema_extra={"examples": [{"label": "Foundry", "expires_in_days": 14, "may_remark": True}]},
    )

    label: Label = Field(description="For whom it is; the guest does not see it.")
    expires_in_days: int = Field(default=30, ge=1, le=365)
    passphrase: Passphrase | None = Field(default=None, description="To be told by another way than the link.")
    may_remark: bool = Field(default=False, description="Whether guests may leave remarks under a name they give.")
    may_sign: bool = Field(default=False, description="Whether guests may accept or not accept the piece.")


class LinkLinks(BaseModel):
    """Where to go on."""

    self: str
    revoke: str
    inspection: str


LINK_EXAMPLE: JsonDict = {
    "id": LINK_ID,
    "inspection_id": INSPECTION_ID,
    "label": "Foundry",
    "state": "active",
    "has_passphrase": False,
    "may_remark": True,
    "may_sign": False,
    "expires_at": "2025-02-14T09:30:00Z",
    "revoked_at": None,
    "view_count": 3,
    "last_viewed_at": "2025-02-01T07:12:09Z",
    "created_by": "local",
    "created_at": "2025-01-31T09:30:00Z",
    "links": {
        "self": f"/v1/inspections/{INSPECTION_ID}/links/{LINK_ID}",
        "revoke": f"/v1/inspections/{INSPECTION_ID}/links/{LINK_ID}/revoke",
        "inspection": f"/v1/inspections/{INSPECTION_ID}",
    },
}


class LinkOut(BaseModel):
    """A link as its owner sees it; the address itself is shown once, when it is made."""

    model_config = ConfigDict(json_schema_extra={"examples": [LINK_EXAMPLE]})

    id: str
    inspection_id: str
    label: str
    state: LinkState
    has_passphrase: bool
    may_remark: bool
    may_sign: bool
    expires_at: datetime
    revoked_at: datetime | None
    view_count: int = Field(description="How often the page or the report was opened.")
    last_viewed_at: datetime | None
    created_by: str
    created_at: datetime
    links: LinkLinks


class NewLinkOut(LinkOut):
    """A link just made."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {**LINK_EXAMPLE, "url": "http://127.0.0.1:8650/s/jBGXlmEVDM62nLrSYs5qvcHlUZbBlRCdlz1vJ_Uwh0k"},
            ]
        }
    )

    url: str = Field(description="The address to pass on. It is kept nowhere: a lost one is replaced by a new link.")


class LinkList(BaseModel):
    """The links to one report, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [LINK_EXAMPLE]}]})

    items: list[LinkOut]


class RemarkIn(BaseModel):
    """A remark or sign-off of whoever holds the key."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        json_schema_extra={
            "examples": [
                {"text": "Jacket core was replaced after this casting.", "place": "K1"},
                {"decision": "accepted_with_remarks", "text": "For the test bench only."},
            ]
        },
    )

    text: Annotated[str, StringConstraints(max_length=TEXT_LIMIT)] = ""
    decision: Decision | None = Field(default=None, description="Makes it a sign-off.")
    place: Annotated[str, StringConstraints(max_length=80)] | None = Field(
        default=None, description="Id of a characteristic of the report."
    )
    author: Annotated[str, StringConstraints(max_length=NAME_LIMIT)] | None = Field(
        default=None, description="By default the name of the key."
    )


REMARK_EXAMPLE: JsonDict = {
    "id": REMARK_ID,
    "inspection_id": INSPECTION_ID,
    "number": 1,
    "link_id": LINK_ID,
    "author": "Pattern shop",
    "kind": "remark",
    "decision": None,
    "text": "Core print 2 was worn; a new one is made.",
    "place": "K1",
    "at": "2025-02-01T07:12:09.123456+00:00",
    "report_sha256": DIGEST,
    "previous_sha256": "0" * 64,
    "sha256": DIGEST,
}


class RemarkOut(BaseModel):
    """An entry of the chain: all of it is hashed, so its fields stand here as they are hashed."""

    model_config = ConfigDict(json_schema_extra={"examples": [REMARK_EXAMPLE]})

    id: str
    inspection_id: str
    number: int
    link_id: str | None = Field(description="The guest's link; null for someone with a key.")
    author: str
    kind: RemarkKind
    decision: Decision | None
    text: str
    place: str | None
    at: str
    report_sha256: str = Field(description="Of the report.json it was made on.")
    previous_sha256: str
    sha256: str = Field(description="Keep it: with it can be shown that the entry was there.")


class RemarkList(BaseModel):
    """Remarks and sign-offs, oldest first."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"inspection_id": INSPECTION_ID, "items": [REMARK_EXAMPLE]}]}
    )

    inspection_id: str
    items: list[RemarkOut]


class ChainOut(BaseModel):
    """How the chain of remarks was found."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "is_whole": True,
                    "entry_count": 4,
                    "broken_number": None,
                    "reason": None,
                    "last_sha256": DIGEST,
                    "is_known_there": None,
                    "is_report_same": True,
                }
            ]
        }
    )

    is_whole: bool
    entry_count: int
    broken_number: int | None = Field(description="The first entry that does not fit.")
    reason: str | None
    last_sha256: str = Field(description="Of the last entry that fits.")
    is_known_there: bool | None = Field(description="Whether known_sha256 is among the entries that fit.")
    is_report_same: bool = Field(description="Whether the report is the one that all entries were made on.")


def link_out(row: ShareLink, now: datetime) -> LinkOut:
    """A link as its owner sees it."""
    inspection = f"/v1/inspections/{row.inspection_id}"
    address = f"{inspection}/links/{row.id}"
    return LinkOut(
        id=row.id,
        inspection_id=row.inspection_id,
        label=row.label,
        state=_state(row, now),
        has_passphrase=row.passphrase is not None,
        may_remark=row.may_remark,
        may_sign=row.may_sign,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        view_count=row.view_count,
        last_viewed_at=row.last_viewed_at,
        created_by=row.created_by,
        created_at=row.created_at,
        links=LinkLinks(self=address, revoke=f"{address}/revoke", inspection=inspection),
    )


def remark_out(row: Remark) -> RemarkOut:
    """An entry as it is hashed, and its digest."""
    return RemarkOut.model_validate({**vars(row.entry()), "sha256": row.sha256})


def _state(row: ShareLink, now: datetime) -> LinkState:
    if row.revoked_at is not None:
        return LinkState.REVOKED
    return LinkState.ACTIVE if now < row.expires_at else LinkState.EXPIRED
