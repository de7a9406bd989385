"""Which scan points belong to a feature of nominal, and how much of the feature they show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.features.records import Feature
from worker.measuring.scan_points import spacing_of
from worker.measuring.seen import Seen
from worker.measuring.shrink import without_shrink
from worker.records import Bools, Floats, Ints, Nominal

Edges = tuple[Floats, Floats]  # both ends, (e, 3) each


@dataclass(frozen=True, kw_only=True)
class FeaturePointSettings:
    """Which points count as the feature's own.

    The margin along the rim is the widest of what rounds an edge off, but for features too small
    for it: they keep their depth.
    """

    margin_spacings: float = 2.0  # a scanner's mesh rounds an edge off over one or two of its spacings
    margin_sigmas: float = 4.0  # noise carries the neighbour's points this far over the edge
    least_margin_mm: float = 0.5  # burrs, flash and fettled edges of castings; common practice, no source
    most_margin_share: float = 0.2  # of area over rim length, which is half the depth of a hole: 80 % of it stays
    facing_limit_rad: float = np.pi / 4  # nearer to the feature's facing than to that of a face square to it
    point_limit: int = 60_000  # more points of correlated roughness do not make a feature surer
    arc_bin_count: int = 36  # ten degrees each; wider where points are few
    least_points_per_bin: int = 4  # evenly strewn points leave one bin in fifty empty
    end_percent: float = 2.0  # cut from both ends of the depth seen, against strays


@dataclass(frozen=True, eq=False)
class FeaturePoints:
    """Points of the piece on one feature, in the pose's nominal frame.

    points_mm : (n, 3), away from the rim and thinned evenly to the limit
    margin_mm : how far from the rim
    paired_count : points on the feature before margin and thinning
    arc_share : share of a full round the points show; None without an axis of its own (planes, spheres)
    length_share : share of the feature's depth they reach over; None without an axis of its own
    seen_share : share of the feature's nominal area with deviation measured
    """

    points_mm: Floats
    margin_mm: float
    paired_count: int
    arc_share: float | None
    length_share: float | None
    seen_share: float


def feature_points(
    feature: Feature, seen: Seen, *, shrink_removed: bool = False, settings: FeaturePointSettings | None = None
) -> FeaturePoints:
    """The scan points paired with the feature's triangles that face its way and keep off its rim.

    shrink_removed : the points are brought to nominal's size about the shrink's centre first

    A feature nobody scanned gives no points.
    """
    settings = settings or FeaturePointSettings()
    rows = _own_rows(feature, seen, settings)
    paired_count = len(rows)
    points = seen.deviation.scan_points_mm[rows]
    spacing_mm = spacing_of(points)
    kept = _evenly(paired_count, 2 * settings.point_limit)  # before the margin, which costs time
    rows, points = rows[kept], points[kept]
    feet = _feet(rows, points, seen)
    rim = rim_edges(feature.triangles, seen.nominal)
    margin_mm = _margin_mm(feature, seen, (rim, spacing_mm), settings)
    inner = np.flatnonzero(_is_inner(feet, rim, margin_mm))
    inner = inner[_evenly(len(inner), settings.point_limit)]
    return FeaturePoints(
        points_mm=without_shrink(points[inner], seen.shrink if shrink_removed else None),
        margin_mm=margin_mm,
        paired_count=paired_count,
        arc_share=_arc_share(feature, feet, settings),
        length_share=_length_share(feature, feet, settings),
        seen_share=seen_share(feature, seen),
    )


def whole_places_mm(feature: Feature, seen: Seen, *, count: int = 400) -> Floats:
    """About ``count`` places (w, 3) evenly over all of the feature, seen or not; none on a feature without area."""
    samples = seen.samples
    is_own = np.zeros(len(seen.nominal.triangles), dtype=bool)
    is_own[feature.triangles] = True
    corners = samples.points_mm[samples.triangles[is_own[samples.triangle_source]]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.cumsum(np.linalg.norm(cross, axis=1))
    if not len(area) or not area[-1] > 0:
        return np.empty((0, 3))
    steps = (np.arange(count) + 0.5) / count * area[-1]
    places: Floats = corners[np.searchsorted(area, steps)].mean(axis=1)
    return places


def seen_share(feature: Feature, seen: Seen) -> float:
    """Share of the feature's nominal area where deviation was measured; 0 for a feature without area."""
    samples = seen.samples
    is_own = np.zeros(len(seen.nominal.triangles), dtype=bool)
    is_own[feature.triangles] = True
    own = samples.triangles[is_own[samples.triangle_source]]
    corners = samples.points_mm[own]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    if not area.sum() > 0:
        return 0.0
    return float((area @ seen.deviation.is_measured[own].mean(axis=1)) / area.sum())


