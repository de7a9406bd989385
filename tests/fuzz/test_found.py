"""Inputs that were once answered badly: ``tests/files/fuzz/TARGET/NAME``, by ``python -m tests.fuzz`` or by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fuzz.arena import limited_memory, verdict
from tests.fuzz.campaign import FOUND
from tests.fuzz.targets import TARGETS, Input

CASES = [path for path in sorted(FOUND.glob("*/*")) if not TARGETS[path.parent.name].is_native]


@pytest.mark.parametrize("path", CASES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_a_found_case_is_answered_well(tmp_path: Path, path: Path) -> None:
    with limited_memory():
        outcome = verdict(TARGETS[path.parent.name].read, Input(path.name, path.read_bytes()), tmp_path)
    assert not outcome.startswith("!"), outcome


def test_there_are_found_cases() -> None:
    assert len(CASES) > 5
