"""Fewer points, evenly spread, and none of them moved.

Averaging the points of a cell pulls curved surfaces inward (about cell^2 / 18 R), so thinning keeps
the original point nearest each cell's mean instead.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from worker.records import Floats, Ints

NEIGHBOURS = 8  # enough that a neighbourhood's radius says its density to a third
WEIGHT_RANGE = 4.0  # a lone point may not speak for more than four ordinary ones, nor for less than a quarter
COARSE_SHARE = 0.03  # of the diagonal: cells in which density is first looked at
TIE = 1e-6  # of two points both are equally near their mean: the first is kept, not the one rounding favours
HALF_CELLS = 2**19  # three axes of 20 bits and a side of six fit 63 bits


def thin_indices(points_mm: Floats, cell_mm: float, normals: Floats | None = None) -> Ints:
    """Index, ascending, of one point per cell: the one nearest the mean of its cell.

    points_mm : (n, 3) float64, mm, any frame
    normals : (n, 3) unit; given, the two skins of a thin wall keep a point each
    """
    if not len(points_mm):
        return np.empty(0, dtype=np.int64)
    key = _cell_keys(points_mm, cell_mm)
    if normals is not None:
        key = key * 6 + _side(normals)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    counts = np.diff(np.r_[first, len(order)])
    members = points_mm[order]
    means = np.add.reduceat(members, first, axis=0) / counts[:, None]
    gap = members - np.repeat(means, counts, axis=0)
    gap_sq = np.einsum("ij,ij->i", gap, gap)
    least = np.repeat(np.minimum.reduceat(gap_sq, first), counts)
    place = np.where(gap_sq <= (1.0 + TIE) * least, np.arange(len(order)), len(order))
    return np.sort(order[np.minimum.reduceat(place, first)])


def thin_to_count(points_mm: Floats, count: int, normals: Floats | None = None) -> Ints:
    """Index, ascending, of about ``count`` points (never over 1.1 times) spread evenly over the surface.

    points_mm : (n, 3) float64, mm, any frame.  Dense patches are thinned to the spacing of the rest even when there
    are fewer than ``count`` points; what is sparser than the rest stays as it is.
    """
    if len(points_mm) < NEIGHBOURS:
        return np.arange(len(points_mm))
    spacing = typical_spacing_mm(points_mm)
    cell = max(spacing, cell_for_count(points_mm, count))
    kept = thin_indices(points_mm, cell, normals)
    while len(kept) > 1.1 * count:
        cell *= max(1.05, float(np.sqrt(len(kept) / count)))
        kept = thin_indices(points_mm, cell, normals)
    return kept


def picked_by_area(area_mm2: Floats, count: int) -> Ints:
    """Index, ascending, of up to ``count`` samples at even steps of their running area (s,)."""
    running = np.cumsum(area_mm2)
    steps = (np.arange(count) + 0.5) * (running[-1] / count)
    return np.unique(np.minimum(np.searchsorted(running, steps, side="right"), len(area_mm2) - 1))


def cell_for_count(points_mm: Floats, count: int) -> float:
    """Edge of the cells of which a surface through the points fills about ``count``."""
    coarse = COARSE_SHARE * _diagonal(points_mm)
    if coarse == 0.0:
        return 1.0
    filled = len(thin_indices(points_mm, coarse))
    return coarse * float(np.sqrt(filled / max(count, 1)))


def typical_spacing_mm(points_mm: Floats) -> float:
    """Distance between neighbours over the median piece of area, whatever a dense patch holds.

    In steps of a quarter octave: the last bits of the coordinates must not choose other points.
    """
    coarse = COARSE_SHARE * _diagonal(points_mm)
    if coarse == 0.0:
        return 1.0
    counts = np.unique(_cell_keys(points_mm, coarse), return_counts=True)[1]
    spacing = coarse / float(np.sqrt(np.median(counts)))
    return float(2.0 ** (np.round(4.0 * np.log2(spacing)) / 4.0))


def density_weights(points_mm: Floats) -> Floats:
    """Weight (n,) of each point as the area it stands for, median 1: dense patches do not win.

    points_mm : (n, 3) float64, mm, any frame
    """
    if len(points_mm) <= NEIGHBOURS:
        return np.ones(len(points_mm))
    reach = np.asarray(cKDTree(points_mm).query(points_mm, k=[NEIGHBOURS + 1], workers=1)[0])[:, 0]
    area = reach * reach
    middle = float(np.median(area))
    weights: Floats = np.clip(area / middle if middle > 0 else np.ones(len(area)), 1 / WEIGHT_RANGE, WEIGHT_RANGE)
    return weights


def _side(normals: Floats) -> Ints:
    """Which of the six half-axes each normal is nearest to."""
    axis = np.argmax(np.abs(normals), axis=1)
    side: Ints = 2 * axis + (normals[np.arange(len(normals)), axis] < 0)
    return side


def _cell_keys(points_mm: Floats, cell_mm: float) -> Ints:
    """One number per cell; strays beyond half a million cells from the middle share the outermost."""
    place = np.floor((points_mm - points_mm.mean(axis=0)) / cell_mm + 0.5)
    cell = np.clip(place, -HALF_CELLS, HALF_CELLS - 1).astype(np.int64) + HALF_CELLS
    key: Ints = (cell[:, 0] * (2 * HALF_CELLS) + cell[:, 1]) * (2 * HALF_CELLS) + cell[:, 2]
    return key


def _diagonal(points_mm: Floats) -> float:
    """Diagonal of the box of all but the outermost 1 % on each side: a stray point must not set the scale."""
    low, high = np.percentile(points_mm, [1.0, 99.0], axis=0)
    return float(np.linalg.norm(high - low))
