"""A fresh service for every test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.service import Service, running_service


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, upload_limit_bytes=64 * 1024, json_body_limit_bytes=16 * 1024) as service:
        yield service
