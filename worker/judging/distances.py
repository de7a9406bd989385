"""Distance and angle between features, for nominal and for the piece alike."""

from __future__ import annotations

import numpy as np

from shared.plan import AxisName, Distance
from worker.features.records import Feature, FeatureKind
from worker.judging.moved import Moved, nominal_moved
from worker.records import Floats, Nominal

SKEW_SINE = np.sin(np.radians(5.0))  # axes farther from parallel than this are measured where they pass each other
PLANAR = (FeatureKind.PLANE, FeatureKind.SLOT)
POINTS = (FeatureKind.SPHERE,)
PARTS = {AxisName.X: 0, AxisName.Y: 1, AxisName.Z: 2}


def place_of(feature: Feature, element: Moved) -> Floats:
    """Where a feature is measured (n, 3): centre, axis at nominal's mid length, plane at nominal's middle."""
    if feature.kind in POINTS or feature.direction is None or element.direction is None:
        return element.point_mm
    if feature.kind in PLANAR:
        normal = element.direction
        drop = ((feature.point_mm - element.point_mm) * normal).sum(axis=1)
        placed: Floats = feature.point_mm - drop[:, None] * normal
        return placed
    return element.at_plane(feature.point_mm, feature.direction)


def distance_between(features: tuple[Feature, Feature], elements: tuple[Moved, Moved]) -> Floats:
    """Distance (n,), mm: square to planes and axes, between centres otherwise.

    Planes that should be parallel are measured from centroid to centroid along their mean normal;
    parallel axes at the height midway between them; skew axes where they pass each other.
    """
    first, second = (place_of(feature, element) for feature, element in zip(features, elements, strict=True))
    gap = second - first
    planes = [
        element.direction
        for feature, element in zip(features, elements, strict=True)
        if feature.kind in PLANAR and element.direction is not None
    ]
    if planes:
        along = planes[0] if len(planes) == 1 else planes[0] + _same_way(planes[0], planes[1])
        return np.abs(_dot(gap, along / np.linalg.norm(along, axis=1, keepdims=True)))
    axes = [
        element.direction
        for feature, element in zip(features, elements, strict=True)
        if feature.kind not in POINTS and element.direction is not None
    ]
    if not axes:
        return _length(gap)
    if len(axes) == 1:
        return _length(gap - _dot(gap, axes[0])[:, None] * axes[0])
    return _between_axes(gap, axes[0], _same_way(axes[0], axes[1]))


def _between_axes(gap: Floats, first: Floats, second: Floats) -> Floats:
    """Distance (n,) of axes (n, 3) whose places lie ``gap`` apart."""
    cross = np.cross(first, second)
    sine = np.linalg.norm(cross, axis=1)
    if float(np.median(sine)) > SKEW_SINE:
        passing: Floats = np.abs(_dot(gap, cross)) / sine
        return passing
    mean = first + second
    mean = mean / np.linalg.norm(mean, axis=1, keepdims=True)
    half = _dot(gap, mean)[:, None] / 2  # both axes are followed to the height midway between their places
    met = gap + (second / _dot(second, mean)[:, None]) * -half - (first / _dot(first, mean)[:, None]) * half
    return _length(met - _dot(met, mean)[:, None] * mean)


def angle_between(first: Floats, second: Floats) -> Floats:
    """Angle (n,), degrees, 0 to 180, between directions (n, 3)."""
    sine = np.linalg.norm(np.cross(first, second), axis=1)
    angle: Floats = np.degrees(np.arctan2(sine, _dot(first, second)))
    return angle


def measured_length(line: Distance, features: tuple[Feature, ...], elements: list[Moved]) -> Floats:
    """The line's value (n,) from its elements, as nominal's and as the piece's."""
    if line.direction is None:
        return distance_between((features[0], features[1]), (elements[0], elements[1]))
    part = PARTS[line.direction]
    places = [place_of(feature, element)[:, part] for feature, element in zip(features, elements, strict=True)]
    if len(places) == 1:
        return places[0]
    own = [place_of(feature, nominal_moved(feature))[0, part] for feature in features]
    along: Floats = (places[1] - places[0]) * (-1.0 if own[1] < own[0] else 1.0)
    return along


def measured_angle(elements: list[Moved]) -> Floats:
    """Degrees (n,): between two directions, or the full angle of one cone."""
    if len(elements) == 1:
        full: Floats = np.degrees(2 * elements[0].half_angle_rad)
        return full
    first, second = elements[0].direction, elements[1].direction
    assert first is not None  # noqa: S101 limits_of refuses features without a direction
    assert second is not None  # noqa: S101
    return angle_between(first, second)


def reach_of(feature: Feature, nominal: Nominal) -> float:
    """Length over which a feature shows its direction: its axis, or the extent of its plane."""
    if feature.depth_mm is not None:
        return feature.depth_mm
    corners = nominal.vertices_mm[nominal.triangles[feature.triangles].ravel()]
    return float(np.ptp(corners, axis=0).max())


def _same_way(first: Floats, second: Floats) -> Floats:
    """The second direction turned round where it points against the first."""
    way = np.where(_dot(first, second) < 0, -1.0, 1.0)
    turned: Floats = way[:, None] * second
    return turned


def _length(vectors: Floats) -> Floats:
    length: Floats = np.linalg.norm(vectors, axis=1)
    return length


def _dot(first: Floats, second: Floats) -> Floats:
    product: Floats = (first * second).sum(axis=1)
    return product
