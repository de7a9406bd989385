"""Exact distance of straight segments from a surface of triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Ints
from worker.surface import SurfaceQuery, closest_barycentric

SIDES = ((0, 1), (1, 2), (2, 0))
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


def segment_to_triangle(start_mm: Floats, end_mm: Floats, corners_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Distance (n,) of segments from triangles (n, 3, 3), the place on each triangle and on each segment (n, 3).

    The least of both ends against the triangle and of the segment against its three sides, or 0 where the segment
    passes through.
    """
    count = len(start_mm)
    on_surface, on_segment = _crossing(start_mm, end_mm, corners_mm)
    best = np.where(np.isfinite(on_surface[:, 0]), 0.0, np.inf)
    tried = []
    for end in (start_mm, end_mm):
        share = closest_barycentric(end, corners_mm)
        tried.append((np.einsum("ij,ijk->ik", share, corners_mm), end))
    tried += [_between(start_mm, end_mm, corners_mm[:, one], corners_mm[:, other]) for one, other in SIDES]
    for point, place in tried:
        distance = np.linalg.norm(point - place, axis=1)
        is_nearer = distance < best
        best = np.where(is_nearer, distance, best)
        on_surface[is_nearer], on_segment[is_nearer] = point[is_nearer], place[is_nearer]
    return best.reshape(count), on_surface, on_segment


def _lows(distance: Floats) -> list[int]:
    """Columns of looked-along places (n, k) that are a low of their segment in some row, other than its least."""
    padded = np.pad(distance, ((0, 0), (1, 1)), constant_values=np.inf)
    is_low = (distance <= padded[:, :-2]) & (distance <= padded[:, 2:])
    return [int(column) for column in np.flatnonzero(is_low.any(axis=0))]


def _measured(surface: SurfaceQuery, start_mm: Floats, end_mm: Floats, triangle: Ints) -> Nearest:
    corners = surface.vertices_mm[surface.triangles[triangle]]
    distance, point, place = segment_to_triangle(start_mm, end_mm, corners)
    return Nearest(distance, triangle, point, place)


def _nearer(first: Nearest, second: Nearest) -> Nearest:
    won: Bools = second.distance_mm < first.distance_mm
    return Nearest(
        np.where(won, second.distance_mm, first.distance_mm),
        np.where(won, second.triangle, first.triangle),
        np.where(won[:, None], second.point_mm, first.point_mm),
        np.where(won[:, None], second.place_mm, first.place_mm),
    )


def _crossing(start_mm: Floats, end_mm: Floats, corners_mm: Floats) -> tuple[Floats, Floats]:
    """Where segments pass through triangles (n, 3), NaN where they do not; twice."""
    first = corners_mm[:, 0]
    edge_b, edge_c, way = corners_mm[:, 1] - first, corners_mm[:, 2] - first, end_mm - start_mm
    normal = np.cross(edge_b, edge_c)
    slope = np.einsum("ij,ij->i", normal, way)
    is_steep = np.abs(slope) > 0
    share = np.einsum("ij,ij->i", normal, first - start_mm) / np.where(is_steep, slope, 1.0)
    met = start_mm + share[:, None] * way
    inside = closest_barycentric(met, corners_mm)
    is_in = is_steep & (share >= 0) & (share <= 1) & (inside > 0).all(axis=1)
    place: Floats = np.where(is_in[:, None], met, np.nan)
    return place, place.copy()


def _between(start_mm: Floats, end_mm: Floats, one_mm: Floats, other_mm: Floats) -> tuple[Floats, Floats]:
    """Nearest places of two segments: on the second, on the first (C. Ericson, Real-Time Collision Detection)."""
    way, side, gap = end_mm - start_mm, other_mm - one_mm, start_mm - one_mm
    a, e = np.einsum("ij,ij->i", way, way), np.einsum("ij,ij->i", side, side)
    b, c = np.einsum("ij,ij->i", way, side), np.einsum("ij,ij->i", way, gap)
    f = np.einsum("ij,ij->i", side, gap)
    safe_a, safe_e = np.where(a > 0, a, 1.0), np.where(e > 0, e, 1.0)
    mixed = a * e - b * b
    s = np.where(mixed > 1e-12 * a * e, np.clip((b * f - c * e) / np.where(mixed > 0, mixed, 1.0), 0.0, 1.0), 0.0)
    t = np.clip((b * s + f) / safe_e, 0.0, 1.0)
    s = np.clip((b * t - c) / safe_a, 0.0, 1.0)
    return one_mm + t[:, None] * side, start_mm + s[:, None] * way
