"""Orientation as a whole: any pose, clutter, near and exact symmetry, wrong parts, degenerate scans."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from tests.support.parts import PARTS, PIN_HOLE_MM, flange, plain_flange
from tests.support.scanning import ScanRecipe, random_pose, sample_surface, simulate_scan
from worker.aligning.clouds import OrientationCloud, nominal_cloud
from worker.aligning.orient import orient
from worker.records import AlignmentStatus, Floats, Nominal, Orientation
from worker.rigid import RigidTransform

ROOT = Path(__file__).parents[3]
RIGHT_SHARE = 0.01  # of the diagonal, at every corner of the box: what ICP is promised
POINT_COUNT = 30_000
WHOLE = ScanRecipe(noise_sigma_mm=0.05, point_count=POINT_COUNT)
OCCLUDED = ScanRecipe(missing_share=0.35, has_fixture=True, unseen=("jacket",), point_count=POINT_COUNT)
ALL_NOMINALS = {**PARTS, "plain_flange": plain_flange}


@lru_cache(maxsize=12)
def cloud_of(name: str) -> OrientationCloud:
    return nominal_cloud(ALL_NOMINALS[name]())


def corner_error_share(found: RigidTransform | None, truth: RigidTransform, part: Nominal) -> float:
    assert found is not None
    low, high = part.vertices_mm.min(axis=0), part.vertices_mm.max(axis=0)
    corners = np.where(np.indices((2, 2, 2)).reshape(3, 8).T == 1, high, low)
    moved = (found @ truth.inverse()).apply(corners) - corners
    return float(np.linalg.norm(moved, axis=1).max() / np.linalg.norm(high - low))


def oriented(name: str, seed: int, recipe: ScanRecipe) -> tuple[Orientation, RigidTransform]:
    """Orientation of a scan of the part, and the true ``T_nominal_scan``."""
    rng = np.random.default_rng(seed)
    pose = random_pose(rng)
    points, _ = simulate_scan(ALL_NOMINALS[name](), recipe, pose=pose, rng=rng)
    return orient(cloud_of(name), OrientationCloud(points, None)), pose.inverse()


@pytest.mark.parametrize("name", ["head_block", "flange", "manifold", "stepped_shaft"])
def test_a_whole_scan_is_oriented_from_any_pose(name: str) -> None:
    found, truth = oriented(name, 1, WHOLE)
    assert found.status is AlignmentStatus.ALIGNED
    assert corner_error_share(found.T_nominal_scan, truth, PARTS[name]()) < RIGHT_SHARE


@pytest.mark.parametrize("name", ["head_block", "housing", "pump_cover", "lever"])
def test_a_third_missing_and_a_fixture_in_view_change_nothing(name: str) -> None:
    found, truth = oriented(name, 2, OCCLUDED)
    assert found.status is AlignmentStatus.ALIGNED
    assert corner_error_share(found.T_nominal_scan, truth, PARTS[name]()) < RIGHT_SHARE


def test_print_shrink_and_bow_do_not_break_it() -> None:
    found, truth = oriented("head_block", 3, ScanRecipe(scale=0.98, bow_mm=0.6, point_count=POINT_COUNT))
    assert found.status is AlignmentStatus.ALIGNED
    assert corner_error_share(found.T_nominal_scan, truth, PARTS["head_block"]()) < RIGHT_SHARE


def test_a_flange_without_its_pin_hole_scanned_is_ambiguous_and_says_where_to_scan() -> None:
    rng = np.random.default_rng(4)
    points, _ = sample_surface(flange(), np.ones(len(flange().triangles), dtype=np.bool_), POINT_COUNT, rng)
    is_on_rim = (np.hypot(points[:, 0], points[:, 1]) > 40) & (points[:, 2] < 13)
    pose = random_pose(rng)
    scan = pose.apply(points[~(is_on_rim & (np.abs(np.arctan2(points[:, 1], points[:, 0])) < np.radians(80)))])
    found = orient(cloud_of("flange"), OrientationCloud(scan, None))
    assert found.status is AlignmentStatus.AMBIGUOUS
    gaps = [np.linalg.norm(rival.deciding_point_mm - np.array(PIN_HOLE_MM)) for rival in found.rivals]
    assert found.rivals
    assert min(gaps) < 6.0
    truth = pose.inverse()
    poses = [found.T_nominal_scan, *(rival.T_nominal_scan for rival in found.rivals)]
    assert min(corner_error_share(pose, truth, flange()) for pose in poses) < RIGHT_SHARE


def test_a_pin_hole_missing_on_the_piece_is_not_guessed() -> None:
    rng = np.random.default_rng(10)
    points, _ = simulate_scan(plain_flange(), WHOLE, pose=random_pose(rng), rng=rng)
    found = orient(cloud_of("flange"), OrientationCloud(points, None))
    assert found.status is AlignmentStatus.AMBIGUOUS
    assert len(found.rivals) == 7
    assert np.linalg.norm(found.rivals[0].deciding_point_mm - np.array(PIN_HOLE_MM)) < 6.0


def test_a_symmetric_part_is_ambiguous_and_no_scan_could_help() -> None:
    found, _ = oriented("plain_flange", 5, WHOLE)
    assert found.status is AlignmentStatus.AMBIGUOUS
    assert found.rivals == ()
    assert found.reason is not None
    assert "7 other poses found (turned by 45, 90, 135, 180 degrees)" in found.reason


@pytest.mark.parametrize(("nominal", "scanned"), [("head_block", "housing"), ("bracket", "lever")])
def test_a_scan_of_another_part_of_the_same_size_is_not_aligned(nominal: str, scanned: str) -> None:
    rng = np.random.default_rng(6)
    sizes = [float(np.linalg.norm(np.ptp(PARTS[name]().vertices_mm, axis=0))) for name in (nominal, scanned)]
    points, _ = simulate_scan(PARTS[scanned](), ScanRecipe(point_count=POINT_COUNT), pose=random_pose(rng), rng=rng)
    found = orient(cloud_of(nominal), OrientationCloud(points * (sizes[0] / sizes[1]), None))
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.T_nominal_scan is None
    assert found.reason


def test_same_input_gives_the_same_pose_bit_for_bit_and_leaves_the_input_alone() -> None:
    rng = np.random.default_rng(7)
    points, normals = simulate_scan(
        PARTS["bracket"](), ScanRecipe(point_count=POINT_COUNT), pose=random_pose(rng), rng=rng
    )
    for array in (points, normals):
        array.setflags(write=False)
    first, second = (orient(cloud_of("bracket"), OrientationCloud(points, normals), seed=3) for _ in range(2))
    assert first.T_nominal_scan is not None
    assert second.T_nominal_scan is not None
    assert np.array_equal(first.T_nominal_scan.matrix(), second.T_nominal_scan.matrix())


POSE_SCRIPT = """
import numpy as np
from tests.support.parts import PARTS
from tests.support.scanning import ScanRecipe, random_pose, simulate_scan
from worker.aligning.clouds import OrientationCloud, nominal_cloud
from worker.aligning.orient import orient
rng = np.random.default_rng(7)
part = PARTS["bracket"]()
points, _ = simulate_scan(part, ScanRecipe(point_count=20_000), pose=random_pose(rng), rng=rng)
print(orient(nominal_cloud(part), OrientationCloud(points, None)).T_nominal_scan.matrix().tobytes().hex())
"""


def test_the_pose_does_not_depend_on_the_number_of_threads() -> None:
    poses = set()
    for count in ("1", "2"):
        variables = {**os.environ, "OPENBLAS_NUM_THREADS": count, "OMP_NUM_THREADS": count}
        command = [sys.executable, "-c", POSE_SCRIPT]
        done = subprocess.run(command, env=variables, cwd=ROOT, capture_output=True, text=True, check=True)
        poses.add(done.stdout)
    assert len(poses) == 1


def test_a_scan_far_from_the_origin_with_worthless_normals_is_oriented() -> None:
    rng = np.random.default_rng(8)
    part = PARTS["bracket"]()
    points, _ = simulate_scan(part, ScanRecipe(point_count=POINT_COUNT), pose=RigidTransform.identity(), rng=rng)
    far = RigidTransform(np.eye(3), np.array([1e5, -1e5, 3e4]))
    found = orient(cloud_of("bracket"), OrientationCloud(far.apply(points), np.zeros_like(points)))
    assert found.status is AlignmentStatus.ALIGNED
    assert corner_error_share(found.T_nominal_scan, far.inverse(), part) < RIGHT_SHARE


def degenerate_scans() -> dict[str, Floats]:
    rng = np.random.default_rng(9)
    flat = np.column_stack([rng.uniform(0, 900, (5000, 2)), np.zeros(5000)])
    return {
        "empty": np.empty((0, 3)),
        "one point": np.zeros((1, 3)),
        "coincident": np.ones((5000, 3)),
        "collinear": np.linspace([0, 0, 0], [300, 0, 0], 5000),
        "not a number": np.full((5000, 3), np.nan),
        "table only": flat,
        "stray points only": rng.uniform(0, 100, (5000, 3)),
    }


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("empty", "0 points"),
        ("one point", "1 points"),
        ("coincident", "spans 0 mm"),
        ("collinear", "Nothing but flat surface"),
        ("not a number", "not finite"),
        ("table only", "Nothing but flat surface"),
        ("stray points only", "lies on its surface"),
    ],
)
def test_what_cannot_be_oriented_is_refused_with_the_reason(name: str, reason: str) -> None:
    found = orient(cloud_of("bracket"), OrientationCloud(degenerate_scans()[name], None))
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.T_nominal_scan is None
    assert reason in (found.reason or "")


def test_a_scan_given_as_nominal_is_a_programmers_mistake() -> None:
    scan = OrientationCloud(np.zeros((10, 3)), None)
    with pytest.raises(ValueError, match="normals and its surface"):
        orient(scan, scan)
