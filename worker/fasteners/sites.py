"""Places on a plane face where a further hole could go: a grid of axes, and the metal round each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.fasteners.segments import Nearest, nearest_to_segments
from worker.records import Bools, Floats, Ints, Nominal
from worker.surface import SurfaceQuery

SWEEPS = 8
SAME_MM = 1e-9  # places exactly the spacing apart keep it
CHUNK_PAIRS = 2_000_000  # of candidates and edges at once: 50 MB


@dataclass(frozen=True, kw_only=True)
class SiteSettings:
    """How the face is searched.

    unseen_guard_mm : surface that was not scanned may lie this much nearer than in the CAD
    """

    pitch_mm: float = 0.5  # finds every pocket half a millimetre wider than the least
    most_candidates: int = 10_000  # on larger faces the grid grows wider, so that the search takes seconds
    step_mm: float = 2.0  # along each axis, before the exact distance is taken
    flat_cosine: float = 0.996  # within 5 degrees
    flat_mm: float = 0.1  # surfaces this near the face's plane are part of it
    unseen_guard_mm: float = 3.0  # cores that nobody saw have sat this far off; common practice, no source
    parallel_cosine: float = 0.98  # holes within 11 degrees of square to the face count as fasteners in it


@dataclass(frozen=True, kw_only=True)
class SiteRule:
    """What a site must keep, mm.  radius_mm, depth_mm : of the drilled hole."""

    radius_mm: float
    depth_mm: float
    least_mm: float
    spacing_mm: float
    edge_mm: float


@dataclass(frozen=True, eq=False)
class Face:
    """A plane face: a point (3,) of it, its normal (3,) out of material, and its triangles of nominal.

    is_region : (m,) where axes may be put;  is_plane : (m,) all of nominal in that plane, which a hole may cut
    """

    point_mm: Floats
    normal: Floats
    is_region: Bools
    is_plane: Bools

    @property
    def across(self) -> Floats:
        """(2, 3) unit, in the plane."""
        seed = np.zeros(3)
        seed[int(np.argmin(np.abs(self.normal)))] = 1.0
        first = np.cross(self.normal, seed)
        first = first / np.linalg.norm(first)
        return np.stack([first, np.cross(self.normal, first)])


def plane_face(nominal: Nominal, is_region: Bools, settings: SiteSettings) -> Face | None:
    """The plane of a region's triangles (m,); None where they do not lie in one."""
    corners = nominal.vertices_mm[nominal.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    if not area[is_region].sum() > 0:
        return None
    normal = cross[is_region].sum(axis=0)
    size = float(np.linalg.norm(normal))
    if size <= 0:
        return None
    normal = normal / size
    point = np.average(corners[is_region].mean(axis=1), axis=0, weights=area[is_region])
    facing = cross @ normal >= settings.flat_cosine * area
    is_plane = facing & (np.abs((corners - point) @ normal) <= settings.flat_mm).all(axis=1)
    is_flat = is_plane[is_region] | (area[is_region] <= 0)
    return Face(point, normal, is_region, is_plane | is_region) if is_flat.all() else None


def grid_on(face: Face, nominal: Nominal, settings: SiteSettings) -> tuple[Floats, float]:
    """Places (n, 3) of a square grid on the region, and its pitch; the grid is centred on the region's extent."""
    triangles = nominal.triangles[face.is_region]
    flat = (nominal.vertices_mm[np.unique(triangles)] - face.point_mm) @ face.across.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    pitch = max(settings.pitch_mm, float(np.sqrt(np.prod(high - low) / settings.most_candidates)))
    count = np.floor((high - low) / pitch).astype(int)
    lines = [(low[k] + high[k]) / 2 + pitch * (np.arange(count[k] + 1) - count[k] / 2) for k in range(2)]
    spots = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 2)
    placed = face.point_mm + spots @ face.across
    surface = SurfaceQuery(nominal.vertices_mm, triangles)
    lift = 1.0 + 2 * settings.flat_mm
    hits = surface.cast(placed + lift * face.normal, np.broadcast_to(-face.normal, placed.shape))
    return placed[hits.is_hit], pitch


