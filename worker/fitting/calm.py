"""Points calmed over patches of surface, so that form speaks of the surface and not of single noisy points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.fitting.fit import shape_of
from worker.fitting.records import Element, ElementKind
from worker.fitting.robust import TUKEY, mad_sigma
from worker.fitting.shapes import Shape, cells, distances, normals, patch_cells, signed
from worker.records import Floats, Ints

POINTS_A_PATCH = 25  # calm noise five times
LEAST_PATCHES, MOST_PATCHES = 16, 600  # enough to see form at all; finer than the waves a casting or print has
LEAST_POINTS = 4  # and a quarter of the usual number: a patch at a rim that knows too little of itself is left out
SHARED_FREEDOMS = 10.0  # a patch's own scatter counts against that of all patches like this many of its points


@dataclass(frozen=True, eq=False)
class CalmPoints:
    """Patches of an element's surface, each one point.

    points_mm : (m, 3) on the surface of the piece, frame of the element
    residual_mm : (m,) mean orthogonal distance of its points, > 0 as in ``Element``
    sigma_mm : (m,) standard deviation of that mean, from the scatter within patches
    count : (m,) points behind it
    """

    points_mm: Floats
    residual_mm: Floats
    sigma_mm: Floats
    count: Ints


def calmed(element: Element, points_mm: Floats, *, cell_mm: float | None = None) -> CalmPoints:
    """Residuals of points (n, 3), mm, frame of the element, averaged over patches of the element's own surface.

    cell_mm : width of a patch; None makes patches of about 25 points, 600 at most

    Single points off their own patch (more than 4.685 robust standard deviations from its median)
    are strays and left out; a patch that lies off the element as a whole is form, and stays, also
    where the fit gave it no weight.  No points give no patches.
    """
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    shape = shape_of(element)
    if len(points_mm) == 0:
        return CalmPoints(np.empty((0, 3)), np.empty(0), np.empty(0), np.empty(0, dtype=np.int64))
    columns = np.ascontiguousarray(points_mm.T)
    cell = _cells(shape, columns, cell_mm)
    residual = signed(distances(shape, columns), shape.kind)
    off = residual - medians(residual, cell)[cell]
    is_own = np.abs(off) <= max(TUKEY * mad_sigma(off), 1e-9)
    cell, columns, residual = cell[is_own], columns[:, is_own], residual[is_own]
    count = np.bincount(cell)
    least = max(LEAST_POINTS, float(np.median(count[count > 0])) / 4) if len(residual) >= 100 else 1
    is_used = count >= least
    mean = _means(residual, cell)
    sigma = _sigmas(residual - mean[cell], cell, count)
    placed = _placed(shape, np.stack([_means(row, cell) for row in columns]), mean)
    return CalmPoints(placed[is_used], mean[is_used], sigma[is_used], count[is_used])


def _cells(shape: Shape, columns: Floats, cell_mm: float | None) -> Ints:
    if cell_mm is not None:
        return cells(shape, columns, cell_mm)
    count = columns.shape[1]
    wanted = int(np.clip(count // POINTS_A_PATCH, LEAST_PATCHES, MOST_PATCHES))
    if wanted >= count:
        return np.arange(count)
    return patch_cells(shape, columns, wanted)


def _means(values: Floats, cell: Ints) -> Floats:
    """Mean (m,) by cell; 0 of an empty one."""
    means: Floats = np.bincount(cell, values) / np.maximum(np.bincount(cell), 1)
    return means


def medians(values: Floats, cell: Ints) -> Floats:
    """Median (m,) of the values (n,) of each cell; meaningless for an empty one."""
    order = np.lexsort((values, cell))
    ends = np.cumsum(np.bincount(cell))
    starts = np.append(0, ends[:-1])
    ranked = values[order]
    middle: Floats = (ranked[(starts + ends - 1) // 2] + ranked[np.minimum((starts + ends) // 2, ends - 1)]) / 2
    return middle


def _sigmas(off: Floats, cell: Ints, count: Ints) -> Floats:
    """Standard deviation (m,) of each patch's mean, its own scatter drawn towards that of all."""
    squares = np.bincount(cell, off**2, minlength=len(count))
    free = np.maximum(count - 1.0, 0.0)
    shared = float(squares.sum() / max(free.sum(), 1.0))
    variance = (SHARED_FREEDOMS * shared + squares) / (SHARED_FREEDOMS + free)
    sigma: Floats = np.sqrt(variance / np.maximum(count, 1))
    return sigma


def _placed(shape: Shape, means: Floats, residual: Floats) -> Floats:
    """Points (m, 3) over the middle of each patch, at its mean distance from the element."""
    if shape.kind is ElementKind.LINE:
        return means.T
    normal = normals(shape, means)
    found = distances(shape, means)
    placed: Floats = means + (residual - found[0]) * normal
    if shape.kind is ElementKind.CIRCLE:
        placed = placed - found[1] * shape.direction[:, None]
    return placed.T
