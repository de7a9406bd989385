"""What Alembic runs: migrate on the connection handed over by :func:`shared.database.migrate`."""

from alembic import context

from shared import sharing_tables  # noqa: F401 - its tables are part of the whole
from shared.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter a column in place
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
