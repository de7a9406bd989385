"""Ideal elements: distance of points from them, how it changes as they move, and cells on their surface.

Points go through here as columns (3, n): plain column arithmetic is quick and gives the same bits
whatever the number of threads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fitting.records import ANGLE_INDEX, FREEDOM_COUNT, RADIUS_INDEX, ElementKind
from worker.records import Floats, Ints

ROUND = frozenset({ElementKind.CIRCLE, ElementKind.CYLINDER, ElementKind.CONE, ElementKind.SPHERE})
WITH_AXIS = frozenset({ElementKind.LINE, ElementKind.CYLINDER, ElementKind.CONE})
VECTOR = frozenset({ElementKind.LINE, ElementKind.CIRCLE})  # two distances a point: they are curves, not surfaces
CHUNK = 512  # small products stay on one thread


@dataclass(frozen=True, eq=False)
class Shape:
    """An ideal element; fields as in ``Element``.  A sphere has a direction too, which means nothing."""

    kind: ElementKind
    point: Floats
    direction: Floats
    radius: float = 0.0
    half_angle: float = 0.0

    def moved(self, step: Floats) -> Shape:
        """Moved by (shift 3, rotation 3 about ``point``, radius, half angle)."""
        return replace(
            self,
            point=self.point + step[:3],
            direction=turned(self.direction, step[3:6]),
            radius=self.radius + float(step[RADIUS_INDEX]),
            half_angle=self.half_angle + float(step[ANGLE_INDEX]),
        )

    def placed_near(self, where: Floats) -> Shape:
        """The same element, its ``point`` on it nearest ``where`` (3,); a cone made to widen along its direction."""
        if self.kind in (ElementKind.CIRCLE, ElementKind.SPHERE):
            return self
        along = float((where - self.point) @ self.direction)
        if self.kind is ElementKind.PLANE:
            return replace(self, point=where - along * self.direction)
        radius = self.radius + along * float(np.tan(self.half_angle))
        sign = -1.0 if self.half_angle < 0 else 1.0
        return replace(
            self,
            point=self.point + along * self.direction,
            direction=sign * self.direction,
            radius=radius,
            half_angle=sign * self.half_angle,
        )

    def scaled(self, factor: float, shift: Floats) -> Shape:
        """Lengths times ``factor``, then moved by ``shift`` (3,)."""
        return replace(self, point=self.point * factor + shift, radius=self.radius * factor)


def turned(direction: Floats, rotation_rad: Floats) -> Floats:
    """Unit vector (3,) turned by a rotation vector (3,)."""
    angle = float(np.linalg.norm(rotation_rad))
    if angle == 0.0:
        return direction
    axis = rotation_rad / angle
    cosine, sine = np.cos(angle), np.sin(angle)
    result = direction * cosine + np.cross(axis, direction) * sine + axis * float(axis @ direction) * (1 - cosine)
    unit: Floats = result / np.linalg.norm(result)
    return unit


def across(direction: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors (3,) square to ``direction`` (3,) and to each other."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    first = np.cross(direction, helper)
    first = first / np.linalg.norm(first)
    return first, np.cross(direction, first)


def along(columns: Floats, direction: Floats) -> Floats:
    """Component (n,) of columns (3, n)."""
    part: Floats = columns[0] * direction[0] + columns[1] * direction[1] + columns[2] * direction[2]
    return part


def freedoms(shape: Shape, *, is_direction_fixed: bool = False) -> Floats:
    """Basis (8, k) of the motions that change the element."""
    first, second = across(shape.direction)
    shifts = {
        ElementKind.PLANE: [shape.direction],
        ElementKind.CIRCLE: [*np.eye(3)],
        ElementKind.SPHERE: [*np.eye(3)],
    }.get(shape.kind, [first, second])
    turns = [] if is_direction_fixed or shape.kind is ElementKind.SPHERE else [first, second]
    columns = []
    for start, vectors in ((0, shifts), (3, turns)):
        for vector in vectors:
            column = np.zeros(FREEDOM_COUNT)
            column[start : start + 3] = vector
            columns.append(column)
    if shape.kind in ROUND:
        columns.append(np.eye(FREEDOM_COUNT)[RADIUS_INDEX])
    if shape.kind is ElementKind.CONE:
        columns.append(np.eye(FREEDOM_COUNT)[ANGLE_INDEX])
    return np.column_stack(columns)


def distances(shape: Shape, columns: Floats) -> Floats:
    """Distances (c, n), c = 2 for curves, else 1: line (two ways across), circle (in its plane, out of it)."""
    offset = columns - shape.point[:, None]
    if shape.kind is ElementKind.LINE:
        first, second = across(shape.direction)
        return np.stack([along(offset, first), along(offset, second)])
    if shape.kind is ElementKind.PLANE:
        return along(offset, shape.direction)[None]
    if shape.kind is ElementKind.SPHERE:
        return (np.sqrt(along(offset**2, np.ones(3))) - shape.radius)[None]
    height = along(offset, shape.direction)
    reach = _reach(offset, height, shape.direction)[1]
    if shape.kind is ElementKind.CIRCLE:
        return np.stack([reach - shape.radius, height])
    if shape.kind is ElementKind.CYLINDER:
        return (reach - shape.radius)[None]
    cosine, sine = np.cos(shape.half_angle), np.sin(shape.half_angle)
    away: Floats = (reach - shape.radius) * cosine - height * sine
    return away[None]


def derivatives(shape: Shape, columns: Floats) -> tuple[Floats, Floats]:
    """Derivatives (c, 8, n) of the distances by the element's motions, and the distances (c, n)."""
    offset = columns - shape.point[:, None]
    if shape.kind is ElementKind.LINE:
        both = across(shape.direction)
        rows = [_rows(offset, np.broadcast_to(item[:, None], offset.shape)) for item in both]
        return np.stack(rows), np.stack([along(offset, item) for item in both])
    normal = normals(shape, columns)
    rows = [_rows(offset, normal)]
    if shape.kind is ElementKind.CIRCLE:
        rows.append(_rows(offset, np.broadcast_to(shape.direction[:, None], offset.shape)))
    if shape.kind in ROUND:
        rows[0][RADIUS_INDEX] = -np.cos(shape.half_angle)
    found = distances(shape, columns)
    if shape.kind is ElementKind.CONE:
        height = along(offset, shape.direction)
        reach = _reach(offset, height, shape.direction)[1]
        sine, cosine = np.sin(shape.half_angle), np.cos(shape.half_angle)
        rows[0][ANGLE_INDEX] = -(reach - shape.radius) * sine - height * cosine
    return np.stack(rows), found


