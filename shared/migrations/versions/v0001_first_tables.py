"""The first tables: uploads, parts, revisions, inspections, idempotency keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    _create_idempotency_keys()
    _create_parts()
    _create_uploads()
    _create_partial_uploads()
    _create_revisions()
    _create_inspections()


def downgrade() -> None:
    """Undo."""
    op.drop_index("ix_inspections_state_lease", table_name="inspections")
    op.drop_index(op.f("ix_inspections_revision_id"), table_name="inspections")
    op.drop_index(op.f("ix_inspections_created_at"), table_name="inspections")
    op.drop_table("inspections")
    op.drop_index(op.f("ix_revisions_part_id"), table_name="revisions")
    op.drop_table("revisions")
    op.drop_index(op.f("ix_partial_uploads_expires_at"), table_name="partial_uploads")
    op.drop_table("partial_uploads")
    op.drop_index(op.f("ix_uploads_created_at"), table_name="uploads")
    op.drop_table("uploads")
    op.drop_index(op.f("ix_parts_created_at"), table_name="parts")
    op.drop_table("parts")
    op.drop_index(op.f("ix_idempotency_keys_created_at"), table_name="idempotency_keys")
    op.drop_table("idempotency_keys")


def _create_idempotency_keys() -> None:
    op.create_table(
        "idempotency_keys",
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("route", sa.String(length=200), nullable=False),
        sa.Column("request_sha256", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("body", sa.JSON(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("key", "route"),
    )
    op.create_index(op.f("ix_idempotency_keys_created_at"), "idempotency_keys", ["created_at"], unique=False)


def _create_parts() -> None:
    op.create_table(
        "parts",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_parts_created_at"), "parts", ["created_at"], unique=False)


def _create_uploads() -> None:
    op.create_table(
        "uploads",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("storage_key", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_uploads_created_at"), "uploads", ["created_at"], unique=False)


def _create_partial_uploads() -> None:
    op.create_table(
        "partial_uploads",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("offset_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("storage_key", sa.String(length=200), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("upload_id", sa.String(length=40), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["upload_id"], ["uploads.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_partial_uploads_expires_at"), "partial_uploads", ["expires_at"], unique=False)


def _create_revisions() -> None:
    op.create_table(
        "revisions",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("part_id", sa.String(length=40), nullable=False),
        sa.Column("label", sa.String(length=80), nullable=False),
        sa.Column("nominal_upload_id", sa.String(length=40), nullable=False),
        sa.Column("unit", sa.String(length=8), nullable=True),
        sa.Column("bodies", sa.JSON(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=True),
        sa.Column("plan_source", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["nominal_upload_id"], ["uploads.id"]),
        sa.ForeignKeyConstraint(["part_id"], ["parts.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_revisions_part_id"), "revisions", ["part_id"], unique=False)


def _create_inspections() -> None:
    op.create_table(
        "inspections",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("revision_id", sa.String(length=40), nullable=True),
        sa.Column("nominal_upload_id", sa.String(length=40), nullable=False),
        sa.Column("scan_upload_id", sa.String(length=40), nullable=False),
        sa.Column("nominal_unit", sa.String(length=8), nullable=True),
        sa.Column("scan_unit", sa.String(length=8), nullable=True),
        sa.Column("bodies", sa.JSON(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=True),
        sa.Column("plan_source", sa.Text(), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("stage", sa.String(length=16), nullable=True),
        sa.Column("progress", sa.Float(), nullable=False),
        sa.Column("cancel_requested", sa.Boolean(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("lease_owner", sa.String(length=120), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("heartbeat_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("error", sa.JSON(), nullable=True),
        sa.Column("outcome", sa.String(length=24), nullable=True),
        sa.Column("headline", sa.String(length=400), nullable=True),
        sa.Column("report_key", sa.String(length=200), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["nominal_upload_id"], ["uploads.id"]),
        sa.ForeignKeyConstraint(["revision_id"], ["revisions.id"]),
        sa.ForeignKeyConstraint(["scan_upload_id"], ["uploads.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(op.f("ix_inspections_created_at"), "inspections", ["created_at"], unique=False)
    op.create_index(op.f("ix_inspections_revision_id"), "inspections", ["revision_id"], unique=False)
    op.create_index("ix_inspections_state_lease", "inspections", ["state", "lease_until"], unique=False)
