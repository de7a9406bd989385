"""Exact distance and normal of the analytic faces of a STEP file, without facets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Face, Floats, Ints, SurfaceKind

Exact = tuple[Floats, Floats]
_SIZES = ("radius_mm", "minor_radius_mm", "half_angle_rad", "side")


@dataclass(frozen=True, eq=False)
class FaceTable:
    """Parameters of all faces as arrays, so that points of many faces are measured at once.

    origin_mm, axis : (f, 3);  radius_mm, minor_radius_mm, half_angle_rad, side : (f,)
    side : +1, or -1 where the outward normal points to the axis
    kinds : for each analytic kind, mask (f,) of the faces of that kind
    """

    origin_mm: Floats
    axis: Floats
    radius_mm: Floats
    minor_radius_mm: Floats
    half_angle_rad: Floats
    side: Floats
    kinds: dict[SurfaceKind, Bools]

    def without(self, faces: Ints) -> FaceTable:
        """The same table with some faces left to their facets."""
        kinds = {kind: mask.copy() for kind, mask in self.kinds.items()}
        for mask in kinds.values():
            mask[faces] = False
        return FaceTable(
            self.origin_mm, self.axis, self.radius_mm, self.minor_radius_mm, self.half_angle_rad, self.side, kinds
        )

    def agrees(self, other: FaceTable, faces: Ints) -> bool:
        """Whether both measure some faces alike."""
        mine, its = (
            np.column_stack([one.origin_mm, one.axis, *(getattr(one, name) for name in _SIZES), *one.kinds.values()])
            for one in (self, other)
        )
        return bool(np.array_equal(mine[faces], its[faces], equal_nan=True))

    @property
    def is_analytic(self) -> Bools:
        """(f,) faces this table measures exactly."""
        analytic: Bools = np.logical_or.reduce(list(self.kinds.values()))
        return analytic


def face_table(faces: Sequence[Face]) -> FaceTable:
    """Collect the parameters of ``faces``; a face with one missing counts as freeform."""
    missing = np.full(3, np.nan)

    def column(name: str, default: float) -> Floats:
        values = [getattr(face, name) for face in faces]
        return np.array([default if value is None else value for value in values], dtype=np.float64)

    origin = np.array([missing if face.origin_mm is None else face.origin_mm for face in faces]).reshape(-1, 3)
    axis = np.array([_axis(face) for face in faces]).reshape(-1, 3)
    table = FaceTable(
        origin_mm=origin,
        axis=axis,
        radius_mm=column("radius_mm", np.nan),
        minor_radius_mm=column("minor_radius_mm", np.nan),
        half_angle_rad=column("half_angle_rad", np.nan),
        side=np.where([face.is_hole for face in faces], -1.0, 1.0),
        kinds={kind: np.array([face.kind is kind for face in faces], dtype=bool) for kind in _MEASURE},
    )
    for kind, is_kind in table.kinds.items():
        needed = np.column_stack([origin, axis, *(getattr(table, name) for name in _NEEDED[kind])])
        np.logical_and(is_kind, np.isfinite(needed).all(axis=1), out=is_kind)
    return table


def exact_distance(table: FaceTable, face: Ints, points_mm: Floats) -> tuple[Floats, Floats, Bools]:
    """Signed distance to the untrimmed surface of each point's face, > 0 outside material.

    face : (n,) int64;  points_mm : (n, 3) float64, mm, nominal frame

    Returns distance (n,) mm, outward unit normal (n, 3) at the foot, and the mask (n,) of the
    points whose face is analytic; elsewhere both mean nothing.
    """
    distance, normal = np.zeros(len(points_mm)), np.zeros((len(points_mm), 3))
    is_exact = np.zeros(len(points_mm), dtype=bool)
    for kind, measure in _MEASURE.items():
        if not table.kinds[kind].any():
            continue
        rows = np.flatnonzero(table.kinds[kind][face])
        own = face[rows]
        raw, direction = measure(table, own, points_mm[rows] - table.origin_mm[own])
        side = 1.0 if kind is SurfaceKind.PLANE else table.side[own]
        distance[rows], normal[rows] = side * raw, (side * direction.T).T
        is_exact[rows] = np.isfinite(raw)
    return distance, normal, is_exact


def _axis(face: Face) -> Floats:
    if face.axis is None:  # a sphere needs none, anything else cannot do without
        return np.array([0.0, 0.0, 1.0]) if face.kind is SurfaceKind.SPHERE else np.full(3, np.nan)
    return np.asarray(face.axis, dtype=np.float64) / np.linalg.norm(face.axis)


def _dot(first: Floats, second: Floats) -> Floats:
    product: Floats = np.einsum("ij,ij->i", first, second)
    return product


def _plane(table: FaceTable, face: Ints, offset: Floats) -> Exact:
    axis = table.axis[face]
    return _dot(offset, axis), axis


def _radial(table: FaceTable, face: Ints, offset: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Height along the axis, distance from it, unit radial direction, axis."""
    axis = table.axis[face]
    height = _dot(offset, axis)
    radial = offset - height[:, None] * axis
    length = np.sqrt(_dot(radial, radial))
    return height, length, radial / np.where(length > 0, length, 1.0)[:, None], axis


def _cylinder(table: FaceTable, face: Ints, offset: Floats) -> Exact:
    _, length, outward, _ = _radial(table, face, offset)
    return length - table.radius_mm[face], outward


def _cone(table: FaceTable, face: Ints, offset: Floats) -> Exact:
    height, length, outward, axis = _radial(table, face, offset)
    cosine, sine = np.cos(table.half_angle_rad[face]), np.sin(table.half_angle_rad[face])
    distance = (length - table.radius_mm[face]) * cosine - height * sine
    return distance, cosine[:, None] * outward - sine[:, None] * axis


def _sphere(table: FaceTable, face: Ints, offset: Floats) -> Exact:
    length = np.sqrt(_dot(offset, offset))
    return length - table.radius_mm[face], offset / np.where(length > 0, length, 1.0)[:, None]


def _torus(table: FaceTable, face: Ints, offset: Floats) -> Exact:
    height, length, outward, axis = _radial(table, face, offset)
    across = length - table.radius_mm[face]
    tube = np.hypot(across, height)
    scale = np.where(tube > 0, tube, 1.0)
    normal = (across / scale)[:, None] * outward + (height / scale)[:, None] * axis
    return tube - table.minor_radius_mm[face], normal


_MEASURE: dict[SurfaceKind, Callable[[FaceTable, Ints, Floats], Exact]] = {
    SurfaceKind.PLANE: _plane,
    SurfaceKind.CYLINDER: _cylinder,
    SurfaceKind.CONE: _cone,
    SurfaceKind.SPHERE: _sphere,
    SurfaceKind.TORUS: _torus,
}
_NEEDED: dict[SurfaceKind, tuple[str, ...]] = {
    SurfaceKind.PLANE: (),
    SurfaceKind.CYLINDER: ("radius_mm",),
    SurfaceKind.CONE: ("radius_mm", "half_angle_rad"),
    SurfaceKind.SPHERE: ("radius_mm",),
    SurfaceKind.TORUS: ("radius_mm", "minor_radius_mm"),
}
