"""Walls: of nominal by ray and by inscribed sphere, and of the piece along the same line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.measuring.samples import SampleLocator
from worker.measuring.spots import default_spot_limit_mm, find_spots
from worker.records import Bools, Deviation, Floats, Ints, Samples, Thickness
from worker.surface import SurfaceQuery, closest_barycentric


@dataclass(frozen=True, kw_only=True)
class ThicknessSettings:
    """How walls are measured."""

    inset_share: float = 0.05  # of the sample spacing: the ray starts inside, past ripples of its own skin
    toward_middle_share: float = 0.02  # of the way to a triangle's middle: a ray along an edge hits nothing or all
    facing_limit_rad: float = np.pi / 3  # the far skin must face away within 60 degrees, or it is no wall
    retry_count: int = 3  # hits that do not face away are passed through this often
    ball_pass_count: int = 12  # shrinking-ball steps; most samples need one, wedges three or four
    ball_tolerance: float = 1e-3  # of the radius: how deep facets may reach into a ball that counts as empty
    least_separation_rad: float = np.radians(100.0)  # a ball held from one side is held by an edge, not by a wall
    near_separation_rad: float = np.radians(25.0)  # touching this close to its own sample: facets, not a far skin
    shared_cell_share: float = 0.25  # of the sample spacing: balls whose centres lie in one such cube ...
    shared_count: int = 30  # ... this many together share one query; plates and wedges bring two
    spot_share_of_median: float = 0.6  # default limit: a wall below 60 % of the median wall is called thin
    thread_count: int = 0  # of the kernel; 0 is all


@dataclass(frozen=True, eq=False)
class Walls:
    """Ray walls of nominal.

    length_mm, is_found : (s,);  triangle : (s,) of nominal at the far end, -1 without
    far_mm : (s, 3) far end;  slope : (s,) cosine between the ray and the far skin's outward normal
    """

    length_mm: Floats
    is_found: Bools
    triangle: Ints
    far_mm: Floats
    slope: Floats


@dataclass(frozen=True, eq=False)
class NominalThickness:
    """Walls of nominal alone, whatever piece is held against it.

    sphere_mm, has_sphere : (s,);  opposite : (s,) sample nearest the far end, -1 without
    rows : (r,) samples with a wall;  far_samples, far_share : (r, 3) samples round its far end and their shares
    """

    walls: Walls
    sphere_mm: Floats
    has_sphere: Bools
    opposite: Ints
    rows: Ints
    far_samples: Ints
    far_share: Floats


def measure_thickness(
    samples: Samples,
    surface: SurfaceQuery,
    deviation: Deviation | None,
    *,
    spot_limit_mm: float | None,
    settings: ThicknessSettings | None = None,
) -> Thickness:
    """Wall at every sample, by ray and by inscribed sphere, and the piece's own where both ends were measured.

    surface : of nominal.  deviation : None where there is no piece, only nominal
    spot_limit_mm : walls below it make thin spots; None takes a share of the median wall

    A missing hit is no data.  The piece's wall is nominal's plus the deviation at the near end,
    and plus that at the far end divided by the cosine at which the ray meets the far skin.
    """
    settings = settings or ThicknessSettings()
    nominal = nominal_thickness(samples, surface, settings)
    return piece_thickness(samples, nominal, deviation, spot_limit_mm=spot_limit_mm, settings=settings)


def nominal_thickness(samples: Samples, surface: SurfaceQuery, settings: ThicknessSettings) -> NominalThickness:
    """Wall of nominal at every sample, by ray and by inscribed sphere, and where its far end lies among the samples."""
    walls = ray_walls(samples, surface, settings)
    sphere, has_sphere = inscribed_spheres(samples, surface, walls, settings)
    rows = np.flatnonzero(walls.is_found)
    far_corners = surface.vertices_mm[surface.triangles[walls.triangle[rows]]]
    share = closest_barycentric(walls.far_mm[rows], far_corners)
    locator = SampleLocator(samples, surface, thread_count=settings.thread_count)
    triangle, barycentric = locator.locate(walls.triangle[rows], share, walls.far_mm[rows])
    corner = samples.triangles[triangle]
    opposite = np.full(len(samples.points_mm), -1, dtype=np.int64)
    opposite[rows] = np.take_along_axis(corner, np.argmax(barycentric, axis=1)[:, None], axis=1)[:, 0]
    return NominalThickness(walls, sphere, has_sphere, opposite, rows, corner, barycentric)


def piece_thickness(
    samples: Samples,
    nominal: NominalThickness,
    deviation: Deviation | None,
    *,
    spot_limit_mm: float | None,
    settings: ThicknessSettings,
) -> Thickness:
    """Nominal's walls and the piece's; arguments as of :func:`measure_thickness`."""
    walls = nominal.walls
    actual, is_actual = _actual(nominal, deviation)
    limit, source = spot_limit_mm, "plan"
    if limit is None:
        limit, source = default_spot_limit_mm(samples, walls.length_mm, walls.is_found, settings.spot_share_of_median)
    thickness = Thickness(
        ray_mm=walls.length_mm,
        has_ray=walls.is_found,
        sphere_mm=nominal.sphere_mm,
        has_sphere=nominal.has_sphere,
        actual_mm=actual,
        is_actual_measured=is_actual,
        opposite_sample=nominal.opposite,
        spots=(),
        spot_limit_mm=limit,
        spot_limit_source=source,
    )
    return find_spots(samples, thickness, walls.far_mm)


def ray_walls(samples: Samples, surface: SurfaceQuery, settings: ThicknessSettings) -> Walls:
    """Wall along the inward normal of each sample, to the first skin that faces away.

    The ray starts a little inside and a little toward the middle of one of the sample's triangles,
    so that rims and vertices of nominal are not aimed at exactly; the length counts from the sample.
    """
    count = len(samples.points_mm)
    origin = _starts(samples, settings)
    triangle = np.full(count, -1, dtype=np.int64)
    far, slope = samples.points_mm.copy(), np.zeros(count)
    rows = np.arange(count)
    for _ in range(settings.retry_count + 1):
        hits = surface.cast(origin[rows], -samples.normals[rows])
        rows, hit, length = rows[hits.is_hit], hits.triangle[hits.is_hit], hits.distance_mm[hits.is_hit]
        place = origin[rows] - length[:, None] * samples.normals[rows]
        cosine = -np.einsum("ij,ij->i", samples.normals[rows], surface.face_normals[hit])
        good = cosine >= np.cos(settings.facing_limit_rad)
        done = rows[good]
        triangle[done], far[done], slope[done] = hit[good], place[good], cosine[good]
        again = (~good) & (cosine < 0)  # its own skin's ripples; a skin that faces away too steeply ends the ray
        rows = rows[again]
        if not len(rows):
            break
        origin[rows] = place[again] - settings.inset_share * samples.spacing_mm * samples.normals[rows]
    # the sample's own normal line meets the plane of the far skin; the ray ran a little beside it
    height = np.einsum("ij,ij->i", far - samples.points_mm, surface.face_normals[np.maximum(triangle, 0)])
    length = height / np.where(triangle >= 0, slope, 1.0)
    is_found = (triangle >= 0) & (length > 0)
    length = np.where(is_found, length, 0.0)
    far = samples.points_mm - length[:, None] * samples.normals
    return Walls(length, is_found, np.where(is_found, triangle, -1), far, slope)


def inscribed_spheres(
    samples: Samples, surface: SurfaceQuery, walls: Walls, settings: ThicknessSettings
) -> tuple[Floats, Bools]:
    """Diameter (s,) of the largest sphere inside material that touches each sample, and where it tells a wall.

    The shrinking ball of J. Ma, S. W. Bae, S. Choi (Visual Computer 28, 2012), started from the ball
    the ray allows, so that most samples need a single query.  Where the ball is held by surface close
    to its own sample or from the side, as along a convex edge, its size says nothing about a wall.
    """
    radius = walls.length_mm / 2
    is_held = np.zeros(len(radius), dtype=bool)
    rows = np.flatnonzero(walls.is_found)
    for turn in range(settings.ball_pass_count):
        points, normals = samples.points_mm[rows], samples.normals[rows]
        centre = points - radius[rows, None] * normals
        touch, is_empty = _ball_check(surface, centre, radius[rows], samples.spacing_mm, settings)
        if turn == 0:
            is_held[rows[is_empty]] = True  # held by the far end of its ray
        points, normals = points[~is_empty], normals[~is_empty]
        rows, touch = rows[~is_empty], touch[~is_empty]
        gap = points - touch
        depth = np.einsum("ij,ij->i", gap, normals)
        smaller = np.einsum("ij,ij->i", gap, gap) / (2 * np.where(depth > 0, depth, 1.0))
        separation = _separation(points, touch, points - smaller[:, None] * normals)
        is_near = (smaller < settings.inset_share * samples.spacing_mm) | (separation < settings.near_separation_rad)
        is_near |= depth <= 0
        is_held[rows] = ~is_near & (separation >= settings.least_separation_rad)
        rows, smaller = rows[~is_near], smaller[~is_near]
        is_shrunk = smaller < radius[rows]
        rows = rows[is_shrunk]
        radius[rows] = smaller[is_shrunk]
        if not len(rows):
            break
    is_held &= walls.is_found
    return np.where(is_held, 2 * radius, 0.0), is_held


def _ball_check(
    surface: SurfaceQuery, centre_mm: Floats, radius_mm: Floats, spacing_mm: float, settings: ThicknessSettings
) -> tuple[Floats, Bools]:
    """Surface point (n, 3) nearest each ball's centre, and which balls are empty (n,).

    Inside a shaft or a ball every triangle is as near as any other, and each such query would visit
    them all.  There many balls share their centre, so one query answers for all of them.
    """
    cell_mm = settings.shared_cell_share * spacing_mm
    key = np.round(centre_mm / cell_mm).astype(np.int64)
    key -= key.min(axis=0) if len(key) else 0
    width = key.max(axis=0) + 1 if len(key) else np.ones(3, dtype=np.int64)
    flat = (key[:, 0] * width[1] + key[:, 1]) * width[2] + key[:, 2]
    _, first, group, count = np.unique(flat, return_index=True, return_inverse=True, return_counts=True)
    is_shared = count[group] >= settings.shared_count
    asked = np.flatnonzero(~is_shared | (first[group] == np.arange(len(flat))))
    touch = np.empty_like(centre_mm)
    touch[asked] = surface.closest(centre_mm[asked]).point_mm
    touch[is_shared] = touch[first[group[is_shared]]]
    gap = centre_mm - touch
    slack_mm = settings.ball_tolerance * radius_mm + np.where(is_shared, cell_mm, 0.0)
    return touch, np.sqrt(np.einsum("ij,ij->i", gap, gap)) >= radius_mm - slack_mm


def _separation(points_mm: Floats, touch_mm: Floats, centre_mm: Floats) -> Floats:
    """Angle (n,) at the centre between the two places a ball touches."""
    first, second = points_mm - centre_mm, touch_mm - centre_mm
    size = np.linalg.norm(first, axis=1) * np.linalg.norm(second, axis=1)
    cosine = np.einsum("ij,ij->i", first, second) / np.where(size > 0, size, 1.0)
    angle: Floats = np.arccos(np.clip(cosine, -1.0, 1.0))
    return angle


def _starts(samples: Samples, settings: ThicknessSettings) -> Floats:
    one_triangle = np.zeros(len(samples.points_mm), dtype=np.int64)
    one_triangle[samples.triangles.ravel()] = np.repeat(np.arange(len(samples.triangles)), 3)
    middle = samples.points_mm[samples.triangles[one_triangle]].mean(axis=1)
    toward = settings.toward_middle_share * (middle - samples.points_mm)
    inset: Floats = samples.points_mm + toward - settings.inset_share * samples.spacing_mm * samples.normals
    return inset


def _actual(nominal: NominalThickness, deviation: Deviation | None) -> tuple[Floats, Bools]:
    """The piece's wall (s,), and where both of its ends were measured."""
    walls, rows, corner = nominal.walls, nominal.rows, nominal.far_samples
    count = len(walls.length_mm)
    actual, is_actual = np.zeros(count), np.zeros(count, dtype=bool)
    if deviation is None:
        return actual, is_actual
    weight = nominal.far_share * deviation.is_measured[corner]
    total = weight.sum(axis=1)
    far = np.einsum("ij,ij->i", weight, deviation.distance_mm[corner]) / np.where(total > 0, total, 1.0)
    is_actual[rows] = deviation.is_measured[rows] & (total > 0.5)
    actual[rows] = walls.length_mm[rows] + deviation.distance_mm[rows] + far / walls.slope[rows]
    is_actual &= actual > 0
    return np.where(is_actual, actual, 0.0), is_actual
