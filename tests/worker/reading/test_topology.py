"""Merging, edges, winding and components, against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tests.support.model_files import BOX_POINTS, BOX_TRIANGLES, sphere
from worker.reading.parsed import Floats, Ints
from worker.reading.settings import MeshSettings
from worker.reading.shape import area_vectors, areas_of, lengths_of, signed_volume, vertex_normals
from worker.reading.surface import Surface, cut_at_creases, finish, merge, orient
from worker.reading.topology import connected, count_duplicates, distinct_points, find_edges


def soup(points: Floats, triangles: Ints) -> Surface:
    """Three points of its own for every triangle, as an STL has them."""
    count = len(triangles)
    return Surface(points[triangles.ravel()], np.arange(3 * count).reshape(-1, 3), np.zeros(count, dtype=np.int64))


def test_equal_points_become_one_in_order_of_first_appearance() -> None:
    merged = distinct_points(np.array([[2.0, 0, 0], [1, 0, 0], [2, 0, 0], [-0.0, 0, 0], [0.0, 0, 0]]))
    np.testing.assert_array_equal(merged.first_index, [0, 1, 3])
    np.testing.assert_array_equal(merged.new_index, [0, 1, 0, 2, 2])


def test_duplicates_are_counted_without_being_found() -> None:
    points = np.random.default_rng(0).normal(size=(500, 3))
    assert count_duplicates(points) == 0
    assert count_duplicates(np.vstack([points, points[:7]])) == 7


@pytest.mark.parametrize("link_count", [0, 60, 400])
def test_components_are_those_of_scipy(link_count: int) -> None:
    left, right = np.random.default_rng(link_count).integers(0, 300, size=(2, link_count))
    graph = coo_array((np.ones(link_count), (left, right)), shape=(300, 300))
    np.testing.assert_array_equal(connected(300, left, right), connected_components(graph, directed=False)[1])


def test_a_long_chain_is_one_component() -> None:
    order = np.random.default_rng(1).permutation(5000)
    assert connected(5000, order[:-1], order[1:]).max() == 0


def test_a_box_soup_closes_and_has_six_patches() -> None:
    surface, edges = orient(*merge(soup(BOX_POINTS, BOX_TRIANGLES), 0.0))
    patches = cut_at_creases(surface, edges, MeshSettings())
    assert surface.is_watertight
    assert len(surface.points) == 8
    assert np.bincount(patches.triangle_face).tolist() == [2] * 6


def test_a_smooth_sphere_is_one_patch() -> None:
    surface, edges = orient(*merge(soup(*sphere(10.0)), 1e-9))
    assert surface.is_watertight
    assert cut_at_creases(surface, edges, MeshSettings()).triangle_face.max() == 0


def test_an_open_box_is_not_watertight_and_says_how_many_edges_are_open() -> None:
    surface, _ = orient(*merge(soup(BOX_POINTS, BOX_TRIANGLES[:-1]), 0.0))
    assert not surface.is_watertight
    assert any("3 edges" in note for note in surface.notes)


def test_an_inside_out_box_is_turned_over_with_a_note() -> None:
    surface, _ = orient(*merge(soup(BOX_POINTS, BOX_TRIANGLES[:, ::-1]), 0.0))
    vectors = area_vectors(surface.points, surface.triangles)
    assert signed_volume(surface.points, surface.triangles, vectors) == pytest.approx(6000.0)
    assert any("inside out" in note for note in surface.notes)


@pytest.mark.parametrize("seed", range(4))
def test_randomly_turned_triangles_are_wound_alike_again(seed: int) -> None:
    points, triangles = sphere(10.0, ring_count=8)
    is_turned = np.random.default_rng(seed).random(len(triangles)) < 0.3
    mixed = np.where(is_turned[:, None], triangles[:, ::-1], triangles)
    surface, edges = orient(*merge(soup(points, mixed), 1e-9))
    vectors = area_vectors(surface.points, surface.triangles)
    assert edges.is_opposed.all()
    assert surface.is_watertight
    assert signed_volume(surface.points, surface.triangles, vectors) > 0


def test_a_moebius_strip_is_reported_as_one_sided() -> None:
    around = np.linspace(0, 2 * np.pi, 13)[:-1]
    across = np.array([-1.0, 1.0])
    radius = 5 + across[None, :] * np.cos(around / 2)[:, None]
    points = np.stack(
        [radius * np.cos(around)[:, None], radius * np.sin(around)[:, None], across * np.sin(around / 2)[:, None]], -1
    ).reshape(-1, 3)
    a, b = np.arange(0, 24, 2), np.arange(1, 24, 2)
    c, d = np.append(a[1:], b[0]), np.append(b[1:], a[0])
    strip = np.concatenate([np.column_stack([a, c, b]), np.column_stack([c, d, b])])
    surface, _ = orient(*merge(Surface(points, strip, np.zeros(24, dtype=np.int64)), 0.0))
    assert any("one side" in note for note in surface.notes)


def test_a_torn_seam_within_the_number_step_is_joined() -> None:
    torn = soup(BOX_POINTS, BOX_TRIANGLES)
    torn.points[:3] += 3e-6
    surface, _ = orient(*merge(torn, 1e-5))
    assert surface.is_watertight
    assert any("open edges" in note for note in surface.notes)


def test_a_real_gap_is_not_closed() -> None:
    torn = soup(BOX_POINTS, BOX_TRIANGLES)
    torn.points[:3] += 0.01
    assert not orient(*merge(torn, 1e-5))[0].is_watertight


def test_triangles_without_area_and_loose_vertices_are_dropped_and_counted() -> None:
    points = np.vstack([BOX_POINTS, [[99.0, 99, 99]], [[0.0, 0, 5]]])
    triangles = np.vstack([BOX_TRIANGLES, [[0, 0, 1]], [[0, 1, 9]]])
    surface, _ = orient(*merge(Surface(points, triangles, np.zeros(14, dtype=np.int64)), 0.0))
    surface = finish(surface)
    assert (len(surface.points), len(surface.triangles)) == (8, 12)
    assert " ".join(surface.notes).count("dropped") == 3


def test_edges_of_a_box_are_eighteen_pairs() -> None:
    edges = find_edges(BOX_TRIANGLES, 8)
    assert (len(edges.first), edges.open_edge_count, edges.is_closed) == (18, 0, True)


def test_vertex_normals_of_a_box_point_along_its_diagonals_however_it_is_cut() -> None:
    normals = vertex_normals(BOX_POINTS, BOX_TRIANGLES)
    expected = np.sign(BOX_POINTS - BOX_POINTS.mean(axis=0)) / np.sqrt(3.0)
    np.testing.assert_allclose(normals, expected, atol=1e-12)


def test_vertex_normals_of_a_sphere_are_radial() -> None:
    surface = finish(merge(soup(*sphere(10.0)), 1e-9)[0])
    normals = vertex_normals(surface.points, surface.triangles)
    np.testing.assert_allclose(lengths_of(normals - surface.points / 10.0), 0.0, atol=0.01)


def test_areas_of_a_box_add_up() -> None:
    assert areas_of(area_vectors(BOX_POINTS, BOX_TRIANGLES)).sum() == pytest.approx(2 * (600 + 300 + 200))
