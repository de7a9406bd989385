"""The mesh the viewer shows: the samples thinned to what a browser turns at ease.

Thinning clusters vertices on a grid (Rossignac and Borrel 1993), but never across a crease, a
corner or to an opposite skin, so edges stay crisp and thin walls stay two skins.  Of the values
in a cluster the worst is kept where it lies beyond tolerance, the mean elsewhere: a small fault
does not vanish, and noise is not blown up.  Nothing is judged on this mesh.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.records import Bools, Deviation, Floats, Ints, Samples, Thickness

GRID_BITS = 20  # per axis when welding: 0.5 um on a 500 mm part, far below any sample spacing
SLIVER_MM2 = 1e-9  # twice the area below which a triangle is a line to any eye


@dataclass(frozen=True, kw_only=True)
class ViewSettings:
    """How far to thin."""

    triangle_limit: int = 150_000  # about 4 MB in the page; turns at 30 frames/s without a graphics card's help
    clusters_per_cell: float = 1.5  # a tilted surface crosses this many grid cells per cell face; measured on spheres
    attempt_limit: int = 8  # each attempt grows the cell; 2 are usual


@dataclass(frozen=True, eq=False)
class ViewMesh:
    """Triangles for the eye, with one value per vertex.

    points_mm, normals : (v, 3) nominal frame;  face : (v,) index into ``Nominal.faces``
    triangles : (t, 3) int64;  edges : (e, 2) int64, creases to draw as lines
    deviation_mm, is_measured, U_mm : (v,);  wall_mm, has_wall, is_wall_actual : (v,)
    vertex_of_sample : (s,) int64, -1 for samples in no triangle
    """

    points_mm: Floats
    normals: Floats
    face: Ints
    triangles: Ints
    edges: Ints
    deviation_mm: Floats
    is_measured: Bools
    U_mm: Floats
    wall_mm: Floats
    has_wall: Bools
    is_wall_actual: Bools
    vertex_of_sample: Ints

    def mask_of(self, is_member: Bools) -> Bools:
        """(v,) True where more than half of a vertex's samples are members."""
        owner, known = self.vertex_of_sample, self.vertex_of_sample >= 0
        count = np.bincount(owner[known], minlength=len(self.points_mm))
        inside = np.bincount(owner[known], weights=is_member[known], minlength=len(self.points_mm))
        return 2 * inside > count


@dataclass(frozen=True, eq=False)
class MapValues:
    """What is shown at each sample; arrays (s,), mm, masks where a value may be read.

    U_mm : expanded uncertainty (k = 2) of ``deviation_mm``
    """

    deviation_mm: Floats
    is_measured: Bools
    U_mm: Floats
    wall_mm: Floats
    has_wall: Bools
    is_wall_actual: Bools
    tolerance_mm: float
    thin_mm: float


def map_values(
    samples: Samples, deviation: Deviation | None, thickness: Thickness | None, tolerance_mm: float
) -> MapValues:
    """Gather the maps; what was not measured is masked, and the piece's wall goes before nominal's."""
    count = len(samples.points_mm)
    zero, no = np.zeros(count), np.zeros(count, dtype=np.bool_)
    values = MapValues(zero, no, zero, zero, no, no, tolerance_mm, 0.0)
    if deviation is not None:
        values = replace(
            values,
            deviation_mm=np.where(deviation.is_measured, deviation.distance_mm, 0.0),
            is_measured=deviation.is_measured,
            U_mm=np.where(deviation.is_measured, 2.0 * deviation.sigma_mm, 0.0),
        )
    if thickness is not None:
        is_actual = thickness.is_actual_measured
        has_wall = is_actual | thickness.has_ray
        wall = np.where(is_actual, thickness.actual_mm, thickness.ray_mm)
        values = replace(
            values,
            wall_mm=np.where(has_wall, wall, 0.0),
            has_wall=has_wall,
            is_wall_actual=is_actual,
            thin_mm=thickness.spot_limit_mm,
        )
    return values


