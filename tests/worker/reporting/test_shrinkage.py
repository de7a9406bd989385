from __future__ import annotations

import pytest

from worker.reporting.shrinkage import handbook


@pytest.mark.parametrize(
    ("alloy", "percents"),
    [
        ("AlSi7Mg", {1.8229, 1.3021}),
        ("EN-GJL-250", {0.7812, 1.0417}),
        ("magnesium AZ91", {1.3021}),
        ("steel", {1.5625, 2.0833}),
        ("zinc", {1.8229, 2.6042}),
        ("bronze", {1.3021, 1.5625}),
    ],
)
def test_handbook_allowances_are_percents_of_the_castings_length(alloy: str, percents: set[float]) -> None:
    """Inches per foot over 12 (Dooley, public domain; trade handbooks, second-hand): 5/32 is 1.3021 %."""
    assert {round(entry.percent, 4) for entry in handbook(alloy)} == percents
    assert all("in per foot" in entry.source for entry in handbook(alloy))
