"""Turn a solid into triangles that know their face."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.TopAbs import TopAbs_REVERSED
from OCP.TopLoc import TopLoc_Location

from demo.geometry.solids import Shape, faces_of
from worker.records import Floats, Ints


@dataclass(frozen=True, eq=False)
class Facets:
    """Triangles of a solid; vertices lie on its true surface and are not shared between faces.

    vertices_mm : (n, 3) float64, mm
    parameters : (n, 2) float64, where each vertex lies on its face's surface, in that surface's own u and v
    triangles : (m, 3) int64, counter-clockwise seen from outside material
    triangle_face : (m,) int64, index into the faces of the solid in their fixed order
    """

    vertices_mm: Floats
    parameters: Floats
    triangles: Ints
    triangle_face: Ints


def facets_of(solid: Shape, *, chord_mm: float = 0.02, angle_rad: float = 0.3) -> Facets:
    """Triangulate with the mesher's aim that no triangle lies farther than ``chord_mm`` from the surface."""
    BRepMesh_IncrementalMesh(solid, chord_mm, False, angle_rad, True)  # in parallel, yet the same triangles
    parts = [_face_facets(face) for face in faces_of(solid)]
    starts = np.cumsum([0] + [len(points) for points, _, _ in parts])
    return Facets(
        np.concatenate([points for points, _, _ in parts]),
        np.concatenate([parameters for _, parameters, _ in parts]),
        np.concatenate([corners + start for (_, _, corners), start in zip(parts, starts, strict=False)]),
        np.repeat(np.arange(len(parts)), [len(corners) for _, _, corners in parts]),
    )


def _face_facets(face: Shape) -> tuple[Floats, Floats, Ints]:
    location = TopLoc_Location()
    mesh = BRep_Tool.Triangulation_s(face, location)
    if mesh is None:
        raise ValueError("a face could not be triangulated")
    motion, numbers = location.Transformation(), range(1, mesh.NbNodes() + 1)
    points = _array((p.X(), p.Y(), p.Z()) for p in (mesh.Node(i).Transformed(motion) for i in numbers))
    parameters = _array((p.X(), p.Y()) for p in (mesh.UVNode(i) for i in numbers))
    corners = np.array([mesh.Triangle(i).Get() for i in range(1, mesh.NbTriangles() + 1)], dtype=np.int64) - 1
    return points, parameters, corners[:, ::-1] if face.Orientation() == TopAbs_REVERSED else corners


def _array(rows: Iterable[tuple[float, ...]]) -> Floats:
    return np.array(list(rows), dtype=np.float64)
