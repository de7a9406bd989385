"""The SQL tables.  SQLite in WAL mode or PostgreSQL; times are UTC; ids are random.

The row of a job is the truth about it; a broker message is only a reminder.
"""

from __future__ import annotations

from datetime import UTC, datetime
from secrets import token_hex
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Text,
    TypeDecorator,
    false,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from shared.logs import current_request_id
from shared.states import InspectionState, SizeClass, Task


class UtcDateTime(TypeDecorator[datetime]):
    """Aware UTC datetimes on both databases (SQLite drops the zone)."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - signature of the base
        """Refuse naive times."""
        if value is not None and value.tzinfo is None:
            raise ValueError("naive datetime")
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - signature of the base
        """Give the zone back."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def utc_now() -> datetime:
    """The present, aware."""
    return datetime.now(UTC)


def new_id(prefix: str) -> str:
    """A random id such as ``insp_3f..``: 96 bits, so that it cannot be guessed or collide."""
    return f"{prefix}_{token_hex(12)}"


class Base(DeclarativeBase):
    """Declarative base."""


class Workspace(Base):
    """Everything of one shop; nothing of one workspace is visible in another."""

    __tablename__ = "workspaces"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    name: Mapped[str] = mapped_column(String(200), unique=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)


class InWorkspace:
    """Belongs to one workspace.  There is no default: a row must say whose it is."""

    workspace_id: Mapped[str] = mapped_column(ForeignKey("workspaces.id"), index=True)


class MadeWithKey(InWorkspace):
    """Counts against the quota of the key it was made with; None where no keys are used."""

    key_id: Mapped[str | None] = mapped_column(ForeignKey("api_keys.id"), index=True)


class ApiKey(InWorkspace, Base):
    """An access key, of which only a hash is kept; see :mod:`shared.access`.

    family_id : id of the first of keys that replaced each other; rate and quotas count over all of them
    prefix : its public part;  replaced_by : the key that came after it by rotation
    """

    __tablename__ = "api_keys"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    family_id: Mapped[str] = mapped_column(String(40), index=True)
    name: Mapped[str] = mapped_column(String(200))
    prefix: Mapped[str] = mapped_column(String(20), unique=True)
    secret_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    scopes: Mapped[list[str]] = mapped_column(JSON)
    rate_per_minute: Mapped[int] = mapped_column(Integer)
    open_jobs_limit: Mapped[int] = mapped_column(Integer)  # queued and running together
    stored_bytes_limit: Mapped[int] = mapped_column(BigInteger)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)
    expires_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    last_used_at: Mapped[datetime | None] = mapped_column(UtcDateTime)  # to the minute
    replaced_by: Mapped[str | None] = mapped_column(ForeignKey("api_keys.id"))


class KeyRate(Base):
    """How much of its rate a family of keys has used up; moved by one atomic statement a request.

    spent_until_us : microseconds since 1970 at which the allowance is whole again
    """

    __tablename__ = "key_rates"

    family_id: Mapped[str] = mapped_column(ForeignKey("api_keys.id"), primary_key=True)
    spent_until_us: Mapped[int] = mapped_column(BigInteger)


class BrowserSession(Base):
    """A browser signed in with a key; it ends with the key at the latest."""

    __tablename__ = "browser_sessions"

    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    key_id: Mapped[str] = mapped_column(ForeignKey("api_keys.id"), index=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)


class AuditEntry(InWorkspace, Base):
    """Who did what, when.  Rows are only ever added: a trigger refuses to change or delete one."""

    __tablename__ = "audit_log"
    __table_args__ = (Index("ix_audit_log_workspace_at", "workspace_id", "at"),)

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    actor: Mapped[str] = mapped_column(String(300))
    action: Mapped[str] = mapped_column(String(80))
    target: Mapped[str] = mapped_column(String(200))
    request_id: Mapped[str | None] = mapped_column(String(32))
    detail: Mapped[dict[str, Any]] = mapped_column(JSON)

    @property
    def created_at(self) -> datetime:
        """The moment, as paging calls it."""
        return self.at


class Upload(MadeWithKey, Base):
    """One file as received.  ``swept_at`` says since when its bytes are gone; the row stays for the records."""

    __tablename__ = "uploads"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    file_name: Mapped[str] = mapped_column(String(255))  # display text only, never a path
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(64))
    storage_key: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)
    swept_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class Part(InWorkspace, Base):
    """A part being developed.  ``hold`` keeps all files of it and of its inspections from being swept."""

    __tablename__ = "parts"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    hold: Mapped[bool] = mapped_column(default=False, server_default=false())
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)
    revisions: Mapped[list[Revision]] = relationship(back_populates="part", order_by="Revision.created_at")


class Revision(Base):
    """One revision of a part: its nominal, its bodies, its plan."""

    __tablename__ = "revisions"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    part_id: Mapped[str] = mapped_column(ForeignKey("parts.id"), index=True)
    label: Mapped[str] = mapped_column(String(80))
    nominal_upload_id: Mapped[str] = mapped_column(ForeignKey("uploads.id"))
    unit: Mapped[str | None] = mapped_column(String(8))
    bodies: Mapped[list[dict[str, str]]] = mapped_column(JSON, default=list)  # [{name, role, upload_id}]
    plan: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    plan_source: Mapped[str | None] = mapped_column(Text)  # the plan as given, for its hash
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)
    part: Mapped[Part] = relationship(back_populates="revisions")
    nominal: Mapped[Upload] = relationship()


