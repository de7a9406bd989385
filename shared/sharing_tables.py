"""The SQL tables of what is shared and told: links, remarks, subscriptions to webhooks, their deliveries."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from shared.remark_chain import Entry
from shared.tables import Base, InWorkspace, UtcDateTime, utc_now


class RemarkKind(StrEnum):
    """What an entry is."""

    REMARK = "remark"
    SIGN_OFF = "sign_off"


class Decision(StrEnum):
    """What a sign-off says of the piece."""

    ACCEPTED = "accepted"
    ACCEPTED_WITH_REMARKS = "accepted_with_remarks"
    NOT_ACCEPTED = "not_accepted"


class DeliveryState(StrEnum):
    """Where the delivery of one message stands."""

    PENDING = "pending"
    DELIVERED = "delivered"
    FAILED = "failed"


class ShareLink(InWorkspace, Base):
    """A link through which someone without a key sees one report.

    token_sha256 : of the token, which is kept nowhere;  passphrase : parameters, salt and hash in one text
    tries, next_try_at : passphrases tried since the last right one, and when the next is looked at
    """

    __tablename__ = "share_links"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    inspection_id: Mapped[str] = mapped_column(ForeignKey("jobs.id"), index=True)
    token_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    passphrase: Mapped[str | None] = mapped_column(String(200))
    label: Mapped[str] = mapped_column(String(80))
    may_remark: Mapped[bool] = mapped_column(default=False)
    may_sign: Mapped[bool] = mapped_column(default=False)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    view_count: Mapped[int] = mapped_column(Integer, default=0)
    last_viewed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    tries: Mapped[int] = mapped_column(Integer, default=0)
    next_try_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    created_by: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)


class Remark(Base):
    """A remark or sign-off.  Rows are only ever added: a trigger refuses to change or delete one.

    number, previous_sha256, sha256 : its place in the chain of its inspection, :mod:`shared.remark_chain`
    link_id : the guest's link, None for someone with a key
    """

    __tablename__ = "remarks"
    __table_args__ = (UniqueConstraint("inspection_id", "number", name="uq_remarks_inspection_id_number"),)

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    inspection_id: Mapped[str] = mapped_column(ForeignKey("jobs.id"))
    number: Mapped[int] = mapped_column(Integer)
    link_id: Mapped[str | None] = mapped_column(ForeignKey("share_links.id"), index=True)
    author: Mapped[str] = mapped_column(String(200))
    kind: Mapped[str] = mapped_column(String(16))
    decision: Mapped[str | None] = mapped_column(String(32))
    text: Mapped[str] = mapped_column(Text)
    place: Mapped[str | None] = mapped_column(String(80))  # id of a characteristic
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    report_sha256: Mapped[str] = mapped_column(String(64))
    previous_sha256: Mapped[str] = mapped_column(String(64))
    sha256: Mapped[str] = mapped_column(String(64))

    def entry(self) -> Entry:
        """The row as it is hashed."""
        return Entry(
            id=self.id,
            inspection_id=self.inspection_id,
            number=self.number,
            link_id=self.link_id,
            author=self.author,
            kind=self.kind,
            decision=self.decision,
            text=self.text,
            place=self.place,
            at=self.at.isoformat(timespec="microseconds"),
            report_sha256=self.report_sha256,
            previous_sha256=self.previous_sha256,
        )


class Subscription(InWorkspace, Base):
    """An address that is told of events.

    secret : signs messages, so it cannot be kept as a hash;  previous_secret signs beside it until previous_until
    stopped_because : why we stopped by ourselves, None while the owner decides
    """

    __tablename__ = "subscriptions"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    url: Mapped[str] = mapped_column(String(2000))
    events: Mapped[list[str]] = mapped_column(JSON)
    secret: Mapped[str] = mapped_column(String(120))
    previous_secret: Mapped[str | None] = mapped_column(String(120))
    previous_until: Mapped[datetime | None] = mapped_column(UtcDateTime)
    is_active: Mapped[bool] = mapped_column(default=True)
    stopped_because: Mapped[str | None] = mapped_column(String(200))
    last_success_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    created_by: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)

    def secrets_at(self, now: datetime) -> list[str]:
        """The secrets to sign with, newest first."""
        is_taking_over = self.previous_until is not None and now < self.previous_until
        return [self.secret, *([self.previous_secret] if self.previous_secret and is_taking_over else [])]


class Delivery(Base):
    """One message to one subscription; its id is the webhook-id and stays the same however often it is sent.

    body : the exact text that is signed;  next_attempt_at : when it is due, or, while it is being sent,
    when another worker may take it over;  log : one entry an attempt, {at, status, error}
    """

    __tablename__ = "deliveries"
    __table_args__ = (Index("ix_deliveries_state_next", "state", "next_attempt_at"),)

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    subscription_id: Mapped[str] = mapped_column(ForeignKey("subscriptions.id"), index=True)
    event: Mapped[str] = mapped_column(String(40))
    body: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(String(16), default=DeliveryState.PENDING.value)
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    log: Mapped[list[dict[str, Any]]] = mapped_column(JSON, default=list)
    next_attempt_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)
    subscription: Mapped[Subscription] = relationship()
