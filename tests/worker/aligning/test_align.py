"""The whole alignment on parts with a known answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import open3d
import pytest

from tests.support.alignments import (
    HEAD_CENTRE_MM,
    QUICK,
    cloud_scan,
    error_mm,
    head_stand,
    nudged,
    oriented,
    scanned,
    stand,
)
from tests.support.parts import Shift, bracket, flange, head_block, lever
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from worker.aligning.align import align
from worker.records import AlignmentStatus, Floats, Ints, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

CENTRE_LIMIT_MM = 0.001  # a fiftieth of the noise: what a displaced core may cost at the part's centre
SAME_POSE_MM = 1e-6  # passes end when nothing moves by more
HEAD_CORNERS_MM = np.array([(x, y, z) for x in (0, 160.0) for y in (0, 140.0) for z in (0, 90.0)])
PLAIN = ScanRecipe()


@pytest.mark.parametrize(
    ("shift_mm", "core"),
    [((0.3, 0.0, 0.0), "intake_1"), ((0.0, 0.47, 0.0), "exhaust_2"), ((0.35, 0.25, 0.2), "jacket")],
)
def test_displaced_core_does_not_move_the_pose(shift_mm: Shift, core: str) -> None:
    scan, true = scanned(head_block(shift_mm, core), PLAIN, seed=1)
    found = head_stand().align(scan, nudged(true, np.random.default_rng(2)))
    assert found.status is AlignmentStatus.ALIGNED
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < CENTRE_LIMIT_MM


def test_plain_icp_is_pulled_by_a_displaced_core() -> None:
    scan, true = scanned(head_block((0.35, 0.25, 0.2), "jacket"), PLAIN, seed=1)
    found = head_stand().align(scan, nudged(true, np.random.default_rng(2)))
    icp_error = error_mm(found.icp_T_nominal_scan, true, HEAD_CENTRE_MM)
    assert icp_error > 30 * CENTRE_LIMIT_MM
    assert found.icp_moved_mm == pytest.approx(icp_error, abs=2 * CENTRE_LIMIT_MM)
    assert found.icp_rms_mm > 1.5 * found.robust_rms_mm


def test_found_from_nowhere_with_a_table_in_view_and_a_third_missing() -> None:
    scan, true = scanned(head_block(), ScanRecipe(has_fixture=True, missing_share=0.35, point_count=40_000), seed=4)
    found = head_stand().align(scan, None)
    assert found.status is AlignmentStatus.ALIGNED
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < 2 * CENTRE_LIMIT_MM
    assert found.kept_share_of_scan < 0.95


@pytest.mark.parametrize("seed", [5, 6])
def test_any_start_in_reach_ends_in_the_same_pose(seed: int) -> None:
    scan, true = scanned(head_block((0.47, 0.0, 0.0)), ScanRecipe(point_count=20_000), seed=1)
    first = head_stand().align(scan, nudged(true, np.random.default_rng(2)), QUICK).T_nominal_scan
    second = head_stand().align(scan, nudged(true, np.random.default_rng(seed)), QUICK).T_nominal_scan
    assert first is not None
    assert error_mm(second, first, HEAD_CORNERS_MM) < SAME_POSE_MM


def test_moving_both_parts_changes_nothing() -> None:
    part, (scan, true) = bracket(), scanned(bracket(), ScanRecipe(point_count=20_000), seed=1)
    away = random_pose(np.random.default_rng(9))
    moved = stand(replace(part, vertices_mm=away.apply(part.vertices_mm)))
    assert scan.normals is not None
    moved_scan = cloud_scan(scan.points_mm + 100.0, scan.normals)
    here = stand(part).align(scan, true).T_nominal_scan
    back = RigidTransform(np.eye(3), np.full(3, -100.0))
    there = moved.align(moved_scan, away @ true @ back).T_nominal_scan
    assert here is not None
    assert error_mm(there, away @ here @ back, away.apply(part.vertices_mm)) < SAME_POSE_MM


def test_far_from_the_origin_is_no_worse() -> None:
    scan, true = scanned(bracket(), ScanRecipe(point_count=20_000), seed=1)
    far = RigidTransform(np.eye(3), np.full(3, 1e5))
    near_pose = stand(bracket()).align(scan, true).T_nominal_scan
    far_scan = cloud_scan(far.apply(scan.points_mm), scan.normals)
    far_pose = stand(bracket()).align(far_scan, true @ far.inverse()).T_nominal_scan
    assert near_pose is not None
    assert error_mm(far_pose, near_pose @ far.inverse(), bracket().vertices_mm) < SAME_POSE_MM


def test_swapping_scan_and_nominal_inverts_the_pose() -> None:
    part, pose = lever(), random_pose(np.random.default_rng(3))
    other = replace(part, vertices_mm=pose.apply(part.vertices_mm))
    there = stand(part).align(_mesh_scan(other.vertices_mm, other.triangles), pose.inverse()).T_nominal_scan
    back = stand(other).align(_mesh_scan(part.vertices_mm, part.triangles), pose).T_nominal_scan
    assert there is not None
    assert error_mm(back, there.inverse(), other.vertices_mm) < 1e-5  # twice the settling, levered to the part's ends


def _mesh_scan(vertices_mm: Floats, triangles: Ints) -> Scan:
    return Scan(points_mm=vertices_mm, normals=None, triangles=triangles, declared_unit="mm", quantum_mm=0.0)


def test_pose_is_the_same_for_any_number_of_threads() -> None:
    scan, true = scanned(bracket(), ScanRecipe(point_count=20_000), seed=1)
    bench = stand(bracket())
    before = open3d.utility.get_max_threads()
    poses = []
    for count in (1, 2):
        open3d.utility.set_max_threads(count)
        query = SurfaceQuery(bench.nominal.vertices_mm, bench.nominal.triangles, thread_count=count)
        found = align(bench.nominal, bench.samples, scan, surface=query, orientation=oriented(true))
        assert found.T_nominal_scan is not None
        poses.append(found.T_nominal_scan.matrix())
    open3d.utility.set_max_threads(before)
    np.testing.assert_array_equal(poses[0], poses[1])


def test_nothing_given_is_modified() -> None:
    scan, true = scanned(bracket(), ScanRecipe(point_count=10_000), seed=1)
    bench = stand(bracket())
    given = [bench.nominal.vertices_mm, bench.samples.points_mm, bench.samples.normals, bench.samples.area_mm2]
    copies = [array.copy() for array in given]
    bench.align(scan, true)  # the scan's own arrays are read-only and would raise
    for array, copy in zip(given, copies, strict=True):
        np.testing.assert_array_equal(array, copy)


def test_dense_patch_of_scan_does_not_win() -> None:
    """A jacket 0.05 mm off, inside the fit's width, is scanned three times as densely as the rest round the middle."""
    scan, true = scanned(head_block(), PLAIN, seed=1)
    dense, _ = scanned(head_block((0.0, 0.0, 0.05), "jacket"), ScanRecipe(point_count=200_000), seed=1)
    at = true.apply(dense.points_mm)
    patch = np.linalg.norm(at - HEAD_CENTRE_MM, axis=1) < 40
    assert scan.normals is not None
    assert dense.normals is not None
    crowded = cloud_scan(
        np.concatenate([scan.points_mm, dense.points_mm[patch]]), np.concatenate([scan.normals, dense.normals[patch]])
    )
    plain = head_stand().align(scan, true).T_nominal_scan
    found = head_stand().align(crowded, true).T_nominal_scan
    assert plain is not None
    assert error_mm(found, plain, HEAD_CENTRE_MM) < 0.01  # least squares on all points moves by 0.02


