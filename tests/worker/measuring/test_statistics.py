from __future__ import annotations

import numpy as np
import pytest

from tests.support.shapes import block, deviation_of, scan_of
from worker.measuring.statistics import robust_extremes, summarise, weighted_percentiles, worst_places
from worker.records import Scan


def test_equal_areas_give_the_plain_median() -> None:
    values = np.array([5.0, 1.0, 3.0, 2.0, 4.0])
    assert weighted_percentiles(values, np.ones(5), [50.0]) == pytest.approx([3.0])


def test_a_dense_patch_of_small_samples_does_not_outvote_a_large_one() -> None:
    values = np.array([0.0] * 100 + [1.0])
    area = np.array([0.01] * 100 + [9.0])
    found = summarise(values, np.ones(101, dtype=bool), area)
    assert found.mean == pytest.approx(0.9)
    assert found.percentiles is not None
    assert found.percentiles[3] > 0.7


def test_what_was_not_measured_has_no_figures() -> None:
    found = summarise(np.zeros(3), np.zeros(3, dtype=bool), np.ones(3))
    assert (found.mean, found.rms, found.percentiles, found.measured_share) == (None, None, None, 0.0)


def test_a_members_mean_counts_only_measured_members() -> None:
    values, area = np.array([1.0, 2.0, 30.0, 4.0]), np.array([1.0, 3.0, 5.0, 1.0])
    measured, member = np.array([True, True, False, True]), np.array([True, True, True, False])
    found = summarise(values, measured, area, member)
    assert found.mean == pytest.approx(7 / 4)
    assert found.measured_share == pytest.approx(4 / 9)


def test_an_extreme_does_not_grow_with_the_number_of_samples() -> None:
    rng = np.random.default_rng(1)
    few, many = rng.normal(size=1_000), rng.normal(size=100_000)
    spread = [np.subtract(*robust_extremes(v, np.full(len(v), 100.0 / len(v)), 4.0)[::-1]) for v in (few, many)]
    assert spread[1] == pytest.approx(spread[0], rel=0.1)
    assert np.ptp(many) > 1.1 * np.ptp(few)


def test_worst_places_are_patches_with_their_peak_and_area_farthest_first() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 150_000, 1, noise_mm=0.01)
    points, top = scan.points_mm.copy(), scan.points_mm[:, 2] > 19.9
    for x, height, radius in ((15.0, 0.5, 4.0), (45.0, -0.8, 3.0)):
        points[top & (np.hypot(points[:, 0] - x, points[:, 1] - 20.0) < radius), 2] += height
    samples, found = deviation_of(plate, Scan(points, scan.normals, None, "mm", 0.0))
    sunk, raised = worst_places(samples, found, 0.2)
    assert sunk.deviation_mm == pytest.approx(-0.8, abs=0.02)
    assert sunk.area_mm2 == pytest.approx(np.pi * 9, rel=0.2)
    assert raised.deviation_mm == pytest.approx(0.5, abs=0.02)
    assert raised.area_mm2 == pytest.approx(np.pi * 16, rel=0.2)
    assert np.linalg.norm(raised.point_mm - [15.0, 20.0, 20.0]) < 4.5


def test_a_patch_over_an_edge_is_one_place() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 150_000, 1)
    if scan.normals is None:
        raise ValueError
    near = np.linalg.norm(scan.points_mm - [0.0, 20.0, 20.0], axis=1) < 5.0
    points = scan.points_mm - 0.4 * near[:, None] * scan.normals
    samples, found = deviation_of(plate, Scan(points, scan.normals, None, "mm", 0.0))
    places = worst_places(samples, found, 0.2)
    assert len(places) == 1
    assert places[0].area_mm2 == pytest.approx(np.pi * 25, rel=0.2)


def test_noise_alone_makes_no_worst_place() -> None:
    plate = block((60.0, 40.0, 20.0))
    samples, found = deviation_of(plate, scan_of(plate, 100_000, 1, noise_mm=0.02))
    assert np.abs(found.distance_mm).max() > 0.03
    assert worst_places(samples, found, 0.03) == ()
