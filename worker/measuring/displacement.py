"""Rigid displacement of a region, such as a core, against the rest of the piece."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fitting.robust import (
    TUKEY,
    RobustFit,
    clustered_covariance,
    density_weights,
    face_covariance,
    mad_sigma,
)
from worker.measuring.analytic import FaceTable, exact_distance
from worker.measuring.regions import region_triangles
from worker.measuring.samples import trusted_faces
from worker.measuring.seen import NotMeasured, Seen
from worker.measuring.shrink import without_shrink
from worker.records import Bools, Deviation, Floats, Ints, Nominal, Region
from worker.rigid import RigidTransform, turn_to_shift
from worker.surface import SignedClosest, SurfaceQuery

REST = "rest"  # source of the region that is all but the one asked for: faces of it may be off as a whole


@dataclass(frozen=True, kw_only=True)
class DisplacementSettings:
    """How a region's displacement is fitted."""

    point_limit: int = 60_000  # evenly taken; more points do not make correlated roughness surer
    least_points: int = 100  # six numbers and their scatter need this many
    plain_iterations: int = 3  # without weights: a core that slid along its long sides shows it on its ends alone,
    # and weights from the unmoved core would call those outliers
    iterations: int = 8  # each finds the feet again; five with weights settle to a micrometre
    held_eigenvalue: float = 2e-3  # of the largest: a motion that moves the surface less cannot be told from form
    density_cell_share: float = 1 / 80  # of the region's diagonal
    sigma_floor_mm: float = 1e-4  # exact input must not divide by zero
    scale_iterations: int = 4  # a scale of a few thousandths is found in two
    open_share: float = 0.02  # of a number's own motion: more of it unseen, and the number is not known


@dataclass(frozen=True, eq=False)
class Displacement:
    """How a region sits off its place, nominal frame, about ``centre_mm`` (the region's middle).

    shift_mm : (3,);  rotation_rad : (3,) rotation vector
    covariance : (6, 6) of (rotation_rad, shift_mm), from the fit alone
    shown : (6, 6) takes a motion (rotation_rad, shift_mm) to the part of it the region's shape can show
    free_text : motions the region's shape cannot show, in words; the fit leaves them at nothing
    sigma_mm : robust scatter of the points about the displaced region
    dof : degrees of freedom behind the covariance
    """

    shift_mm: Floats
    rotation_rad: Floats
    covariance: Floats
    centre_mm: Floats
    shown: Floats
    free_text: tuple[str, ...]
    point_count: int
    sigma_mm: float
    dof: float = np.inf


def region_displacement(
    region: Region, seen: Seen, *, shrink_removed: bool, settings: DisplacementSettings | None = None
) -> Displacement | NotMeasured:
    """Rigid motion that takes the region of nominal onto the piece as it is aligned.

    shrink_removed : the points are brought to nominal's size first

    Objective: weighted squares of the distance from the region's scan points to its own surface,
    Tukey weights, feet found anew each time.  Motions the shape does not show stay out of the fit.
    """
    settings = settings or DisplacementSettings()
    nominal = seen.nominal
    inside = region_triangles(region, seen.samples, len(nominal.triangles))
    points = _points_of(inside, seen.deviation, settings)
    if len(points) < settings.least_points:
        return NotMeasured(f"only {len(points)} scan points lie on {region.name}")
    points = without_shrink(points, seen.shrink if shrink_removed else None)
    fit = _Fit.of(points, _Target.of(nominal, inside), settings)
    motion = RigidTransform.identity()
    for turn in range(settings.iterations):
        motion = fit.improved(motion, is_robust=turn >= settings.plain_iterations)
    face = nominal.triangle_face[np.flatnonzero(inside)] if region.source == REST else None
    return fit.result(motion, face)


def against(own: Displacement, rest: Displacement) -> Displacement:
    """The displacement of a region against that of the rest of the piece, both measured from the same pose.

    The pose drops out, and with it whatever the region itself did to it.
    """
    spread = _carry_to(own.centre_mm, rest)
    carried = own.shown @ spread @ np.r_[rest.rotation_rad, rest.shift_mm]
    return replace(
        own,
        shift_mm=own.shift_mm - carried[3:],
        rotation_rad=own.rotation_rad - carried[:3],
        covariance=own.covariance + own.shown @ spread @ rest.covariance @ spread.T @ own.shown.T,
        dof=min(own.dof, rest.dof),
    )


def in_frame(own: Displacement, T_frame_pose: RigidTransform) -> Displacement:
    """The displacement of a region with nominal where a frame puts it, as the frame alone moves it.

    The covariance stays that of the region's own fit.  Motions its shape cannot show stay at nothing.
    """
    motion = T_frame_pose @ motion_of(own)
    whole = np.r_[_rotation_vector(motion), motion.apply(own.centre_mm) - own.centre_mm]
    kept = own.shown @ whole
    return replace(own, rotation_rad=kept[:3], shift_mm=kept[3:])


