"""The places on nominal where everything is measured."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np

from worker.measuring.analytic import FaceTable, exact_distance, face_table
from worker.measuring.refine import refine
from worker.records import Bools, Floats, Ints, Nominal, Samples
from worker.surface import SurfaceQuery, vertex_normals

SAME_PLACE_SHARE = 0.1  # of the spacing: samples moved onto the exact surface are still the same corners

_TRUSTED: WeakKeyDictionary[Nominal, FaceTable] = WeakKeyDictionary()  # nominals are never changed


@dataclass(frozen=True, kw_only=True)
class SampleSettings:
    """How finely nominal is sampled."""

    edges_per_diagonal: float = 140.0  # longest edge 1/140 of the diagonal, samples then lie 1/280 apart
    triangle_budget: int = 600_000  # maps of 300 000 samples; larger parts are sampled more coarsely
    dense_triangle_count: int = 300_000  # a mesh this fine is taken as it is ...
    dense_outsize: float = 4.0  # ... but for edges this many times the root of its mean triangle area
    smooth_roughness_rad: float = 0.1  # facets that differ more than this from their vertex normals are noise
    smooth_pass_count: int = 4  # then this many rounds of averaging with neighbours


def sample_nominal(nominal: Nominal, *, settings: SampleSettings | None = None) -> Samples:
    """Cut big triangles, split vertices where faces meet, give each sample its normal and area.

    Samples on analytic faces are put on the exact surface and get its exact normal; elsewhere
    the normal is the angle-weighted mean inside the face.  Areas sum to that of the triangles.

    Raises
    ------
    ValueError
        If nominal has no triangles.

    """
    settings = settings or SampleSettings()
    if not len(nominal.triangles):
        raise ValueError("nominal without triangles")
    limit_mm = _edge_limit_mm(nominal, settings)
    fine = refine(nominal.vertices_mm, nominal.triangles, limit_mm, nominal.triangle_face)
    triangle_face = nominal.triangle_face[fine.source]
    vertex, face, triangles = _split_at_faces(len(fine.vertices_mm), fine.triangles, triangle_face)
    points = fine.vertices_mm[vertex]
    triangle_normals, triangle_area = _normals_and_areas(points, triangles)
    area = _spread(triangle_area, triangles, len(points))
    normals = vertex_normals(points, triangles, triangle_normals)
    normals = _smooth_if_rough(normals, triangle_normals, triangles, settings)
    points, normals = _onto_exact(trusted_faces(nominal), nominal, face, points, normals)
    return Samples(
        points_mm=points,
        normals=normals,
        area_mm2=area,
        face=face,
        triangles=triangles,
        triangle_source=fine.source,
        spacing_mm=float(np.sqrt(area.sum() / len(points))),
    )


def trusted_faces(nominal: Nominal) -> FaceTable:
    """The analytic faces whose record agrees with their own triangles; the rest keep their facets.

    A face is trusted if all its vertices lie on the surface it claims, within the tessellation
    tolerance, and the surface faces the way the triangles do.  Made once for each nominal.
    """
    if nominal not in _TRUSTED:
        _TRUSTED[nominal] = _trusted(nominal)
    return _TRUSTED[nominal]


def _trusted(nominal: Nominal) -> FaceTable:
    table = face_table(nominal.faces)
    if nominal.chord_tolerance_mm is None or not table.is_analytic.any():
        return table.without(np.arange(len(nominal.faces)))
    corners = nominal.vertices_mm[nominal.triangles]
    span = np.linalg.norm(np.ptp(nominal.vertices_mm, axis=0))
    limit_mm = nominal.chord_tolerance_mm + 1e-6 * span  # vertices lie on the true surface; merging moved them less
    triangle_normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    is_wrong = np.zeros(len(nominal.triangles), dtype=bool)
    for corner in range(3):
        distance, normal, is_exact = exact_distance(table, nominal.triangle_face, corners[:, corner])
        is_backward = np.einsum("ij,ij->i", normal, triangle_normals) < 0
        is_wrong |= is_exact & ((np.abs(distance) > limit_mm) | is_backward)
    area = np.linalg.norm(triangle_normals, axis=1)
    wrong_area = np.bincount(nominal.triangle_face, area * is_wrong, minlength=len(nominal.faces))
    whole_area = np.bincount(nominal.triangle_face, area, minlength=len(nominal.faces))
    return table.without(np.flatnonzero(wrong_area > 0.01 * whole_area))  # slivers of no area may point anywhere


class SampleLocator:
    """Finds the samples around a place of nominal.

    Triangles of nominal that were not cut are their own answer; only places on the others are looked for.

    surface : of nominal
    """

    def __init__(self, samples: Samples, surface: SurfaceQuery, *, thread_count: int = 0) -> None:
        self._samples, self._thread_count = samples, thread_count
        source = samples.triangle_source
        once = np.flatnonzero(np.bincount(source, minlength=len(surface.triangles))[source] == 1)
        apart = np.abs(
            samples.points_mm[samples.triangles[once]] - surface.vertices_mm[surface.triangles[source[once]]]
        )
        once = once[apart.max(axis=(1, 2)) < SAME_PLACE_SHARE * samples.spacing_mm]  # not exchanged an edge either
        self._whole = np.full(len(surface.triangles), -1, dtype=np.int64)
        self._whole[source[once]] = once
        self._cut = np.flatnonzero(self._whole[source] < 0)

    def locate(self, triangle: Ints, barycentric: Floats, points_mm: Floats) -> tuple[Ints, Floats]:
        """Sample triangle (n,) and barycentric (n, 3) of places given by nominal triangle.

        triangle : (n,) of nominal, -1 for none, which stays -1
        barycentric : (n, 3) on it;  points_mm : (n, 3) the same places
        """
        found = np.where(triangle >= 0, self._whole[triangle], -1)
        rows = np.flatnonzero((found < 0) & (triangle >= 0))
        if not len(rows):
            return found, barycentric
        near = self._surface.closest(points_mm[rows])
        found[rows] = self._cut[near.triangle]
        share = barycentric.copy()
        share[rows] = near.barycentric
        return found, share

    @cached_property
    def _surface(self) -> SurfaceQuery:
        triangles = self._samples.triangles[self._cut]
        return SurfaceQuery(self._samples.points_mm, triangles, thread_count=self._thread_count)


def _edge_limit_mm(nominal: Nominal, settings: SampleSettings) -> float:
    used = nominal.vertices_mm[nominal.triangles.ravel()]
    diagonal = float(np.linalg.norm(np.ptp(used, axis=0)))
    _, area = _normals_and_areas(nominal.vertices_mm, nominal.triangles)
    total, count = float(area.sum()), len(nominal.triangles)
    # halving edges leaves triangles of about 0.3 times the squared limit
    limit = max(diagonal / settings.edges_per_diagonal, np.sqrt(total / (0.3 * settings.triangle_budget)))
    if count >= settings.dense_triangle_count:
        limit = max(limit, settings.dense_outsize * np.sqrt(total / count))
    return float(limit)


def _split_at_faces(vertex_count: int, triangles: Ints, triangle_face: Ints) -> tuple[Ints, Ints, Ints]:
    """One sample per vertex and face: its vertex (s,), its face (s,), triangles (t, 3) into samples."""
    corner, corner_face = triangles.ravel(), np.repeat(triangle_face, 3)
    low = np.full(vertex_count, np.iinfo(np.int64).max)
    high = np.full(vertex_count, -1, dtype=np.int64)
    np.minimum.at(low, corner, corner_face)
    np.maximum.at(high, corner, corner_face)
    single = np.flatnonzero(low == high)
    index = np.full(vertex_count, -1, dtype=np.int64)
    index[single] = np.arange(len(single))
    sample = index[corner]
    shared = np.flatnonzero(sample < 0)
    face_count = int(triangle_face.max()) + 1
    key, inverse = np.unique(corner[shared] * face_count + corner_face[shared], return_inverse=True)
    sample[shared] = len(single) + inverse
    vertex = np.concatenate([single, key // face_count])
    face = np.concatenate([low[single], key % face_count])
    return vertex, face, sample.reshape(-1, 3)


def _normals_and_areas(points_mm: Floats, triangles: Ints) -> tuple[Floats, Floats]:
    first = points_mm[triangles[:, 0]]
    cross = np.cross(points_mm[triangles[:, 1]] - first, points_mm[triangles[:, 2]] - first)
    size = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    return cross / np.where(size > 0, size, 1.0)[:, None], size / 2


def _spread(per_triangle: Floats, triangles: Ints, count: int) -> Floats:
    """A third of each triangle's value to each corner."""
    return np.asarray(np.bincount(triangles.ravel(), np.repeat(per_triangle / 3, 3), minlength=count), dtype=np.float64)


