"""A job tells the request that ordered it, and how long each stage of it took."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.add_column("jobs", sa.Column("request_id", sa.String(length=32), nullable=True))
    op.add_column("jobs", sa.Column("stage_s", sa.JSON(), nullable=True))


def downgrade() -> None:
    """Undo."""
    op.drop_column("jobs", "stage_s")
    op.drop_column("jobs", "request_id")
