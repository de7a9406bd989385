"""One datum surface of the piece, associated within the turns that datums before it left open."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from worker.datums.motions import LEAST_HOLD, Origin
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch
from worker.datums.touching import Laid, above, gauge, through
from worker.records import Floats
from worker.rigid import RigidTransform

MOST_TURNS = 8  # a tilted gauge is linear only near its own place; three turns settle it to a nanometre
SETTLED_MM = 1e-8
CHANCE_SIGMAS = 2.0  # one flat face in forty is taken for one with form
REDRAWS, REDRAW_SEED = 60, 5459  # tell a standard uncertainty to a tenth


@dataclass(frozen=True, eq=False)
class _Lay:
    """One surface at rest: what was laid through or against its heights.

    shown : (k, 6) what the answer shows of the plain fit's motion
    """

    surface: DatumSurface
    columns: Floats
    heights: Floats
    shift_count: int
    shown: Floats


@dataclass(frozen=True, eq=False)
class Associated:
    """How far one surface of the piece lies off nominal, moved as the frame stands.

    off_mm : (k,) shifts along the surface's own directions, and tilts times the lever of its points
    rows : (k, 6) how ``off_mm`` changes when the points move
    ideal_rows : (j, 6) what a perfect surface of this shape would notice, in mm at the size of the part
    dof : behind the covariance
    is_held : False where the points show one side of a gauge only
    """

    off_mm: Floats
    rows: Floats
    ideal_rows: Floats
    dof: float
    is_held: bool
    lay: _Lay

    @cached_property
    def covariance(self) -> Floats:
        """(k, k) mm^2 of ``off_mm``: that of the plain fit, and of the step from it to the touching one.

        Noise moves the step through what the plain fit leaves of it, and so by itself.
        """
        plain = self.lay.shown @ self.lay.surface.covariance @ self.lay.shown.T
        covariance: Floats = plain + _touching(self.lay, len(self.off_mm))
        return covariance


def associate(surface: DatumSurface, T_frame_pose: RigidTransform, still_open: Floats, origin: Origin) -> Associated:
    """The perfect counterpart of a datum surface: tilted only by turns still open, free to shift (ISO 5459).

    still_open : (6, m) motions that datums before it have left

    Nominal stays, the points are moved.  The counterpart's own size is free.
    """
    points = T_frame_pose.apply(surface.points_mm)
    surface = surface.centred(points)
    tilts = surface.tilts(_turns(still_open, origin), LEAST_HOLD)
    shifts = surface.shifts()
    lever = np.maximum(_levers(surface, tilts, points), 1e-9)
    moved, total = surface, np.zeros(len(shifts) + len(tilts))
    for _ in range(MOST_TURNS):
        columns, _ = _columns(moved, points, shifts, tilts / lever[:, None])
        heights, _ = moved.heights(points)
        laid = _laid(moved, columns, heights, len(shifts))
        step = laid.values[: len(total)]
        total = total + step
        moved = moved.moved(step[: len(shifts)] @ shifts, (step[len(shifts) :] / lever) @ tilts)
        if np.abs(step).max() < SETTLED_MM:
            break
    columns, normals = _columns(moved, points, shifts, tilts / lever[:, None])
    shown = _shown(surface, T_frame_pose.apply(surface.anchor_mm), tilts * lever[:, None])
    return Associated(
        off_mm=total,
        rows=np.einsum("kn,nj->kj", laid.by_height[: len(total)], origin.rows(points, normals)),
        ideal_rows=_ideal_rows(surface, origin),
        dof=surface.dof,
        is_held=laid.is_held,
        lay=_Lay(moved, columns, moved.heights(points)[0], len(shifts), shown),
    )


def _turns(still_open: Floats, origin: Origin) -> Floats:
    """(3, w) orthonormal directions that turns still open can have."""
    if not still_open.shape[1]:
        return np.zeros((3, 0))
    left, sizes, _ = np.linalg.svd(still_open[:3] * origin.radius_mm, full_matrices=False)
    turns: Floats = left[:, sizes > LEAST_HOLD]
    return turns


def _levers(surface: DatumSurface, tilts: Floats, points_mm: Floats) -> Floats:
    """(t,) how far from each tilt's axis the points lie, rms: tilt and shift then weigh as the points do."""
    offset = points_mm - surface.point_mm
    if surface.shape in (SurfaceShape.CYLINDER, SurfaceShape.CONE):
        offset = np.outer(offset @ surface.direction, surface.direction)
    else:
        offset = offset - np.outer(offset @ surface.direction, surface.direction)
    arms = np.cross(offset[None], tilts[:, None])
    levers: Floats = np.sqrt((arms**2).sum(axis=2) @ surface.weights / surface.weights.sum())
    return levers


