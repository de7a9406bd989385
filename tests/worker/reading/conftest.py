"""A box in millimetres, and the in-process reader of any format."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.model_files import opened
from worker.reading.child import READERS
from worker.reading.parsed import Parsed
from worker.reading.settings import ReadLimits

Parse = Callable[..., Parsed]


@pytest.fixture
def parse(tmp_path: Path) -> Parse:
    """Read bytes under a file name as the child would, without the child."""
    from importlib import import_module  # noqa: PLC0415 (mirrors the child: a reader is imported when needed)

    def read(name: str, content: bytes, limits: ReadLimits | None = None) -> Parsed:
        file = opened(tmp_path / name, content, limits)
        module, function = READERS[file.file_format]
        parsed: Parsed = getattr(import_module(module), function)(file, limits or ReadLimits())
        return parsed

    return read