def _own_rows(feature: Feature, seen: Seen, settings: FeaturePointSettings) -> Ints:
    """Indices of the scan points paired with the feature, those left out whose normals say otherwise."""
    deviation = seen.deviation
    is_own = np.zeros(len(seen.nominal.triangles) + 1, dtype=bool)  # the last place answers for -1, set aside
    is_own[feature.triangles] = True
    rows = np.flatnonzero(is_own[deviation.scan_triangle])
    if deviation.scan_normals is None or not len(rows):
        return rows
    own_normals = deviation.scan_normals[rows]
    cosine = np.einsum("ij,ij->i", own_normals, _triangle_normals(seen.nominal, deviation.scan_triangle[rows]))
    is_facing = (cosine >= np.cos(settings.facing_limit_rad)) | ~own_normals.any(axis=1)
    facing: Ints = rows[is_facing]
    return facing


def _triangle_normals(nominal: Nominal, triangles: Ints) -> Floats:
    corners = nominal.vertices_mm[nominal.triangles[triangles]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1, keepdims=True)
    normals: Floats = cross / np.where(size > 0, size, 1.0)
    return normals


def _feet(rows: Ints, points_mm: Floats, seen: Seen) -> Floats:
    """Where the points lie on nominal: distances from a rim are counted along it, not away from it."""
    normals = _triangle_normals(seen.nominal, seen.deviation.scan_triangle[rows])
    feet: Floats = points_mm - seen.deviation.scan_distance_mm[rows, None] * normals
    return feet


def _margin_mm(feature: Feature, seen: Seen, measures: tuple[Edges, float], settings: FeaturePointSettings) -> float:
    """Margin for these (rim, spacing of the scan)."""
    (start, end), spacing_mm = measures
    rim_length = float(np.linalg.norm(end - start, axis=1).sum())
    if rim_length == 0:
        return 0.0
    corners = seen.nominal.vertices_mm[seen.nominal.triangles[feature.triangles]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    most = settings.most_margin_share * float(np.linalg.norm(cross, axis=1).sum()) / 2 / rim_length
    wanted = max(
        settings.margin_spacings * spacing_mm,
        settings.margin_sigmas * seen.deviation.noise_sigma_mm,
        settings.least_margin_mm,
    )
    return min(wanted, most)


def rim_edges(triangles: Ints, nominal: Nominal) -> Edges:
    """Both ends (e, 3) of the edges that only one of these triangles of nominal has."""
    corner = nominal.triangles[triangles]
    pairs = np.sort(np.stack([corner, np.roll(corner, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    key = pairs[:, 0] * len(nominal.vertices_mm) + pairs[:, 1]
    _, first, count = np.unique(key, return_index=True, return_counts=True)
    rim = pairs[first[count == 1]]
    return nominal.vertices_mm[rim[:, 0]], nominal.vertices_mm[rim[:, 1]]


def _is_inner(feet_mm: Floats, rim_edges_mm: Edges, margin_mm: float) -> Bools:
    """Mask (n,) of the points farther from the rim than the margin."""
    start, end = rim_edges_mm
    if margin_mm <= 0 or not len(start) or not len(feet_mm):
        return np.ones(len(feet_mm), dtype=bool)
    step_count = np.ceil(np.linalg.norm(end - start, axis=1) / (margin_mm / 2)).astype(np.int64).clip(1)
    edge = np.repeat(np.arange(len(start)), step_count)
    share = (np.arange(len(edge)) - np.repeat(np.cumsum(step_count) - step_count, step_count)) / step_count[edge]
    rim = cKDTree(start[edge] + share[:, None] * (end - start)[edge])
    distance, _ = rim.query(feet_mm, distance_upper_bound=margin_mm)
    is_inner: Bools = ~np.isfinite(distance)
    return is_inner


def _evenly(count: int, limit: int) -> Ints:
    """At most ``limit`` of ``count`` indices, evenly over the order of the file."""
    return np.arange(count) if count <= limit else np.linspace(0, count - 1, limit).astype(np.int64)


def _arc_share(feature: Feature, feet_mm: Floats, settings: FeaturePointSettings) -> float | None:
    if feature.ends_mm is None or feature.direction is None or feature.radius_mm is None:
        return None
    bins = int(np.clip(len(feet_mm) // settings.least_points_per_bin, 1, settings.arc_bin_count))
    first = np.cross(feature.direction, np.eye(3)[int(np.argmin(np.abs(feature.direction)))])
    second = np.cross(feature.direction, first)
    offset = feet_mm - feature.point_mm
    angle = np.arctan2(offset @ second, offset @ first)
    taken = np.unique(np.floor((angle + np.pi) / (2 * np.pi) * bins).astype(np.int64).clip(0, bins - 1))
    return len(taken) / bins


def _length_share(feature: Feature, feet_mm: Floats, settings: FeaturePointSettings) -> float | None:
    if feature.ends_mm is None or feature.direction is None:
        return None
    depth_mm = float((feature.ends_mm[1] - feature.ends_mm[0]) @ feature.direction)
    if depth_mm <= 0 or not len(feet_mm):
        return 0.0
    height = (feet_mm - feature.ends_mm[0]) @ feature.direction
    low, high = np.percentile(height, [settings.end_percent, 100 - settings.end_percent])
    return float(min(1.0, (high - low) / ((1 - settings.end_percent / 50) * depth_mm)))
