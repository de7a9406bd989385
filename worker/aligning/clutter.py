"""What cannot be the part: flat surface wider than the part itself, such as the table it lies on."""

from __future__ import annotations

import numpy as np

from worker.records import Bools, Floats

TRIED_PLANES = 240  # through scan points with their own normals; a table holds a tenth of the scan at least
PLANE_LIMIT = 4  # a table, its edge supports and a wall
FLAT_COSINE = 0.9  # fitted normals on a flat surface agree far better
WIDER_THAN_PART = 1.1  # print growth and warp stay below 3 %


def is_possibly_part(points_mm: Floats, normals: Floats, *, diagonal_mm: float, flat_mm: float) -> Bools:
    """Mask (n,) of the points that lie on no plane reaching farther than the part's diagonal.

    points_mm, normals : (n, 3) mm and unit of either sign, evenly spread
    flat_mm : how far a point of a plane may lie off it
    """
    is_kept = np.ones(len(points_mm), dtype=np.bool_)
    for _ in range(PLANE_LIMIT):
        on_plane = _widest_plane(points_mm[is_kept], normals[is_kept], flat_mm)
        if on_plane is None or _reach(points_mm[is_kept][on_plane]) <= WIDER_THAN_PART * diagonal_mm:
            break
        is_kept[np.flatnonzero(is_kept)[on_plane]] = False
    return is_kept


def _widest_plane(points_mm: Floats, normals: Floats, flat_mm: float) -> Bools | None:
    """Members of the plane of greatest reach among those holding a fair share of the points."""
    if len(points_mm) < 50:
        return None
    tried = np.linspace(0, len(points_mm) - 1, TRIED_PLANES).astype(np.int64)
    height = points_mm @ normals[tried].T - np.einsum("ki,ki->k", points_mm[tried], normals[tried])
    is_member = (np.abs(height) < flat_mm) & (np.abs(normals @ normals[tried].T) > FLAT_COSINE)
    counts = is_member.sum(axis=0)
    likely = np.argsort(-counts, kind="stable")[:24]
    likely = likely[counts[likely] > 0.05 * len(points_mm)]
    if not len(likely):
        return None
    widest = max(likely, key=lambda index: _reach(points_mm[is_member[:, index]]))
    found: Bools = is_member[:, widest]
    return found


def _reach(points_mm: Floats) -> float:
    """Greatest extent, from one hundredth of the points to the other."""
    centred = points_mm - points_mm.mean(axis=0)
    _, axes = np.linalg.eigh(np.einsum("ni,nj->ij", centred, centred))
    along = centred @ axes[:, 1:]
    low, high = np.quantile(along, [0.01, 0.99], axis=0)
    return float(np.linalg.norm(high - low))
