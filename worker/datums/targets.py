"""Datum targets: places where the piece is touched (ISO 5459, ASME Y14.5)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan import DatumTarget
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch
from worker.fitting.robust import mad_sigma
from worker.measuring.scan_points import spacing_of
from worker.measuring.seen import NotMeasured, Seen
from worker.records import Floats, Ints
from worker.surface import SurfaceQuery

LEAST_RADIUS_MM = 1.5  # a pin or ball of 3 mm, common practice, no source
RADIUS_SPACINGS = 3.0  # then some 28 points lie in the spot
LEAST_POINTS = 5
MOST_INDEPENDENT = 16  # roughness is alike over millimetres: more points in one spot do not make it surer
OFF_SURFACE_MM = 0.5  # a target is a place of nominal's surface, read off a drawing
SAME_FACING_COSINE = 0.94  # within 20 degrees of the surface at the target: the rest is round an edge
STRAY_SIGMAS = 4.0


def target_surfaces(targets: Sequence[DatumTarget], seen: Seen) -> tuple[DatumSurface, ...] | NotMeasured:
    """Each target as a spot of nominal's tangent plane there and the mean height of the piece over it."""
    nominal = SurfaceQuery(seen.nominal.vertices_mm, seen.nominal.triangles)
    places = np.array([target.point for target in targets], dtype=np.float64)
    found = nominal.closest(places)
    paired = np.flatnonzero(seen.deviation.scan_triangle >= 0)
    least = max(LEAST_RADIUS_MM, RADIUS_SPACINGS * spacing_of(seen.deviation.scan_points_mm[paired]))
    spots: list[DatumSurface] = []
    for number, target in enumerate(targets):
        name = f"target {number + 1} at ({places[number, 0]:g}, {places[number, 1]:g}, {places[number, 2]:g})"
        if found.distance_mm[number] > OFF_SURFACE_MM:
            gap = found.distance_mm[number]
            return NotMeasured(f"{name} lies {gap:.2f} mm off nominal's surface, where nothing is touched")
        radius = target.radius or least
        normal = nominal.face_normals[found.triangle[number]]
        rows = _rows_near(found.point_mm[number], radius, seen, nominal.face_normals @ normal)
        if len(rows) < LEAST_POINTS:
            return NotMeasured(f"only {len(rows)} scan points lie within {radius:.1f} mm of {name}")
        spots.append(_spot(found.point_mm[number], normal, seen.deviation.scan_distance_mm[rows]))
    return tuple(spots)


def _rows_near(place_mm: Floats, radius_mm: float, seen: Seen, facing: Floats) -> Ints:
    """Scan points within a radius, on triangles that face as the target's does.  facing : (m,) cosine by triangle."""
    triangle = seen.deviation.scan_triangle
    reach = radius_mm + float(np.abs(seen.deviation.scan_distance_mm[triangle >= 0]).max(initial=0.0))
    near = np.flatnonzero((np.abs(seen.deviation.scan_points_mm - place_mm) <= reach).all(axis=1) & (triangle >= 0))
    near = near[facing[triangle[near]] > SAME_FACING_COSINE]
    offset = seen.deviation.scan_points_mm[near] - place_mm
    length_sq = (offset**2).sum(axis=1) - seen.deviation.scan_distance_mm[near] ** 2  # along the surface
    rows: Ints = near[length_sq <= radius_mm**2]
    return rows


def _spot(place_mm: Floats, normal: Floats, distance_mm: Floats) -> DatumSurface:
    """A single point at the mean height of the spot, strays left out."""
    middle = float(np.median(distance_mm))
    off = np.abs(distance_mm - middle)
    kept = distance_mm[off <= max(STRAY_SIGMAS * mad_sigma(distance_mm - middle), 1e-9)]
    sigma = float(kept.std(ddof=1) / np.sqrt(min(len(kept), MOST_INDEPENDENT)))
    return DatumSurface(
        shape=SurfaceShape.SPOT,
        touch=Touch.THROUGH,
        point_mm=place_mm,
        direction=normal,
        points_mm=(place_mm + float(kept.mean()) * normal)[None],
        weights=np.ones(1),
        side=np.ones(1),
        sigma_mm=np.array([sigma]),
        covariance=np.zeros((6, 6)),
        anchor_mm=place_mm,
        dof=float(min(len(kept), MOST_INDEPENDENT) - 1),
    )
