"""The least distance between the surface that a travelling axis sweeps and triangles, with nothing skipped."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from worker.passages.records import Nearest, Rod
from worker.records import Bools, Floats, Ints
from worker.segments import segment_to_triangle

SWEEP_MM = 1e-4  # the least found lies within this of the least there is: a tenth of the finest scanner's noise
STATIONS = 9  # of the travel that are met first, evenly; between two of them the axis moves a sixteenth of it
FIRST_CUTS = 32  # pieces along the rod to begin with, so that most are ruled out by how far away they lie
PAIR_LIMIT = 200_000  # pairs measured at once, for memory
CELL_EDGES = ((0, 1), (1, 2), (2, 0), (2, 3), (3, 0))  # of the two triangles (0, 1, 2) and (0, 2, 3) of a cell


@dataclass(frozen=True, eq=False)
class _Cells:
    """Pieces of the swept surface, each with one triangle: low, high : (n, 2) shares and travels;  triangle : (n,)."""

    low: Floats
    high: Floats
    triangle: Ints

    def rows(self, chosen: Bools | Ints) -> _Cells:
        return _Cells(self.low[chosen], self.high[chosen], self.triangle[chosen])

    @property
    def corners(self) -> Floats:
        """(n, 4, 2) shares and travels, round the cell."""
        (s0, t0), (s1, t1) = self.low.T, self.high.T
        ring = [np.stack(pair, axis=1) for pair in ((s0, t0), (s1, t0), (s1, t1), (s0, t1))]
        corners: Floats = np.stack(ring, axis=1)
        return corners

    def quartered(self) -> _Cells:
        middle = (self.low + self.high) / 2
        parts = []
        for is_far in (False, True):
            for is_late in (False, True):
                pick = np.array([is_far, is_late])
                parts.append((np.where(pick, middle, self.low), np.where(pick, self.high, middle)))
        low, high = (np.concatenate(side) for side in zip(*parts, strict=True))
        return _Cells(low, high, np.tile(self.triangle, len(parts)))


def swept_nearest(corners_mm: Floats, rod: Rod, near: Nearest) -> Nearest:
    """``near`` with the triangles that come nearest over the whole travel put right to within ``SWEEP_MM``.

    corners_mm : (t, 3, 3);  near : what stations of the travel have shown, (t,)

    Each piece of the ruled surface is met by two flat triangles, which miss it by at most a quarter of how
    far its opposite sides differ; pieces that might hold something nearer are cut in four until none might.
    """
    cells = _first_cells(corners_mm, rod, near)
    twist_mm = float(np.linalg.norm(rod.travel_mm[1] - rod.travel_mm[0]))
    best = near
    while len(cells.triangle):
        low_mm, at = _flat_distance(corners_mm, rod, cells)
        best = _improved(best, corners_mm, rod, (cells.triangle, at))
        slack = twist_mm * np.prod(cells.high - cells.low, axis=1) / 4
        might = low_mm - slack < float(best.distance_mm.min()) - SWEEP_MM
        cells = _near_enough(cells.rows(might).quartered(), corners_mm, rod, float(best.distance_mm.min()))
    return best


def _first_cells(corners_mm: Floats, rod: Rod, near: Nearest) -> _Cells:
    """All of the travel, in pieces along the rod, with the triangles that may come nearest between the stations."""
    edges = np.linspace(0.0, 1.0, FIRST_CUTS + 1)
    least = float(near.distance_mm.min())
    able = np.flatnonzero(near.distance_mm - rod.longest_travel_mm / (2 * (STATIONS - 1)) < least)
    parts = []
    for low, high in pairwise(edges):
        cells = _Cells(np.tile([low, 0.0], (len(able), 1)), np.tile([high, 1.0], (len(able), 1)), able)
        parts.append(_near_enough(cells, corners_mm, rod, least))
    return _Cells(*(np.concatenate([getattr(one, name) for one in parts]) for name in ("low", "high", "triangle")))


def _placed(rod: Rod, shares: Floats) -> Floats:
    """Places (..., 3) of the axis at shares and travels (..., 2)."""
    flat = shares.reshape(-1, 2)
    return rod.at(flat[:, 0], flat[:, 1]).reshape(*shares.shape[:-1], 3)


def _near_enough(cells: _Cells, corners_mm: Floats, rod: Rod, best_mm: float) -> _Cells:
    """Cells whose ball comes near enough to their triangle's ball: a bilinear piece lies in the hull of its corners."""
    ring, corners = _placed(rod, cells.corners), corners_mm[cells.triangle]
    middles = ring.mean(axis=1), corners.mean(axis=1)
    reach = sum(
        np.linalg.norm(points - middle[:, None], axis=2).max(axis=1)
        for points, middle in zip((ring, corners), middles, strict=True)
    )
    return cells.rows(np.linalg.norm(middles[0] - middles[1], axis=1) - reach < best_mm)


def _flat_distance(corners_mm: Floats, rod: Rod, cells: _Cells) -> tuple[Floats, Floats]:
    """Distance (n,) of each cell's two flat triangles from its own triangle, and where (n, 2) in the cell."""
    distance, at = np.empty(len(cells.triangle)), np.empty((len(cells.triangle), 2))
    for start in range(0, len(distance), PAIR_LIMIT):
        part = slice(start, start + PAIR_LIMIT)
        few = _Cells(cells.low[part], cells.high[part], cells.triangle[part])
        distance[part], at[part] = _flat_part(corners_mm[few.triangle], _placed(rod, few.corners), few.corners)
    return distance, at


def _flat_part(corners: Floats, ring: Floats, shares: Floats) -> tuple[Floats, Floats]:
    best, at = np.full(len(corners), np.inf), np.zeros((len(corners), 2))

    def take(distance: Floats, place: Floats) -> None:
        won = distance < best
        best[won], at[won] = distance[won], place[won]

    for first, second in CELL_EDGES:
        found = segment_to_triangle(ring[:, first], ring[:, second], corners)
        take(found.distance_mm, shares[:, first] + found.share[:, None] * (shares[:, second] - shares[:, first]))
    for half in ((0, 1, 2), (0, 2, 3)):
        for first, second in ((0, 1), (1, 2), (2, 0)):
            found = segment_to_triangle(corners[:, first], corners[:, second], ring[:, half])
            take(found.distance_mm, np.einsum("ij,ijk->ik", found.barycentric, shares[:, half]))
    return best, at


def _improved(near: Nearest, corners_mm: Floats, rod: Rod, places: tuple[Ints, Floats]) -> Nearest:
    """``near`` with the travels of places (triangles, shares and travels) tried, where those come nearer."""
    triangle, at = places
    ends = [rod.at(np.full(len(at), share), at[:, 1]) for share in (0.0, 1.0)]
    found = segment_to_triangle(ends[0], ends[1], corners_mm[triangle])
    order = np.lexsort((found.distance_mm, triangle))
    first = order[np.r_[True, triangle[order][1:] != triangle[order][:-1]]]
    first = first[found.distance_mm[first] < near.distance_mm[triangle[first]]]
    distance, share, travel, barycentric = (
        part.copy() for part in (near.distance_mm, near.share, near.travel, near.barycentric)
    )
    own = triangle[first]
    distance[own], share[own], travel[own] = found.distance_mm[first], found.share[first], at[first, 1]
    barycentric[own] = found.barycentric[first]
    return Nearest(distance, share, travel, barycentric)
