"""Inspections become one of two kinds of job; the other finds the features of a revision's nominal."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

INDEXES = {"created_at": ["created_at"], "revision_id": ["revision_id"], "state_lease": ["state", "lease_until"]}


def upgrade() -> None:
    """Apply."""
    _rename("inspections", "jobs")
    with op.batch_alter_table("jobs") as jobs:
        jobs.add_column(sa.Column("task", sa.String(length=16), nullable=False, server_default="inspect"))
        jobs.alter_column("scan_upload_id", existing_type=sa.String(length=40), nullable=True)
        jobs.alter_column("bodies", existing_type=sa.JSON(), nullable=True)
    with op.batch_alter_table("jobs") as jobs:  # the default was for the rows there were
        jobs.alter_column("task", existing_type=sa.String(length=16), server_default=None)


def downgrade() -> None:
    """Undo.  Detections go: they are made anew when they are asked for."""
    op.execute("DELETE FROM jobs WHERE task <> 'inspect'")
    with op.batch_alter_table("jobs") as jobs:
        jobs.alter_column("bodies", existing_type=sa.JSON(), nullable=False)
        jobs.alter_column("scan_upload_id", existing_type=sa.String(length=40), nullable=False)
        jobs.drop_column("task")
    _rename("jobs", "inspections")


def _rename(old: str, new: str) -> None:
    for name in INDEXES:
        op.drop_index(f"ix_{old}_{name}", table_name=old)
    op.rename_table(old, new)
    for name, columns in INDEXES.items():
        op.create_index(f"ix_{new}_{name}", new, columns, unique=False)
