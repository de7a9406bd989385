"""Holes: which cylinder of nominal is meant, and the cylinder the scan shows there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.errors import PlanInvalid
from worker.fitting.robust import TUKEY, clustered_covariance, density_weights, mad_sigma, tukey_weights
from worker.measuring.seen import NotMeasured, Seen
from worker.measuring.shrink import without_shrink
from worker.records import Bools, Face, Floats, Ints, Nominal, SurfaceKind


@dataclass(frozen=True, kw_only=True)
class HoleSettings:
    """When a hole counts as seen, and how it is fitted."""

    least_points: int = 40  # five numbers and their scatter
    least_arc_rad: float = np.radians(120.0)  # below it the radius is 5 times less sure than a full circle's
    least_depth_share: float = 0.25  # seen along less than this, the axis' tilt is a guess
    arc_bin_count: int = 36
    same_axis_share: float = 1e-3  # of the radius: two half cylinders are one hole
    iterations: int = 30
    point_limit: int = 60_000
    sigma_floor_mm: float = 1e-5  # exact input must not divide by zero


@dataclass(frozen=True, eq=False)
class NominalHole:
    """A cylindrical hole of nominal.

    faces : (k,) the faces that make it, two halves often
    axis : (3,) unit;  ends_mm : (2, 3) the axis where the hole begins and ends
    """

    faces: Ints
    axis: Floats
    ends_mm: Floats
    radius_mm: float


@dataclass(frozen=True, eq=False)
class Cylinder:
    """A fitted cylinder.

    point_mm : (3,) of the axis, nearest the points' centroid;  axis : (3,) unit
    covariance : (5, 5) of (two offsets at ``point_mm`` along ``across``, two tilts, radius)
    across : (2, 3) unit, square to the axis
    """

    point_mm: Floats
    axis: Floats
    radius_mm: float
    covariance: Floats
    across: Floats
    sigma_mm: float
    point_count: int


@dataclass(frozen=True, eq=False)
class MeasuredHole:
    """A hole of the piece against its nominal.

    offset_mm : (2, 3) of the axis, square to nominal's, at both ends of the nominal depth
    offset_covariance : (2, 3, 3), from the fit alone
    arc_rad, depth_share : how much of its round and of its depth the scan shows
    """

    nominal: NominalHole
    cylinder: Cylinder
    offset_mm: Floats
    offset_covariance: Floats
    arc_rad: float
    depth_share: float


def find_hole(nominal: Nominal, *, face: int | None, point_mm: Floats | None, where: str) -> NominalHole:
    """The hole with this face, or the one whose axis passes nearest the point.

    where : the plan's line, for the error

    Raises
    ------
    PlanInvalid
        If the face is not a cylindrical hole, or no hole's axis passes within a radius of the point.

    """
    holes = [item for item in nominal.faces if item.kind is SurfaceKind.CYLINDER and item.is_hole]
    if face is not None:
        chosen = next((item for item in holes if item.index == face), None)
        if chosen is None:
            raise _unknown(where, f"face {face} is not a cylindrical hole of the CAD")
        return _whole(nominal, chosen, holes)
    found = [_whole(nominal, item, holes) for item in holes]
    gaps = [_gap_mm(hole, np.asarray(point_mm, dtype=np.float64)) for hole in found]
    near = [index for index, gap in enumerate(gaps) if gap <= found[index].radius_mm]
    if not near:
        raise _unknown(where, f"no cylindrical hole of the CAD has its axis within its radius of {_text(point_mm)}")
    return found[min(near, key=lambda index: (round(gaps[index], 6), -found[index].radius_mm))]


def measure_hole(
    hole: NominalHole, seen: Seen, *, shrink_removed: bool, settings: HoleSettings | None = None
) -> MeasuredHole | NotMeasured:
    """Least-squares cylinder through the scan points on the hole, and how far its axis lies off.

    shrink_removed : the points are brought to nominal's size about the shrink's centre first
    """
    settings = settings or HoleSettings()
    is_own = np.isin(seen.nominal.triangle_face, hole.faces)
    paired = np.flatnonzero(seen.deviation.scan_triangle >= 0)
    rows = paired[is_own[seen.deviation.scan_triangle[paired]]]
    if len(rows) < settings.least_points:
        return NotMeasured(f"only {len(rows)} scan points lie in the hole")
    points = seen.deviation.scan_points_mm[rows[:: max(1, len(rows) // settings.point_limit)]]
    points = without_shrink(points, seen.shrink if shrink_removed else None)
    arc, depth = _arc_rad(hole, points, settings), _depth_share(hole, points)
    if arc < settings.least_arc_rad:
        return NotMeasured(f"the scan shows only {np.degrees(arc):.0f} of 360 degrees of the hole")
    if depth < settings.least_depth_share:
        return NotMeasured(f"the scan shows only {depth:.0%} of the hole's depth")
    cylinder = fit_cylinder(points, hole.axis, hole.ends_mm.mean(axis=0), settings=settings)
    if cylinder is None:
        return NotMeasured("no cylinder fits the scan points in the hole")
    offset, covariance = _offsets(hole, cylinder)
    return MeasuredHole(hole, cylinder, offset, covariance, arc, depth)


def fit_cylinder(
    points_mm: Floats, axis: Floats, start_mm: Floats, *, settings: HoleSettings | None = None
) -> Cylinder | None:
    """Cylinder of least orthogonal distances, Tukey weights once the plain fit has settled.

    points_mm : (n, 3);  axis : (3,) and start_mm : (3,) near the answer

    Gauss-Newton about the points' own centroid, lengths in mm, tilt as slope; None if it does not
    settle.  Orthogonal, not algebraic: an algebraic fit is biased by variance / (2 R).
    """
    settings = settings or HoleSettings()
    centroid = points_mm.mean(axis=0)
    axis = axis / np.linalg.norm(axis)
    place = start_mm + ((centroid - start_mm) @ axis) * axis
    reach = max(float(np.ptp(points_mm @ axis)) / 2, 1e-9)
    even = density_weights(points_mm, reach / 20)
    radius = float(np.median(np.linalg.norm(np.cross(points_mm - place, axis), axis=1)))
    weights, step = even, np.full(5, np.inf)
    for turn in range(settings.iterations):
        rows, residual, across = _cylinder_rows(points_mm, place, axis, radius)
        if turn >= 3:
            width = TUKEY * max(mad_sigma(residual), settings.sigma_floor_mm)
            weights = even * tukey_weights(residual, width)
        step = np.linalg.lstsq(rows.T @ (rows * weights[:, None]), -rows.T @ (weights * residual), rcond=None)[0]
        place = place + step[:2] @ across
        axis = axis + step[2:4] @ across
        axis = axis / np.linalg.norm(axis)
        radius += float(step[4])
        if turn > 5 and np.abs(step * [1, 1, reach, reach, 1]).max() < 1e-11:
            break
    if not np.isfinite(step).all() or np.abs(step * [1, 1, reach, reach, 1]).max() > 1e-3 or radius <= 0:
        return None
    rows, residual, across = _cylinder_rows(points_mm, place, axis, radius)
    covariance = clustered_covariance(rows, weights, residual, points_mm)
    kept = weights > 0
    return Cylinder(place, axis, radius, covariance, across, mad_sigma(residual[kept]), int(np.count_nonzero(kept)))


def _cylinder_rows(points_mm: Floats, place_mm: Floats, axis: Floats, radius: float) -> tuple[Floats, Floats, Floats]:
    """Derivatives (n, 5) by (offset 2, slope 2, radius), residuals (n,), and the two directions (2, 3)."""
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    first = np.cross(axis, helper)
    first = first / np.linalg.norm(first)
    across = np.stack([first, np.cross(axis, first)])
    offset = points_mm - place_mm
    height = offset @ axis
    flat = offset @ across.T
    length = np.linalg.norm(flat, axis=1)
    outward = flat / np.where(length > 0, length, 1.0)[:, None]
    rows = np.column_stack([-outward, -height[:, None] * outward, -np.ones(len(points_mm))])
    return rows, length - radius, across


def _offsets(hole: NominalHole, cylinder: Cylinder) -> tuple[Floats, Floats]:
    offsets, covariances = np.empty((2, 3)), np.empty((2, 3, 3))
    for end in range(2):
        along = float((hole.ends_mm[end] - cylinder.point_mm) @ hole.axis) / float(cylinder.axis @ hole.axis)
        gap = cylinder.point_mm + along * cylinder.axis - hole.ends_mm[end]
        offsets[end] = gap - (gap @ hole.axis) * hole.axis
        spread = np.concatenate([cylinder.across, along * cylinder.across]).T
        covariances[end] = spread @ cylinder.covariance[:4, :4] @ spread.T
    return offsets, covariances


def _arc_rad(hole: NominalHole, points_mm: Floats, settings: HoleSettings) -> float:
    helper = np.eye(3)[int(np.argmin(np.abs(hole.axis)))]
    first = np.cross(hole.axis, helper)
    second = np.cross(hole.axis, first)
    offset = points_mm - hole.ends_mm[0]
    angle = np.arctan2(offset @ second, offset @ first)
    taken = np.unique(np.floor((angle + np.pi) / (2 * np.pi) * settings.arc_bin_count).astype(np.int64))
    return float(min(len(taken), settings.arc_bin_count) / settings.arc_bin_count * 2 * np.pi)


def _depth_share(hole: NominalHole, points_mm: Floats) -> float:
    depth = float((hole.ends_mm[1] - hole.ends_mm[0]) @ hole.axis)
    height = (points_mm - hole.ends_mm[0]) @ hole.axis
    low, high = np.percentile(height, [2, 98])
    return float(min(1.0, (high - low) / (0.96 * depth))) if depth > 0 else 0.0


def _whole(nominal: Nominal, face: Face, holes: list[Face]) -> NominalHole:
    """The hole that ``face`` is part of: faces on the same cylinder whose depths meet."""
    axis, origin, radius = _parts(face)
    mates = [item for item in holes if _is_same(item, axis, origin, radius)]
    spans = {item.index: _span(nominal, item.index, origin, axis) for item in mates}
    low, high = spans[face.index]
    chosen = {face.index}
    slack = 1e-3 * radius
    while True:
        more = [
            index
            for index, (start, end) in spans.items()
            if index not in chosen and start <= high + slack and end >= low - slack
        ]
        if not more:
            break
        chosen.update(more)
        low = min(low, *(spans[index][0] for index in more))
        high = max(high, *(spans[index][1] for index in more))
    return NominalHole(
        np.array(sorted(chosen), dtype=np.int64), axis, np.stack([origin + low * axis, origin + high * axis]), radius
    )


def _parts(face: Face) -> tuple[Floats, Floats, float]:
    if face.axis is None or face.origin_mm is None or face.radius_mm is None:
        raise ValueError(f"cylinder face {face.index} without its parameters")
    return face.axis / np.linalg.norm(face.axis), np.asarray(face.origin_mm, dtype=np.float64), float(face.radius_mm)


def _is_same(face: Face, axis: Floats, origin: Floats, radius: float) -> bool:
    own_axis, own_origin, own_radius = _parts(face)
    slack = HoleSettings.same_axis_share * radius
    aside = np.linalg.norm(np.cross(own_origin - origin, axis))
    is_parallel = np.linalg.norm(np.cross(own_axis, axis)) < HoleSettings.same_axis_share
    return bool(is_parallel and aside < slack and abs(own_radius - radius) < slack)


def _span(nominal: Nominal, face: int, origin: Floats, axis: Floats) -> tuple[float, float]:
    is_own: Bools = nominal.triangle_face == face
    height = (nominal.vertices_mm[nominal.triangles[is_own].ravel()] - origin) @ axis
    return float(height.min()), float(height.max())


def _gap_mm(hole: NominalHole, point_mm: Floats) -> float:
    along = np.clip((point_mm - hole.ends_mm[0]) @ hole.axis, 0.0, np.linalg.norm(hole.ends_mm[1] - hole.ends_mm[0]))
    return float(np.linalg.norm(point_mm - hole.ends_mm[0] - along * hole.axis))


def _text(point_mm: Floats | None) -> str:
    return "({})".format(", ".join(f"{value:g}" for value in (() if point_mm is None else point_mm)))


def _unknown(where: str, what: str) -> PlanInvalid:
    return PlanInvalid(
        f"{where}: {what}.",
        advice="Name a hole by the number of its face, or by a point near its axis in part axes.",
        faults=[f"{where}: {what}"],
    )
