"""Facets of a mesh: triangles of one plane put together, and how those planes turn into each other.

A mesh of a machined or cast shape has its corners on the true surface and its faces off it.  So all
decisions here and in the modules after it are made by corners; the normals of facets serve only to
say which facets may belong together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from worker.features.segment_settings import SegmentSettings
from worker.features.skin import Skin, lengths, ragged, unit
from worker.records import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Flats:
    """Facets and their borders.

    grain_mm : how far corners may lie from the surface they were taken from: rounding and noise
    flat : (m,) which facet each triangle belongs to;  order, begin : triangles by facet, facet k from
        begin[k] to begin[k + 1]
    normal : (f, 3) unit;  area_mm2, width_mm : (f,); width is twice the area by the perimeter
    off_mm : (f,) largest distance of its corners from its mean plane
    left, right : (p,) the two facets at each border;  turn_rad : (p,) > 0 where material bulges
    length_mm : (p,);  along : (p, 3) unit and middle_mm : (p, 3) of its longest edge
    crease_mm : (f,) length of border that is a crease or open
    corner_count : (f,) how many corners it has
    is_corner : (n,) vertices where three facets or more meet; others may lie on the chord between two corners
    """

    grain_mm: float
    flat: Ints
    order: Ints
    begin: Ints
    normal: Floats
    area_mm2: Floats
    width_mm: Floats
    off_mm: Floats
    centre_mm: Floats
    left: Ints
    right: Ints
    turn_rad: Floats
    length_mm: Floats
    along: Floats
    middle_mm: Floats
    crease_mm: Floats
    corner_count: Ints
    is_corner: Bools

    def triangles_of(self, flats: Ints) -> Ints:
        """Triangles of several facets, sorted."""
        own: Ints = np.sort(self.order[ragged(self.begin[flats], self.begin[flats + 1] - self.begin[flats])])
        return own


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges between two triangles each: how much they turn, and by how much noise of a corner it would take.

    off_mm : (e,) least shift of one of the four corners that would make the two triangles one plane
    """

    left: Ints
    right: Ints
    start: Ints
    end: Ints
    turn_rad: Floats
    off_mm: Floats


def flats_of(skin: Skin, settings: SegmentSettings) -> Flats:
    """Facets of a mesh and their borders."""
    edges = _edges(skin)
    grain = _grain_mm(skin, edges, settings)
    flat = _united(skin, edges, grain, settings)
    flat, normal, area, off = _checked(skin, flat, grain)
    return _with_borders(skin, edges, _Named(grain, flat, normal, area, off), settings)


def _edges(skin: Skin) -> _Edges:
    count = len(skin.triangles)
    own = np.repeat(np.arange(count), 3)
    near = skin.neighbours.ravel()
    place = np.flatnonzero(near > own)
    left, right, side = own[place], near[place], place % 3
    start, end = skin.triangles[left, side], skin.triangles[left, (side + 1) % 3]
    apex = skin.vertices_mm[skin.triangles[left, (side + 2) % 3]]
    far = skin.triangles[right].sum(axis=1) - start - end
    origin = skin.vertices_mm[start]
    height = np.einsum("ij,ij->i", skin.vertices_mm[far] - origin, skin.normals[left])
    back = np.einsum("ij,ij->i", apex - origin, skin.normals[right])
    one, other = skin.normals[left], skin.normals[right]
    turn = np.arctan2(lengths(np.cross(one, other)), np.einsum("ij,ij->i", one, other))
    length = np.maximum(lengths(skin.vertices_mm[end] - origin), 1e-300)
    low, high = 2 * skin.area_mm2[left] / length, 2 * skin.area_mm2[right] / length
    off = np.sin(np.minimum(turn, np.pi / 2)) * low * high / np.maximum(low + high, 1e-300)
    return _Edges(left, right, start, end, np.where(height + back > 0, -turn, turn), off)


