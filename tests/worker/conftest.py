"""A database and a file store of our own, and a clock to turn."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from shared.database import Database, migrate, open_database
from shared.filestore import FileStore, LocalFileStore
from shared.settings import Settings


class Clock:
    """Stands still until told otherwise."""

    def __init__(self) -> None:
        self.now = datetime(2025, 1, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_s(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "var", lease_s=60, max_attempts=3)


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    migrate(settings)
    database = open_database(settings)
    yield database
    database.close()


@pytest.fixture
def store(settings: Settings) -> FileStore:
    return LocalFileStore(settings.files_dir)
