"""Share links, remarks, subscriptions to webhooks and their deliveries."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ONLY_ADDED = "rows of remarks are only ever added"


def upgrade() -> None:
    """Apply."""
    _create_share_links()
    _create_remarks()
    _refuse_changes()
    _create_subscriptions()
    _create_deliveries()


def downgrade() -> None:
    """Undo.  Links stop working, remarks and subscriptions go."""
    for table in ("deliveries", "subscriptions", "remarks"):
        op.drop_table(table)
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION refuse_change_of_remarks()")
    op.drop_table("share_links")


def _create_share_links() -> None:
    op.create_table(
        "share_links",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("workspace_id", sa.String(length=40), nullable=False),
        sa.Column("inspection_id", sa.String(length=40), nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("passphrase", sa.String(length=200), nullable=True),
        sa.Column("label", sa.String(length=80), nullable=False),
        sa.Column("may_remark", sa.Boolean(), nullable=False),
        sa.Column("may_sign", sa.Boolean(), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("view_count", sa.Integer(), nullable=False),
        sa.Column("last_viewed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_by", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["workspace_id"], ["workspaces.id"]),
        sa.ForeignKeyConstraint(["inspection_id"], ["jobs.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("token_sha256"),
    )
    for column in ("workspace_id", "inspection_id"):
        op.create_index(f"ix_share_links_{column}", "share_links", [column])


def _create_remarks() -> None:
    op.create_table(
        "remarks",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("inspection_id", sa.String(length=40), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("link_id", sa.String(length=40), nullable=True),
        sa.Column("author", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("decision", sa.String(length=32), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("report_sha256", sa.String(length=64), nullable=False),
        sa.Column("previous_sha256", sa.String(length=64), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["inspection_id"], ["jobs.id"]),
        sa.ForeignKeyConstraint(["link_id"], ["share_links.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("inspection_id", "number", name="uq_remarks_inspection_id_number"),
    )
    op.create_index("ix_remarks_link_id", "remarks", ["link_id"])


def _refuse_changes() -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change_of_remarks() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{ONLY_ADDED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER remarks_are_append_only BEFORE UPDATE OR DELETE ON remarks "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change_of_remarks()"
        )
        return
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER remarks_refuse_{change.lower()} BEFORE {change} ON remarks "
            f"BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED}'); END"
        )


def _create_subscriptions() -> None:
    op.create_table(
        "subscriptions",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("workspace_id", sa.String(length=40), nullable=False),
        sa.Column("url", sa.String(length=2000), nullable=False),
        sa.Column("events", sa.JSON(), nullable=False),
        sa.Column("secret", sa.String(length=120), nullable=False),
        sa.Column("previous_secret", sa.String(length=120), nullable=True),
        sa.Column("previous_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("stopped_because", sa.String(length=200), nullable=True),
        sa.Column("last_success_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_by", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["workspace_id"], ["workspaces.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_subscriptions_workspace_id", "subscriptions", ["workspace_id"])


def _create_deliveries() -> None:
    op.create_table(
        "deliveries",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("subscription_id", sa.String(length=40), nullable=False),
        sa.Column("event", sa.String(length=40), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("log", sa.JSON(), nullable=False),
        sa.Column("next_attempt_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["subscription_id"], ["subscriptions.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    for name, columns in {
        "subscription_id": ["subscription_id"],
        "created_at": ["created_at"],
        "state_next": ["state", "next_attempt_at"],
    }.items():
        op.create_index(f"ix_deliveries_{name}", "deliveries", columns)
