"""Grids on faces, distances of axes, and how sites are chosen."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.shapes import block
from worker.fasteners.records import Bore
from worker.fasteners.sites import (
    SiteRule,
    SiteSettings,
    axis_spacing,
    edge_distance,
    grid_on,
    metal_round,
    plane_face,
    ranked_sites,
)
from worker.measuring.corners import stitched_mm
from worker.measuring.patches import SampleNet
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.surface import SurfaceQuery

SETTINGS = SiteSettings(pitch_mm=1.0)
UP = np.array([0.0, 0.0, 1.0])
PLATE = block((40.0, 20.0, 10.0))
TOP = PLATE.triangle_face == 5


def test_the_grid_covers_the_face_and_no_more() -> None:
    face = plane_face(PLATE, TOP, SETTINGS)
    assert face is not None
    points, pitch = grid_on(face, PLATE, SETTINGS)
    assert pitch == 1.0
    assert face.normal == pytest.approx(UP)
    assert points[:, 2] == pytest.approx(10.0)
    assert len(points) in range(39 * 19, 41 * 21 + 1)  # rays along the very edge may miss it


def test_a_large_face_gets_a_wider_grid() -> None:
    face = plane_face(PLATE, TOP, SETTINGS)
    assert face is not None
    points, pitch = grid_on(face, PLATE, SiteSettings(pitch_mm=0.01, most_candidates=200))
    assert pitch == pytest.approx(2.0)
    assert len(points) <= 21 * 11


@pytest.mark.parametrize("faces", [(4, 5), (0, 5), (0, 1, 2, 3, 4, 5)])
def test_two_planes_are_no_plane_face(faces: tuple[int, ...]) -> None:
    assert plane_face(PLATE, np.isin(PLATE.triangle_face, faces), SETTINGS) is None


def test_nothing_is_no_plane_face() -> None:
    assert plane_face(PLATE, np.zeros(len(PLATE.triangles), dtype=bool), SETTINGS) is None


def test_edge_distance_is_square_to_the_axis() -> None:
    edges = np.array([[[0.0, 0.0, 7.0], [40.0, 0.0, -3.0]]])
    points = np.array([[10.0, 4.0, 0.0], [-3.0, 4.0, 99.0], [43.0, -4.0, 0.0]])
    assert edge_distance(points, UP, edges) == pytest.approx([4.0, 5.0, 5.0])
    assert np.isinf(edge_distance(points, UP, edges[:0])).all()


def test_spacing_is_that_of_the_nearest_axis() -> None:
    points = np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0]])
    origins, ways = np.array([[3.0, 4.0, 50.0], [10.0, 0.0, -2.0]]), np.array([UP, -UP])
    assert axis_spacing(points, origins, ways) == pytest.approx([5.0, 1.0])
    assert np.isinf(axis_spacing(points, origins[:0], ways[:0])).all()


@pytest.mark.parametrize(("place", "metal_mm"), [((20.0, 10.0), 3.5), ((20.0, 4.0), 1.5), ((1.0, 10.0), -1.5)])
def test_metal_round_a_drilled_hole_counts_its_round_end(place: tuple[float, float], metal_mm: float) -> None:
    """Drill of radius 2.5, 4 mm deep in 10: 6 mm to the bottom from its end, 10 or 4 or 1 mm to a side."""
    rule = SiteRule(radius_mm=2.5, depth_mm=4.0, least_mm=1, spacing_mm=1, edge_mm=1)
    surface = SurfaceQuery(PLATE.vertices_mm, PLATE.triangles[~TOP])
    found = metal_round(surface, np.array([[*place, 10.0]]), -UP, rule, 2.0)
    assert found.distance_mm[0] == pytest.approx(metal_mm, abs=1e-9)


@pytest.mark.parametrize(("spacing_mm", "count"), [(5.0, 3), (10.0, 2), (10.001, 1), (2.5, 5)])
def test_sites_keep_their_distance(spacing_mm: float, count: int) -> None:
    """Along a line of 10 mm: most metal is in its middle, from where 10 mm fit one site only; the ends fit two."""
    spots = np.column_stack([np.arange(0.0, 10.01, 0.5), np.zeros(21)])
    metal = 20 - np.abs(spots[:, 0] - 5)
    taken = ranked_sites(spots, metal, np.ones(21, dtype=bool), spacing_mm)
    assert len(taken) == count
    assert (np.diff(metal[taken]) <= 0).all()
    gaps = np.abs(np.subtract.outer(spots[taken, 0], spots[taken, 0]))
    assert gaps[~np.eye(count, dtype=bool)].min(initial=np.inf) >= spacing_mm - 1e-6


def test_no_candidate_gives_no_site() -> None:
    assert len(ranked_sites(np.zeros((3, 2)), np.zeros(3), np.zeros(3, dtype=bool), 1.0)) == 0


def test_a_grown_block_is_stitched_without_cracks() -> None:
    """All sides 0.1 mm out: its corners move by that along all three axes."""
    samples = sample_nominal(PLATE, settings=SampleSettings(edges_per_diagonal=6.0))
    net = SampleNet(samples)
    moved = stitched_mm(samples, np.full(len(samples.points_mm), 0.1), net.is_rim)
    assert moved.min(axis=0) == pytest.approx([-0.1, -0.1, -0.1])
    corner = (samples.points_mm == 0).all(axis=1)
    assert moved[corner] == pytest.approx(np.full((corner.sum(), 3), -0.1))


def test_a_bore_has_its_wall_at_its_radius() -> None:
    bore = Bore(np.array([1.0, 2.0, 3.0]), np.array([0.6, 0.0, 0.8]), 4.0, np.zeros(1))
    off = bore.wall_mm(np.array([5.0]), np.array([0.7]))[0] - bore.origin_mm
    assert off @ bore.direction == pytest.approx(5.0)
    assert np.linalg.norm(off - 5.0 * bore.direction) == pytest.approx(4.0)