def view_mesh(samples: Samples, values: MapValues, settings: ViewSettings | None = None) -> ViewMesh:
    """Thin ``samples`` to at most about ``triangle_limit`` triangles and carry the values over."""
    settings = settings or ViewSettings()
    welded = _weld(samples.points_mm)
    group = _clusters(samples, welded, settings)
    corners = group[samples.triangles]
    is_kept = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
    kept = np.flatnonzero(is_kept)
    used = np.unique(samples.triangles[kept])
    pair = group[used] * (int(samples.face.max(initial=0)) + 1) + samples.face[used]
    vertex_of_sample = np.full(len(samples.points_mm), -1, dtype=np.int64)
    keys, vertex_of_sample[used] = np.unique(pair, return_inverse=True)
    vertex_of_sample = _adopt(vertex_of_sample, keys, group, samples.face)
    points = np.zeros((len(keys), 3))
    points[vertex_of_sample[used]] = _means(samples.points_mm, group)[group[used]]
    triangles = _unfolded(
        vertex_of_sample[samples.triangles[kept]], points, samples.normals[samples.triangles[kept, 0]]
    )
    triangles = _without_doubles(triangles)
    return _with_values(points, triangles, vertex_of_sample, samples, values)


def _weld(points_mm: Floats) -> Ints:
    """(s,) one number per distinct place, so that samples split at a crease share theirs."""
    low = points_mm.min(axis=0)
    step = max(float((points_mm.max(axis=0) - low).max()), 1e-9) / (2**GRID_BITS - 1)
    cell = np.round((points_mm - low) / step).astype(np.int64)
    return np.unique(_packed(cell), return_inverse=True)[1].astype(np.int64)


def _packed(cell: Ints) -> Ints:
    return (cell[:, 0] << (2 * (GRID_BITS + 1))) | (cell[:, 1] << (GRID_BITS + 1)) | cell[:, 2]


def _clusters(samples: Samples, welded: Ints, settings: ViewSettings) -> Ints:
    """(s,) cluster of each sample; the welded places themselves where nothing need be thinned."""
    if len(samples.triangles) <= settings.triangle_limit:
        return welded
    kind = _crease_kind(samples, welded)
    wanted = settings.triangle_limit / 2  # a closed mesh has half as many vertices as triangles
    cell_mm = float(np.sqrt(settings.clusters_per_cell * samples.area_mm2.sum() / wanted))
    group = welded
    for attempt in range(settings.attempt_limit):
        kinds = kind if attempt < settings.attempt_limit // 2 else np.zeros_like(kind)
        group = _grid_groups(samples, welded, kinds, cell_mm)
        count = _surviving(group[samples.triangles])
        if count <= settings.triangle_limit:
            break
        cell_mm *= max(1.1, float(np.sqrt(count / settings.triangle_limit)) * 1.02)
    return group


def _surviving(corners: Ints) -> int:
    a, b, c = corners.T
    return int(((a != b) & (b != c) & (c != a)).sum())


def _crease_kind(samples: Samples, welded: Ints) -> Ints:
    """(s,) a number that agrees only where the same faces meet, and on the same side of a thin wall."""
    label = np.random.default_rng(0).integers(1, 2**40, int(samples.face.max(initial=0)) + 1)
    faces = np.bincount(welded, weights=label[samples.face].astype(np.float64)).astype(np.int64)[welded]
    lone = np.bincount(welded)[welded] == 1
    axis = np.abs(samples.normals).argmax(axis=1)
    side = 2 * axis + (np.take_along_axis(samples.normals, axis[:, None], axis=1)[:, 0] > 0)
    return faces * 8 + np.where(lone, side, 7)


def _grid_groups(samples: Samples, welded: Ints, kind: Ints, cell_mm: float) -> Ints:
    low = samples.points_mm.min(axis=0)
    cell = _packed(np.floor((samples.points_mm - low) / cell_mm).astype(np.int64)).astype(np.uint64)
    key = cell * np.uint64(0x9E3779B97F4A7C15) ^ kind.astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    key_of_place = np.zeros(int(welded.max(initial=-1)) + 1, dtype=np.uint64)
    key_of_place[welded] = key  # samples of one place agree in cell; the last one's side decides for all
    return np.unique(key_of_place, return_inverse=True)[1].astype(np.int64)[welded]


def _adopt(vertex_of_sample: Ints, keys: Ints, group: Ints, face: Ints) -> Ints:
    """Give samples whose triangles all vanished the vertex of their cluster and face, if it still exists."""
    lost = np.flatnonzero(vertex_of_sample < 0)
    pair = group[lost] * (int(face.max(initial=0)) + 1) + face[lost]
    place = np.minimum(np.searchsorted(keys, pair), len(keys) - 1)
    result = vertex_of_sample.copy()
    result[lost] = np.where(keys[place] == pair, place, -1)
    return result


