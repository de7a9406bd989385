"""Strays against surfaces that are merely far off."""

from __future__ import annotations

import numpy as np
import pytest

from worker.measuring.strays import StraySettings, stray_points
from worker.records import Bools, Floats

SPACING_MM = 0.5
SETTINGS = StraySettings()


def plate_with(extra_mm: Floats) -> tuple[Floats, Floats]:
    """A scanned plate at z = 0 with 0.02 mm noise, and further points; places and distances."""
    rng = np.random.default_rng(0)
    x, y = np.meshgrid(np.arange(0, 40, SPACING_MM), np.arange(0, 40, SPACING_MM))
    plate = np.column_stack([x.ravel(), y.ravel(), rng.normal(0, 0.02, x.size)])
    points = np.vstack([plate, extra_mm])
    return points, points[:, 2]


def strays_among(extra_mm: Floats) -> Bools:
    points, distance = plate_with(extra_mm)
    found = stray_points(points, distance, np.ones(len(points), dtype=np.bool_), SPACING_MM, SETTINGS)
    assert not found[: len(points) - len(extra_mm)].any()
    return found[len(points) - len(extra_mm) :]


def test_points_alone_in_the_air_are_strays() -> None:
    assert strays_among(np.array([[10.0, 10.0, 3.0], [30.0, 20.0, -2.0]])).all()


def test_a_small_boss_is_no_stray() -> None:
    x, y = np.meshgrid(np.arange(10, 13, SPACING_MM), np.arange(10, 13, SPACING_MM))
    assert not strays_among(np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 2.0)])).any()


def test_unpaired_points_are_left_alone() -> None:
    points, distance = plate_with(np.array([[10.0, 10.0, 3.0]]))
    is_paired = distance < 1.0
    assert not stray_points(points, distance, is_paired, SPACING_MM, SETTINGS).any()


@pytest.mark.parametrize("count", [0, 1])
def test_next_to_nothing_has_no_strays(count: int) -> None:
    points = np.zeros((count, 3))
    found = stray_points(points, points[:, 2], np.ones(count, dtype=np.bool_), SPACING_MM, SETTINGS)
    assert found.tolist() == [False] * count
