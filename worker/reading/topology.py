"""How triangles hang together: merged vertices, shared edges, winding, connected patches. Plain numpy.

numpy only, because importing scipy.sparse costs the child as long as all of this takes on 700,000 triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.reading.parsed import Bools, Floats, Ints

HASH_FACTORS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)


@dataclass(frozen=True, eq=False)
class Merged:
    """Distinct points in order of first appearance.

    first_index : (u,) int64, where each distinct point first stood
    new_index : (n,) int64, which distinct point each old one became
    """

    first_index: Ints
    new_index: Ints


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges between triangles.

    first, second : (p,) int64, the two triangles at each edge that exactly two share
    is_opposed : (p,) whether the two run along it in opposite directions, as neighbours should
    open_vertices : vertices of edges that are not matched by an opposite one
    is_closed : every edge is run along as often forth as back
    """

    first: Ints
    second: Ints
    is_opposed: Bools
    open_vertices: Ints
    open_edge_count: int
    is_closed: bool


def distinct_points(points: Floats) -> Merged:
    """Find equal rows of (n, 3) finite points."""
    keys = _row_keys(points)
    order = np.argsort(keys)
    ordered = keys[order]
    is_start = np.ones(len(keys), dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=is_start[1:])
    first = np.minimum.reduceat(order, np.flatnonzero(is_start)) if len(keys) else order
    group = np.empty(len(keys), dtype=np.int64)
    group[order] = np.cumsum(is_start) - 1
    rank = np.argsort(first)
    place = np.empty(len(first), dtype=np.int64)
    place[rank] = np.arange(len(first))
    merged = Merged(first[rank], place[group])
    if np.array_equal(points[merged.first_index][merged.new_index], points):
        return merged
    return _distinct_by_sorting(points)  # two different points met in one 64-bit key


def count_duplicates(points: Floats) -> int:
    """Count how many rows of (n, 3) repeat another; cheaper than finding which."""
    keys = np.sort(_row_keys(points))
    return int(np.count_nonzero(keys[1:] == keys[:-1]))


def _row_keys(points: Floats) -> NDArray[np.uint64]:
    keys = np.zeros(len(points), dtype=np.uint64)
    for axis in range(3):
        bits = (np.ascontiguousarray(points[:, axis]) + 0.0).view(np.uint64)  # + 0.0 makes -0.0 equal 0.0
        keys ^= bits * HASH_FACTORS[axis]
        keys ^= keys >> np.uint64(29)
        keys *= HASH_FACTORS[1]
        keys ^= keys >> np.uint64(32)
    return keys


def _distinct_by_sorting(points: Floats) -> Merged:
    _, first, group = np.unique(points, axis=0, return_index=True, return_inverse=True)
    rank = np.argsort(first)
    place = np.empty(len(first), dtype=np.int64)
    place[rank] = np.arange(len(first))
    return Merged(first[rank], place[group.ravel()])


def find_edges(triangles: Ints, vertex_count: int) -> Edges:
    """Match the edges of (m, 3) triangles."""
    start = triangles.ravel()
    end = triangles[:, [1, 2, 0]].ravel()
    keys = np.minimum(start, end) * vertex_count + np.maximum(start, end)
    order = np.argsort(keys)
    ordered = keys[order]
    is_start = np.ones(len(keys), dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=is_start[1:])
    begin = np.flatnonzero(is_start)
    uses = np.diff(np.append(begin, len(keys)))
    direction = np.where(start < end, 1, -1)[order]
    balance = np.add.reduceat(direction, begin) if len(begin) else direction
    pair = begin[uses == 2]
    left, right = np.minimum(order[pair], order[pair + 1]), np.maximum(order[pair], order[pair + 1])
    is_loose = balance != 0
    half = order[begin[is_loose]]
    return Edges(
        first=left // 3,
        second=right // 3,
        is_opposed=start[left] == end[right],
        open_vertices=np.unique(np.concatenate([start[half], end[half]])),
        open_edge_count=int(np.count_nonzero(is_loose)),
        is_closed=not bool(is_loose.any()) and len(triangles) > 0,
    )


def connected(count: int, left: Ints, right: Ints) -> Ints:
    """Label ``count`` nodes by component, numbered in order of their first node; links join left to right."""
    label = np.arange(count, dtype=np.int64)
    while len(left):
        low, high = np.minimum(label[left], label[right]), np.maximum(label[left], label[right])
        is_apart = low != high
        left, right, low, high = left[is_apart], right[is_apart], low[is_apart], high[is_apart]
        np.minimum.at(label, high, low)
        while True:
            shorter = label[label]
            if np.array_equal(shorter, label):
                break
            label = shorter
    is_root = label == np.arange(count)
    return (np.cumsum(is_root) - 1)[label]


def consistent_winding(edges: Edges, areas: Floats) -> tuple[Bools, bool]:
    """Which triangles to turn over so that neighbours agree, turning the smaller area of each piece.

    Returns the (m,) mask and whether it could be done (a one-sided strip cannot be oriented).
    Each triangle stands in a double cover once as it is and once turned over; neighbours that
    agree link like to like, others cross over, and the cover's components are the two choices.
    """
    count = len(areas)
    shift = np.where(edges.is_opposed, 0, count)
    other = np.where(edges.is_opposed, count, 0)
    label = connected(
        2 * count,
        np.concatenate([edges.first, edges.first + count]),
        np.concatenate([edges.second + shift, edges.second + other]),
    )
    kept, turned = label[:count], label[count:]
    if (kept == turned).any():
        return np.zeros(count, dtype=np.bool_), False
    area_kept = np.bincount(kept, weights=areas, minlength=int(label.max()) + 1)
    is_turned = (area_kept[kept] < area_kept[turned]) | ((area_kept[kept] == area_kept[turned]) & (turned < kept))
    return is_turned, True
