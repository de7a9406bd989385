"""The scan as alignment takes it: points evenly over what was scanned, with normals that can be trusted or none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats, Ints, Scan

SURFACE_POINTS = 500_000  # from a scan that is a mesh: denser than any thinning that follows
STRIDE_POINTS = 4_000_000  # beyond that every k-th point: what follows keeps a twentieth of them anyway


@dataclass(frozen=True, eq=False)
class Source:
    """Scan points and normals.

    points_mm : (n, 3) float64, mm, scan frame
    normals : (n, 3) unit, out of material, or None when facing is unknown
    """

    points_mm: Floats
    normals: Floats | None

    def chosen(self, index: Ints) -> Source:
        """The points of this index."""
        return Source(self.points_mm[index], None if self.normals is None else self.normals[index])

    def every(self, count: int) -> Source:
        """About ``count`` of the points, at even steps of their order."""
        step = max(1, round(len(self.points_mm) / count))
        return self.chosen(np.arange(0, len(self.points_mm), step))


def source_of(scan: Scan, seed: int) -> Source:
    """Points to align by.

    A mesh is sampled evenly by area, since its own vertices crowd where the mesh is fine; a cloud is taken as it is.

    Raises
    ------
    ValueError
        If a coordinate is not finite: reading lets none through.

    """
    if not np.isfinite(scan.points_mm).all():
        raise ValueError("scan points must be finite")
    if scan.triangles is not None and len(scan.triangles):
        return _sampled(scan, np.random.default_rng(seed))
    step = -(-len(scan.points_mm) // STRIDE_POINTS) or 1
    return Source(scan.points_mm[::step], _unit_normals(None if scan.normals is None else scan.normals[::step]))


def _sampled(scan: Scan, rng: np.random.Generator) -> Source:
    """Even steps along the running area, a random place in each triangle met."""
    corners = scan.points_mm[scan.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    running = np.cumsum(area)
    if not len(running) or running[-1] <= 0:
        return Source(scan.points_mm, _unit_normals(scan.normals))
    count = min(SURFACE_POINTS, 4 * len(area) + 1000)
    steps = (np.arange(count) + 0.5) * (running[-1] / count)
    chosen = np.searchsorted(running, steps, side="right")
    second, third = rng.random(count), rng.random(count)
    is_beyond = second + third > 1
    second, third = np.where(is_beyond, 1 - second, second), np.where(is_beyond, 1 - third, third)
    first = corners[chosen, 0]
    points = first + second[:, None] * (corners[chosen, 1] - first) + third[:, None] * (corners[chosen, 2] - first)
    return Source(points, cross[chosen] / area[chosen][:, None])


def _unit_normals(normals: Floats | None) -> Floats | None:
    """Unit length; None if any is missing, since a zero normal would silently drop its point."""
    if normals is None:
        return None
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    if not np.isfinite(length).all() or (length <= 0).mean() > 0.5:
        return None
    unit: Floats = normals / np.where(length > 0, length, 1.0)[:, None]
    return unit
