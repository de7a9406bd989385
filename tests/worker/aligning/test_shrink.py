"""Scale of the piece: found, kept out of the pose, and no cover for a displaced core."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.alignments import HEAD_CENTRE_MM, QUICK, error_mm, head_stand, nudged, scanned, stand
from tests.support.parts import bracket, head_block
from tests.support.scanning import ScanRecipe
from tests.support.solids import box, tessellated
from worker.aligning.shrink import ShrinkSettings, is_scaled, shrink_of
from worker.records import Alignment, AlignmentStatus, Floats, Scan
from worker.rigid import RigidTransform

SCALE_LIMIT = 1e-4  # 0.01 %: a fiftieth of a millimetre on 180 mm
CORE_SHIFT_MM = 0.47
SETTINGS = ShrinkSettings()


@pytest.fixture(scope="module")
def shrunk() -> tuple[Scan, RigidTransform, Alignment]:
    """A print 0.4 % small whose first intake core sits 0.47 mm off."""
    scan, true = scanned(head_block((CORE_SHIFT_MM, 0.0, 0.0)), ScanRecipe(scale=0.996), seed=1)
    return scan, true, head_stand().align(scan, nudged(true, np.random.default_rng(2)))


def test_shrink_is_found_on_every_axis(shrunk: tuple[Scan, RigidTransform, Alignment]) -> None:
    shrink = shrunk[2].shrink
    assert shrink is not None
    assert shrink.is_measured.all()
    np.testing.assert_allclose(shrink.scale_xyz, 0.996, atol=SCALE_LIMIT)
    assert shrink.scale == pytest.approx(0.996, abs=SCALE_LIMIT / 3)
    assert abs(shrink.scale - 0.996) < 4 * shrink.scale_sigma


def test_pose_of_a_shrunk_piece_is_balanced_about_the_centroid(shrunk: tuple[Scan, RigidTransform, Alignment]) -> None:
    _, true, found = shrunk
    assert found.shrink is not None
    corners = head_block().vertices_mm
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2  # the simulated piece shrank about here
    expected = middle + (found.shrink.centre_mm - middle) * 0.996
    assert found.T_nominal_scan is not None
    landed = found.T_nominal_scan.apply(true.inverse().apply(expected))
    np.testing.assert_allclose(landed, found.shrink.centre_mm, atol=0.002)
    assert np.linalg.det(found.T_nominal_scan.rotation) == pytest.approx(1.0, abs=1e-12)


def test_displaced_core_of_a_shrunk_piece_shows_its_displacement(
    shrunk: tuple[Scan, RigidTransform, Alignment],
) -> None:
    scan, _, found = shrunk
    assert found.T_nominal_scan is not None
    assert found.shrink is not None
    centre = found.shrink.centre_mm
    points = centre + (found.T_nominal_scan.apply(scan.points_mm) - centre) / found.shrink.scale_xyz
    assert scan.normals is not None
    normals = found.T_nominal_scan.turn(scan.normals)
    (x, y), radius = (38.0, 46.0), 15.0
    radial = points[:, :2] - (x, y)
    in_port = (points[:, 2] < 12) & (np.abs(np.hypot(*radial.T) - radius) < 2) & (np.abs(normals[:, 2]) < 0.1)
    centre_of_port = _circle_centre(points[in_port, :2])
    np.testing.assert_allclose(centre_of_port, (x + CORE_SHIFT_MM, y), atol=0.02)


def _circle_centre(points: Floats) -> Floats:
    """Algebraic circle; all round the circle its bias is nil."""
    rows = np.column_stack([points, np.ones(len(points))])
    solution = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=None)[0]
    centre: Floats = solution[:2] / 2
    return centre


def test_piece_of_the_right_size_is_fitted_without_scale() -> None:
    scan, true = scanned(head_block(), ScanRecipe(), seed=3)
    found = head_stand().align(scan, true)
    assert found.shrink is not None
    assert np.abs(found.shrink.scale_xyz - 1).max() < SCALE_LIMIT
    assert error_mm(found.T_nominal_scan, true, HEAD_CENTRE_MM) < 0.001


@pytest.mark.parametrize("scale", [0.987, 1.013])
def test_shrink_allowance_not_yet_taken_off_does_not_hide_the_pose(scale: float) -> None:
    scan, true = scanned(bracket(), ScanRecipe(scale=scale, point_count=30_000), seed=3)
    found = stand(bracket()).align(scan, true, QUICK)
    assert found.status is AlignmentStatus.ALIGNED
    assert found.shrink is not None
    np.testing.assert_allclose(found.shrink.scale_xyz, scale, atol=5 * SCALE_LIMIT)


def test_bow_is_form_and_reported_in_sigma() -> None:
    scan, true = scanned(bracket(), ScanRecipe(bow_mm=0.15, point_count=30_000), seed=3)
    found = stand(bracket()).align(scan, true, QUICK)
    assert found.status is AlignmentStatus.ALIGNED
    assert 0.022 < found.sigma_mm < 0.15  # the noise alone is 0.02
    assert found.kept_share_of_scan > 0.9


def test_axis_the_scan_does_not_span_is_not_measured() -> None:
    part = tessellated(box((0, 0, 0), (120, 80, 40)))
    scan, true = scanned(part, ScanRecipe(scale=0.996, point_count=30_000), seed=3, keep=lambda _, n: n[:, 2] > -0.5)
    found = stand(part).align(scan, true, QUICK)
    assert found.shrink is not None
    np.testing.assert_array_equal(found.shrink.is_measured, [True, True, False])
    np.testing.assert_allclose(found.shrink.scale_xyz, [0.996, 0.996, 1.0], atol=SCALE_LIMIT)


def test_uniform_scale_is_the_mean_weighted_by_precision() -> None:
    covariance = np.diag([1e-4, 2e-4, 1.0]) ** 2
    shrink = shrink_of(np.array([1.001, 1.004, 5.0]), covariance, np.zeros(3), SETTINGS)
    assert shrink is not None
    np.testing.assert_array_equal(shrink.is_measured, [True, True, False])
    assert shrink.scale == pytest.approx((4 * 1.001 + 1.004) / 5)
    assert shrink.scale_sigma == pytest.approx(1e-4 * np.sqrt(0.8))
    assert shrink.scale_xyz[2] == 1.0


def test_no_axis_measured_is_no_record() -> None:
    assert shrink_of(np.ones(3), np.eye(3), np.zeros(3), SETTINGS) is None


@pytest.mark.parametrize(
    ("scale", "sigma_scaled_mm", "expected"),
    [(1.004, 0.02, True), (1.004, 0.0199 * 5, False), (1.0002, 0.02, False)],
    ids=["real", "explains nothing", "within chance"],
)
def test_scale_counts_only_if_significant_and_useful(scale: float, sigma_scaled_mm: float, expected: bool) -> None:
    shrink = shrink_of(np.full(3, scale), np.eye(3) * 1e-8, np.zeros(3), SETTINGS)
    assert is_scaled(shrink, 0.1, sigma_scaled_mm, SETTINGS) is expected
