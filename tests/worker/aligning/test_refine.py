"""The robust fit: right weights, right derivatives, right noise, and the same sums every time."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from worker.aligning.pairs import Cloud, NominalSurface
from worker.aligning.refine import (
    FitState,
    Frame,
    Refiner,
    RefineSettings,
    information,
    products,
    solved,
    weighted_median,
)
from worker.measuring.analytic import face_table
from worker.records import Face, Floats, SurfaceKind
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

SIZE_MM = np.array([60.0, 40.0, 20.0])
FRAME = Frame(np.zeros(3), 28.0, float(np.linalg.norm(SIZE_MM)))
NOISE_MM = 0.02
ONES = np.ones(3)


def _refiner(settings: RefineSettings | None = None) -> Refiner:
    block = trimesh.creation.box(SIZE_MM)
    faces = (Face(0, SurfaceKind.FREEFORM, float(block.area)),)
    query = SurfaceQuery(np.array(block.vertices), np.array(block.faces))
    surface = NominalSurface(query, np.zeros(len(block.faces), dtype=np.int64), face_table(faces))
    return Refiner(surface, FRAME, settings or RefineSettings())


def _cloud(count: int = 6_000, noise_mm: float = NOISE_MM, seed: int = 0) -> Cloud:
    points, triangle = trimesh.sample.sample_surface(trimesh.creation.box(SIZE_MM), count, seed=seed)
    normals = np.array(trimesh.creation.box(SIZE_MM).face_normals[triangle])
    noise = np.random.default_rng(seed).normal(0, noise_mm, (count, 1)) if noise_mm else 0.0
    return Cloud(np.array(points) + noise * normals, normals, np.ones(count))


def _moved(cloud: Cloud, motion: RigidTransform) -> Cloud:
    assert cloud.normals is not None
    return Cloud(motion.apply(cloud.points_mm), motion.turn(cloud.normals), cloud.weights)


def _state(pose: RigidTransform | None = None) -> FitState:
    return FitState(pose or RigidTransform.identity(), ONES)


@pytest.mark.parametrize(("weights", "expected"), [([1, 1, 1], 2.0), ([1, 1, 5], 3.0), ([5, 1, 1], 1.0)])
def test_weighted_median(weights: list[float], expected: float) -> None:
    assert weighted_median(np.array([1.0, 2.0, 3.0]), np.array(weights, dtype=float)) == expected
    assert weighted_median(np.empty(0), np.empty(0)) == 0.0


def test_sums_are_those_of_plain_algebra() -> None:
    rng = np.random.default_rng(0)
    rows, weights = rng.normal(size=(9, 500)), rng.random(500)
    np.testing.assert_allclose(information(rows, weights), rows @ np.diag(weights) @ rows.T, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(products(rows, weights), rows @ weights, rtol=1e-12, atol=1e-12)


def test_direction_that_nothing_holds_stays_still() -> None:
    np.testing.assert_allclose(solved(np.diag([4.0, 0.0]), np.array([8.0, 1.0])), [2.0, 0.0])


def test_derivatives_are_those_of_finite_differences() -> None:
    refiner, cloud, step = _refiner(), _cloud(400), 1e-5
    start = RigidTransform.from_rotation_vector(np.array([1e-3, 2e-3, -1e-3]), np.array([0.02, 0.03, -0.01]))
    fit = refiner.look(cloud, _state(start))
    rows = refiner.jacobian(fit, has_scale=True)
    for index in range(9):
        change = np.zeros(9)
        change[index] = step
        motion = RigidTransform.from_rotation_vector(change[:3] / FRAME.radius_mm, change[3:6])
        state = FitState(motion @ start, ONES + change[6:] / FRAME.radius_mm)
        slope = (refiner.look(cloud, state).pairs.residual_mm - fit.pairs.residual_mm) / step
        is_steady = fit.pairs.trust == 1.0
        np.testing.assert_allclose(slope[is_steady], rows[index][is_steady], atol=5e-3)


def test_fit_without_noise_is_the_closed_form_of_known_pairs() -> None:
    """Reference: scipy's align_vectors (Kabsch), which is told the pairs."""
    cloud = _cloud(noise_mm=0.0)
    true = RigidTransform.from_rotation_vector(np.array([0.01, -0.02, 0.01]), np.array([0.3, -0.2, 0.2]))
    fit = _refiner().settle(_moved(cloud, true.inverse()), _state(), has_scale=False)
    points = true.inverse().apply(cloud.points_mm)
    closed = Rotation.align_vectors(cloud.points_mm - cloud.points_mm.mean(0), points - points.mean(0))[0].as_matrix()
    np.testing.assert_allclose(fit.state.T_nominal_scan.rotation, closed, atol=1e-9)
    np.testing.assert_allclose(fit.state.T_nominal_scan.translation_mm, true.translation_mm, atol=1e-8)
    assert fit.has_settled


