"""What is kept, for whom and how long: size class of a job, holds, swept files, quarantine.

Every new column has a default of the database's own: an API of the version before may still be
adding rows.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column("uploads", sa.Column("swept_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("parts", _hold())
    op.add_column("jobs", sa.Column("report_bytes", sa.BigInteger(), nullable=True))
    op.add_column("jobs", sa.Column("size_class", sa.String(length=8), nullable=False, server_default="small"))
    op.add_column("jobs", _hold())
    op.add_column("jobs", sa.Column("swept_at", sa.DateTime(timezone=True), nullable=True))
    op.create_index("ix_jobs_workspace_started", "jobs", ["workspace_id", "started_at"], unique=False)
    op.create_table(
        "quarantined_files",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("file_names", sa.JSON(), nullable=False),
        sa.Column("error", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )


def downgrade() -> None:
    """Undo."""
    op.drop_table("quarantined_files")
    op.drop_index("ix_jobs_workspace_started", table_name="jobs")
    for name in ("swept_at", "hold", "size_class", "report_bytes"):
        op.drop_column("jobs", name)
    op.drop_column("parts", "hold")
    op.drop_column("uploads", "swept_at")


def _hold() -> sa.Column[bool]:
    return sa.Column("hold", sa.Boolean(), nullable=False, server_default=sa.false())