def motion_of(found: Displacement) -> RigidTransform:
    """The motion as one."""
    return RigidTransform.about(found.rotation_rad, found.shift_mm, found.centre_mm)


def shown_numbers(own: Displacement, rest: Displacement | None = None) -> Bools:
    """Which of the six numbers (rotation, shift) by part axes are known (6,).

    A number is not known where the shape of the region, or that of the rest it is held against, leaves
    more than a fiftieth of its own motion open.
    """
    limit = 1 - DisplacementSettings().open_share
    is_shown: Bools = np.diag(own.shown) >= limit
    if rest is None:
        return is_shown
    spread = _carry_to(own.centre_mm, rest)
    return is_shown & (np.diag(spread @ rest.shown @ np.linalg.inv(spread)) >= limit)


@dataclass(frozen=True)
class RegionScale:
    """Size of a region of the piece over nominal's, about its own middle, and its standard uncertainty."""

    scale: float
    sigma: float
    dof: float


def region_scale(
    region: Region, seen: Seen, found: Displacement, *, settings: DisplacementSettings | None = None
) -> RegionScale | NotMeasured:
    """Size of a region, fitted beside its motion; shrink is left in.

    found : its displacement, to start from

    Objective as of the displacement, with a seventh freedom.  A plane has no size, a bore one by its radius.
    """
    settings = settings or DisplacementSettings()
    inside = region_triangles(region, seen.samples, len(seen.nominal.triangles))
    points = _points_of(inside, seen.deviation, settings)
    if len(points) < settings.least_points:
        return NotMeasured(f"only {len(points)} scan points lie on {region.name}")
    fit = _Fit.of(points, _Target.of(seen.nominal, inside), settings)
    motion, scale = motion_of(found), 1.0
    for _ in range(settings.scale_iterations):
        at = fit.with_scale(motion, scale)
        held, _ = fit.directions(at.rows, at.weights)
        reduced = at.rows @ held
        normal = reduced.T @ (reduced * at.weights[:, None])
        step = held @ np.linalg.lstsq(normal, reduced.T @ (at.weights * at.residual_mm), rcond=None)[0]
        motion = motion @ RigidTransform.about(step[:3] / fit.radius_mm, step[3:6], fit.centre_mm)
        scale += float(step[6]) / fit.radius_mm
    at = fit.with_scale(motion, scale)
    held, free = fit.directions(at.rows, at.weights)
    if (free[6] ** 2).sum() > settings.open_share:
        return NotMeasured("its shape does not show its size")
    own = clustered_covariance(at.rows @ held, at.weights, at.residual_mm, points, slope_share=at.slope_share)
    variance = float(held[6] @ own.covariance @ held[6])
    return RegionScale(scale, float(np.sqrt(variance)) / fit.radius_mm, own.dof)


def _carry_to(point_mm: Floats, found: Displacement) -> Floats:
    """(6, 6) takes a motion about the displacement's centre to the same motion about another point (3,)."""
    spread = np.eye(6)
    spread[3:, :3] = turn_to_shift(point_mm - found.centre_mm)
    return spread


@dataclass(frozen=True, eq=False)
class _Target:
    """The region's own surface.  face : (t,) of each of its triangles;  table : the faces measured exactly."""

    surface: SurfaceQuery
    face: Ints
    table: FaceTable

    @classmethod
    def of(cls, nominal: Nominal, inside: Bools) -> _Target:
        surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles[inside])
        return cls(surface, nominal.triangle_face[inside], trusted_faces(nominal))

    def exact(self, found: SignedClosest, points_mm: Floats) -> tuple[Floats, Floats]:
        """Signed distance (n,) and normal (n, 3) of the exact surface where there is one, else of the facets."""
        height, outward, is_exact = exact_distance(self.table, self.face[found.triangle], points_mm)
        return np.where(is_exact, height, found.signed_mm), np.where(is_exact[:, None], outward, found.normal)