class Job(MadeWithKey, Base):
    """Work for the workers: what inspections and detections of features share, so that each is kept the same way.

    task : which of the two, :class:`shared.states.Task`;  queries of a subclass see its own rows only
    lease_owner, lease_until : which worker process holds it, and until when unless it beats
    attempts : claims so far; report_key : folder of the result in the file store, set last
    size_class : :class:`shared.states.SizeClass`;  workspace_id : among workspaces the workers' time is shared evenly
    hold : its files are kept whatever their age;  swept_at : since when its result is gone
    request_id : of the request that ordered it, as in the logs;  stage_s : seconds each stage of a finished job took
    """

    __tablename__ = "jobs"
    __table_args__ = (
        Index("ix_jobs_state_lease", "state", "lease_until"),
        Index("ix_jobs_workspace_started", "workspace_id", "started_at"),
    )
    __mapper_args__ = {"polymorphic_on": "task", "polymorphic_abstract": True}  # noqa: RUF012 - read by SQLAlchemy at class creation

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    workspace_id: Mapped[str] = mapped_column(ForeignKey("workspaces.id"))  # the second index above begins with it
    task: Mapped[str] = mapped_column(String(16))
    title: Mapped[str] = mapped_column(String(200))
    revision_id: Mapped[str | None] = mapped_column(ForeignKey("revisions.id"), index=True)
    nominal_upload_id: Mapped[str] = mapped_column(ForeignKey("uploads.id"))
    nominal_unit: Mapped[str | None] = mapped_column(String(8))
    state: Mapped[str] = mapped_column(String(16), default=InspectionState.QUEUED.value)
    stage: Mapped[str | None] = mapped_column(String(16))
    progress: Mapped[float] = mapped_column(Float, default=0.0)
    cancel_requested: Mapped[bool] = mapped_column(default=False)
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    lease_owner: Mapped[str | None] = mapped_column(String(120))
    lease_until: Mapped[datetime | None] = mapped_column(UtcDateTime)
    heartbeat_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    sent_at: Mapped[datetime | None] = mapped_column(UtcDateTime)  # last time a message went out
    error: Mapped[dict[str, Any] | None] = mapped_column(JSON)  # {code, message, advice, data}
    outcome: Mapped[str | None] = mapped_column(String(24))
    headline: Mapped[str | None] = mapped_column(String(400))
    report_key: Mapped[str | None] = mapped_column(String(200))
    report_bytes: Mapped[int | None] = mapped_column(BigInteger)
    size_class: Mapped[str] = mapped_column(
        String(8), default=SizeClass.SMALL.value, server_default=SizeClass.SMALL.value
    )
    hold: Mapped[bool] = mapped_column(default=False, server_default=false())
    swept_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    request_id: Mapped[str | None] = mapped_column(String(32), default=current_request_id)
    stage_s: Mapped[dict[str, float] | None] = mapped_column(JSON)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)
    started_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    nominal: Mapped[Upload] = relationship(foreign_keys=[nominal_upload_id])


class Inspection(Job):
    """One piece against one nominal."""

    __mapper_args__ = {"polymorphic_identity": Task.INSPECT.value}  # noqa: RUF012 - as above

    scan_upload_id: Mapped[str] = mapped_column(ForeignKey("uploads.id"), nullable=True)
    scan_unit: Mapped[str | None] = mapped_column(String(8))
    bodies: Mapped[list[dict[str, str]]] = mapped_column(JSON, default=list, nullable=True)
    plan: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    plan_source: Mapped[str | None] = mapped_column(Text)  # the plan as given, for its hash
    scan: Mapped[Upload] = relationship(foreign_keys=[scan_upload_id])


class FeatureDetection(Job):
    """The features of a revision's nominal, found once and kept; its id follows from the revision's."""

    __mapper_args__ = {"polymorphic_identity": Task.DETECT_FEATURES.value}  # noqa: RUF012 - as above


class QuarantinedFiles(Base):
    """Files that ended a job's process again and again; not worked on until an operator releases them.

    id : :func:`worker.quarantine.fingerprint` of all input files of the job;  error : as kept in the job's row
    """

    __tablename__ = "quarantined_files"

    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    file_names: Mapped[list[str]] = mapped_column(JSON)
    error: Mapped[dict[str, Any]] = mapped_column(JSON)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)


class IdempotencyKey(Base):
    """Answer already given under a caller's Idempotency-Key; the same key and body get it again."""

    __tablename__ = "idempotency_keys"

    workspace_id: Mapped[str] = mapped_column(ForeignKey("workspaces.id"), primary_key=True)
    key: Mapped[str] = mapped_column(String(255), primary_key=True)
    route: Mapped[str] = mapped_column(String(200), primary_key=True)
    request_sha256: Mapped[str] = mapped_column(String(64))
    status: Mapped[int | None] = mapped_column(Integer)  # None while the first request is under way
    body: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now, index=True)


class PartialUpload(MadeWithKey, Base):
    """A resumable upload under way.

    offset_bytes counts what is known to be on disk; whatever the file holds beyond it is cut off
    before more is written.  upload_id is set last, when the whole file became an upload.
    """

    __tablename__ = "partial_uploads"

    id: Mapped[str] = mapped_column(String(40), primary_key=True)
    file_name: Mapped[str] = mapped_column(String(255))
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    offset_bytes: Mapped[int] = mapped_column(BigInteger, default=0)
    sha256: Mapped[str | None] = mapped_column(String(64))  # as the caller announced it
    storage_key: Mapped[str] = mapped_column(String(200))
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    upload_id: Mapped[str | None] = mapped_column(ForeignKey("uploads.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime, default=utc_now)