def test_residual_rms_is_the_noise_less_six_freedoms() -> None:
    """rms = sigma sqrt(1 - 6 / N) for least squares; a very wide Tukey is least squares."""
    cloud = _cloud(600, seed=3)
    refiner = _refiner(RefineSettings(width_over_sigma=1000.0))
    fit = refiner.settle(cloud, _state(), has_scale=False)
    inside = fit.pairs.trust == 1.0
    true_rms = np.sqrt(np.mean(refiner.look(cloud, _state()).pairs.residual_mm[inside] ** 2))
    rms = np.sqrt(np.mean(fit.pairs.residual_mm[inside] ** 2))
    assert rms == pytest.approx(true_rms * np.sqrt(1 - 6 / 600), rel=0.004)


def test_sigma_is_that_of_the_noise() -> None:
    fit = _refiner().settle(_cloud(), _state(), has_scale=False)
    assert fit.sigma_mm == pytest.approx(NOISE_MM, rel=0.05)


def test_half_a_face_displaced_does_not_pull() -> None:
    """Least squares would hand half of the displacement to the good opposite face."""
    cloud = _cloud()
    assert cloud.normals is not None
    is_moved = (cloud.normals[:, 2] > 0.5) & (cloud.points_mm[:, 0] > 0)
    points = cloud.points_mm + np.where(is_moved, 0.4, 0.0)[:, None] * np.array([0, 0, 1.0])
    fit = _refiner().anneal(Cloud(points, cloud.normals, cloud.weights), _state(), has_scale=False)
    corners = SIZE_MM / 2 * np.array([[1, 1, 1], [-1, -1, -1], [1, -1, 1]])
    assert np.abs(fit.state.T_nominal_scan.apply(corners) - corners).max() < 0.003
    assert not fit.weights[is_moved & (np.abs(points[:, 0]) < 29)].any()


def test_noise_is_not_taken_for_shrink_where_an_axis_is_not_spanned() -> None:
    cloud = _cloud()
    top = cloud.chosen(cloud.points_mm[:, 2] > 9)
    fit = _refiner().anneal(top, _state(), has_scale=True)
    np.testing.assert_allclose(fit.state.scale_xyz, 1.0, atol=0.005)
    assert fit.sigma_mm == pytest.approx(NOISE_MM, rel=0.1)


def test_weights_shift_the_fit_as_repeated_points_would() -> None:
    cloud = _cloud(2_000)
    double = np.arange(0, 2_000, 3)
    weights = np.ones(2_000)
    weights[double] = 2.0
    index = np.concatenate([np.arange(2_000), double])
    weighted = _refiner().settle(Cloud(cloud.points_mm, cloud.normals, weights), _state(), has_scale=False)
    repeated = _refiner().settle(cloud.chosen(index), _state(), has_scale=False)
    np.testing.assert_allclose(
        weighted.state.T_nominal_scan.matrix(), repeated.state.T_nominal_scan.matrix(), atol=1e-6
    )


def test_exact_face_takes_the_place_of_its_facets() -> None:
    """A coarse 24-sided cylinder lies up to 0.085 mm inside its circle; the exact face has no such bias."""
    mesh = trimesh.creation.cylinder(10.0, 40.0, sections=24)
    side = np.abs(mesh.face_normals[:, 2]) < 0.5
    faces = (
        Face(0, SurfaceKind.FREEFORM, 1.0),
        Face(1, SurfaceKind.CYLINDER, 1.0, origin_mm=np.zeros(3), axis=np.array([0, 0, 1.0]), radius_mm=10.0),
    )
    query = SurfaceQuery(np.array(mesh.vertices), np.array(mesh.faces))
    surface = NominalSurface(query, side.astype(np.int64), face_table(faces))
    angle = np.linspace(0.01, 6.2, 500)
    points = np.column_stack([10.03 * np.cos(angle), 10.03 * np.sin(angle), np.linspace(-15, 15, 500)])
    pairs = surface.paired(points, None)
    np.testing.assert_allclose(pairs.residual_mm, 0.03, atol=1e-12)
    assert pairs.is_exact.all()


def test_point_beyond_a_sharp_edge_is_not_trusted() -> None:
    points: Floats = np.array([[30.5, 20.5, 0.0], [30.5, 10.0, 0.0]])
    pairs = _refiner().look(Cloud(points, None, np.ones(2)), _state()).pairs
    np.testing.assert_array_equal(pairs.is_usable, [False, True])


def test_nearest_skin_that_faces_away_is_passed_over_for_the_other() -> None:
    """A 2 mm wall, its outer skin scanned 1.5 mm too deep: the inner skin is nearer but faces away."""
    mesh = trimesh.creation.box((60.0, 40.0, 2.0))
    faces = (Face(0, SurfaceKind.FREEFORM, float(mesh.area)),)
    query = SurfaceQuery(np.array(mesh.vertices), np.array(mesh.faces))
    surface = NominalSurface(query, np.zeros(len(mesh.faces), dtype=np.int64), face_table(faces))
    points, up = np.array([[3.0, 4.0, -0.5]]), np.array([[0.0, 0.0, 1.0]])
    assert not surface.paired(points, up).is_usable.any()
    pairs = surface.paired(points, up, reach_mm=3.0)
    assert pairs.residual_mm[0] == pytest.approx(-1.5)
    np.testing.assert_allclose(pairs.direction, up)
