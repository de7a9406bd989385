"""What fitting an element to points gives, or why it gives nothing."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from worker.records import Floats
from worker.rigid import turn_to_shift

ANGLE_INDEX, RADIUS_INDEX = 7, 6  # of the freedoms below
FREEDOM_COUNT = 8


class ElementKind(StrEnum):
    """Kinds of element (ISO 17450-1 names)."""

    LINE = "line"
    PLANE = "plane"
    CIRCLE = "circle"
    CYLINDER = "cylinder"
    CONE = "cone"
    SPHERE = "sphere"


class Association(StrEnum):
    """How an element is associated with points (ISO 4351, ISO 14405-1).

    tangent : outer tangent plane, from outside material
    """

    LEAST_SQUARES = "least_squares"
    MINIMUM_ZONE = "minimum_zone"
    MAXIMUM_INSCRIBED = "maximum_inscribed"
    MINIMUM_CIRCUMSCRIBED = "minimum_circumscribed"
    TANGENT = "tangent"


class Refusal(StrEnum):
    """Why points do not give an element."""

    NO_POINTS = "no_points"
    TOO_FEW_POINTS = "too_few_points"
    NOT_FINITE = "not_finite"
    TOO_FAR_FROM_ORIGIN = "too_far_from_origin"
    COINCIDENT = "coincident"
    COLLINEAR = "collinear"
    COPLANAR = "coplanar"
    TOO_LITTLE_ARC = "too_little_arc"
    TOO_SHORT = "too_short"
    NO_TAPER = "no_taper"  # a cone whose seen slice does not tell it from a cylinder
    ONE_SIDED = "one_sided"  # one side of a slot or plate, of which two are needed
    FACES_WRONG_WAY = "faces_wrong_way"
    NOT_SETTLED = "not_settled"  # the iteration found no answer
    NOTHING_LIKE_IT = "nothing_like_it"  # most points lie on something else


@dataclass(frozen=True)
class NotFitted:
    """A refusal: ``code`` for programs, ``reason`` a plain sentence with its figures."""

    code: Refusal
    reason: str


@dataclass(frozen=True, eq=False)
class Element:
    """A fitted element with the covariance of where it lies, frame of its points.

    point_mm : (3,) on the plane, line or axis nearest the centroid of the points used, or the centre
    direction : (3,) unit: normal of the plane (out of material where facing was told), direction of the
        line or axis, normal of the circle's plane; None for a sphere.  A cone widens along it.
    radius_mm : circle, cylinder, sphere; of the cone at ``point_mm``
    half_angle_rad : cone
    covariance : (8, 8) of (shift_mm 3, rotation_rad 3, radius_mm, half_angle_rad), the motion being
        about ``point_mm``; zero in freedoms the element does not have, such as slides along its axis
    dof : degrees of freedom behind that covariance
    sigma_mm : robust standard deviation of the residuals that count
    residual_mm, weight : (n,) orthogonal distance of each point given, > 0 away from the axis or
        along the normal, and its final weight (0 is set aside)
    arc_rad : how much of its round the points show (circle, cylinder, cone), else NaN
    length_mm : how far along its axis or line they reach (line, cylinder, cone), else NaN
    """

    kind: ElementKind
    association: Association
    point_mm: Floats
    direction: Floats | None
    radius_mm: float | None
    half_angle_rad: float | None
    covariance: Floats
    dof: float
    sigma_mm: float
    residual_mm: Floats
    weight: Floats
    point_count: int
    arc_rad: float
    length_mm: float

    def place_at(self, where_mm: Floats) -> Floats:
        """Point (3,) of the axis, line or plane nearest ``where_mm`` (3,); the centre of circle and sphere."""
        if self.direction is None or self.kind is ElementKind.CIRCLE:
            return self.point_mm
        offset = where_mm - self.point_mm
        along = float(offset @ self.direction)
        if self.kind is ElementKind.PLANE:
            placed: Floats = where_mm - along * self.direction
            return placed
        return self.point_mm + along * self.direction

    def covariance_at(self, where_mm: Floats) -> Floats:
        """Covariance (3, 3), mm^2, of how the element's material point at ``where_mm`` (3,) may lie shifted."""
        spread = np.concatenate([np.eye(3), turn_to_shift(where_mm - self.point_mm)], axis=1)
        moved: Floats = spread @ self.covariance[:6, :6] @ spread.T
        return moved


@dataclass(frozen=True, eq=False)
class Zone:
    """Form of points against an element: the least zone that holds them, or the range about a given one.

    width_mm : distance between the bounding planes or surfaces; diameter of a cylindrical zone
    element : (position, direction) of the middle of the zone, radius where it has one
    contact_index : the points that bound the zone
    """

    kind: ElementKind
    association: Association
    width_mm: float
    point_mm: Floats
    direction: Floats | None
    radius_mm: float | None
    contact_index: tuple[int, ...]
