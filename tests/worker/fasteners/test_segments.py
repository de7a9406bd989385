"""Segments against triangles: closed forms, and every triangle in turn as the referee."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.shapes import block, bored_block
from worker.fasteners.segments import nearest_to_segments
from worker.records import Floats
from worker.segments import segment_to_triangle
from worker.surface import SurfaceQuery


def ends(*points: tuple[float, float, float]) -> tuple[Floats, Floats]:
    return np.array([points[0]]), np.array([points[1]])


def test_the_nearest_is_that_of_all_triangles_in_turn() -> None:
    rng = np.random.default_rng(3)
    nominal = bored_block((40.0, 30.0, 20.0), 6.0)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    start = rng.uniform(-25, 35, (60, 3))
    stop = start + rng.normal(scale=8.0, size=(60, 3))
    found = nearest_to_segments(surface, start, stop, step_mm=1.0)
    corners = nominal.vertices_mm[nominal.triangles]
    wanted = [segment_to_triangle(a, b, corners).distance_mm.min() for a, b in zip(start, stop, strict=True)]
    assert found.distance_mm == pytest.approx(np.array(wanted), abs=1e-9)


@pytest.mark.parametrize("step_mm", [0.5, 2.0, 50.0])
def test_a_drill_in_a_block_is_as_far_from_its_sides_as_drawn(step_mm: float) -> None:
    nominal = block((40.0, 30.0, 20.0))
    kept = nominal.triangles[nominal.triangle_face != 5]
    surface = SurfaceQuery(nominal.vertices_mm, kept)
    found = nearest_to_segments(surface, *ends((10, 9, 20), (10, 9, 12)), step_mm=step_mm)
    assert found.distance_mm[0] == pytest.approx(9.0)  # y = 0
    found = nearest_to_segments(surface, *ends((20, 15, 20), (20, 15, 4)), step_mm=step_mm)
    assert found.distance_mm[0] == pytest.approx(4.0)  # the bottom
