"""The starter: near after ICP, equal bit for bit, and never following equations that have no one solution."""

from __future__ import annotations

import numpy as np
import open3d
import pytest
from scipy.spatial.transform import Rotation

from tests.support.alignments import error_mm
from worker.aligning.icp import IcpSettings, run_icp
from worker.records import Floats
from worker.rigid import RigidTransform


def _box(count: int = 8_000, seed: int = 0) -> tuple[Floats, Floats]:
    """Points and normals of a 60 x 40 x 20 mm block about the origin."""
    rng = np.random.default_rng(seed)
    half = np.array([30.0, 20.0, 10.0])
    axis = rng.choice(3, count, p=np.array([800, 1200, 2400]) / 4400)
    sign = rng.choice([-1.0, 1.0], count)
    points = rng.uniform(-half, half, (count, 3))
    points[np.arange(count), axis] = sign * half[axis]
    normals = np.zeros((count, 3))
    normals[np.arange(count), axis] = sign
    return points, normals


START = RigidTransform.from_rotation_vector(np.array([0.02, -0.01, 0.02]), np.array([0.4, -0.5, 0.3]))


@pytest.mark.parametrize("offset_mm", [0.0, 1e5])
def test_icp_brings_a_block_home_even_far_from_the_origin(offset_mm: float) -> None:
    points, normals = _box()
    scan = _box(3_000, seed=1)[0]
    away = RigidTransform(np.eye(3), np.full(3, offset_mm))
    found = run_icp(scan + offset_mm, points, normals, START @ away.inverse())
    assert found.pair_count > 0.99 * len(scan)
    assert error_mm(found.T_nominal_scan, away.inverse(), points) < 0.03  # edges pull by a part of the gaps of 0.5 mm


def test_repeated_runs_are_equal_bit_for_bit_and_leave_the_threads_alone() -> None:
    points, normals = _box()
    scan = _box(3_000, seed=1)[0]
    before = open3d.utility.get_max_threads()
    first, second = (run_icp(scan, points, normals, START).T_nominal_scan.matrix() for _ in range(2))
    np.testing.assert_array_equal(first, second)
    assert open3d.utility.get_max_threads() == before


def test_bare_plane_does_not_send_the_pose_away() -> None:
    points, normals = _box()
    top = points[points[:, 2] == 10.0]
    found = run_icp(top, points, normals, START)
    assert error_mm(found.T_nominal_scan, RigidTransform.identity(), points) < 0.15 * np.linalg.norm([60, 40, 20])


def test_nothing_within_reach_is_no_pairs_and_the_start_pose() -> None:
    points, normals = _box()
    away = RigidTransform(np.eye(3), np.array([500.0, 0, 0]))
    found = run_icp(points, points, normals, away, IcpSettings(reach_shares=(0.01,)))
    assert found.pair_count == 0
    np.testing.assert_allclose(found.T_nominal_scan.matrix(), away.matrix(), atol=1e-12)


def test_reference_rotation_of_umeyama_is_no_mirror() -> None:
    """S. Umeyama, IEEE PAMI 13(4), 1991, the example: a mirrored triangle, for which the naive solution mirrors.

    The rotation is the paper's; the reference solver for such fits is scipy's ``align_vectors``.
    """
    first, second = np.array([[0.0, 0, 0], [1, 0, 0], [0, 2, 0]]), np.array([[0.0, 0, 0], [-1, 0, 0], [0, 2, 0]])
    a, b = first - first.mean(axis=0), second - second.mean(axis=0)
    spread_a, spread_b = np.linalg.svd(b[:, :2].T @ a[:, :2])[::2]
    naive = spread_a @ spread_b
    assert np.linalg.det(naive) == pytest.approx(-1.0)
    proper = spread_a @ np.diag([1.0, np.linalg.det(naive)]) @ spread_b
    matrix = np.eye(4)
    matrix[:2, :2] = proper
    np.testing.assert_allclose(
        RigidTransform.from_matrix(matrix).rotation[:2, :2],
        [[0.8320503, 0.5547002], [-0.5547002, 0.8320503]],
        atol=1e-7,
    )
    matrix[:2, :2] = naive
    with pytest.raises(ValueError, match="mirrors"):
        RigidTransform.from_matrix(matrix)


def test_icp_without_noise_agrees_with_the_closed_form_on_the_same_points() -> None:
    """scipy's align_vectors (Kabsch) knows the pairs; ICP has to find them."""
    points, normals = _box()
    true = RigidTransform.from_rotation_vector(np.array([0.03, 0.01, -0.02]), np.array([0.3, 0.2, -0.4]))
    scan = true.inverse().apply(points)
    closed = Rotation.align_vectors(points - points.mean(axis=0), scan - scan.mean(axis=0))[0].as_matrix()
    found = run_icp(scan, points, normals, RigidTransform.identity())
    np.testing.assert_allclose(found.T_nominal_scan.rotation, closed, atol=1e-6)