def normals(shape: Shape, columns: Floats) -> Floats:
    """Unit outward normals (3, n) at the points; of line and circle, the direction away from the axis."""
    offset = columns - shape.point[:, None]
    if shape.kind is ElementKind.PLANE:
        return np.broadcast_to(shape.direction[:, None], offset.shape)
    if shape.kind is ElementKind.SPHERE:
        length = np.sqrt(along(offset**2, np.ones(3)))
        away: Floats = offset / np.where(length > 0, length, 1.0)
        return away
    flat, reach = _reach(offset, along(offset, shape.direction), shape.direction)
    outward: Floats = flat / np.where(reach > 0, reach, 1.0)
    if shape.kind is ElementKind.CONE:
        outward = outward * np.cos(shape.half_angle) - np.sin(shape.half_angle) * shape.direction[:, None]
    return outward


def signed(found: Floats, kind: ElementKind) -> Floats:
    """One distance (n,) a point from ``distances``: of a line how far off, of a circle in its plane."""
    one: Floats = np.hypot(found[0], found[1]) if kind is ElementKind.LINE else found[0]
    return one


def gram(rows: Floats, weights: Floats, others: Floats) -> Floats:
    """Sum of rows (c, k, n) weighted (c, n) times others (c, l, n): (k, l), the same whatever the thread count."""
    total = np.zeros((rows.shape[1], others.shape[1]))
    for left, weight, right in zip(rows * weights[:, None, :], weights, others, strict=True):
        whole = len(weight) // CHUNK * CHUNK
        if whole:
            first = left[:, :whole].reshape(len(left), -1, CHUNK).transpose(1, 0, 2)
            second = right[:, :whole].reshape(len(right), -1, CHUNK).transpose(1, 2, 0)
            total += np.matmul(first, second).sum(axis=0)
        total += left[:, whole:] @ right[:, whole:].T
    return total


