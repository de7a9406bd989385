"""What orientation looks at: the nominal as evenly spread samples, the scan thinned evenly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.aligning.thinning import thin_to_count
from worker.records import Bools, Floats, Nominal
from worker.surface import SurfaceQuery

NEIGHBOUR_COUNT = 12  # a plane through fewer points is mostly noise; more reach round corners

LEAST_AGREEMENT = 0.8  # median cosine; on real surfaces only edges and noise stay below


@dataclass(frozen=True, eq=False)
class OrientationCloud:
    """Points to orient by.

    points_mm : (n, 3) float64, mm, own frame
    normals : (n, 3) unit; out of material for the nominal; None where a scan has none.
        The side a scan normal points to is never relied on.
    surface : the triangles themselves, for exact distances; needed of the nominal, unused of a scan
    """

    points_mm: Floats
    normals: Floats | None
    surface: SurfaceQuery | None = None


@dataclass(frozen=True, eq=False)
class ThinScan:
    """The scan at two densities, evenly spread whatever the scanner did.

    dense_mm : (n, 3) original points, for evidence;  sparse_mm : (m, 3) original points, for searching
    sparse_normals : (m, 3) unit, of either sign
    """

    dense_mm: Floats
    sparse_mm: Floats
    sparse_normals: Floats


def nominal_cloud(
    nominal: Nominal, *, surface: SurfaceQuery | None = None, sample_count: int = 40_000, seed: int = 0
) -> OrientationCloud:
    """Samples spread over the surface in proportion to area, one in each equal share of it.

    surface : the nominal's triangles where they are at hand already; built here otherwise
    """
    rng = np.random.default_rng(seed)
    corners = nominal.vertices_mm[nominal.triangles]
    crossed = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(crossed, axis=1)
    reached = np.cumsum(double_area)
    marks = (np.arange(sample_count) + rng.random(sample_count)) * (reached[-1] / sample_count)
    chosen = np.minimum(np.searchsorted(reached, marks, side="right"), len(reached) - 1)
    u, v = rng.random((2, sample_count))
    is_beyond = u + v > 1.0
    u, v = np.where(is_beyond, 1.0 - u, u)[:, None], np.where(is_beyond, 1.0 - v, v)[:, None]
    first, second, third = corners[chosen].transpose(1, 0, 2)
    return OrientationCloud(
        points_mm=first + u * (second - first) + v * (third - first),
        normals=crossed[chosen] / double_area[chosen, None],
        surface=surface or SurfaceQuery(nominal.vertices_mm, nominal.triangles),
    )


def lightened(scan: OrientationCloud, count: int) -> OrientationCloud:
    """At most ``count`` points, every k-th; thinning costs seconds and gigabytes on tens of millions."""
    step = -(-len(scan.points_mm) // count)
    return scan if step <= 1 else chosen_points(scan, slice(None, None, step))


def chosen_points(scan: OrientationCloud, which: Bools | slice) -> OrientationCloud:
    """Some points of a scan, with their normals."""
    return OrientationCloud(scan.points_mm[which], None if scan.normals is None else scan.normals[which])


def thin_scan(scan: OrientationCloud, *, dense_count: int, sparse_count: int) -> ThinScan:
    """Thin to about the two counts by keeping, in each cell, the original point nearest the cell's mean."""
    dense = thin_to_count(scan.points_mm, dense_count)
    dense_mm = scan.points_mm[dense]
    sparse = thin_to_count(dense_mm, sparse_count)
    normals = fitted_planes(dense_mm, dense_mm[sparse]).normals
    if scan.normals is not None:
        normals = _better_normals(scan.normals[dense[sparse]], normals)
    return ThinScan(dense_mm=dense_mm, sparse_mm=dense_mm[sparse], sparse_normals=normals)


def _better_normals(given: Floats, fitted: Floats) -> Floats:
    """The given normals (n, 3) where they are any, unless on the whole they contradict the points themselves."""
    lengths = np.linalg.norm(given, axis=1)
    is_usable = np.isfinite(lengths) & (lengths > 0.0)
    unit = np.where(is_usable[:, None], given, fitted) / np.where(is_usable, lengths, 1.0)[:, None]
    agreement = float(np.median(np.abs(np.einsum("ni,ni->n", unit, fitted))))
    return unit if agreement > LEAST_AGREEMENT else fitted


@dataclass(frozen=True, eq=False)
class Planes:
    """Planes through the neighbourhoods of some points.

    normals : (m, 3) unit, sign arbitrary;  scatter_mm : (m,) standard deviation of the neighbours off the plane
    """

    normals: Floats
    scatter_mm: Floats


def fitted_planes(points_mm: Floats, at_mm: Floats) -> Planes:
    """The plane through the points (n, 3) nearest each of ``at_mm`` (m, 3)."""
    count = min(NEIGHBOUR_COUNT, len(points_mm))
    _, neighbours = cKDTree(points_mm).query(at_mm, k=count)
    around = points_mm[neighbours]
    around = around - around.mean(axis=1, keepdims=True)
    spreads, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", around, around))
    freedom = max(count - 3, 1)  # a plane takes three
    return Planes(vectors[:, :, 0], np.sqrt(np.maximum(spreads[:, 0], 0.0) / freedom))
