"""Refining a coarse patch: within tolerance everywhere, borders untouched, nothing folded."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import Delaunay

from worker.reading.parsed import Floats
from worker.reading.refine_face import CurvedPatch, refine_patch
from worker.reading.shape import area_vectors, areas_of
from worker.reading.topology import find_edges

RADIUS_MM = 20.0


def on_cylinder(parameters: Floats) -> Floats:
    angle, height = parameters.T
    return np.column_stack([RADIUS_MM * np.cos(angle), RADIUS_MM * np.sin(angle), height])


def on_sphere(parameters: Floats) -> Floats:
    u, v = parameters.T
    return RADIUS_MM * np.column_stack([np.cos(u) * np.cos(v), np.sin(u) * np.cos(v), np.sin(v)])


SURFACE = {False: on_cylinder, True: on_sphere}


def quarter(border_steps: int, *, of_sphere: bool) -> CurvedPatch:
    """A quarter cylinder 30 mm high, or of a sphere up to 72 degrees: border in steps, inside a few points."""
    side, inside = np.linspace(0, 1, border_steps + 1)[:-1], np.linspace(0, 1, 5)[1:-1]
    zero, one = np.zeros_like(side), np.ones_like(side)
    u, v = np.meshgrid(inside, inside)
    around = [(side, zero), (one, side), (1 - side, one), (zero, 1 - side), (u.ravel(), v.ravel())]
    square = np.concatenate([np.column_stack(pair) for pair in around])
    triangles = Delaunay(square).simplices.astype(np.int64)
    is_turned = area_vectors(np.column_stack([square, np.zeros(len(square))]), triangles)[:, 2] < 0
    triangles[is_turned] = triangles[is_turned][:, ::-1]
    parameters = square * [np.pi / 2, 0.4 * np.pi if of_sphere else 30.0]
    points, is_pole = SURFACE[of_sphere](parameters), np.zeros(square.shape, dtype=np.bool_)
    return CurvedPatch(points, parameters, is_pole, triangles, np.ones(len(triangles), dtype=np.bool_))


@pytest.mark.parametrize("of_sphere", [False, True])
def test_what_is_refined_lies_within_the_tolerance(*, of_sphere: bool) -> None:
    patch, error = refine_patch(quarter(48, of_sphere=of_sphere), SURFACE[of_sphere], 0.01, 10.0, 10**6)
    middles = patch.points[patch.triangles].mean(axis=1)
    radial = np.linalg.norm(middles if of_sphere else middles[:, :2], axis=1)
    assert error <= 0.01
    assert (RADIUS_MM - radial).max() <= 0.01


@pytest.mark.parametrize("of_sphere", [False, True])
def test_borders_keep_their_vertices(*, of_sphere: bool) -> None:
    coarse = quarter(12, of_sphere=of_sphere)
    patch, _ = refine_patch(coarse, SURFACE[of_sphere], 0.01, 10.0, 10**6)
    before = find_edges(coarse.triangles, len(coarse.points)).open_vertices
    after = find_edges(patch.triangles, len(patch.points)).open_vertices
    np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize("of_sphere", [False, True])
def test_no_triangle_is_folded_over(*, of_sphere: bool) -> None:
    patch, _ = refine_patch(quarter(80, of_sphere=of_sphere), SURFACE[of_sphere], 0.005, 0.1, 10**6)
    vectors = area_vectors(patch.points, patch.triangles)
    outward = patch.points[patch.triangles].mean(axis=1) * ([1, 1, 1] if of_sphere else [1, 1, 0]) / RADIUS_MM
    assert np.einsum("ij,ij->i", vectors, outward).min() > 0
    assert areas_of(vectors).sum() == pytest.approx(RADIUS_MM * np.pi / 2 * (19.021 if of_sphere else 30.0), rel=1e-3)


def test_the_error_reported_is_the_one_that_is_there() -> None:
    coarse = quarter(12, of_sphere=False)
    _, error = refine_patch(coarse, on_cylinder, 1000.0, 1000.0, 10**6)
    flats = coarse.points[coarse.triangles].mean(axis=1)
    assert RADIUS_MM - np.linalg.norm(flats[:, :2], axis=1).min() <= error * 1.05
    assert error <= RADIUS_MM * (1 - np.cos(np.pi / 4))


def test_turning_alone_also_refines() -> None:
    plain, _ = refine_patch(quarter(12, of_sphere=True), on_sphere, 1.0, 10.0, 10**6)
    turned, _ = refine_patch(quarter(12, of_sphere=True), on_sphere, 1.0, 0.1, 10**6)
    assert len(turned.triangles) > 2 * len(plain.triangles)
