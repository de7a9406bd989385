from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shared.plan import Plan, Scanner
from tests.support.shapes import perfect_alignment
from worker.datums.frames import pose_frame
from worker.judging.uncertainty import alignment_sigma_mm, scanner_sigma_mm
from worker.records import Alignment, Freedom

TURN = 1e-4


def _alignment() -> Alignment:
    """One turn about z through (10, 0, 0), known to 1e-4 rad."""
    base = perfect_alignment()
    covariance = np.zeros((6, 6))
    covariance[2, 2] = TURN**2
    freedom = Freedom(np.ones(6), np.zeros(6), "", 0.0, covariance, np.array([10.0, 0.0, 0.0]))
    return replace(base, freedom=freedom)


@pytest.mark.parametrize(
    ("point", "direction", "arm_mm"),
    [
        ((110.0, 0.0, 5.0), (0.0, 1.0, 0.0), 100.0),
        ((110.0, 0.0, 5.0), (1.0, 0.0, 0.0), 0.0),
        ((10.0, 30.0, 0.0), (1.0, 0.0, 0.0), 30.0),
    ],
)
def test_a_turn_moves_a_point_by_its_arm(point: tuple[float, ...], direction: tuple[float, ...], arm_mm: float) -> None:
    place, way = np.array(point), np.array(direction)
    assert alignment_sigma_mm(_alignment(), place[None], way[None])[0] == pytest.approx(TURN * arm_mm)
    assert np.sqrt(way @ pose_frame(_alignment(), None).covariance_at(place) @ way) == pytest.approx(TURN * arm_mm)


def test_a_scanner_counts_with_half_its_stated_uncertainty() -> None:
    plan = Plan(firstpour_plan="1", scanner=Scanner(expanded_uncertainty=0.04))
    assert scanner_sigma_mm(plan) == pytest.approx(0.02)
    assert scanner_sigma_mm(Plan(firstpour_plan="1")) == 0.0