def angles(shape: Shape, columns: Floats) -> Floats:
    """Angle (n,) round the axis, 0 to 2 pi."""
    first, second = across(shape.direction)
    offset = columns - shape.point[:, None]
    angle: Floats = np.mod(np.arctan2(along(offset, second), along(offset, first)), 2 * np.pi)
    return angle


def cells(shape: Shape, columns: Floats, edge: float) -> Ints:
    """Number (n,) of the patch of the element's own surface, about ``edge`` wide, that each point lies over."""
    offset = columns - shape.point[:, None]
    height = along(offset, shape.direction)
    if shape.kind is ElementKind.PLANE:
        first, second = across(shape.direction)
        return _numbered(_steps(along(offset, first), edge), _steps(along(offset, second), edge))
    if shape.kind is ElementKind.LINE:
        return _numbered(_steps(height, edge), np.zeros(len(height), dtype=np.int64))
    band, girth = _bands(shape, offset, height, edge)
    count = np.maximum(1, np.round(girth / edge)).astype(np.int64)
    ring = np.minimum((angles(shape, columns) / (2 * np.pi) * count).astype(np.int64), count - 1)
    return _numbered(band, ring)


def patch_cells(shape: Shape, columns: Floats, wanted: int) -> Ints:
    """Number (n,) of the patch of the element's surface each point lies over, about ``wanted`` patches in all."""
    edge = float(np.ptp(columns, axis=1).max()) / max(1.0, np.sqrt(wanted))
    for _ in range(4):
        cell = cells(shape, columns, edge)
        found = int(cell.max()) + 1
        if 0.8 * wanted <= found <= 1.25 * wanted:
            break
        power = 1.0 if shape.kind in (ElementKind.LINE, ElementKind.CIRCLE) else 0.5
        edge *= float(np.clip((found / wanted) ** power, 0.1, 4.0))
    return cell


def _bands(shape: Shape, offset: Floats, height: Floats, edge: float) -> tuple[Ints, Floats]:
    """Band (n,) along the axis or from the pole, and the girth (n,) of the element at its middle."""
    if shape.kind is ElementKind.CIRCLE:
        return np.zeros(len(height), dtype=np.int64), np.full(len(height), 2 * np.pi * shape.radius)
    if shape.kind is ElementKind.SPHERE:
        length = np.sqrt(along(offset**2, np.ones(3)))
        polar = np.arccos(np.clip(height / np.where(length > 0, length, 1.0), -1, 1))
        count = max(1, round(np.pi * shape.radius / edge))
        band = np.minimum((polar / np.pi * count).astype(np.int64), count - 1)
        return band, 2 * np.pi * shape.radius * np.sin((band + 0.5) * np.pi / count)
    cosine = np.cos(shape.half_angle)
    start = float(height.min())
    band = _steps(height / cosine, edge)
    middle = start + (band + 0.5) * edge * cosine
    return band, 2 * np.pi * np.abs(shape.radius + middle * np.tan(shape.half_angle))


def _steps(values: Floats, edge: float) -> Ints:
    step: Ints = np.floor((values - values.min()) / edge).astype(np.int64)
    return step


def _numbered(first: Ints, second: Ints) -> Ints:
    _, number = np.unique(first * (int(second.max()) + 1) + second, return_inverse=True)
    return np.asarray(number, dtype=np.int64).reshape(-1)


def _reach(offset: Floats, height: Floats, direction: Floats) -> tuple[Floats, Floats]:
    flat = offset - height * direction[:, None]
    return flat, np.sqrt(flat[0] ** 2 + flat[1] ** 2 + flat[2] ** 2)


def _rows(offset: Floats, normal: Floats) -> Floats:
    rows = np.zeros((FREEDOM_COUNT, offset.shape[1]))
    rows[:3] = -normal
    rows[3] = offset[2] * normal[1] - offset[1] * normal[2]
    rows[4] = offset[0] * normal[2] - offset[2] * normal[0]
    rows[5] = offset[1] * normal[0] - offset[0] * normal[1]
    return rows
