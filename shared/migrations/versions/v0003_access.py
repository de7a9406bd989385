"""Workspaces, access keys, browser sessions and the audit log; whatever there is goes to the default workspace."""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

DEFAULT = "ws_default"
MADE_WITH_KEY = ("uploads", "partial_uploads", "jobs")
IN_WORKSPACE = (*MADE_WITH_KEY, "parts")
ONLY_ADDED = "rows of audit_log are only ever added"


def upgrade() -> None:
    """Apply."""
    _create_workspaces()
    _create_keys()
    _create_audit_log()
    for table in IN_WORKSPACE:
        _add_columns(table)
    _remake_idempotency_keys(is_in_workspace=True)


def downgrade() -> None:
    """Undo.  What workspaces kept apart lies together again."""
    op.execute(sa.text("DELETE FROM idempotency_keys WHERE workspace_id <> :one").bindparams(one=DEFAULT))
    _remake_idempotency_keys(is_in_workspace=False)
    for table in reversed(IN_WORKSPACE):
        _drop_columns(table)
    op.drop_table("audit_log")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION refuse_change_of_audit_log()")
    for table in ("browser_sessions", "key_rates", "api_keys", "workspaces"):
        op.drop_table(table)


def _create_workspaces() -> None:
    workspaces = op.create_table(
        "workspaces",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.bulk_insert(workspaces, [{"id": DEFAULT, "name": "Default", "created_at": datetime.now(UTC)}])


def _create_keys() -> None:
    op.create_table(
        "api_keys",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("workspace_id", sa.String(length=40), nullable=False),
        sa.Column("family_id", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("prefix", sa.String(length=20), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("rate_per_minute", sa.Integer(), nullable=False),
        sa.Column("open_jobs_limit", sa.Integer(), nullable=False),
        sa.Column("stored_bytes_limit", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("replaced_by", sa.String(length=40), nullable=True),
        sa.ForeignKeyConstraint(["workspace_id"], ["workspaces.id"]),
        sa.ForeignKeyConstraint(["replaced_by"], ["api_keys.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("prefix"),
        sa.UniqueConstraint("secret_sha256"),
    )
    for column in ("workspace_id", "family_id", "created_at"):
        op.create_index(f"ix_api_keys_{column}", "api_keys", [column])
    op.create_table(
        "key_rates",
        sa.Column("family_id", sa.String(length=40), nullable=False),
        sa.Column("spent_until_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["family_id"], ["api_keys.id"]),
        sa.PrimaryKeyConstraint("family_id"),
    )
    op.create_table(
        "browser_sessions",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("key_id", sa.String(length=40), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["key_id"], ["api_keys.id"]),
        sa.PrimaryKeyConstraint("token_sha256"),
    )
    for column in ("key_id", "expires_at"):
        op.create_index(f"ix_browser_sessions_{column}", "browser_sessions", [column])


def _create_audit_log() -> None:
    op.create_table(
        "audit_log",
        sa.Column("id", sa.String(length=40), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("workspace_id", sa.String(length=40), nullable=False),
        sa.Column("actor", sa.String(length=300), nullable=False),
        sa.Column("action", sa.String(length=80), nullable=False),
        sa.Column("target", sa.String(length=200), nullable=False),
        sa.Column("request_id", sa.String(length=32), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["workspace_id"], ["workspaces.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_audit_log_workspace_id", "audit_log", ["workspace_id"])
    op.create_index("ix_audit_log_workspace_at", "audit_log", ["workspace_id", "at"])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change_of_audit_log() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{ONLY_ADDED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_log_is_append_only BEFORE UPDATE OR DELETE ON audit_log "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change_of_audit_log()"
        )
        return
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER audit_log_refuses_{change.lower()} BEFORE {change} ON audit_log "
            f"BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED}'); END"
        )


def _add_columns(table: str) -> None:
    """The workspace of every row; the default value is for the rows there are."""
    with op.batch_alter_table(table) as altered:
        altered.add_column(sa.Column("workspace_id", sa.String(length=40), nullable=False, server_default=DEFAULT))
        altered.create_foreign_key(f"fk_{table}_workspace_id", "workspaces", ["workspace_id"], ["id"])
        if table in MADE_WITH_KEY:
            altered.add_column(sa.Column("key_id", sa.String(length=40), nullable=True))
            altered.create_foreign_key(f"fk_{table}_key_id", "api_keys", ["key_id"], ["id"])
    with op.batch_alter_table(table) as altered:
        altered.alter_column("workspace_id", existing_type=sa.String(length=40), server_default=None)
    for column in _columns_of(table):
        op.create_index(f"ix_{table}_{column}", table, [column])


def _drop_columns(table: str) -> None:
    for column in _columns_of(table):
        op.drop_index(f"ix_{table}_{column}", table_name=table)
    with op.batch_alter_table(table) as altered:
        for column in _columns_of(table):
            altered.drop_constraint(f"fk_{table}_{column}", type_="foreignkey")
            altered.drop_column(column)


def _columns_of(table: str) -> tuple[str, ...]:
    return ("workspace_id", "key_id") if table in MADE_WITH_KEY else ("workspace_id",)


def _remake_idempotency_keys(*, is_in_workspace: bool) -> None:
    """The table anew with another primary key, and the rows put into it: a client may repeat a request of before."""
    op.drop_index("ix_idempotency_keys_created_at", table_name="idempotency_keys")
    op.rename_table("idempotency_keys", "old_idempotency_keys")
    kept = "key, route, request_sha256, status, body, created_at"
    whose = ["workspace_id"] if is_in_workspace else []
    op.create_table(
        "idempotency_keys",
        *(sa.Column(name, sa.String(length=40), nullable=False) for name in whose),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("route", sa.String(length=200), nullable=False),
        sa.Column("request_sha256", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("body", sa.JSON(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        *(sa.ForeignKeyConstraint([name], ["workspaces.id"]) for name in whose),
        sa.PrimaryKeyConstraint(*whose, "key", "route", name="pk_workspace_keys" if whose else None),
    )
    into, values = (f"workspace_id, {kept}", f"'{DEFAULT}', {kept}") if whose else (kept, kept)
    op.execute(f"INSERT INTO idempotency_keys ({into}) SELECT {values} FROM old_idempotency_keys")  # noqa: S608 - our own words
    op.drop_table("old_idempotency_keys")
    op.create_index("ix_idempotency_keys_created_at", "idempotency_keys", ["created_at"])
