"""Points calmed over patches."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.elements import POSE, fitted, near_start, on_element
from worker.fitting.calm import calmed
from worker.fitting.fit import shape_of
from worker.fitting.records import ElementKind
from worker.fitting.shapes import distances

NOISE_MM = 0.02
every_kind = pytest.mark.parametrize("kind", list(ElementKind), ids=str)


@every_kind
def test_patches_lie_where_they_say(kind: ElementKind) -> None:
    rng = np.random.default_rng(0)
    points = POSE.apply(on_element(kind, 3000, rng) + rng.normal(0, NOISE_MM, (3000, 3)))
    element = fitted(kind, points, near_start(kind, POSE))
    calm = calmed(element, points)
    found = distances(shape_of(element), calm.points_mm.T)
    if kind is not ElementKind.LINE:
        assert found[0] == pytest.approx(calm.residual_mm, abs=1e-9)
    assert calm.count.sum() > 2800


@pytest.mark.parametrize("kind", [ElementKind.PLANE, ElementKind.CYLINDER, ElementKind.SPHERE], ids=str)
def test_patches_are_as_sure_as_they_say(kind: ElementKind) -> None:
    """Mean of n points of noise: sigma / sqrt(n), and the patches scatter by it."""
    rng = np.random.default_rng(1)
    points = on_element(kind, 10_000, rng) + rng.normal(0, NOISE_MM, (10_000, 3))
    calm = calmed(fitted(kind, points, near_start(kind)), points)
    assert calm.sigma_mm == pytest.approx(NOISE_MM / np.sqrt(calm.count), rel=0.4)
    assert np.sqrt(np.mean((calm.residual_mm / calm.sigma_mm) ** 2)) == pytest.approx(1, abs=0.1)


def test_range_of_patches_does_not_grow_with_the_number_of_points() -> None:
    """Of single points it does: 3.9 sigma of 25, 7.7 of 10 000 (normal order statistics)."""
    rng = np.random.default_rng(2)
    ranges = []
    for count in (2500, 40_000):
        points = on_element(ElementKind.PLANE, count, rng) + rng.normal(0, NOISE_MM, (count, 1)) * [0, 0, 1]
        ranges.append(
            np.ptp(calmed(fitted(ElementKind.PLANE, points, near_start(ElementKind.PLANE)), points).residual_mm)
        )
    assert max(ranges) < 2 * NOISE_MM
    assert ranges[1] < 1.2 * ranges[0]


def test_strays_are_left_out_and_dents_stay() -> None:
    rng = np.random.default_rng(3)
    points = on_element(ElementKind.PLANE, 8000, rng) + rng.normal(0, NOISE_MM, (8000, 1)) * [0, 0, 1]
    is_dent = (np.abs(points[:, 0] - 10) < 4) & (np.abs(points[:, 1]) < 4)
    points[is_dent, 2] -= 0.5
    points[::50, 2] += 3.0
    calm = calmed(fitted(ElementKind.PLANE, points, near_start(ElementKind.PLANE)), points)
    assert calm.residual_mm.max() < 0.05
    assert calm.residual_mm.min() == pytest.approx(-0.5, abs=0.03)


def test_no_points_give_no_patches() -> None:
    element = fitted(ElementKind.PLANE, on_element(ElementKind.PLANE, 50, np.random.default_rng(4)), None)
    calm = calmed(element, np.empty((0, 3)))
    assert calm.points_mm.shape == (0, 3)
    assert len(calm.residual_mm) == len(calm.sigma_mm) == len(calm.count) == 0


def test_width_of_patches_can_be_told() -> None:
    points = on_element(ElementKind.PLANE, 20_000, np.random.default_rng(5))
    calm = calmed(fitted(ElementKind.PLANE, points, near_start(ElementKind.PLANE)), points, cell_mm=10.0)
    assert 12 <= len(calm.count) <= 20  # 40 x 30 mm