def _smooth_if_rough(normals: Floats, triangle_normals: Floats, triangles: Ints, settings: SampleSettings) -> Floats:
    """Average normals with their neighbours where facets are too ragged to be the shape's own."""
    cosine = np.einsum("ij,ij->i", normals[triangles[:, 0]], triangle_normals)
    is_rough = bool(np.median(cosine) < np.cos(settings.smooth_roughness_rad))
    for _ in range(settings.smooth_pass_count if is_rough else 0):
        total = normals[triangles].sum(axis=1)
        mean = np.column_stack([_spread(3 * total[:, axis], triangles, len(normals)) for axis in range(3)])
        length = np.linalg.norm(mean, axis=1)
        normals = mean / np.where(length > 0, length, 1.0)[:, None]
    return normals


def _onto_exact(
    table: FaceTable, nominal: Nominal, face: Ints, points_mm: Floats, normals: Floats
) -> tuple[Floats, Floats]:
    """Put samples of trusted faces on the exact surface, unless that is farther than facets can be off."""
    distance, exact_normal, is_exact = exact_distance(table, face, points_mm)
    tolerance_mm = nominal.chord_tolerance_mm or 0.0
    is_near: Bools = is_exact & (np.abs(distance) <= 2 * tolerance_mm + 1e-6)
    moved, turned = points_mm.copy(), normals.copy()
    moved[is_near] -= distance[is_near, None] * exact_normal[is_near]
    turned[is_near] = exact_normal[is_near]
    return moved, turned
