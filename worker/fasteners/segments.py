"""Exact distance of straight segments from a surface of triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Ints
from worker.segments import segment_to_triangle
from worker.surface import SurfaceQuery

MOST_ROUNDS = 12  # each names a nearer triangle; two or three end it


@dataclass(frozen=True, eq=False)
class Nearest:
    """Least distance of each segment (n,) from the surface: its triangle, and where on it and on the segment.

    distance_mm, triangle : (n,);  point_mm, place_mm : (n, 3) on the surface, on the segment
    """

    distance_mm: Floats
    triangle: Ints
    point_mm: Floats
    place_mm: Floats


def nearest_to_segments(surface: SurfaceQuery, start_mm: Floats, end_mm: Floats, *, step_mm: float) -> Nearest:
    """Least distance of segments (n, 3) to (n, 3) from a surface; 0 where one passes through it.

    step_mm : how densely a segment is first looked along

    Places along the segment name triangles near it; the distance of segment and triangle is then exact, and the
    nearest place found names the next triangle until none is nearer.  A dent of the surface that comes nearer
    between two places than at them by more than ``step_mm``^2 / (8 distance) cannot be missed.
    """
    count = len(start_mm)
    length = float(np.linalg.norm(end_mm - start_mm, axis=1).max(initial=0.0))
    shares = np.linspace(0.0, 1.0, 1 + max(1, int(np.ceil(length / step_mm))))
    places = start_mm[:, None] + shares[None, :, None] * (end_mm - start_mm)[:, None]
    seen = surface.closest(places.reshape(-1, 3))
    distance = seen.distance_mm.reshape(count, -1)
    best = _measured(surface, start_mm, end_mm, seen.triangle.reshape(count, -1)[np.arange(count), distance.argmin(1)])
    for column in _lows(distance):
        best = _nearer(best, _measured(surface, start_mm, end_mm, seen.triangle.reshape(count, -1)[:, column]))
    for _ in range(MOST_ROUNDS):
        again = _measured(surface, start_mm, end_mm, surface.closest(best.place_mm).triangle)
        if not (again.distance_mm < best.distance_mm).any():
            break
        best = _nearer(best, again)
    return best


def _lows(distance: Floats) -> list[int]:
    """Columns of looked-along places (n, k) that are a low of their segment in some row, other than its least."""
    padded = np.pad(distance, ((0, 0), (1, 1)), constant_values=np.inf)
    is_low = (distance <= padded[:, :-2]) & (distance <= padded[:, 2:])
    return [int(column) for column in np.flatnonzero(is_low.any(axis=0))]


def _measured(surface: SurfaceQuery, start_mm: Floats, end_mm: Floats, triangle: Ints) -> Nearest:
    corners = surface.vertices_mm[surface.triangles[triangle]]
    found = segment_to_triangle(start_mm, end_mm, corners)
    return Nearest(
        found.distance_mm,
        triangle,
        np.einsum("ij,ijk->ik", found.barycentric, corners),
        start_mm + found.share[:, None] * (end_mm - start_mm),
    )


def _nearer(first: Nearest, second: Nearest) -> Nearest:
    won: Bools = second.distance_mm < first.distance_mm
    return Nearest(
        np.where(won, second.distance_mm, first.distance_mm),
        np.where(won, second.triangle, first.triangle),
        np.where(won[:, None], second.point_mm, first.point_mm),
        np.where(won[:, None], second.place_mm, first.place_mm),
    )
