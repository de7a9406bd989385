"""A pattern of holes as one element: its middle, its axis and its bolt circle, from its members."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from worker.features.records import Feature, PatternKind
from worker.fitting.records import FREEDOM_COUNT, RADIUS_INDEX, Association, Element, ElementKind
from worker.records import Floats


def placed_pattern(feature: Feature, nominal_mm: Floats, members: Sequence[Element]) -> Element:
    """Least squares of the members' centres over where nominal has them.

    nominal_mm : (k, 3) points of the members' axes;  members : their cylinders, in the same order

    Unknown are the pattern's shift in its own plane, its turn about its middle, and for a circular
    pattern the radius of its bolt circle.  Its direction is the mean of its members'.  Returns a
    circle for a circular pattern, else the line through the pattern's middle along its holes.
    ``residual_mm`` (k,) is what is left of each member's offset; covariances are the members' own,
    propagated: how unevenly the holes lie is no uncertainty of where their middle is.
    """
    is_circle = feature.pattern is PatternKind.CIRCLE and feature.radius_mm is not None
    flat = plane_axes(_way(feature))
    lever = (nominal_mm - feature.point_mm) @ flat.T
    pairs = list(zip(nominal_mm, members, strict=True))
    offset = np.concatenate([flat @ _offset(feature, place, own) for place, own in pairs])
    rows = _rows(lever, is_circle=is_circle)
    solve = np.linalg.pinv(rows)
    found = solve @ offset
    spread = np.zeros((len(offset), len(offset)))
    for index, (place, own) in enumerate(pairs):
        part = slice(2 * index, 2 * index + 2)
        spread[part, part] = flat @ own.covariance_at(own.place_at(place)) @ flat.T
    inner = solve @ spread @ solve.T
    direction = np.sum([_direction(own, _way(feature)) for own in members], axis=0)
    left = (offset - rows @ found).reshape(-1, 2)
    return Element(
        kind=ElementKind.CIRCLE if is_circle else ElementKind.LINE,
        association=members[0].association if members else Association.LEAST_SQUARES,
        point_mm=feature.point_mm + found[:2] @ flat,
        direction=direction / np.linalg.norm(direction),
        radius_mm=float((feature.radius_mm or 0.0) + found[3]) if is_circle else None,
        half_angle_rad=None,
        covariance=_covariance(inner, flat, members),
        dof=min(own.dof for own in members),
        sigma_mm=float(np.sqrt((left**2).sum() / max(left.size - len(found), 1))),
        residual_mm=np.linalg.norm(left, axis=1),
        weight=np.ones(len(members)),
        point_count=sum(own.point_count for own in members),
        arc_rad=float("nan"),
        length_mm=float("nan"),
    )


def plane_axes(direction: Floats) -> Floats:
    """Two unit vectors (2, 3) square to a direction and to each other, right-handed with it."""
    first = np.cross(np.eye(3)[int(np.argmin(np.abs(direction)))], direction)
    first = first / np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])


def _rows(lever_mm: Floats, *, is_circle: bool) -> Floats:
    """Derivatives (2k, 3 or 4) of the members' offsets by shift (2), turn, and growth of the bolt circle."""
    count = len(lever_mm)
    turned = np.column_stack([-lever_mm[:, 1], lever_mm[:, 0]])
    columns = [np.tile(np.eye(2), (count, 1)), turned.reshape(-1, 1)]
    if is_circle:
        columns.append((lever_mm / np.linalg.norm(lever_mm, axis=1, keepdims=True)).reshape(-1, 1))
    return np.concatenate(columns, axis=1)


def _offset(feature: Feature, nominal_mm: Floats, own: Element) -> Floats:
    """From the nominal centre to where the measured axis crosses the pattern's plane there."""
    way = _way(feature)
    axis = _direction(own, way)
    along = float((nominal_mm - own.point_mm) @ way) / float(axis @ way)
    offset: Floats = own.point_mm + along * axis - nominal_mm
    return offset


def _way(feature: Feature) -> Floats:
    if feature.direction is None:
        raise ValueError(f"{feature.id} is a pattern without a direction")
    return feature.direction


def _direction(own: Element, way: Floats) -> Floats:
    if own.direction is None:
        raise ValueError("a pattern of elements without axes")
    return own.direction if own.direction @ way > 0 else -own.direction


def _covariance(inner: Floats, flat: Floats, members: Sequence[Element]) -> Floats:
    """(8, 8): shift in the plane, tilt as the mean of the members', growth of the bolt circle."""
    covariance = np.zeros((FREEDOM_COUNT, FREEDOM_COUNT))
    covariance[:3, :3] = flat.T @ inner[:2, :2] @ flat
    tilt = np.sum([own.covariance[3:6, 3:6] for own in members], axis=0) / len(members) ** 2
    covariance[3:6, 3:6] = flat.T @ (flat @ tilt @ flat.T) @ flat
    if inner.shape[0] > 3:
        covariance[RADIUS_INDEX, RADIUS_INDEX] = inner[3, 3]
        covariance[RADIUS_INDEX, :3] = covariance[:3, RADIUS_INDEX] = inner[3, :2] @ flat
    return covariance