def test_normals_may_be_missing_turned_or_mixed() -> None:
    scan, true = scanned(head_block((0.47, 0.0, 0.0)), ScanRecipe(point_count=40_000), seed=1)
    assert scan.normals is not None
    side = np.random.default_rng(0).choice([-1.0, 1.0], len(scan.normals))
    variants = {1: None, -1: -scan.normals, 0: side[:, None] * scan.normals}
    for sign, normals in variants.items():
        start = nudged(true, np.random.default_rng(2))
        found = head_stand().align(cloud_scan(scan.points_mm, normals), start, QUICK)
        assert (1 if normals is None else found.normal_sign) == sign
        assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < CENTRE_LIMIT_MM


def test_ambiguous_orientation_passes_through() -> None:
    scan, true = scanned(flange(), ScanRecipe(point_count=20_000), seed=1)
    bench = stand(flange())
    given = oriented(true, AlignmentStatus.AMBIGUOUS)
    found = align(bench.nominal, bench.samples, scan, surface=bench.surface, orientation=given)
    assert (found.status, found.reason) == (AlignmentStatus.AMBIGUOUS, given.reason)
    assert found.orientation is given
    assert found.T_nominal_scan is not None


def test_failed_orientation_claims_nothing() -> None:
    scan, true = scanned(flange(), ScanRecipe(point_count=5_000), seed=1)
    failed = replace(oriented(true), status=AlignmentStatus.NOT_ALIGNED, reason="too little", T_nominal_scan=None)
    bench = stand(flange())
    found = align(bench.nominal, bench.samples, scan, surface=bench.surface, orientation=failed)
    assert (found.status, found.reason) == (AlignmentStatus.NOT_ALIGNED, "too little")
    assert found.T_nominal_scan is None
    assert np.isnan([found.icp_rms_mm, found.robust_rms_mm, found.icp_moved_mm, found.sigma_mm]).all()


