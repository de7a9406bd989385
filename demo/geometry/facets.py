"""Turn a solid into triangles that know their face."""

from __future__ import annotations

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
    triangles : (m, 3) int64, counter-clockwise seen from outside material
    triangle_face : (m,) int64, index into the faces of the solid in their fixed order
    """

    vertices_mm: Floats
    triangles: Ints
    triangle_face: Ints


def facets_of(solid: Shape, *, chord_mm: float = 0.003, angle_rad: float = 0.15) -> Facets:
    """Triangulate; no triangle lies farther than ``chord_mm`` from the surface it stands for."""
    BRepMesh_IncrementalMesh(solid, chord_mm, False, angle_rad, False)
    vertices, triangles, owners = [], [], []
    offset = 0
    for index, face in enumerate(faces_of(solid)):
        points, corners = _face_facets(face)
        vertices.append(points)
        triangles.append(corners + offset)
        owners.append(np.full(len(corners), index, dtype=np.int64))
        offset += len(points)
    return Facets(np.concatenate(vertices), np.concatenate(triangles), np.concatenate(owners))


def _face_facets(face: Shape) -> tuple[Floats, Ints]:
    location = TopLoc_Location()
    mesh = BRep_Tool.Triangulation_s(face, location)
    if mesh is None:
        raise ValueError("a face could not be triangulated")
    motion = location.Transformation()
    nodes = (mesh.Node(i).Transformed(motion) for i in range(1, mesh.NbNodes() + 1))
    points = np.array([(node.X(), node.Y(), node.Z()) for node in nodes], dtype=np.float64)
    corners = np.array([mesh.Triangle(i).Get() for i in range(1, mesh.NbTriangles() + 1)], dtype=np.int64) - 1
    return points, corners[:, ::-1] if face.Orientation() == TopAbs_REVERSED else corners