def _unfolded(triangles: Ints, points: Floats, normals: Floats) -> Ints:
    """Drop triangles that thinning turned over: on a surface they only lie on top of others."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    is_upright: Bools = np.einsum("ij,ij->i", np.cross(b - a, c - a), normals) > SLIVER_MM2
    return np.asarray(triangles[is_upright], dtype=np.int64)


def _without_doubles(triangles: Ints) -> Ints:
    """Drop triangles that clustering laid exactly on one another."""
    ordered = np.sort(triangles, axis=1)
    count = int(ordered.max(initial=0)) + 1
    key = (ordered[:, 0] * count + ordered[:, 1]).astype(np.uint64) * np.uint64(count) + ordered[:, 2].astype(np.uint64)
    return np.asarray(triangles[np.sort(np.unique(key, return_index=True)[1])], dtype=np.int64)


def _means(rows: Floats, group: Ints) -> Floats:
    count = np.maximum(np.bincount(group), 1)
    return np.stack([np.bincount(group, weights=column) / count for column in rows.T], axis=1)


def _with_values(points: Floats, triangles: Ints, owner: Ints, samples: Samples, values: MapValues) -> ViewMesh:
    known = owner >= 0
    group, count = owner[known], len(points)
    members = np.maximum(np.bincount(group, minlength=count), 1)
    face = np.zeros(count, dtype=np.int64)
    face[group] = samples.face[known]
    is_beyond = values.is_measured & (np.abs(values.deviation_mm) > values.tolerance_mm)
    measured = np.bincount(group, weights=values.is_measured[known], minlength=count)
    beyond = np.bincount(group, weights=is_beyond[known], minlength=count) > 0
    is_measured = (2 * measured >= members) & (measured > 0) | beyond
    deviation = _mean_of(values.deviation_mm[known], values.is_measured[known], group, count)
    worst = _worst(values.deviation_mm[known], group, count)
    is_thin = values.has_wall & (values.wall_mm < values.thin_mm)
    walls = _mean_of(values.wall_mm[known], values.has_wall[known], group, count)
    least = np.full(count, np.inf)
    np.minimum.at(least, group[is_thin[known]], values.wall_mm[known][is_thin[known]])
    actual = np.bincount(group, weights=values.is_wall_actual[known], minlength=count)
    normals = np.stack(
        [np.bincount(group, weights=column, minlength=count) for column in samples.normals[known].T], axis=1
    )
    return ViewMesh(
        points_mm=points,
        normals=normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12),
        face=face,
        triangles=triangles,
        edges=_creases(triangles, points, face),
        deviation_mm=np.where(beyond, worst, deviation),
        is_measured=is_measured,
        U_mm=_mean_of(values.U_mm[known], values.is_measured[known], group, count),
        wall_mm=np.where(np.isfinite(least), least, walls),
        has_wall=np.bincount(group, weights=values.has_wall[known], minlength=count) > 0,
        is_wall_actual=2 * actual > members,
        vertex_of_sample=owner,
    )


def _mean_of(value: Floats, mask: Bools, group: Ints, count: int) -> Floats:
    weight = np.bincount(group, weights=mask, minlength=count)
    return np.bincount(group, weights=np.where(mask, value, 0.0), minlength=count) / np.maximum(weight, 1)


def _worst(value: Floats, group: Ints, count: int) -> Floats:
    """Of each group the value farthest from zero, with its sign."""
    high, low = np.zeros(count), np.zeros(count)
    np.maximum.at(high, group, value)
    np.minimum.at(low, group, value)
    return np.where(high >= -low, high, low)


def _creases(triangles: Ints, points: Floats, face: Ints) -> Ints:
    """(e, 2) edges where one face ends and another begins, once for either."""
    sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    first, times = np.unique(sides[:, 0] * len(points) + sides[:, 1], return_index=True, return_counts=True)[1:]
    border = sides[np.sort(first[times == 1])]
    pair = np.sort(_weld(points)[border], axis=1)
    key, side = pair[:, 0] * len(points) + pair[:, 1], face[border[:, 0]]
    group = np.unique(key, return_inverse=True)[1]
    low = np.full(int(group.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    high = np.full(len(low), -1)
    np.minimum.at(low, group, side)
    np.maximum.at(high, group, side)
    is_shared = (low != high)[group]  # a border with no other face is a gap left by thinning
    return np.asarray(border[is_shared], dtype=np.int64)
