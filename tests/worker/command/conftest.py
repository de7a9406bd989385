"""A folder with files that have the right names, as the current folder."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("head.step", "head.stl", "scan.stl", "jacket.step", "port.stl"):
        (tmp_path / name).write_text("invented")
    monkeypatch.chdir(tmp_path)
    return tmp_path
