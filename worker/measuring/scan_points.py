"""The scan as points on the piece's surface, evenly enough that no large triangle goes unheard."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.measuring.refine import refine
from worker.records import Floats, Scan
from worker.surface import vertex_normals


@dataclass(frozen=True, eq=False)
class ScanPoints:
    """Points of the piece, scan frame.

    points_mm : (p, 3);  normals : (p, 3) unit, zero where unknown, or None for all unknown
    spacing_mm : typical distance between neighbours
    """

    points_mm: Floats
    normals: Floats | None
    spacing_mm: float


def scan_points(scan: Scan, *, edge_limit_mm: float) -> ScanPoints:
    """Vertices of the scan, and the middles of the pieces of triangles with an edge longer than the limit.

    A cloud is taken as it is.  A mesh gets normals from its own triangles: angle-weighted at
    vertices, the triangle's own inside large ones, whose corners say little about a flat side.
    """
    if scan.triangles is None or not len(scan.triangles):
        return ScanPoints(scan.points_mm, scan.normals, spacing_of(scan.points_mm))
    corners = scan.points_mm[scan.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1)
    face_normals = cross / np.where(size > 0, size, 1.0)[:, None]
    points, normals = scan.points_mm, vertex_normals(scan.points_mm, scan.triangles, face_normals)
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    large = np.flatnonzero((longest > edge_limit_mm) & (size > 0))
    if len(large):
        fine = refine(scan.points_mm, scan.triangles[large], edge_limit_mm)
        points = np.concatenate([points, fine.vertices_mm[fine.triangles].mean(axis=1)])
        normals = np.concatenate([normals, face_normals[large[fine.source]]])
    return ScanPoints(points, normals, spacing_of(points))


def facing_out(scan: Scan, normal_sign: int) -> Scan:
    """The scan with normals out of material, as alignment found them: 1 as given, -1 turned round, 0 forgotten.

    What was done is added to the notes.
    """
    if normal_sign > 0:
        return scan
    if normal_sign < 0:
        normals = None if scan.normals is None else -scan.normals
        triangles = None if scan.triangles is None else scan.triangles[:, ::-1]
        note = "Its normals pointed into the material; they were turned round."
        return replace(scan, normals=normals, triangles=triangles, notes=(*scan.notes, note))
    note = "Its normals point in and out without order; they were not used."
    return replace(scan, normals=None, triangles=None, notes=(*scan.notes, note))


def spacing_of(points_mm: Floats) -> float:
    """Typical distance between neighbours of points (n, 3) that lie on surfaces, mm; 0 for fewer than two.

    From the number of cubes of a coarse grid that hold points: a surface of area A passes through
    about 1.5 A / s^2 cubes of side s (its mean projection onto the three axes), and the spacing is
    sqrt(A / n).  Good to a fifth, which is all that closing gaps between points needs.
    """
    if len(points_mm) < 2:
        return 0.0
    low = points_mm.min(axis=0)
    extent = points_mm.max(axis=0) - low
    side = float(np.linalg.norm(extent)) / 40
    if side <= 0:
        return 0.0
    for _ in range(20):
        count = _occupied(points_mm, low, extent, side)
        if len(points_mm) >= 8 * count:
            break
        side *= 1.5
    return side * float(np.sqrt(count / (1.5 * len(points_mm))))


def _occupied(points_mm: Floats, low: Floats, extent: Floats, side: float) -> int:
    shape = (extent / side).astype(np.int64) + 1
    taken = np.zeros(int(np.prod(shape)), dtype=bool)
    for start in range(0, len(points_mm), 1_000_000):
        cell = ((points_mm[start : start + 1_000_000] - low) / side).astype(np.int64)
        np.minimum(cell, shape - 1, out=cell)
        taken[(cell[:, 0] * shape[1] + cell[:, 1]) * shape[2] + cell[:, 2]] = True
    return int(np.count_nonzero(taken))