def _columns(surface: DatumSurface, points_mm: Floats, shifts: Floats, tilts: Floats) -> tuple[Floats, Floats]:
    """(n, k) change of what is fitted by shift, tilt and size; and the directions (n, 3) heights grow along."""
    _, normals = surface.heights(points_mm)
    arms = points_mm - surface.point_mm
    turned = [np.einsum("ij,ij->i", np.cross(tilt, arms), normals) for tilt in tilts]
    columns = [normals @ shift for shift in shifts] + turned
    if surface.is_sized:
        columns.append(np.ones(len(points_mm)))
    return np.column_stack(columns), normals


def _laid(surface: DatumSurface, columns: Floats, heights: Floats, shift_count: int) -> Laid:
    plain = through(columns, heights, surface.weights)
    if surface.touch is Touch.THROUGH or surface.shape in (SurfaceShape.SPOT, SurfaceShape.CONE, SurfaceShape.SPHERE):
        return plain
    residual = heights - columns @ plain.values
    true_share = _true_share(residual, surface)
    heights = heights - (1 - true_share) * residual
    if surface.shape is SurfaceShape.PLANE:
        laid = above(columns, heights, surface.weights)
    else:
        tilts = np.arange(shift_count, columns.shape[1] - 1)
        laid = gauge(columns, heights, surface.touch is Touch.INSIDE, tilts, plain.values)
    return replace(laid, by_height=true_share * laid.by_height + (1 - true_share) * plain.by_height)


def _true_share(residual_mm: Floats, surface: DatumSurface) -> float:
    """How far residuals of calmed points are form: what noise adds to their scatter is taken out.

    A plane that touches noise lies outside the surface; on a flat face, where all is noise, the touching
    plane is the plain one.  Noise is taken at the most that chance lets its scatter be (normal approximation
    to chi-squared), for a share told from chance alone would move the plane outward.
    """
    scatter = float(np.average(residual_mm**2, weights=surface.weights))
    noise = float(np.average(surface.sigma_mm**2, weights=surface.weights))
    noise *= 1 + CHANCE_SIGMAS * np.sqrt(2 / max(len(residual_mm), 2))
    return float(np.sqrt(max(0.0, 1.0 - noise / scatter))) if scatter > 0 else 1.0


def _ideal_rows(surface: DatumSurface, origin: Origin) -> Floats:
    """Shifts and all tilts of the perfect surface, whatever of them is open."""
    place = np.broadcast_to(surface.point_mm, (len(surface.shifts()), 3))
    tilts = surface.tilts(np.eye(3), LEAST_HOLD)
    turned = np.concatenate([tilts * origin.radius_mm, np.zeros_like(tilts)], axis=1)
    rows: Floats = np.concatenate([origin.rows(place, surface.shifts()), turned])
    return rows


def _shown(surface: DatumSurface, anchor_mm: Floats, tilts: Floats) -> Floats:
    """(k, 6) the surface's own shifts and tilts when a fit moves by (shift, rotation) about its anchor.

    tilts : (t, 3) turns, times the lever of the points
    """
    shifts = surface.shifts()
    arm = np.broadcast_to(surface.point_mm - anchor_mm, shifts.shape)
    turned = np.pad(tilts, ((0, 0), (3, 0)))
    shown: Floats = np.concatenate([np.concatenate([shifts, np.cross(arm, shifts)], axis=1), turned])
    return shown


def _touching(lay: _Lay, count: int) -> Floats:
    """(count, count) mean square of what noise drawn anew does to the step from the plain fit, its bias with it.

    The parametric bootstrap (B. Efron, Ann. Statist. 7(1), 1979): noise is drawn onto the heights that are
    taken for true.
    """
    sigma = lay.surface.sigma_mm
    if not sigma.any():
        return np.zeros((count, count))
    if lay.surface.shape is SurfaceShape.SPOT:
        return np.diag(sigma**2)
    rng = np.random.default_rng(REDRAW_SEED)
    start, plain = _step(lay, lay.heights, count)
    residual = lay.heights - lay.columns @ plain.values
    true_heights = lay.heights - (1 - _true_share(residual, lay.surface)) * residual
    total = np.zeros((count, count))
    for _ in range(REDRAWS):
        moved = _step(lay, true_heights + sigma * rng.normal(size=len(sigma)), count)[0] - start
        total += np.outer(moved, moved)
    return total / REDRAWS


def _step(lay: _Lay, heights: Floats, count: int) -> tuple[Floats, Laid]:
    """From the plain fit through heights to the answer (count,); and that fit."""
    plain = through(lay.columns, heights, lay.surface.weights)
    answer = _laid(lay.surface, lay.columns, heights, lay.shift_count)
    return (answer.values - plain.values)[:count], plain
