"""Three castings of the benchmark of core shift, the whole way from scan to judged core."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from tests.benchmarks.core_shift import TARGET_MM, Row, inspected, table
from tests.support.core_casting import CORES

CASTINGS = (0, 1, 3)  # in the last the gallery is hardly seen


@lru_cache(maxsize=1)
def _rows() -> list[Row]:
    return [row for number in CASTINGS for row in inspected(number, 1)]


@pytest.mark.parametrize("core", CORES)
def test_the_shift_of_a_core_is_right_to_a_hundredth(core: str) -> None:
    own = [row for row in _rows() if row.core == core and not row.is_blind]
    assert max(row.error_mm for row in own) <= TARGET_MM
    assert max(row.shift_mm for row in own) > 10 * TARGET_MM


def test_truths_lie_inside_twice_their_uncertainty_and_most_inside_it() -> None:
    ratios = np.array([ratio for row in _rows() for ratio in (row.length_ratio, *row.number_ratios) if row.is_measured])
    assert len(ratios) > 50
    assert np.mean(ratios <= 1) >= 0.85
    assert ratios.max() < 2


def test_a_core_hardly_seen_is_not_measured_and_all_others_are() -> None:
    assert [(row.core, row.is_measured) for row in _rows() if row.is_blind] == [("gallery", False)]
    assert all(row.is_measured for row in _rows() if not row.is_blind)


def test_the_table_counts_every_core() -> None:
    lines = list(table(_rows()))
    assert lines[4].split()[:2] == ["all", "8"]
    assert lines[5] == "hardly seen: 1, of these not measured: 1; seen and yet not measured: 0"