def edge_distance(points_mm: Floats, normal: Floats, edges_mm: Floats) -> Floats:
    """Distance (n,) of axes along ``normal`` through points (n, 3) from the nearest of edges (e, 2, 3), square to them.

    Infinite where there is no edge.
    """
    found = np.full(len(points_mm), np.inf)
    if not len(edges_mm):
        return found
    start = edges_mm[:, 0] - np.outer(edges_mm[:, 0] @ normal, normal)
    way = edges_mm[:, 1] - np.outer(edges_mm[:, 1] @ normal, normal) - start
    length_sq = np.einsum("ij,ij->i", way, way)
    rows = max(1, CHUNK_PAIRS // len(edges_mm))
    for first in range(0, len(points_mm), rows):
        own = points_mm[first : first + rows]
        gap = (own - np.outer(own @ normal, normal))[:, None] - start
        share = np.clip(np.einsum("nij,ij->ni", gap, way) / np.where(length_sq > 0, length_sq, 1.0), 0.0, 1.0)
        gap = gap - share[..., None] * way
        found[first : first + rows] = np.sqrt(np.einsum("nij,nij->ni", gap, gap).min(axis=1))
    return found


def axis_spacing(points_mm: Floats, origins_mm: Floats, directions: Floats) -> Floats:
    """Distance (n,) of points (n, 3) from the nearest of axes (a, 3) with unit directions (a, 3); inf without axes."""
    if not len(origins_mm):
        return np.full(len(points_mm), np.inf)
    gap = points_mm[:, None] - origins_mm
    gap = gap - np.einsum("nij,ij->ni", gap, directions)[..., None] * directions
    nearest: Floats = np.sqrt(np.einsum("nij,nij->ni", gap, gap)).min(axis=1)
    return nearest


def metal_round(surface: SurfaceQuery, points_mm: Floats, inward: Floats, rule: SiteRule, step_mm: float) -> Nearest:
    """Least metal (n,) round holes drilled from points (n, 3) along ``inward`` (3,), in any direction.

    The hole counts with a round end of its own radius, which holds the point of any drill.  Below 0 the hole would
    cut the surface by that much at least.
    """
    found = nearest_to_segments(surface, points_mm, points_mm + rule.depth_mm * inward, step_mm=step_mm)
    return Nearest(found.distance_mm - rule.radius_mm, found.triangle, found.point_mm, found.place_mm)


def ranked_sites(spots_mm: Floats, metal_mm: Floats, is_kept: Bools, spacing_mm: float) -> Ints:
    """Indices of sites, most metal first, each at least ``spacing_mm`` from all others.

    spots_mm : (n, 2) in the face;  metal_mm, is_kept : (n,)

    Chosen one after another by most metal and by sweeps across the face from eight sides, whichever fits most; of
    equals the choice by metal.  On a crowded face another choice still may fit one more.
    """
    kept = np.flatnonzero(is_kept)
    metal = np.round(metal_mm[kept], 6)
    best = _thinned(spots_mm, kept[np.lexsort((kept, -metal))], spacing_mm)
    for turn in 2 * np.pi * np.arange(SWEEPS) / SWEEPS:
        way = np.array([np.cos(turn), np.sin(turn)])
        along, aside = spots_mm[kept] @ way, spots_mm[kept] @ np.array([-way[1], way[0]])
        swept = _thinned(spots_mm, kept[np.lexsort((np.round(aside, 6), np.round(along, 6)))], spacing_mm)
        best = swept if len(swept) > len(best) else best
    return best[np.lexsort((best, -metal_mm[best]))]


def _thinned(spots_mm: Floats, order: Ints, spacing_mm: float) -> Ints:
    """The first of an order (k,), then the next that keeps its distance from all before it, and so on."""
    taken: list[int] = []
    while len(order):
        taken.append(int(order[0]))
        gap = np.linalg.norm(spots_mm[order] - spots_mm[order[0]], axis=1)
        order = order[(gap >= spacing_mm - SAME_MM) & (order != order[0])]
    return np.array(taken, dtype=np.int64)
