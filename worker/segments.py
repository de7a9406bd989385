"""Least distance between segments and triangles, in float64, many pairs at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats

PARALLEL = 1e-14  # squared sine below which two segments are taken as parallel: then any place along them will do
EDGES = ((0, 1), (1, 2), (2, 0))


@dataclass(frozen=True, eq=False)
class SegmentTriangle:
    """Nearest places of n pairs.

    distance_mm : (n,), 0 where the segment goes through the triangle
    share : (n,) 0 at the segment's start, 1 at its end;  barycentric : (n, 3), exact zeros on the border
    """

    distance_mm: Floats
    share: Floats
    barycentric: Floats


def segment_to_triangle(starts_mm: Floats, ends_mm: Floats, corners_mm: Floats) -> SegmentTriangle:
    """Least distance of segment n from triangle n; objective: exact but for rounding.

    starts_mm, ends_mm : (n, 3), or (3,) for one segment;  corners_mm : (n, 3, 3), corners in rows

    The least is had at a crossing, at an end of the segment above the inside of the triangle, or on
    one of the three edges; all are tried.  A triangle without an area is its edges.  None gives empty arrays.
    """
    count = len(corners_mm)
    starts, ends = np.broadcast_to(starts_mm, (count, 3)), np.broadcast_to(ends_mm, (count, 3))
    best = _Best(count)
    for first, second in EDGES:
        _try_edge(best, starts, ends, (corners_mm, first, second))
    _try_face(best, starts, ends, corners_mm)
    return SegmentTriangle(np.sqrt(best.squared), best.share, best.barycentric)


def segment_to_segment(starts_mm: Floats, ends_mm: Floats, others_mm: Floats, other_ends_mm: Floats) -> Floats:
    """Shares (n, 2) of both segments where they come nearest; all arguments (n, 3).

    C. Ericson, Real-Time Collision Detection, 5.1.9 (from memory), with one more projection of the first share.
    """
    one, other, between = ends_mm - starts_mm, other_ends_mm - others_mm, starts_mm - others_mm
    one_sq, other_sq, mixed = _dot(one, one), _dot(other, other), _dot(one, other)
    from_one, from_other = _dot(one, between), _dot(other, between)
    sine_sq = one_sq * other_sq - mixed**2
    is_skew = sine_sq > PARALLEL * one_sq * other_sq
    share = np.divide(mixed * from_other - from_one * other_sq, sine_sq, out=np.zeros(len(mixed)), where=is_skew)
    share = np.clip(share, 0.0, 1.0)
    along = np.divide(mixed * share + from_other, other_sq, out=np.zeros(len(mixed)), where=other_sq > 0)
    along = np.clip(along, 0.0, 1.0)
    share = np.divide(mixed * along - from_one, one_sq, out=np.zeros(len(mixed)), where=one_sq > 0)
    return np.column_stack([np.clip(share, 0.0, 1.0), along])


class _Best:
    """The nearest found so far."""

    def __init__(self, count: int) -> None:
        self.squared = np.full(count, np.inf)
        self.share = np.zeros(count)
        self.barycentric = np.zeros((count, 3))

    def take(self, squared: Floats, share: Floats, barycentric: Floats) -> None:
        won = squared < self.squared
        self.squared[won], self.share[won], self.barycentric[won] = squared[won], share[won], barycentric[won]


def _dot(first: Floats, second: Floats) -> Floats:
    product: Floats = np.einsum("ij,ij->i", first, second)
    return product


def _try_edge(best: _Best, starts: Floats, ends: Floats, edge: tuple[Floats, int, int]) -> None:
    corners, first, second = edge
    shares = segment_to_segment(starts, ends, corners[:, first], corners[:, second])
    axis = starts + shares[:, :1] * (ends - starts)
    place = corners[:, first] + shares[:, 1:] * (corners[:, second] - corners[:, first])
    barycentric = np.zeros((len(corners), 3))
    barycentric[:, first], barycentric[:, second] = 1.0 - shares[:, 1], shares[:, 1]
    gap = axis - place
    best.take(_dot(gap, gap), shares[:, 0], barycentric)


def _try_face(best: _Best, starts: Floats, ends: Floats, corners: Floats) -> None:
    """Both ends above the inside of the triangle, and the crossing."""
    corner, edge_b, edge_c = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    normal = np.cross(edge_b, edge_c)
    size_sq = _dot(normal, normal)
    scale = np.where(size_sq > 0, size_sq, 1.0)
    second_of, third_of = np.cross(edge_c, normal) / scale[:, None], np.cross(normal, edge_b) / scale[:, None]
    heights = [_dot(ends_mm - corner, normal) for ends_mm in (starts, ends)]
    fall = heights[0] - heights[1]
    crossing = np.divide(heights[0], fall, out=np.full(len(fall), -1.0), where=fall != 0)
    crosses = (heights[0] * heights[1] <= 0) & (fall != 0) & (size_sq > 0)
    for share, squared in (
        (np.zeros(len(fall)), np.where(size_sq > 0, heights[0] ** 2 / scale, np.inf)),
        (np.ones(len(fall)), np.where(size_sq > 0, heights[1] ** 2 / scale, np.inf)),
        (crossing, np.where(crosses, 0.0, np.inf)),
    ):
        offset = starts + share[:, None] * (ends - starts) - corner
        second, third = _dot(offset, second_of), _dot(offset, third_of)
        barycentric = np.column_stack([1.0 - second - third, second, third])
        is_inside = (barycentric >= 0).all(axis=1)
        best.take(np.where(is_inside, squared, np.inf), share, barycentric)
