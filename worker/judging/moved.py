"""Elements as their uncertainty may have moved them, many cases at once, in a measuring frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.datums.records import MeasuringFrame
from worker.features.records import Feature
from worker.fitting.records import ANGLE_INDEX, RADIUS_INDEX, Element
from worker.records import Floats


@dataclass(frozen=True, eq=False)
class Moved:
    """An element in n cases, coordinates of the measuring frame.

    point_mm : (n, 3);  direction : (n, 3) unit, or None;  radius_mm, half_angle_rad : (n,), NaN without one
    """

    point_mm: Floats
    direction: Floats | None
    radius_mm: Floats
    half_angle_rad: Floats

    def at_plane(self, through_mm: Floats, normal: Floats) -> Floats:
        """Where the axis meets the plane through a point (3,) square to ``normal`` (3,): (n, 3)."""
        assert self.direction is not None  # noqa: S101 only asked of axes
        along = ((through_mm - self.point_mm) @ normal) / (self.direction @ normal)
        met: Floats = self.point_mm + along[:, None] * self.direction
        return met


def nominal_moved(feature: Feature) -> Moved:
    """Nominal's own feature as one case."""
    direction = None if feature.direction is None else feature.direction[None]
    size = feature.radius_mm if feature.width_mm is None else feature.width_mm / 2
    return Moved(feature.point_mm[None], direction, _column(size), _column(feature.half_angle_rad))


def moved(element: Element, departures: Floats, width_mm: float | None = None) -> Moved:
    """The element under departures (n, 8) of its own freedoms, in the frame of its points.

    width_mm : of a slot, whose half takes the place of the radius
    """
    count = len(departures)
    point = element.point_mm + departures[:, :3]
    direction = None
    if element.direction is not None:
        turned = element.direction + np.cross(departures[:, 3:6], element.direction)
        direction = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    size = element.radius_mm if width_mm is None else width_mm / 2
    radius = np.full(count, np.nan) if size is None else size + departures[:, RADIUS_INDEX]
    angle = element.half_angle_rad
    half_angle = np.full(count, np.nan) if angle is None else angle + departures[:, ANGLE_INDEX]
    return Moved(point, direction, radius, half_angle)


def in_frame(element: Moved, frame: MeasuringFrame, departures: Floats, strain: Floats) -> Moved:
    """The element in the coordinates of ``frame``, itself under departures (n, 6), and the piece strained by (n,)."""
    turn, shift = departures[:, :3], departures[:, 3:]
    placed = frame.T_frame_pose.apply(element.point_mm) - frame.centre_mm
    point = frame.centre_mm + (1 + strain)[:, None] * (placed + np.cross(turn, placed)) + shift
    direction = None
    if element.direction is not None:
        own = frame.T_frame_pose.turn(element.direction)
        direction = own + np.cross(turn, own)
        direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    return Moved(point, direction, (1 + strain) * element.radius_mm, element.half_angle_rad)


def _column(value: float | None) -> Floats:
    return np.array([np.nan if value is None else value])
