"""The middle of two opposite faces: a slot's, or a width's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fitting.records import FREEDOM_COUNT, Element
from worker.records import Floats
from worker.rigid import turn_to_shift


@dataclass(frozen=True, eq=False)
class Middle:
    """The plane half way between two faces.

    element : kind plane, direction from the second face to the first; residuals and weights of both
    width_mm : distance between the faces at ``element.point_mm``, along its direction
    width_sigma_mm : its standard uncertainty, from the fits
    """

    element: Element
    width_mm: float
    width_sigma_mm: float


def middle_plane(first: Element, second: Element, at_mm: Floats, toward_first: Floats) -> Middle:
    """Middle of two planes that are parallel in nominal.

    at_mm : (3,) where width and place are stated, the middle of the nominal feature
    toward_first : (3,) unit, from the second face to the first

    Either face may point either way.  The direction is the mean of both, so that a taper is shared.
    """
    one, other = (_facing(plane, toward_first) for plane in (first, second))
    direction = (one + other) / np.linalg.norm(one + other)
    at_first, at_second = (_crossing(plane, at_mm, direction) for plane in (first, second))
    place = (at_first + at_second) / 2
    covariance = np.zeros((FREEDOM_COUNT, FREEDOM_COUNT))
    carried = _about(first, place) + _about(second, place)
    only = np.eye(6)
    only[:3, :3] = np.outer(direction, direction)  # a plane has no place within itself
    covariance[:6, :6] = only @ carried @ only / 4
    spread = first.covariance_at(at_first) + second.covariance_at(at_second)
    width_variance = float(direction @ spread @ direction)
    element = replace(
        first,
        point_mm=place,
        direction=direction,
        covariance=covariance,
        dof=min(first.dof, second.dof),
        sigma_mm=float(np.hypot(first.sigma_mm, second.sigma_mm) / np.sqrt(2)),
        residual_mm=np.concatenate([first.residual_mm, second.residual_mm]),
        weight=np.concatenate([first.weight, second.weight]),
        point_count=first.point_count + second.point_count,
    )
    return Middle(element, float((at_first - at_second) @ direction), float(np.sqrt(max(width_variance, 0.0))))


def _facing(plane: Element, way: Floats) -> Floats:
    if plane.direction is None:
        raise ValueError("a plane without a normal")
    return plane.direction if plane.direction @ way > 0 else -plane.direction


def _crossing(plane: Element, at_mm: Floats, direction: Floats) -> Floats:
    """Where the line through ``at_mm`` along ``direction`` meets the plane."""
    normal = _facing(plane, direction)
    crossing: Floats = at_mm + float((plane.point_mm - at_mm) @ normal) / float(direction @ normal) * direction
    return crossing


def _about(element: Element, place_mm: Floats) -> Floats:
    """Covariance (6, 6) of (shift, rotation) with the rotation about another point."""
    spread = np.eye(6)
    spread[:3, 3:] = turn_to_shift(place_mm - element.point_mm)
    moved: Floats = spread @ element.covariance[:6, :6] @ spread.T
    return moved
