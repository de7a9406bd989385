"""Cut triangles until no edge is longer than asked, keeping neighbours edge to edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Ints

PASS_LIMIT = 80  # ten to fifteen are usual; every pass shortens what is long
APART_ROUNDS = 3  # rounds of choosing edges; each takes most of those still free
EDGE_SEED = 7  # any fixed number: which of equal edges goes first
FLIP_LIMIT = 60  # rounds of flips a pass; Lawson's flips always end, most are done in ten
FLAT_RAD = 0.02  # two triangles this nearly in one plane may exchange their common edge


@dataclass(frozen=True, eq=False)
class Refined:
    """A finer mesh of the same surface.

    vertices_mm : (v, 3) mm; the given ones first, in their order
    triangles : (t, 3) int64; those that needed no cut first, in their order
    source : (t,) int64, the given triangle each was cut from, or one of them where flat neighbours were cut afresh
    """

    vertices_mm: Floats
    triangles: Ints
    source: Ints


def refine(vertices_mm: Floats, triangles: Ints, edge_limit_mm: float, group: Ints | None = None) -> Refined:
    """Halve edges longer than ``edge_limit_mm`` until none is left; no triangles give none.

    vertices_mm : (v, 3) float64, mm, any frame;  triangles : (m, 3) int64
    group : (m,) int64, such as the face; edges between groups are cut but never flipped

    Edges are halved, not triangles, so that both neighbours get the same new vertex and no gap
    opens.  Edges that carry shape come first; those inside a plane wait until then, and neighbours
    exchange them toward Delaunay (C. L. Lawson, Software for C1 surface interpolation, 1977), or
    the slivers of a tessellation would stay as thin as they are while their length is cut.
    """
    group = np.zeros(len(triangles), dtype=np.int64) if group is None else group
    pool, source = triangles, np.arange(len(triangles))
    settled: list[tuple[Ints, Ints]] = []
    for turn in range(PASS_LIMIT):
        is_done = ~_is_long(vertices_mm, pool, edge_limit_mm).any(axis=1)
        settled.append((pool[is_done], source[is_done]))
        pool, source = pool[~is_done], source[~is_done]
        if not len(pool):
            break
        if turn == 0:
            pool = flip_to_delaunay(vertices_mm, pool, group[source])
        is_marked = _to_cut(vertices_mm, pool, group[source], edge_limit_mm)
        vertices_mm, pool, source = _cut(vertices_mm, pool, source, is_marked)
        pool = flip_to_delaunay(vertices_mm, pool, group[source])
    settled.append((pool, source))
    parts = tuple(zip(*settled, strict=True))
    return Refined(vertices_mm, np.concatenate(parts[0]), np.concatenate(parts[1]))


def flip_to_delaunay(vertices_mm: Floats, triangles: Ints, group: Ints) -> Ints:
    """Exchange the common edge of flat neighbours of one group while that fattens both.

    vertices_mm : (v, 3) mm;  triangles : (m, 3) int64;  group : (m,) int64

    Returns triangles (m, 3); each still lies in its group.
    """
    triangles = triangles.copy()
    rows = np.arange(len(triangles))
    for _ in range(FLIP_LIMIT):
        first, second = _flips(vertices_mm, triangles, group, rows)
        if not len(first):
            break
        a, b, c, d = _quad(triangles, first, second)
        triangles[first // 3] = np.stack([c, a, d], axis=1)
        triangles[second // 3] = np.stack([d, b, c], axis=1)
        is_touched = np.zeros(len(vertices_mm), dtype=bool)
        is_touched[np.concatenate([a, b, c, d])] = True
        rows = np.flatnonzero(is_touched[triangles].sum(axis=1) >= 2)
    return triangles


def _quad(triangles: Ints, first: Ints, second: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Edge a-b as the first triangle runs along it, its far corner c, and the second's far corner d."""
    row, corner = np.divmod(first, 3)
    a, b, c = (triangles[row, (corner + step) % 3] for step in (1, 2, 0))
    return a, b, c, triangles[second // 3, second % 3]


def _flips(vertices_mm: Floats, triangles: Ints, group: Ints, rows: Ints) -> tuple[Ints, Ints]:
    """Half-edges (3 * triangle + far corner) of both sides of edges to flip, no triangle twice."""
    first, second = _pairs(triangles, group, rows, len(vertices_mm))
    a, b, c, d = (vertices_mm[corner] for corner in _quad(triangles, first, second))
    normal_c, normal_d = np.cross(a - c, b - c), np.cross(b - d, a - d)
    size_c, size_d = np.linalg.norm(normal_c, axis=1), np.linalg.norm(normal_d, axis=1)
    dot_c, dot_d = np.einsum("ij,ij->i", a - c, b - c), np.einsum("ij,ij->i", a - d, b - d)
    gain = -(dot_c * size_d + dot_d * size_c)  # sine of the sum of the angles facing the edge, times sizes, negated
    flatness = np.einsum("ij,ij->i", normal_c, normal_d)
    is_flat = flatness > np.cos(FLAT_RAD) * size_c * size_d
    scale = np.sqrt((size_c**2 + dot_c**2) * (size_d**2 + dot_d**2))
    gain = gain / np.where(scale > 0, scale, 1.0)
    wanted = np.flatnonzero(is_flat & (gain > 1e-9))
    order = wanted[np.argsort(-gain[wanted], kind="stable")]
    rank = np.arange(len(order))
    best = np.full(len(triangles), len(order))
    for side in (first, second):
        np.minimum.at(best, side[order] // 3, rank)
    is_best = (best[first[order] // 3] == rank) & (best[second[order] // 3] == rank)
    chosen = order[is_best]
    return first[chosen], second[chosen]


def _pairs(triangles: Ints, group: Ints, rows: Ints, vertex_count: int) -> tuple[Ints, Ints]:
    """Half-edges of the edges that exactly two triangles of one group share, running opposite ways."""
    corner = triangles[rows]
    start, end = np.roll(corner, -1, axis=1).ravel(), np.roll(corner, -2, axis=1).ravel()
    half_edge = (rows[:, None] * 3 + np.arange(3)).ravel()
    key = np.minimum(start, end) * vertex_count + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key = key[order]
    bounds = np.flatnonzero(np.r_[True, key[1:] != key[:-1], True])
    twice = bounds[:-1][np.diff(bounds) == 2]
    one, other = order[twice], order[twice + 1]
    is_fit = (start[one] == end[other]) & (group[half_edge[one] // 3] == group[half_edge[other] // 3])
    return half_edge[one[is_fit]], half_edge[other[is_fit]]


def _to_cut(vertices_mm: Floats, triangles: Ints, group: Ints, limit_mm: float) -> Bools:
    """(m, 3) edges to halve now: long ones that carry shape, or once none is left some of the inner ones.

    Of the inner ones, those that are the longest of a triangle, and no two at one vertex: halving a
    whole fan at once would put its new vertices far closer together than asked.
    """
    is_long = _is_long(vertices_mm, triangles, limit_mm)
    first, second = _pairs(triangles, group, np.arange(len(triangles)), len(vertices_mm))
    is_flat = _is_flat(vertices_mm, triangles, first, second)
    first, second = first[is_flat], second[is_flat]
    is_inner = np.zeros(triangles.size, dtype=bool)
    is_inner[_edge_from_far_corner(np.concatenate([first, second]))] = True
    is_bound = is_long & ~is_inner.reshape(-1, 3)
    if is_bound.any():
        return is_bound
    length_sq = _length_sq(vertices_mm, triangles)
    is_longest = (is_long & (length_sq == length_sq.max(axis=1, keepdims=True))).ravel()
    edge, twin = _edge_from_far_corner(first), _edge_from_far_corner(second)
    wanted = np.flatnonzero(is_longest[edge] | is_longest[twin])
    a, b, _, _ = _quad(triangles, first[wanted], second[wanted])
    chosen = wanted[_apart(a, b, len(vertices_mm))]
    is_cut = np.zeros(triangles.size, dtype=bool)
    is_cut[edge[chosen]] = is_cut[twin[chosen]] = True
    return is_cut.reshape(-1, 3)


def _apart(a: Ints, b: Ints, vertex_count: int) -> Ints:
    """Indices of edges a-b, no two at one vertex and hardly any more to be had (M. Luby, SIAM J. Comput. 15, 1986)."""
    order = np.random.default_rng(EDGE_SEED).permutation(len(a))
    is_taken = np.zeros(vertex_count, dtype=bool)
    chosen: list[Ints] = []
    for _ in range(APART_ROUNDS):
        best = np.full(vertex_count, len(a))
        np.minimum.at(best, a[order], order)
        np.minimum.at(best, b[order], order)
        won = order[(best[a[order]] == order) & (best[b[order]] == order)]
        chosen.append(won)
        is_taken[a[won]] = is_taken[b[won]] = True
        order = order[~(is_taken[a[order]] | is_taken[b[order]])]
    return np.concatenate(chosen)


def _edge_from_far_corner(half_edge: Ints) -> Ints:
    """Index 3 * triangle + first corner of the edge, from 3 * triangle + corner facing it."""
    triangle, corner = np.divmod(half_edge, 3)
    index: Ints = triangle * 3 + (corner + 1) % 3
    return index


def _is_flat(vertices_mm: Floats, triangles: Ints, first: Ints, second: Ints) -> Bools:
    a, b, c, d = (vertices_mm[corner] for corner in _quad(triangles, first, second))
    normal_c, normal_d = np.cross(a - c, b - c), np.cross(b - d, a - d)
    product = np.linalg.norm(normal_c, axis=1) * np.linalg.norm(normal_d, axis=1)
    is_flat: Bools = np.einsum("ij,ij->i", normal_c, normal_d) > np.cos(FLAT_RAD) * product
    return is_flat


def _length_sq(vertices_mm: Floats, triangles: Ints) -> Floats:
    """(m, 3): squared length of the edge from corner k to the next."""
    lengths = np.empty(triangles.shape)
    for corner in range(3):
        edge = vertices_mm[triangles[:, (corner + 1) % 3]] - vertices_mm[triangles[:, corner]]
        lengths[:, corner] = np.einsum("ij,ij->i", edge, edge)
    return lengths


def _is_long(vertices_mm: Floats, triangles: Ints, limit_mm: float) -> Bools:
    """(m, 3): is the edge from corner k to the next longer than the limit."""
    is_long: Bools = _length_sq(vertices_mm, triangles) > limit_mm**2
    return is_long


def _cut(vertices_mm: Floats, triangles: Ints, source: Ints, is_long: Bools) -> tuple[Floats, Ints, Ints]:
    vertices_mm, middle = _add_middles(vertices_mm, triangles, is_long)
    turned, turned_middle = _turn(triangles, middle, is_long)
    count = is_long.sum(axis=1)
    pieces: list[Ints] = []
    sources: list[Ints] = []
    for cuts, maker in enumerate((_no_cut, _one_cut, _two_cuts, _three_cuts)):
        rows = np.flatnonzero(count == cuts)
        for piece in maker(vertices_mm, turned[rows], turned_middle[rows]):
            pieces.append(piece)
            sources.append(source[rows])
    return vertices_mm, np.concatenate(pieces), np.concatenate(sources)


def _add_middles(vertices_mm: Floats, triangles: Ints, is_long: Bools) -> tuple[Floats, Ints]:
    start, end = triangles[is_long], np.roll(triangles, -1, axis=1)[is_long]
    low, high = np.minimum(start, end), np.maximum(start, end)
    key, index = np.unique(low * len(vertices_mm) + high, return_inverse=True)
    ends = np.stack(np.divmod(key, len(vertices_mm)), axis=1)
    middle = np.full(triangles.shape, -1, dtype=np.int64)
    middle[is_long] = len(vertices_mm) + index
    return np.concatenate([vertices_mm, vertices_mm[ends].mean(axis=1)]), middle


def _turn(triangles: Ints, middle: Ints, is_long: Bools) -> tuple[Ints, Ints]:
    """Start each triangle so that its one cut edge comes first, or its one uncut edge last."""
    count = is_long.sum(axis=1)
    first = np.where(count == 1, np.argmax(is_long, axis=1), (np.argmin(is_long, axis=1) + 1) % 3)
    first[count == 3] = 0
    columns = (first[:, None] + np.arange(3)) % 3
    return np.take_along_axis(triangles, columns, axis=1), np.take_along_axis(middle, columns, axis=1)


def _no_cut(_: Floats, corner: Ints, __: Ints) -> list[Ints]:
    return [corner]


def _one_cut(_: Floats, corner: Ints, middle: Ints) -> list[Ints]:
    a, b, c, m = corner[:, 0], corner[:, 1], corner[:, 2], middle[:, 0]
    return [np.stack([a, m, c], axis=1), np.stack([m, b, c], axis=1)]


def _two_cuts(vertices_mm: Floats, corner: Ints, middle: Ints) -> list[Ints]:
    """Corner b comes off; the quad left over is cut along its shorter diagonal."""
    a, b, c, ab, bc = corner[:, 0], corner[:, 1], corner[:, 2], middle[:, 0], middle[:, 1]
    along_a = np.linalg.norm(vertices_mm[a] - vertices_mm[bc], axis=1)
    along_c = np.linalg.norm(vertices_mm[c] - vertices_mm[ab], axis=1)
    is_a = (along_a <= along_c)[:, None]
    second = np.where(is_a, np.stack([a, ab, bc], axis=1), np.stack([a, ab, c], axis=1))
    third = np.where(is_a, np.stack([a, bc, c], axis=1), np.stack([ab, bc, c], axis=1))
    return [np.stack([ab, b, bc], axis=1), second, third]


def _three_cuts(_: Floats, corner: Ints, middle: Ints) -> list[Ints]:
    a, b, c = corner.T
    ab, bc, ca = middle.T
    return [np.stack(part, axis=1) for part in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