def test_casting_a_millimetre_over_size_everywhere_still_aligns() -> None:
    scan, true = scanned(head_block(), PLAIN, seed=1)
    assert scan.normals is not None
    found = head_stand().align(cloud_scan(scan.points_mm + scan.normals, scan.normals), true)
    assert found.status is AlignmentStatus.ALIGNED
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < 0.3
    assert 0.5 < found.sigma_mm < 1.5


@pytest.mark.parametrize("points_mm", [np.zeros((0, 3)), np.zeros((1, 3)), np.full((500, 3), 80.0)])
def test_too_little_scan_is_not_aligned(points_mm: Floats) -> None:
    found = head_stand().align(cloud_scan(points_mm, None), RigidTransform.identity())
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.T_nominal_scan is None
    assert found.reason


def test_points_on_a_line_are_not_aligned() -> None:
    line = np.linspace(0, 160, 2000)[:, None] * np.array([1.0, 0, 0]) + np.array([0, 70.0, 90.0])
    found = head_stand().align(cloud_scan(line, None), RigidTransform.identity())
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.reason


def test_coordinates_that_are_no_numbers_are_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="finite"):
        head_stand().align(cloud_scan(np.full((200, 3), np.nan), None), RigidTransform.identity())


def test_pose_of_a_mirrored_scan_is_never_a_mirror() -> None:
    rng = np.random.default_rng(0)
    points, normals = simulate_scan(lever(), ScanRecipe(point_count=8_000), pose=RigidTransform.identity(), rng=rng)
    mirror = np.array([1.0, -1.0, 1.0])
    found = stand(lever()).align(cloud_scan(points * mirror, normals * mirror), RigidTransform.identity(), QUICK)
    assert found.T_nominal_scan is None or np.linalg.det(found.T_nominal_scan.rotation) == pytest.approx(1.0)


def test_stray_points_far_away_change_little() -> None:
    scan, true = scanned(head_block(), PLAIN, seed=1)
    stray = np.concatenate([scan.points_mm, [[9e5, -9e5, 9e5]]])
    found = head_stand().align(cloud_scan(stray, None), true)
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < CENTRE_LIMIT_MM
