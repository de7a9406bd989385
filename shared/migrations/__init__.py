"""Alembic migrations, run by :func:`shared.database.migrate`."""
