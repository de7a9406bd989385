"""A fresh service for every test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from tests.support.service import Service, running_service


@pytest.fixture(scope="session", autouse=True)
def plain_logs() -> None:
    """Logs as the service writes them, not the decorated ones for a terminal."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(),
        ]
    )


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, upload_limit_bytes=64 * 1024, json_body_limit_bytes=16 * 1024) as service:
        yield service
