"""What cannot be the part: points alone in the air, and flat surface wider than the part, such as its table."""

from __future__ import annotations

import numpy as np

from worker.records import Bools, Floats

TRIED_PLANES = 240  # through scan points with their own normals; a table holds a tenth of the scan at least
PLANE_LIMIT = 4  # a table, its edge supports and a wall
FLAT_COSINE = 0.9  # fitted normals on a flat surface agree far better
WIDER_THAN_PART = 1.1  # print growth and warp stay below 3 %

HALF_CELLS = 1 << 20  # each way from the middle; strays beyond share the outermost cells
CROWD_COUNT = 32  # points in the cell of the median point: a stray's cell is a thousand times less likely to fill
LONELY_COUNT = 2  # itself and one more; surface seen ten times more sparsely than the rest has three
MOST_LONELY = 0.12  # of the points: more are not strays, but surface beside a much denser patch


def is_in_company(points_mm: Floats) -> Bools:
    """Mask (n,) of the points with others around; thinning by cells would make a crowd of a few strays.

    Two grids, half a cell apart, so that no surface is lost for lying along a border of cells.
    """
    cell_mm = _crowded_cell(points_mm)
    counts = [_cell_counts(points_mm, cell_mm, offset) for offset in (0.0, 0.5)]
    is_lonely = np.maximum(*counts) <= LONELY_COUNT
    if is_lonely.mean() > MOST_LONELY:
        return np.ones(len(points_mm), dtype=np.bool_)
    return ~is_lonely


def _crowded_cell(points_mm: Floats) -> float:
    """Edge of the cells in which the median point is one of about ``CROWD_COUNT``, mm."""
    low, high = np.percentile(points_mm, [2.0, 98.0], axis=0)
    cell_mm = 0.03 * float(np.linalg.norm(high - low)) + 1e-9
    for _ in range(3):  # counts grow with the square on surface; the last step is then small
        found = float(np.median(_cell_counts(points_mm, cell_mm, 0.0)))
        cell_mm *= float(np.clip(np.sqrt(CROWD_COUNT / found), 0.2, 5.0))
    return cell_mm


def _cell_counts(points_mm: Floats, cell_mm: float, offset: float) -> Floats:
    """How many points share each point's cell, (n,)."""
    place = np.floor((points_mm - np.median(points_mm, axis=0)) / cell_mm + offset)
    cell = np.clip(place, -HALF_CELLS, HALF_CELLS - 1).astype(np.int64) + HALF_CELLS
    key = (cell[:, 0] * (2 * HALF_CELLS) + cell[:, 1]) * (2 * HALF_CELLS) + cell[:, 2]
    _, owner, counts = np.unique(key, return_inverse=True, return_counts=True)
    per_point: Floats = counts[owner].astype(np.float64)
    return per_point


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
