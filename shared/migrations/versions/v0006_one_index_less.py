"""The index on the workspace of a job goes: that on workspace and start begins with the same column."""

from __future__ import annotations

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None
INDEX = "ix_jobs_workspace_id"


def upgrade() -> None:
    """Apply."""
    op.drop_index(INDEX, table_name="jobs")


def downgrade() -> None:
    """Undo."""
    op.create_index(INDEX, "jobs", ["workspace_id"], unique=False)
