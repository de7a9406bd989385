"""Thinning keeps original points, evenly, whatever the scanner's density."""

from __future__ import annotations

import numpy as np
import pytest

from worker.aligning.thinning import (
    density_weights,
    picked_by_area,
    thin_indices,
    thin_to_count,
    typical_spacing_mm,
)
from worker.records import Floats


def _square(count: int, seed: int = 0) -> Floats:
    flat = np.random.default_rng(seed).uniform(0, 100, (count, 2))
    return np.column_stack([flat, np.zeros(count)])


def _crowded() -> Floats:
    """A square with nine tenths of its points in one hundredth of its area."""
    crowd = 0.1 * _square(45_000, seed=1) + np.array([40.0, 40.0, 0.0])
    return np.concatenate([_square(5_000), crowd])


def test_one_point_stays_per_cell_and_it_is_the_nearest_to_the_mean() -> None:
    points = np.array([[0.1, 0.1, 0], [0.5, 0.5, 0], [0.9, 0.9, 0], [5.2, 0.5, 0]])
    np.testing.assert_array_equal(thin_indices(points, 4.0), [1, 3])


def test_ball_keeps_its_radius_where_cell_means_would_shrink_it() -> None:
    """Means of 2 mm cells on a 5 mm ball lie 0.045 mm inside (voxel^2 / 18 R)."""
    ball = np.random.default_rng(0).normal(size=(20_000, 3))
    ball *= 5.0 / np.linalg.norm(ball, axis=1)[:, None]
    kept = ball[thin_indices(ball, 2.0)]
    np.testing.assert_allclose(np.linalg.norm(kept, axis=1), 5.0, atol=1e-12)


def test_both_skins_of_a_wall_in_one_cell_keep_a_point() -> None:
    points = np.array([[0.0, 0, 0], [0.0, 0, 0.1]])
    normals = np.array([[0.0, 0, -1], [0.0, 0, 1]])
    assert len(thin_indices(points, 2.0)) == 1
    assert len(thin_indices(points, 2.0, normals)) == 2


def test_crowd_is_thinned_to_the_spacing_of_the_rest() -> None:
    kept = _crowded()[thin_to_count(_crowded(), 100_000)]
    in_crowd = ((kept[:, :2] > 40) & (kept[:, :2] < 50)).all(axis=1)
    assert in_crowd.mean() < 0.03


@pytest.mark.parametrize("count", [500, 2_000])
def test_count_is_about_what_was_asked(count: int) -> None:
    kept = thin_to_count(_square(50_000), count)
    assert 0.5 * count < len(kept) <= 1.1 * count


def test_last_bits_of_coordinates_choose_no_other_points() -> None:
    points = _square(20_000)
    np.testing.assert_array_equal(thin_indices(points, 1.0), thin_indices(points + 1e-11, 1.0))


def test_one_stray_point_far_away_does_not_set_the_spacing() -> None:
    stray = np.concatenate([_square(10_000), [[1e6, 1e6, 1e6]]])
    assert typical_spacing_mm(stray) == pytest.approx(typical_spacing_mm(_square(10_000)), rel=0.5)


def test_weights_balance_density_by_area() -> None:
    left, right = _square(2_000), _square(8_000, seed=1) + np.array([100.0, 0, 0])
    weights = density_weights(np.concatenate([left, right]))
    assert weights[:2_000].sum() / weights[2_000:].sum() == pytest.approx(1.0, abs=0.15)


def test_samples_are_picked_in_proportion_to_area() -> None:
    area = np.concatenate([np.full(1_000, 1.0), np.full(1_000, 0.1)])
    picked = picked_by_area(area, 550)
    assert (picked < 1_000).mean() == pytest.approx(10 / 11, abs=0.02)


@pytest.mark.parametrize("points", [np.zeros((0, 3)), np.zeros((1, 3)), np.zeros((50, 3))])
def test_nothing_or_one_place_is_no_failure(points: Floats) -> None:
    assert len(thin_to_count(points, 10)) <= max(len(points), 1)
    assert len(density_weights(points)) == len(points)
