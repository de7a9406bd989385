"""Polygons of any corner count, cut into triangles."""

from __future__ import annotations

import numpy as np

from worker.reading.faults import corrupt
from worker.reading.parsed import Ints
from worker.reading.source import OpenFile


def fan(file: OpenFile, corners: Ints, counts: Ints) -> Ints:
    """Cut each polygon into a fan from its first corner.

    corners : (sum of counts,) int64, corner indices of all polygons in a row
    counts : (p,) int64, corners of each polygon

    Returns (m, 3) int64; a polygon of two corners or fewer is refused.
    """
    if len(counts) and counts.min() < 3:
        raise corrupt(file, f"it has a face with {int(counts.min())} corners")
    if len(counts) and counts.max() == 3:
        return corners.reshape(-1, 3)
    starts = np.cumsum(counts) - counts
    owner = np.repeat(np.arange(len(counts)), counts - 2)
    first_of_owner = np.cumsum(counts - 2) - (counts - 2)
    step = np.arange(len(owner)) - first_of_owner[owner]
    base = starts[owner]
    return np.column_stack([corners[base], corners[base + step + 1], corners[base + step + 2]])
