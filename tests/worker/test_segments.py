from __future__ import annotations

import numpy as np
import pytest

from worker.records import Floats
from worker.segments import segment_to_triangle
from worker.surface import closest_barycentric

CORNERS = np.array([[0.0, 0, 0], [4, 0, 0], [0, 3, 0]])
FLAT = np.array([[[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 10.0, 0.0]]])
FINE_MM = 2e-3  # half a step of the slow referee, 4 mm in 2,000


@pytest.mark.parametrize(
    ("start", "end", "distance_mm", "share"),
    [
        ((1, 1, 2), (1, 1, -2), 0.0, 0.5),  # through it
        ((1, 1, 2), (1, 1, 1), 1.0, 1.0),  # an end above its inside
        ((-1, -1, 1), (5, -1, 1), np.sqrt(2), None),  # along an edge
        ((-3, -4, 0), (-6, -8, 0), 5.0, 0.0),  # past a corner
        ((1, 1, 2), (1, 1, 2), 2.0, 0.0),  # a point
        ((1, 1, 0), (2, 0.5, 0), 0.0, None),  # in its plane
    ],
)
def test_distance_of_a_segment_is_the_closed_form(
    start: tuple[float, ...], end: tuple[float, ...], distance_mm: float, share: float | None
) -> None:
    found = segment_to_triangle(np.array(start, dtype=float), np.array(end, dtype=float), CORNERS[None])
    assert found.distance_mm[0] == pytest.approx(distance_mm, abs=1e-12)
    assert share is None or found.share[0] == pytest.approx(share, abs=1e-12)


def test_a_triangle_without_area_is_its_edges() -> None:
    flat = np.array([[[0.0, 0, 0], [1, 0, 0], [3, 0, 0]]])
    found = segment_to_triangle(np.array([0.0, 2, 1]), np.array([5.0, 2, 1]), flat)
    assert found.distance_mm[0] == pytest.approx(np.sqrt(5), abs=1e-12)


def _slow(start: Floats, end: Floats, corners: Floats) -> float:
    """Every place of the segment by itself."""
    places = start + np.linspace(0, 1, 2001)[:, None] * (end - start)
    every = np.broadcast_to(corners, (len(places), 3, 3))
    foot = np.einsum("ij,ijk->ik", closest_barycentric(places, every), every)
    return float(np.linalg.norm(places - foot, axis=1).min())


@pytest.mark.parametrize("seed", range(12))
def test_distance_agrees_with_every_place_tried(seed: int) -> None:
    rng = np.random.default_rng(seed)
    start, end, corners = rng.normal(size=3), rng.normal(size=3), rng.normal(size=(3, 3))
    found = segment_to_triangle(start, end, corners[None])
    assert found.distance_mm[0] == pytest.approx(_slow(start, end, corners), abs=FINE_MM)
    place = found.barycentric[0] @ corners
    axis = start + found.share[0] * (end - start)
    assert np.linalg.norm(axis - place) == pytest.approx(found.distance_mm[0], abs=1e-9)


@pytest.mark.parametrize(
    ("segment", "distance_mm"),
    [
        (((2, 2, 3), (2, 2, 8)), 3.0),  # an end over the inside
        (((2, 2, 4), (3, 3, 4)), 4.0),  # parallel
        (((2, 2, -1), (2, 2, 5)), 0.0),  # through it
        (((2, -3, 2), (2, -3, -2)), 3.0),  # past a side
        (((-3, -4, -5), (-3, -4, 5)), 5.0),  # past a corner
        (((20, 0, 0), (13, 0, 0)), 3.0),  # in its plane
        (((1, 1, 2), (1, 1, 2)), 2.0),  # no longer than a point
        (((2, 4, 0.5), (2, -4, 2.5)), 0.5),  # an end, though it slants across
    ],
)
def test_distance_of_a_segment_from_a_triangle(
    segment: tuple[tuple[float, float, float], ...], distance_mm: float
) -> None:
    start, end = np.array(segment, dtype=np.float64)
    found = segment_to_triangle(start, end, FLAT)
    place, axis = found.barycentric[0] @ FLAT[0], start + found.share[0] * (end - start)
    assert found.distance_mm[0] == pytest.approx(distance_mm, abs=1e-12)
    assert np.linalg.norm(place - axis) == pytest.approx(distance_mm, abs=1e-12)
