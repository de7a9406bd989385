"""One datum surface of the piece, associated within the turns that datums before it left open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.datums.motions import LEAST_HOLD, Origin
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch
from worker.datums.touching import Laid, above, gauge, through
from worker.records import Floats
from worker.rigid import RigidTransform

MOST_TURNS = 8  # a tilted gauge is linear only near its own place; three turns settle it to a nanometre
SETTLED_MM = 1e-8


@dataclass(frozen=True, eq=False)
class Associated:
    """How far one surface of the piece lies off nominal, moved as the frame stands.

    off_mm : (k,) shifts along the surface's own directions, and tilts times the lever of its points
    rows : (k, 6) how ``off_mm`` changes when the points move
    ideal_rows : (j, 6) what a perfect surface of this shape would notice, in mm at the size of the part
    covariance : (k, k) mm^2;  dof : behind it
    is_held : False where the points show one side of a gauge only
    """

    off_mm: Floats
    rows: Floats
    ideal_rows: Floats
    covariance: Floats
    dof: float
    is_held: bool


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
    by_height = laid.by_height[: len(total)]
    return Associated(
        off_mm=total,
        rows=np.einsum("kn,nj->kj", by_height, origin.rows(points, normals)),
        ideal_rows=_ideal_rows(surface, origin),
        covariance=_covariance(surface, T_frame_pose.apply(surface.anchor_mm), tilts * lever[:, None], by_height),
        dof=surface.dof,
        is_held=laid.is_held,
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
    if surface.shape is SurfaceShape.PLANE:
        return above(columns, heights, surface.weights)
    tilts = np.arange(shift_count, columns.shape[1] - 1)
    return gauge(columns, heights, surface.touch is Touch.INSIDE, tilts, plain.values)


def _ideal_rows(surface: DatumSurface, origin: Origin) -> Floats:
    """Shifts and all tilts of the perfect surface, whatever of them is open."""
    place = np.broadcast_to(surface.point_mm, (len(surface.shifts()), 3))
    tilts = surface.tilts(np.eye(3), LEAST_HOLD)
    turned = np.concatenate([tilts * origin.radius_mm, np.zeros_like(tilts)], axis=1)
    rows: Floats = np.concatenate([origin.rows(place, surface.shifts()), turned])
    return rows


def _covariance(surface: DatumSurface, anchor_mm: Floats, tilts: Floats, by_height: Floats) -> Floats:
    """Of the plain fit, in the surface's own shifts and tilts, and of each touching point by itself.

    tilts : (t, 3) turns, times the lever of the points
    """
    shifts = surface.shifts()
    arm = np.broadcast_to(surface.point_mm - anchor_mm, shifts.shape)
    shown = np.concatenate([np.concatenate([shifts, np.cross(arm, shifts)], axis=1), np.pad(tilts, ((0, 0), (3, 0)))])
    own = np.einsum("kn,n,ln->kl", by_height, surface.sigma_mm**2, by_height)
    covariance: Floats = own + shown @ surface.covariance @ shown.T
    return covariance
