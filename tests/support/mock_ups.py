"""Meshes with closed-form clearances, and the least distance of meshes the slow way."""

from __future__ import annotations

import numpy as np

from worker.mockup.meshes import Mesh, mesh_of
from worker.records import Bools, Floats

Size = tuple[float, float, float]


def box(size_mm: Size, corner_mm: Size = (0.0, 0.0, 0.0)) -> Mesh:
    """Twelve triangles."""
    corner = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=np.float64)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([[q[0], q[a], q[a + 1]] for q in quads for a in (1, 2)], dtype=np.int64)
    return made(corner * size_mm + corner_mm, triangles)


def made(vertices_mm: Floats, triangles: Floats | object) -> Mesh:
    """A mesh that has triangles."""
    mesh = mesh_of(np.asarray(vertices_mm, dtype=np.float64), np.asarray(triangles, dtype=np.int64))
    assert mesh is not None
    return mesh


def ball(radius_mm: float, rings: int = 24) -> Mesh:
    """A sphere about the origin by latitude and longitude; its facets lie inside it."""
    polar = np.linspace(0, np.pi, rings + 1)[1:-1]
    around = 2 * np.pi * np.arange(2 * rings) / (2 * rings)
    ring = [
        np.column_stack([np.sin(t) * np.cos(around), np.sin(t) * np.sin(around), np.full(len(around), np.cos(t))])
        for t in polar
    ]
    vertices = radius_mm * np.concatenate([*ring, [[0, 0, 1.0], [0, 0, -1.0]]])
    count, own = len(around), np.arange(len(around))
    then, top, bottom = np.roll(own, -1), count * len(polar), count * len(polar) + 1
    last = count * (len(polar) - 1)
    triangles = [np.column_stack([np.full(count, top), own, then])]
    for k in range(len(polar) - 1):
        low, high = count * k, count * (k + 1)
        triangles += [np.column_stack([low + own, high + own, high + then])]
        triangles += [np.column_stack([low + own, high + then, low + then])]
    triangles += [np.column_stack([last + own, np.full(count, bottom), last + then])]
    return made(vertices, np.concatenate(triangles))


def facet_error_mm(radius_mm: float, rings: int = 24) -> float:
    """How far facets of ``ball`` lie inside it at most: sagitta of both ways of a cell."""
    return float(radius_mm * 2 * (1 - np.cos(np.pi / (2 * rings))))


def soup(rng: np.random.Generator, flatness: float) -> Mesh:
    """Random triangles through one another, slivers among them."""
    vertices = rng.normal(size=(12, 3)) * [10.0, 10.0, flatness]
    triangles = rng.integers(0, 12, (8, 3))
    corners = vertices[triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return made(vertices, triangles[area > 1e-9])


def brute_distance_mm(first: Floats, second: Floats) -> float:
    """Least distance of all pairs of triangles (m, 3, 3) and (n, 3, 3): corners to faces, edges to edges, crossings."""
    a = np.repeat(first, len(second), axis=0)
    b = np.tile(second, (len(first), 1, 1))
    best = np.inf
    for i in range(3):
        best = min(best, float(_face(a[:, i], b).min()), float(_face(b[:, i], a).min()))
        for j in range(3):
            best = min(best, float(_edges(a[:, i], a[:, (i + 1) % 3], b[:, j], b[:, (j + 1) % 3]).min()))
    return 0.0 if _crossing(a, b).any() or _crossing(b, a).any() else float(np.sqrt(best))


def _dot(a: Floats, b: Floats) -> Floats:
    total: Floats = np.einsum("ij,ij->i", a, b)
    return total


def _face(point: Floats, corners: Floats) -> Floats:
    """Squared height of points over the inside of triangles, infinite beside it."""
    a, b, c = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    normal, offset = np.cross(b, c), point - a
    square = _dot(normal, normal)
    third, second = _dot(np.cross(b, offset), normal) / square, _dot(np.cross(offset, c), normal) / square
    inside = (second >= 0) & (third >= 0) & (second + third <= 1)
    return np.where(inside, _dot(offset, normal) ** 2 / square, np.inf)


def _edges(start: Floats, end: Floats, other_start: Floats, other_end: Floats) -> Floats:
    """Squared distance of segments (C. Ericson, Real-Time Collision Detection, 2005, 5.1.9; from memory)."""
    own, other, offset = end - start, other_end - other_start, start - other_start
    a, e, b = _dot(own, own), _dot(other, other), _dot(own, other)
    c, f = _dot(own, offset), _dot(other, offset)
    square = a * e - b * b
    s = np.where(square > 1e-14 * a * e, np.clip((b * f - c * e) / np.where(square == 0, 1, square), 0, 1), 0.0)
    t = (b * s + f) / e
    s = np.where(t < 0, np.clip(-c / a, 0, 1), np.where(t > 1, np.clip((b - c) / a, 0, 1), s))
    gap = offset + s[:, None] * own - np.clip(t, 0, 1)[:, None] * other
    return _dot(gap, gap)


def _crossing(edges_of: Floats, faces: Floats) -> Bools:
    """Whether an edge of one triangle goes through the other."""
    normal = np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0])
    hit = np.zeros(len(faces), dtype=bool)
    for k in range(3):
        start, end = edges_of[:, k], edges_of[:, (k + 1) % 3]
        low, high = _dot(start - faces[:, 0], normal), _dot(end - faces[:, 0], normal)
        met = start + (low / np.where(low == high, 1.0, low - high))[:, None] * (end - start)
        hit |= (low * high < 0) & np.isfinite(_face(met, faces))
    return hit
