"""A short run over every reader, the same inputs each time; the long one is ``python -m tests.fuzz``."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.arena import scratch_folder, verdict
from tests.fuzz.guarded import run_guarded
from tests.fuzz.targets import TARGETS, input_of

OWN = [name for name, target in TARGETS.items() if not target.is_native]
SHORT = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with scratch_folder() as place:
        yield place


@pytest.mark.parametrize("name", OWN)
@SHORT
@given(index=st.integers(0, 10**9))
def test_damage_gives_a_named_error_or_a_sound_record(folder: Path, name: str, index: int) -> None:
    outcome = verdict(TARGETS[name].read, input_of(name, 0, index), folder)
    assert not outcome.startswith("!"), outcome


@pytest.mark.parametrize(
    ("name", "index"), [("step", 0), ("step", 1), ("e57", 0), ("e57", 1), ("threemf", 0), ("ply", 1)]
)
def test_damage_through_the_guard_gives_the_same(folder: Path, name: str, index: int) -> None:
    outcome = run_guarded(name, 0, index, folder)
    assert not outcome.startswith("!"), outcome
