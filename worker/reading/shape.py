"""Sizes and normals of triangles."""

from __future__ import annotations

import numpy as np

from worker.reading.parsed import Floats, Ints


def area_vectors(points: Floats, triangles: Ints) -> Floats:
    """(m, 3): each triangle's normal times twice its area."""
    corner = points[triangles[:, 0]]
    return np.cross(points[triangles[:, 1]] - corner, points[triangles[:, 2]] - corner)


def lengths_of(vectors: Floats) -> Floats:
    """(n,) lengths of (n, 3) vectors."""
    lengths: Floats = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    return lengths


def areas_of(vectors: Floats) -> Floats:
    """(m,) areas from ``area_vectors``."""
    return 0.5 * lengths_of(vectors)


def signed_volume(points: Floats, triangles: Ints, vectors: Floats) -> float:
    """Volume inside a closed surface, negative when it is inside out."""
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    corner = points[triangles[:, 0]] - centre
    return float(np.einsum("ij,ij->", corner, vectors)) / 6.0


def vertex_normals(points: Floats, triangles: Ints) -> Floats:
    """(n, 3) unit normals, each neighbouring triangle weighted by its angle at the vertex.

    Angle weights do not depend on how a flat corner happens to be cut (Thuermer and Wuethrich 1998,
    from memory).  Where the neighbours cancel out the row is zero.
    """
    unit = area_vectors(points, triangles)
    length = lengths_of(unit)
    np.divide(unit, length[:, None], out=unit, where=length[:, None] > 0)
    total = np.zeros_like(points)
    for corner in range(3):
        angle = _angles(points, triangles, corner)
        for axis in range(3):
            total[:, axis] += np.bincount(triangles[:, corner], weights=angle * unit[:, axis], minlength=len(points))
    length = lengths_of(total)
    np.divide(total, length[:, None], out=total, where=length[:, None] > 1e-9)
    total[length <= 1e-9] = 0.0
    return total


def _angles(points: Floats, triangles: Ints, corner: int) -> Floats:
    at = points[triangles[:, corner]]
    one = points[triangles[:, (corner + 1) % 3]] - at
    two = points[triangles[:, (corner + 2) % 3]] - at
    across = np.cross(one, two)
    angles: Floats = np.arctan2(lengths_of(across), np.einsum("ij,ij->i", one, two))
    return angles
