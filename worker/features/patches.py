"""Pieces of surface of one simple kind, whether a B-rep names them or facets show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.features.skin import Skin, lengths
from worker.records import Face, Floats, Ints, Nominal, SurfaceKind

SIMPLE = (SurfaceKind.PLANE, SurfaceKind.CYLINDER, SurfaceKind.CONE, SurfaceKind.SPHERE)


@dataclass(frozen=True, eq=False, kw_only=True)
class Patch:
    """Triangles that lie on one plane, cylinder, cone or sphere, nominal frame.

    triangles : (t,) int64, sorted;  faces : (f,) int64, B-rep faces, empty on a mesh
    point_mm : (3,) of the plane or axis (cone: where the radius is ``radius_mm``), or the centre
    direction : (3,) unit: outward normal, or axis (cone: widening); zeros for a sphere
    is_internal : material lies outside the radius
    """

    kind: SurfaceKind
    triangles: Ints
    faces: Ints
    point_mm: Floats
    direction: Floats
    radius_mm: float = 0.0
    half_angle_rad: float = 0.0
    is_internal: bool = False

    def offsets_mm(self, points_mm: Floats) -> Floats:
        """Signed distances (n,) of points (n, 3) from the surface, > 0 on the normal's side or away from the axis."""
        gap = points_mm - self.point_mm
        if self.kind is SurfaceKind.PLANE:
            height: Floats = gap @ self.direction
            return height
        if self.kind is SurfaceKind.SPHERE:
            return lengths(gap) - self.radius_mm
        along = gap @ self.direction
        out = lengths(gap - along[:, None] * self.direction)
        slope = np.tan(self.half_angle_rad)
        result: Floats = (out - self.radius_mm - along * slope) * np.cos(self.half_angle_rad)
        return result

    def form_mm(self, skin: Skin) -> float:
        """Largest distance of its vertices from the surface."""
        if not len(self.triangles):
            return 0.0
        corners = np.unique(skin.triangles[self.triangles])
        return float(np.abs(self.offsets_mm(skin.vertices_mm[corners])).max())


def is_brep(nominal: Nominal) -> bool:
    """Whether any face is more than a patch of facets."""
    return any(face.kind is not SurfaceKind.FREEFORM for face in nominal.faces)


def brep_patches(nominal: Nominal) -> tuple[Patch, ...]:
    """One patch for each plane, cylinder, cone and sphere of the B-rep that has triangles."""
    order = np.argsort(nominal.triangle_face, kind="stable")
    begin = np.searchsorted(nominal.triangle_face[order], np.arange(len(nominal.faces) + 1))
    patches = []
    for face in nominal.faces:
        own = order[begin[face.index] : begin[face.index + 1]]
        if face.kind in SIMPLE and len(own):
            patches.append(_patch(face, np.sort(own)))
    return tuple(patches)


def _patch(face: Face, triangles: Ints) -> Patch:
    if face.origin_mm is None or (face.axis is None and face.kind is not SurfaceKind.SPHERE):
        raise ValueError(f"face {face.index} is a {face.kind.value} without its parameters")
    axis = np.zeros(3) if face.axis is None else np.asarray(face.axis, dtype=np.float64)
    length = float(np.linalg.norm(axis))
    return Patch(
        kind=face.kind,
        triangles=triangles,
        faces=np.array([face.index], dtype=np.int64),
        point_mm=np.asarray(face.origin_mm, dtype=np.float64),
        direction=axis / length if length > 0 else axis,
        radius_mm=float(face.radius_mm or 0.0),
        half_angle_rad=float(face.half_angle_rad or 0.0),
        is_internal=face.is_hole,
    )


def owners(patches: Sequence[Patch], triangle_count: int) -> Ints:
    """(m,) which patch each triangle belongs to, -1 for none."""
    owner = np.full(triangle_count, -1, dtype=np.int64)
    for index, patch in enumerate(patches):
        owner[patch.triangles] = index
    return owner
