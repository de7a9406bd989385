"""What holds, what slides, and how sure the pose is, against theory and Monte Carlo."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tests.support.alignments import QUICK, cloud_scan, scanned, stand
from tests.support.parts import stepped_shaft
from tests.support.scanning import ScanRecipe
from tests.support.solids import box, cut, cylinder, prism, sphere, tessellated
from worker.aligning.freedom import (
    Evidence,
    block_index,
    direction_text,
    fit_covariance,
    freedom_of,
    screw_rows,
    screw_text,
    slippage,
)
from worker.aligning.refine import information, solved
from worker.records import AlignmentStatus, Bools, Floats, Nominal
from worker.rigid import RigidTransform

Surface = tuple[Floats, Floats]
HALF_MM = np.array([4.0, 6.0, 10.0])
NOISE_MM = 0.02


def _round(count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    turn = rng.uniform(0, 2 * np.pi, count)
    return turn, np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])


def _ball(rng: np.random.Generator) -> Surface:
    normals = rng.normal(size=(4000, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return 10 * normals, normals


def _plane(rng: np.random.Generator) -> Surface:
    points = np.column_stack([rng.uniform(-9, 9, (4000, 2)), np.zeros(4000)])
    return points, np.tile([0.0, 0, 1], (4000, 1))


def _tube(rng: np.random.Generator) -> Surface:
    _, normals = _round(4000, rng)
    return 5 * normals + np.column_stack([np.zeros((4000, 2)), rng.uniform(-10, 10, 4000)]), normals


def _cone(rng: np.random.Generator) -> Surface:
    _, radial = _round(4000, rng)
    height = rng.uniform(2, 12, 4000)
    points = 0.5 * height[:, None] * radial + np.column_stack([np.zeros((4000, 2)), height])
    normals = (radial - np.array([0, 0, 0.5])) / np.sqrt(1.25)
    return points, normals


def _box(rng: np.random.Generator, count: int = 4000) -> Surface:
    area = np.array([HALF_MM[1] * HALF_MM[2], HALF_MM[0] * HALF_MM[2], HALF_MM[0] * HALF_MM[1]])
    axis, sign = rng.choice(3, count, p=area / area.sum()), rng.choice([-1.0, 1.0], count)
    points, normals = rng.uniform(-HALF_MM, HALF_MM, (count, 3)), np.zeros((count, 3))
    points[np.arange(count), axis] = sign * HALF_MM[axis]
    normals[np.arange(count), axis] = sign
    return points, normals


def _bar(rng: np.random.Generator) -> Surface:
    """A box without its ends: extruded along z."""
    points, normals = _box(rng)
    side = np.abs(normals[:, 2]) < 0.5
    return points[side], normals[side]


@pytest.mark.parametrize(
    ("shape", "free_count"), [(_ball, 3), (_plane, 3), (_tube, 2), (_cone, 1), (_bar, 1), (_box, 0)]
)
def test_free_motions_of_simple_shapes(shape: Callable[[np.random.Generator], Surface], free_count: int) -> None:
    """N. Gelfand, L. Guibas, Shape segmentation using local slippage analysis, SGP 2004: the counts by shape."""
    points, normals = shape(np.random.default_rng(0))
    values, _ = slippage(points, normals, np.ones(len(points)))
    assert (values < 1e-3).sum() == free_count
    assert values[-1] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (_bar, "slides along z"),
        (_cone, "rotation about an axis along z through (x 0.0, y 0.0) mm"),
    ],
)
def test_weakest_motion_is_told_in_part_axes(shape: Callable[[np.random.Generator], Surface], words: str) -> None:
    points, normals = shape(np.random.default_rng(0))
    evidence = Evidence(points, normals, np.full(len(points), NOISE_MM), np.ones(len(points)))
    covariance = np.eye(6) * 1e-8
    told = freedom_of(evidence, evidence, covariance, np.zeros(3)).weakest_text.replace("-0.0", "0.0")
    assert told == words


def test_axis_off_the_centre_is_placed_where_it_is() -> None:
    """Turning about the line x = 3, y = 1 is a shift of the centre by axis x (centre - line)."""
    axis, line = np.array([0.0, 0, 1]), np.array([3.0, 1.0, 0.0])
    centre, radius = np.array([10.0, 5.0, 2.0]), 7.0
    screw = np.r_[axis * radius, np.cross(axis, centre - line)]
    assert screw_text(screw, centre, radius) == "rotation about an axis along z through (x 3.0, y 1.0) mm"


def test_slanting_direction_is_told_by_its_components() -> None:
    assert direction_text(np.array([1.0, 1.0, 0.0])) == "along (0.71, 0.71, 0.00)"


def test_covariance_of_a_box_is_that_of_theory_and_of_monte_carlo() -> None:
    """Half sizes 4, 6, 10 mm, 6000 points, 0.02 mm: rotation sigmas (7.2, 6.2, 9.5)e-5 rad (recomputed from theory)."""
    rng = np.random.default_rng(0)
    points, normals = _box(rng, 6000)
    rows = screw_rows(points, normals, np.zeros(3), 1.0)
    inverse = np.linalg.inv(information(rows, np.ones(6000)))
    noise = rng.normal(0, NOISE_MM, (500, 6000))
    drawn = np.array([solved(information(rows, np.ones(6000)), rows @ one) for one in noise])
    predicted = NOISE_MM * np.sqrt(np.diag(inverse))
    np.testing.assert_allclose(predicted[:3], [7.2e-5, 6.2e-5, 9.5e-5], rtol=0.03)
    np.testing.assert_allclose(drawn.std(axis=0), predicted, rtol=0.12)
    own = fit_covariance(rows, Evidence(points, normals, noise[0], np.ones(6000)))
    np.testing.assert_allclose(np.sqrt(np.diag(own)), predicted, rtol=0.15)


def test_covariance_grows_with_noise_that_is_alike_over_patches() -> None:
    """Noise shared by all points of 3 mm cubes: Monte Carlo says how much, the blocks must see most of it."""
    rng = np.random.default_rng(1)
    points, normals = _box(rng, 6000)
    scale = 10.0
    points = points * scale
    cell = np.unique(np.floor(points / 3.0).astype(np.int64), axis=0, return_inverse=True)[1].reshape(-1)
    rows = screw_rows(points, normals, np.zeros(3), 1.0)
    matrix = information(rows, np.ones(6000))
    noise = rng.normal(0, NOISE_MM, (300, cell.max() + 1))[:, cell]
    drawn = np.array([solved(matrix, rows @ one) for one in noise]).std(axis=0)
    own = np.sqrt(np.diag(fit_covariance(rows, Evidence(points, normals, noise[0], np.ones(6000)))))
    np.testing.assert_allclose(own, drawn, rtol=0.3)


def test_motion_that_nothing_holds_has_a_huge_variance_not_none() -> None:
    points, normals = _bar(np.random.default_rng(0))
    rows = screw_rows(points, normals, np.zeros(3), 1.0)
    residual = np.random.default_rng(1).normal(0, NOISE_MM, len(points))
    covariance = fit_covariance(rows, Evidence(points, normals, residual, np.ones(len(points))))
    assert covariance[5, 5] > 1.0
    assert np.isfinite(covariance).all()
    assert (np.linalg.eigvalsh(covariance) > 0).all()


def test_blocks_shrink_until_there_are_enough() -> None:
    points = np.random.default_rng(0).uniform(0, 30, (8000, 3))
    assert block_index(points).max() + 1 >= 200


def _plate() -> Nominal:
    return tessellated(box((0, 0, 0), (120, 80, 10)))


def _two_hole_plate() -> Nominal:
    holes = [cylinder((x, y, -1), (0, 0, 1), 3.3, 12) for x, y in ((20, 20), (100, 60))]
    return tessellated(cut(box((0, 0, 0), (120, 80, 10)), holes))


def _pin() -> Nominal:
    return tessellated(cylinder((0, 0, 0), (0, 0, 1), 20, 80))


def _sphere() -> Nominal:
    return tessellated(sphere((0, 0, 0), 30))


def _angle() -> Nominal:
    outline = [(0, 0, 0), (40, 0, 0), (40, 12, 0), (12, 12, 0), (12, 50, 0), (0, 50, 0)]
    return tessellated(prism(outline, (0, 0, 100)))


def _pinned_shaft() -> Nominal:
    return tessellated(cut(cylinder((0, 0, 0), (0, 0, 1), 24, 250), [cylinder((-30, 0, 20), (1, 0, 0), 3, 60)]))


def _all(points: Floats, _: Floats) -> Bools:
    return np.ones(len(points), dtype=np.bool_)


def _top(_: Floats, normals: Floats) -> Bools:
    return normals[:, 2] > 0.5


def _sides(_: Floats, normals: Floats) -> Bools:
    return np.abs(normals[:, 2]) < 0.5


@pytest.mark.parametrize(
    ("part", "keep", "words"),
    [
        (_plate, _top, "3 free motions"),
        (_pin, _all, "rotation about an axis along z through"),
        (_pin, _sides, "2 free motions"),
        (_sphere, _all, "3 free motions"),
        (_angle, _sides, "slides along z"),
    ],
)
def test_what_can_slide_is_not_called_aligned(
    part: Callable[[], Nominal], keep: Callable[[Floats, Floats], Bools], words: str
) -> None:
    scan, true = scanned(part(), ScanRecipe(point_count=15_000), seed=1, keep=keep)
    found = stand(part()).align(scan, true, QUICK)
    assert found.status is AlignmentStatus.NOT_ALIGNED
    assert found.T_nominal_scan is None
    assert found.reason is not None
    assert words in found.reason


def _top_and_holes(points: Floats, normals: Floats) -> Bools:
    near = [np.hypot(points[:, 0] - x, points[:, 1] - y) < 4 for x, y in ((20, 20), (100, 60))]
    keep: Bools = _top(points, normals) | ((near[0] | near[1]) & _sides(points, normals))
    return keep


@pytest.mark.parametrize(
    ("part", "keep"), [(_two_hole_plate, _top_and_holes), (_pinned_shaft, _all), (stepped_shaft, _all)]
)
def test_small_features_that_hold_are_enough(
    part: Callable[[], Nominal], keep: Callable[[Floats, Floats], Bools]
) -> None:
    scan, true = scanned(part(), ScanRecipe(point_count=40_000), seed=1, keep=keep)
    found = stand(part()).align(scan, true)
    assert found.status is AlignmentStatus.ALIGNED
    assert found.freedom is not None
    assert found.T_nominal_scan is not None
    turned = (found.T_nominal_scan @ true.inverse()).angle_rad()
    sigma = np.sqrt(np.diag(found.freedom.covariance)[:3].max())
    assert turned < 4 * sigma


def test_error_of_the_pose_is_within_its_own_covariance() -> None:
    """Twelve scans of one block: the squared errors, in units of the stated covariance, average about six."""
    part = tessellated(cut(box((0, 0, 0), (60, 40, 20)), [cylinder((15, 12, -1), (0, 0, 1), 5, 30)]))
    bench, squares = stand(part), []
    for seed in range(12):
        scan, true = scanned(part, ScanRecipe(point_count=8_000), seed=seed)
        found = bench.align(cloud_scan(scan.points_mm, scan.normals), true, QUICK)
        assert found.freedom is not None
        assert found.T_nominal_scan is not None
        off = found.T_nominal_scan @ true.inverse()
        centre = found.freedom.centre_mm
        error = np.r_[_rotation_vector(off), off.apply(centre) - centre]
        squares.append(error @ np.linalg.inv(found.freedom.covariance) @ error)
    assert 3.0 < np.mean(squares) < 10.0


def _rotation_vector(motion: RigidTransform) -> Floats:
    skew = (motion.rotation - motion.rotation.T) / 2
    return np.array([skew[2, 1], skew[0, 2], skew[1, 0]])
