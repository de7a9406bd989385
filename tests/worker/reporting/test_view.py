"""The thinned mesh: small enough, whole, and no small fault lost."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.report_block import block_deviation, block_samples, block_thickness
from worker.records import Deviation, Floats, Samples
from worker.reporting.view import MapValues, ViewMesh, ViewSettings, map_values, view_mesh

LIMIT = 6_000
TOLERANCE_MM = 0.15


@pytest.fixture(scope="module")
def samples() -> Samples:
    return block_samples(24)[0]


@pytest.fixture(scope="module")
def deviation(samples: Samples) -> Deviation:
    return block_deviation(samples)


@pytest.fixture(scope="module")
def thinned(samples: Samples, deviation: Deviation) -> ViewMesh:
    values = map_values(samples, deviation, block_thickness(samples, deviation), TOLERANCE_MM)
    return view_mesh(samples, values, ViewSettings(triangle_limit=LIMIT))


def area_of(points: Floats, triangles: np.ndarray) -> float:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def only_at(samples: Samples, index: int, value_mm: float) -> MapValues:
    count = len(samples.points_mm)
    distance, zero, yes = np.zeros(count), np.zeros(count), np.ones(count, dtype=np.bool_)
    distance[index] = value_mm
    return MapValues(distance, yes, zero, zero, ~yes, ~yes, TOLERANCE_MM, 0.0)


def test_thinning_keeps_to_the_limit(samples: Samples, thinned: ViewMesh) -> None:
    assert len(samples.triangles) > 5 * LIMIT
    assert LIMIT / 4 < len(thinned.triangles) <= LIMIT


def test_thinning_keeps_the_area(samples: Samples, thinned: ViewMesh) -> None:
    assert area_of(thinned.points_mm, thinned.triangles) == pytest.approx(float(samples.area_mm2.sum()), rel=0.01)


def test_thinning_keeps_the_corners_of_the_part(samples: Samples, thinned: ViewMesh) -> None:
    np.testing.assert_allclose(np.ptp(thinned.points_mm, axis=0), np.ptp(samples.points_mm, axis=0), atol=1e-9)


def test_no_triangle_is_turned_over(thinned: ViewMesh) -> None:
    a, b, c = (thinned.points_mm[thinned.triangles[:, k]] for k in range(3))
    outward = np.einsum("ij,ij->i", np.cross(b - a, c - a), thinned.normals[thinned.triangles].sum(axis=1))
    assert (outward > -1e-9).all()  # a sliver seen edge on has none


@pytest.mark.parametrize("value_mm", [0.9, -0.9])
def test_fault_at_a_single_sample_does_not_vanish(samples: Samples, value_mm: float) -> None:
    index = int(np.flatnonzero(samples.face == 2)[500])
    mesh = view_mesh(samples, only_at(samples, index, value_mm), ViewSettings(triangle_limit=LIMIT))
    owner = mesh.vertex_of_sample[index]
    assert mesh.deviation_mm[owner] == value_mm
    assert np.linalg.norm(mesh.points_mm[owner] - samples.points_mm[index]) < 4.0


def test_noise_inside_tolerance_is_averaged_not_blown_up(samples: Samples, thinned: ViewMesh) -> None:
    deck = (thinned.face == 1) & (np.abs(thinned.points_mm[:, 0] - 60) < 50)
    expected = 0.08 * np.sin(thinned.points_mm[deck, 0] / 38.0)
    assert np.std(thinned.deviation_mm[deck] - expected) < 0.02


def test_thinnest_wall_of_a_cluster_is_kept(samples: Samples, deviation: Deviation, thinned: ViewMesh) -> None:
    thickness = block_thickness(samples, deviation)
    assert thinned.wall_mm[thinned.has_wall].min() == pytest.approx(thickness.actual_mm.min(), abs=1e-12)


def test_what_was_not_measured_stays_unmeasured(thinned: ViewMesh) -> None:
    deep = (thinned.face == 11) & (thinned.points_mm[:, 2] < 18)
    assert deep.sum() > 10
    assert not thinned.is_measured[deep].any()


def test_region_covers_its_own_vertices_only(samples: Samples, thinned: ViewMesh) -> None:
    mask = thinned.mask_of(samples.face == 7)
    assert set(thinned.face[mask]) == {7}
    assert mask.sum() == (thinned.face == 7).sum()


def test_small_mesh_is_shown_as_it_is(samples: Samples, deviation: Deviation) -> None:
    mesh = view_mesh(samples, map_values(samples, deviation, None, TOLERANCE_MM))
    assert len(mesh.triangles) == len(samples.triangles)
    np.testing.assert_array_equal(
        mesh.deviation_mm[mesh.vertex_of_sample][deviation.is_measured][:100].round(1),
        deviation.distance_mm[deviation.is_measured][:100].round(1),
    )


def test_lines_are_drawn_only_where_faces_meet(thinned: ViewMesh) -> None:
    ends = thinned.points_mm[thinned.edges]
    on_rim = np.isclose(np.linalg.norm((ends[..., :2] % 40.0) - 20.0, axis=2), 15.0, atol=0.3)
    low, high = thinned.points_mm.min(axis=0), thinned.points_mm.max(axis=0)
    on_outside = (np.isclose(ends, low, atol=1e-6) | np.isclose(ends, high, atol=1e-6)).sum(axis=2) >= 2
    assert (on_rim | on_outside).all()
    assert len(thinned.edges) > 100