@dataclass(frozen=True, eq=False)
class _Fit:
    points_mm: Floats
    weights: Floats
    centre_mm: Floats
    radius_mm: float
    target: _Target
    settings: DisplacementSettings

    @classmethod
    def of(cls, points_mm: Floats, target: _Target, settings: DisplacementSettings) -> _Fit:
        diagonal = float(np.linalg.norm(np.ptp(points_mm, axis=0)))
        weights = density_weights(points_mm, max(settings.density_cell_share * diagonal, 1e-6))
        centre = np.average(points_mm, axis=0, weights=weights)
        radius = float(np.sqrt(np.average(((points_mm - centre) ** 2).sum(axis=1), weights=weights)))
        return cls(points_mm, weights, centre, max(radius, 1e-6), target, settings)

    def rows(self, motion: RigidTransform, *, is_robust: bool = True) -> RobustFit:
        """How the points lie about the region so moved."""
        back = motion.inverse()
        placed = back.apply(self.points_mm)
        found = self.target.surface.signed(placed)
        residual, normal = self.target.exact(found, placed)
        lever = (placed - self.centre_mm) / self.radius_mm
        rows = np.concatenate([np.cross(lever, normal), normal], axis=1)
        is_over = found.barycentric.min(axis=1) > 0  # nearest an edge of the region: the surface goes on elsewhere
        is_over |= np.abs(np.einsum("ij,ij->i", placed - found.point_mm, found.normal)) > 0.9 * found.distance_mm
        sigma = max(mad_sigma(residual[is_over]), self.settings.sigma_floor_mm)
        return RobustFit(rows, self.weights * is_over, residual, TUKEY * sigma if is_robust else np.inf)

    def with_scale(self, motion: RigidTransform, scale: float) -> RobustFit:
        """How the points lie about the region so moved and scaled; rows (n, 7), the last by (radius * scale)."""
        middle = motion.apply(self.centre_mm)
        freed = replace(self, points_mm=middle + (self.points_mm - middle) / scale)
        at = freed.rows(motion)
        lever = (motion.inverse().apply(freed.points_mm) - self.centre_mm) / self.radius_mm
        return replace(at, rows=np.column_stack([at.rows, np.einsum("ij,ij->i", lever, at.rows[:, 3:])]))

    def improved(self, motion: RigidTransform, *, is_robust: bool) -> RigidTransform:
        """One Gauss-Newton step in the held motions."""
        at = self.rows(motion, is_robust=is_robust)
        held, _ = self.directions(at.rows, at.weights)
        reduced = at.rows @ held
        normal = reduced.T @ (reduced * at.weights[:, None])
        step = held @ np.linalg.lstsq(normal, reduced.T @ (at.weights * at.residual_mm), rcond=None)[0]
        return motion @ RigidTransform.about(step[:3] / self.radius_mm, step[3:], self.centre_mm)

    def directions(self, rows: Floats, weights: Floats) -> tuple[Floats, Floats]:
        """Held (p, h) and free (p, f) unit motions;  rows : (n, p)."""
        values, vectors = np.linalg.eigh(rows.T @ (rows * weights[:, None]))
        is_held: Bools = values > self.settings.held_eigenvalue * max(float(values[-1]), 1e-300)
        return vectors[:, is_held], vectors[:, ~is_held]

    def result(self, motion: RigidTransform, face: Ints | None) -> Displacement:
        """The record.

        face : of each triangle of the surface, where whole faces may be off; None where they may not
        """
        at = self.rows(motion)
        held, free = self.directions(at.rows, at.weights)
        reduced = replace(at, rows=at.rows @ held)
        own = clustered_covariance(reduced.rows, at.weights, at.residual_mm, self.points_mm, slope_share=at.slope_share)
        if face is not None:
            on_face = face[self.target.surface.signed(motion.inverse().apply(self.points_mm)).triangle]
            faces = face_covariance(reduced, on_face)
            if faces is not None and np.trace(faces.covariance) > np.trace(own.covariance):
                own = faces
        scaled = held @ own.covariance @ held.T
        units = np.diag([1 / self.radius_mm] * 3 + [1.0] * 3)
        angle = _rotation_vector(motion)
        kept = at.weights > 0
        return Displacement(
            shift_mm=motion.apply(self.centre_mm) - self.centre_mm,
            rotation_rad=angle,
            covariance=units @ scaled @ units,
            centre_mm=self.centre_mm,
            shown=units @ held @ held.T @ np.linalg.inv(units),
            free_text=tuple(_motion_text(column) for column in free.T),
            point_count=int(np.count_nonzero(kept)),
            sigma_mm=mad_sigma(at.residual_mm[kept]),
            dof=own.dof,
        )


def _points_of(inside: Bools, deviation: Deviation, settings: DisplacementSettings) -> Floats:
    paired = np.flatnonzero(deviation.scan_triangle >= 0)
    own = paired[inside[deviation.scan_triangle[paired]]]
    step = max(1, len(own) // settings.point_limit)
    points: Floats = deviation.scan_points_mm[own[::step]]
    return points


def _rotation_vector(motion: RigidTransform) -> Floats:
    skew = (motion.rotation - motion.rotation.T) / 2
    axis = np.array([skew[2, 1], skew[0, 2], skew[1, 0]])
    sine = float(np.linalg.norm(axis))
    return axis * (motion.angle_rad() / sine if sine > 0 else 1.0)


def _motion_text(screw: Floats) -> str:
    """A unit motion (6,) of (radius * rotation, shift) in words, by part axes."""
    turn, shift = screw[:3], screw[3:]
    is_slide = np.linalg.norm(shift) > np.linalg.norm(turn)
    direction = shift if is_slide else turn
    direction = direction / np.linalg.norm(direction)
    direction = direction * np.sign(direction[np.argmax(np.abs(direction))])
    named = ("x", "y", "z")[int(np.argmax(np.abs(direction)))] if np.abs(direction).max() > np.cos(0.05) else None
    words = named or "({:.2f}, {:.2f}, {:.2f})".format(*direction)
    return f"slides along {words}" if is_slide else f"turns about {words}"
