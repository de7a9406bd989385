"""Nearest nominal sample of any place, by looking up a grid: one indexing per point, for thousands of poses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt

from worker.records import Floats, Ints

MARGIN_CELLS = 6  # beyond the part's box; farther places use the border cell, whose answer is still near


@dataclass(frozen=True, eq=False)
class NearestGrid:
    """For each cell of a box round the nominal, the sample nearest to it (to within about a cell).

    sample_of_cell : (cells,) int32;  low_mm, cell_mm, counts describe the grid
    disc_mm : radius of flat surface that a found sample stands for
    points_mm, normals : (n, 3) the samples
    """

    points_mm: Floats
    normals: Floats
    sample_of_cell: Ints
    low_mm: Floats
    cell_mm: float
    counts: Ints
    disc_mm: float

    def nearest(self, at_mm: Floats) -> Ints:
        """Sample indices (...) for places (..., 3), mm, nominal frame."""
        cells = ((at_mm - self.low_mm) * (1.0 / self.cell_mm)).astype(np.int32)
        np.clip(cells, 0, self.counts - 1, out=cells)
        flat = (cells[..., 0] * self.counts[1] + cells[..., 1]) * self.counts[2] + cells[..., 2]
        found: Ints = self.sample_of_cell[flat]
        return found


def nearest_grid(points_mm: Floats, normals: Floats, *, cell_count: int) -> NearestGrid:
    """Build the look-up with about ``cell_count`` cells.

    Each occupied cell is stood for by its sample nearest the cell's middle; every other cell takes
    over the nearest occupied cell's (exact Euclidean distance transform).
    """
    low, extent = points_mm.min(axis=0), np.ptp(points_mm, axis=0)
    cell_mm = _cell_size(extent, cell_count)
    low = low - MARGIN_CELLS * cell_mm
    counts = np.floor(extent / cell_mm).astype(np.int32) + 1 + 2 * MARGIN_CELLS
    cells = ((points_mm - low) / cell_mm).astype(np.int64)
    flat = (cells[:, 0] * counts[1] + cells[:, 1]) * counts[2] + cells[:, 2]
    misses = ((points_mm - low - (cells + 0.5) * cell_mm) ** 2).sum(axis=1)
    order = np.lexsort((misses, flat))
    occupied, first = np.unique(flat[order], return_index=True)
    owner = np.full(int(np.prod(counts, dtype=np.int64)), -1, dtype=np.int32)
    owner[occupied] = order[first]
    is_empty = (owner < 0).reshape(tuple(counts))
    nearest = distance_transform_edt(is_empty, return_distances=False, return_indices=True)
    flat_nearest = (nearest[0] * counts[1] + nearest[1]) * counts[2] + nearest[2]
    return NearestGrid(points_mm, normals, owner[flat_nearest.ravel()], low, cell_mm, counts, 1.2 * cell_mm)


def _cell_size(extent_mm: Floats, cell_count: int) -> float:
    """Cell edge at which the box with its margin has about ``cell_count`` cells."""
    fine, coarse = 1e-6, float(extent_mm.max())
    for _ in range(60):
        middle = (fine + coarse) / 2
        is_too_many = np.prod(extent_mm / middle + 1 + 2 * MARGIN_CELLS) > cell_count
        fine, coarse = (middle, coarse) if is_too_many else (fine, middle)
    return coarse
