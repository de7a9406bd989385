"""Closest points, signs and rays against slow, exact, independent answers."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from worker.records import Floats, Ints
from worker.surface import SurfaceQuery, closest_barycentric

EXACT_MM = 1e-6  # what the float64 redo promises at any offset
ROUNDING_AT_1E5_MM = 1e-9  # float64 spacing at 1e5 mm is 1.5e-11, a few operations


def _mesh(shape: trimesh.Trimesh) -> tuple[Floats, Ints]:
    return np.array(shape.vertices, dtype=np.float64), np.array(shape.faces, dtype=np.int64)


def _ball() -> tuple[Floats, Ints]:
    return _mesh(trimesh.creation.icosphere(3, 20.0))


def _block() -> tuple[Floats, Ints]:
    return _mesh(trimesh.creation.box((60.0, 40.0, 20.0)))


def _wedge_row() -> tuple[Floats, Ints]:
    """A 20 degree wedge, the shape on which face-normal signs fail."""
    half = np.tan(np.radians(10.0)) * 30.0
    vertices = np.array([[0.0, 0, 0], [30, half, 0], [30, -half, 0], [0, 0, 40], [30, half, 40], [30, -half, 40]])
    faces = np.array([[0, 1, 2], [3, 5, 4], [0, 3, 4], [0, 4, 1], [0, 2, 5], [0, 5, 3], [1, 4, 5], [1, 5, 2]])
    solid = trimesh.Trimesh(vertices, faces, process=False)
    trimesh.repair.fix_normals(solid)
    return _mesh(solid)


SHAPES = {"ball": _ball, "block": _block, "wedge": _wedge_row}


def _around(vertices: Floats, count: int, seed: int) -> Floats:
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    margin = 0.3 * (high - low)
    return np.random.default_rng(seed).uniform(low - margin, high + margin, (count, 3))


def _brute_distance(points: Floats, vertices: Floats, triangles: Ints) -> Floats:
    """Every point against every triangle, in float64, by the definition."""
    best = np.full(len(points), np.inf)
    for corners in vertices[triangles]:
        place = closest_barycentric(points, np.broadcast_to(corners, (len(points), 3, 3))) @ corners
        best = np.minimum(best, np.linalg.norm(points - place, axis=1))
    return best


@pytest.mark.parametrize("shape", SHAPES)
def test_distance_agrees_with_every_triangle_tried(shape: str) -> None:
    vertices, triangles = SHAPES[shape]()
    points = _around(vertices, 300, seed=1)
    found = SurfaceQuery(vertices, triangles).closest(points)
    assert np.abs(found.distance_mm - _brute_distance(points, vertices, triangles)).max() < EXACT_MM


@pytest.mark.parametrize("shape", SHAPES)
def test_distance_agrees_with_an_independent_library(shape: str) -> None:
    vertices, triangles = SHAPES[shape]()
    points = _around(vertices, 100, seed=2)
    solid = trimesh.Trimesh(vertices, triangles, process=False)
    _, distance, _ = trimesh.proximity.closest_point_naive(solid, points)
    assert np.abs(SurfaceQuery(vertices, triangles).closest(points).distance_mm - distance).max() < EXACT_MM


@pytest.mark.parametrize("shape", SHAPES)
def test_place_is_the_barycentric_mix_of_its_triangle(shape: str) -> None:
    vertices, triangles = SHAPES[shape]()
    found = SurfaceQuery(vertices, triangles).closest(_around(vertices, 300, seed=3))
    mixed = np.einsum("ij,ijk->ik", found.barycentric, vertices[triangles[found.triangle]])
    assert np.abs(mixed - found.point_mm).max() < ROUNDING_AT_1E5_MM
    assert found.barycentric.min() >= 0.0


@pytest.mark.parametrize("shape", SHAPES)
def test_sign_agrees_with_the_winding_number(shape: str) -> None:
    vertices, triangles = SHAPES[shape]()
    points = _around(vertices, 2000, seed=4)
    signed = SurfaceQuery(vertices, triangles).signed(points).signed_mm
    assert ((signed < 0) == (_winding_number(points, vertices, triangles) > 0.5)).all()


def _winding_number(points: Floats, vertices: Floats, triangles: Ints) -> Floats:
    """Solid angle over 4 pi (A. van Oosterom, J. Strackee, IEEE Trans. Biomed. Eng. 30, 1983)."""
    total = np.zeros(len(points))
    for corners in vertices[triangles]:
        a, b, c = (corner - points for corner in corners)
        la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
        top = np.einsum("ij,ij->i", a, np.cross(b, c))
        dots = [np.einsum("ij,ij->i", *pair) for pair in ((a, b), (b, c), (c, a))]
        total += 2 * np.arctan2(top, la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb)
    return total / (4 * np.pi)


def test_sign_holds_on_an_open_shell() -> None:
    vertices, triangles = _ball()
    open_cap = triangles[vertices[triangles].mean(axis=1)[:, 2] < 10.0]
    points = np.array([[0.0, 0.0, -19.0], [0.0, 0.0, -21.0], [15.0, 0.0, 0.0], [25.0, 0.0, 0.0]])
    assert np.sign(SurfaceQuery(vertices, open_cap).signed(points).signed_mm).tolist() == [-1, 1, -1, 1]


@pytest.mark.parametrize("shape", SHAPES)
def test_far_from_the_origin_nothing_changes(shape: str) -> None:
    vertices, triangles = SHAPES[shape]()
    points = _around(vertices, 2000, seed=5)
    offset = np.array([1e5, -1e5, 1e5])
    here = SurfaceQuery(vertices, triangles).signed(points).signed_mm
    there = SurfaceQuery(vertices + offset, triangles).signed(points + offset).signed_mm
    assert np.abs(here - there).max() < EXACT_MM


def test_thread_count_does_not_change_a_bit() -> None:
    vertices, triangles = _ball()
    points = _around(vertices, 5000, seed=6)
    one, many = (SurfaceQuery(vertices, triangles, thread_count=count) for count in (1, 0))
    assert np.array_equal(one.signed(points).signed_mm, many.signed(points).signed_mm)
    assert np.array_equal(one.cast(points, -points).distance_mm, many.cast(points, -points).distance_mm)


def test_ray_distance_is_solved_in_double_precision() -> None:
    offset = np.array([1e5, 0.0, 0.0])
    vertices, triangles = _block()
    hits = SurfaceQuery(vertices + offset, triangles).cast(
        np.array([[0.1, 0.2, 50.0], [0.1, 0.2, 50.0]]) + offset, np.array([[0.0, 0.0, -2.0], [0.0, 0.0, 1.0]])
    )
    assert hits.is_hit.tolist() == [True, False]
    assert hits.triangle[1] == -1
    assert hits.distance_mm[0] == pytest.approx(40.0, abs=ROUNDING_AT_1E5_MM)


def test_triangles_without_area_are_never_the_answer() -> None:
    vertices, triangles = _block()
    flat = np.array([[0, 0, 1], [2, 2, 2]])
    found = SurfaceQuery(vertices, np.concatenate([flat, triangles])).closest(vertices + 1.0)
    assert found.triangle.min() >= len(flat)
    assert np.isfinite(found.point_mm).all()


def test_no_points_give_no_answers() -> None:
    surface = SurfaceQuery(*_block())
    assert surface.signed(np.empty((0, 3))).signed_mm.shape == (0,)
    assert surface.cast(np.empty((0, 3)), np.empty((0, 3))).is_hit.shape == (0,)


def test_no_triangles_are_refused_rather_than_measured_to_the_origin() -> None:
    with pytest.raises(ValueError, match="at least one triangle"):
        SurfaceQuery(np.zeros((3, 3)), np.array([[0, 1, 2]]))


def test_inputs_stay_as_they_were() -> None:
    vertices, triangles = _block()
    points = _around(vertices, 50, seed=7)
    for array in (vertices, triangles, points):
        array.setflags(write=False)
    before = points.copy()
    SurfaceQuery(vertices, triangles).signed(points)
    assert np.array_equal(points, before)
