"""Surfaces of datum features: where nominal has them, and the points of the piece that show them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.spatial.transform import Rotation

from worker.records import Floats


class SurfaceShape(StrEnum):
    """Shapes of a datum feature.  spot: a datum target; middle: two opposite faces."""

    PLANE = "plane"
    CYLINDER = "cylinder"
    CONE = "cone"
    SPHERE = "sphere"
    MIDDLE = "middle"
    SPOT = "spot"


class Touch(StrEnum):
    """How the datum is taken: through the points, or by a perfect counterpart that touches them.

    outside : a plane on material, the smallest cylinder or gap round it;  inside : the largest within
    """

    THROUGH = "through"
    OUTSIDE = "outside"
    INSIDE = "inside"


SIZED = frozenset({SurfaceShape.CYLINDER, SurfaceShape.SPHERE, SurfaceShape.MIDDLE})  # their size is free
TILTING = frozenset({SurfaceShape.PLANE, SurfaceShape.CYLINDER, SurfaceShape.CONE, SurfaceShape.MIDDLE})


@dataclass(frozen=True, eq=False, kw_only=True)
class DatumSurface:
    """One surface that a datum is taken from.

    point_mm, direction, radius_mm, half_angle_rad : of nominal, as in ``Feature``
    points_mm : (n, 3) of the piece, pose frame;  weights : (n,) in least squares
    side : (n,) +1 or -1, the face of a middle each point lies on; 1 elsewhere
    sigma_mm : (n,) standard uncertainty of each point's height by itself; 0 where the scatter tells
    covariance, anchor_mm, dof : (6, 6) of the plain fit's (shift_mm, rotation_rad) about a point (3,), as
        in ``Element``, and the degrees of freedom behind it
    """

    shape: SurfaceShape
    touch: Touch
    point_mm: Floats
    direction: Floats
    points_mm: Floats
    weights: Floats
    side: Floats
    sigma_mm: Floats
    covariance: Floats
    anchor_mm: Floats
    dof: float
    radius_mm: float = 0.0
    half_angle_rad: float = 0.0

    @property
    def is_sized(self) -> bool:
        """Whether its size is free to follow the points."""
        return self.shape in SIZED

    def centred(self, points_mm: Floats) -> DatumSurface:
        """The same nominal surface, described by its point nearest the middle of some points (n, 3)."""
        if self.shape in (SurfaceShape.SPHERE, SurfaceShape.SPOT):
            return self
        offset = np.average(points_mm, axis=0, weights=self.weights) - self.point_mm
        along = float(offset @ self.direction)
        if self.shape in (SurfaceShape.PLANE, SurfaceShape.MIDDLE):
            return replace(self, point_mm=self.point_mm + offset - along * self.direction)
        radius = self.radius_mm + along * float(np.tan(self.half_angle_rad))
        return replace(self, point_mm=self.point_mm + along * self.direction, radius_mm=radius)

    def moved(self, shift_mm: Floats, turn_rad: Floats) -> DatumSurface:
        """Turned about its own point, then shifted."""
        direction = Rotation.from_rotvec(turn_rad).apply(self.direction)
        return replace(self, point_mm=self.point_mm + shift_mm, direction=direction)

    def heights(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Height (n,) of points above it and the unit directions (n, 3) that it grows along; sizes not taken off."""
        offset = points_mm - self.point_mm
        along = offset @ self.direction
        if self.shape in (SurfaceShape.PLANE, SurfaceShape.SPOT, SurfaceShape.MIDDLE):
            return self.side * along, self.side[:, None] * self.direction
        flat = offset if self.shape is SurfaceShape.SPHERE else offset - along[:, None] * self.direction
        reach = np.linalg.norm(flat, axis=1)
        outward = flat / np.where(reach > 0, reach, 1.0)[:, None]
        if self.shape is not SurfaceShape.CONE:
            return reach, outward
        cosine, sine = np.cos(self.half_angle_rad), np.sin(self.half_angle_rad)
        return (reach - self.radius_mm) * cosine - along * sine, cosine * outward - sine * self.direction

    def shifts(self) -> Floats:
        """(s, 3) unit directions in which the surface itself moves when shifted."""
        if self.shape in (SurfaceShape.PLANE, SurfaceShape.SPOT, SurfaceShape.MIDDLE):
            return self.direction[None]
        if self.shape is SurfaceShape.CYLINDER:
            return square_to(self.direction)
        return np.eye(3)

    def tilts(self, turns: Floats, least: float) -> Floats:
        """(t, 3) unit axes, within the span of ``turns`` (3, w), of turns that tilt the surface.

        least : sine of the angle to its direction below which a turn is none
        """
        if self.shape not in TILTING or not turns.shape[1]:
            return np.zeros((0, 3))
        across = turns - np.outer(self.direction, self.direction @ turns)
        left, sizes, _ = np.linalg.svd(across, full_matrices=False)
        axes: Floats = left.T[sizes > least]
        return axes


def square_to(direction: Floats) -> Floats:
    """Two unit vectors (2, 3) square to a direction and to each other."""
    first = np.cross(np.eye(3)[int(np.argmin(np.abs(direction)))], direction)
    first = first / np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])