def _grain_mm(skin: Skin, edges: _Edges, settings: SegmentSettings) -> float:
    """Noise of the corners, read off large triangles that lie almost in one plane.

    Across small ones a curved surface turns as little as noise does; across large ones it turns far more.
    """
    largest = float(np.abs(skin.vertices_mm).max(initial=0.0))
    is_single = bool(np.array_equal(skin.vertices_mm.astype(np.float32).astype(np.float64), skin.vertices_mm))
    step = settings.single_step if is_single else settings.double_step
    quantum = max(largest * step, settings.kernel_mm)
    if not len(edges.off_mm):
        return quantum
    size = np.minimum(skin.area_mm2[edges.left], skin.area_mm2[edges.right])
    off = edges.off_mm[size >= np.quantile(size, settings.large_share)]
    small = off[off < settings.most_grain_mm]
    if len(small) < settings.least_flat_share * len(off):
        return quantum
    return float(np.clip(settings.grain_factor * np.quantile(small, 0.2), quantum, settings.most_grain_mm))


def _united(skin: Skin, edges: _Edges, grain: float, settings: SegmentSettings) -> Ints:
    """Join triangles that noise alone keeps from one plane; needles go with their best neighbour alone."""
    count = len(skin.triangles)
    corners = skin.vertices_mm[skin.triangles]
    longest = np.max([lengths(corners[:, k] - corners[:, k - 1]) for k in range(3)], axis=0)
    is_needle = 2 * skin.area_mm2 < settings.needle_grains * grain * longest
    is_flat = (edges.off_mm < 2 * grain) & (np.abs(edges.turn_rad) < settings.flat_rad)
    is_flat &= ~(is_needle[edges.left] | is_needle[edges.right])
    touches = np.flatnonzero(is_needle[edges.left] | is_needle[edges.right])
    hosts = touches[_best_hosts(edges, touches, is_needle)]
    links = np.concatenate([np.flatnonzero(is_flat), hosts])
    graph = coo_array((np.ones(len(links)), (edges.left[links], edges.right[links])), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _best_hosts(edges: _Edges, touches: Ints, is_needle: Bools) -> Ints:
    """Of the edges at needles, one for each needle: where it turns least."""
    turn = np.abs(edges.turn_rad[touches])
    needle = np.where(is_needle[edges.left[touches]], edges.left[touches], edges.right[touches])
    order = np.lexsort((turn, needle))
    is_first = np.r_[True, needle[order][1:] != needle[order][:-1]] if len(order) else np.zeros(0, dtype=np.bool_)
    return order[is_first]


def _checked(skin: Skin, flat: Ints, grain: float) -> tuple[Ints, Floats, Floats, Floats]:
    """Take apart what drifted off its plane by small steps; facets anew, with normals, areas and flatness."""
    normal, area, off, _ = _planes(skin, flat)
    is_bent = (off > 6 * grain) & (np.bincount(flat, minlength=len(off)) > 1)
    if is_bent.any():
        loose = is_bent[flat]
        flat = np.where(loose, len(off) + np.arange(len(flat)), flat)
    flat = np.asarray(np.unique(flat, return_inverse=True)[1], dtype=np.int64)
    normal, area, off, _ = _planes(skin, flat)
    return flat, normal, area, off


def _planes(skin: Skin, flat: Ints) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean normal (f, 3), area (f,), largest distance of a corner (f,) and centroid (f, 3) of each facet."""
    count = int(flat.max(initial=-1)) + 1
    area = np.bincount(flat, weights=skin.area_mm2, minlength=count).astype(np.float64)
    middles = skin.vertices_mm[skin.triangles].mean(axis=1)
    scale = np.maximum(area, 1e-300)
    normal: Floats = np.empty((count, 3))
    centre: Floats = np.empty((count, 3))
    for axis in range(3):
        normal[:, axis] = np.bincount(flat, weights=skin.area_mm2 * skin.normals[:, axis], minlength=count)
        centre[:, axis] = np.bincount(flat, weights=skin.area_mm2 * middles[:, axis], minlength=count) / scale
    normal = unit(normal)
    off: Floats = np.zeros(count)
    for corner in range(3):
        gap = skin.vertices_mm[skin.triangles[:, corner]] - centre[flat]
        np.maximum.at(off, flat, np.abs(np.einsum("ij,ij->i", gap, normal[flat])))
    return normal, area, off, centre


@dataclass(frozen=True, eq=False)
class _Named:
    grain_mm: float
    flat: Ints
    normal: Floats
    area_mm2: Floats
    off_mm: Floats


def _with_borders(skin: Skin, edges: _Edges, named: _Named, settings: SegmentSettings) -> Flats:
    flat, count = named.flat, len(named.area_mm2)
    one, other = flat[edges.left], flat[edges.right]
    vector = skin.vertices_mm[edges.end] - skin.vertices_mm[edges.start]
    length = lengths(vector)
    is_border = one != other
    is_smooth = is_border & (np.abs(edges.turn_rad) < settings.crease_rad)
    perimeter, crease = np.zeros(count), np.zeros(count)
    for side in (one, other):
        perimeter += np.bincount(side[is_border], weights=length[is_border], minlength=count)
        crease += np.bincount(side[is_border & ~is_smooth], weights=length[is_border & ~is_smooth], minlength=count)
    rows, sides = np.nonzero(skin.neighbours < 0)
    rim = lengths(
        skin.vertices_mm[skin.triangles[rows, (sides + 1) % 3]] - skin.vertices_mm[skin.triangles[rows, sides]]
    )
    perimeter += np.bincount(flat[rows], weights=rim, minlength=count)
    crease += np.bincount(flat[rows], weights=rim, minlength=count)
    left, right, total, leading = _paired(one[is_smooth], other[is_smooth], length[is_smooth], count)
    leading = np.flatnonzero(is_smooth)[leading]
    order = np.argsort(flat, kind="stable")
    corner_count, is_corner = _corners(skin, flat)
    return Flats(
        grain_mm=named.grain_mm,
        flat=flat,
        order=order,
        begin=np.searchsorted(flat[order], np.arange(count + 1)),
        normal=named.normal,
        area_mm2=named.area_mm2,
        width_mm=2 * named.area_mm2 / np.maximum(perimeter, 1e-300),
        off_mm=named.off_mm,
        centre_mm=_planes(skin, flat)[3],
        left=left,
        right=right,
        turn_rad=edges.turn_rad[leading],
        length_mm=total,
        along=unit(vector[leading]),
        middle_mm=(skin.vertices_mm[edges.end[leading]] + skin.vertices_mm[edges.start[leading]]) / 2,
        crease_mm=crease,
        corner_count=corner_count,
        is_corner=is_corner,
    )


def _corners(skin: Skin, flat: Ints) -> tuple[Ints, Bools]:
    """How many corners each facet (f,) has, and which vertices (n,) are corners.

    Corners belong to three facets or more, the outside of an open mesh counting as one.
    """
    count = int(flat.max(initial=-1)) + 2
    rows, sides = np.nonzero(skin.neighbours < 0)
    rim = np.concatenate([skin.triangles[rows, sides], skin.triangles[rows, (sides + 1) % 3]])
    keys = np.unique(np.concatenate([(skin.triangles * count + flat[:, None]).ravel(), rim * count + count - 1]))
    is_corner: Bools = np.bincount(keys // count, minlength=len(skin.vertices_mm)) >= 3
    own = (keys % count)[is_corner[keys // count]]
    return np.bincount(own, minlength=count)[: count - 1], is_corner


def _paired(one: Ints, other: Ints, length: Floats, count: int) -> tuple[Ints, Ints, Floats, Ints]:
    """Edges between the same two facets as one border: facets, summed length, and its longest edge."""
    low, high = np.minimum(one, other), np.maximum(one, other)
    key = low * count + high
    order = np.lexsort((-length, key))
    ordered = key[order]
    first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(key) else np.empty(0, dtype=np.int64)
    total = np.add.reduceat(length[order], first) if len(first) else np.empty(0)
    leading = order[first]
    return low[leading], high[leading], total, leading
