"""What the API says of a name's ending is what the worker's reader does with it."""

from __future__ import annotations

import pytest

from shared.file_kinds import CARRIES_UNIT, carries_unit
from worker.reading.source import FORMAT_BY_EXTENSION


def test_api_and_reader_know_the_same_endings_and_units() -> None:
    assert {ending: kind.has_unit for ending, kind in FORMAT_BY_EXTENSION.items()} == dict(CARRIES_UNIT)


@pytest.mark.parametrize(
    ("name", "has_unit"), [("HEAD.STEP", True), ("a.b.stl", False), ("head", None), (".stl", None), ("a.dwg", None)]
)
def test_the_ending_of_a_name_decides(name: str, has_unit: bool | None) -> None:
    assert carries_unit(name) is has_unit
