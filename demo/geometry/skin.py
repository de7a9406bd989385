"""Points spread evenly over the true surface of a solid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_Plane, GeomAbs_Sphere
from OCP.gp import gp_Pnt, gp_Vec

from demo.geometry.facets import Facets
from demo.geometry.solids import Shape, faces_of
from worker.records import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Skin:
    """Points on the skin of a solid.

    points_mm, normals : (n, 3) float64, nominal frame, normals out of material
    face : (n,) int64, face of the solid each lies on, -1 for what is no part of it
    """

    points_mm: Floats
    normals: Floats
    face: Ints

    def kept(self, is_kept: Bools) -> Skin:
        """Only the points in the mask."""
        return Skin(self.points_mm[is_kept], self.normals[is_kept], self.face[is_kept])


def sample_skin(solid: Shape, facets: Facets, count: int, rng: np.random.Generator) -> Skin:
    """``count`` points evenly over the area, each on the true surface and not on its facet."""
    corners = facets.vertices_mm[facets.triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled_area = np.linalg.norm(cross, axis=1)
    ladder = np.cumsum(doubled_area)
    chosen = np.searchsorted(ladder, rng.uniform(0.0, ladder[-1], size=count), side="right")
    root, along = np.sqrt(rng.uniform(size=count)), rng.uniform(size=count)
    weights = np.column_stack([1.0 - root, root * (1.0 - along), root * along])
    points = np.einsum("ij,ijk->ik", weights, corners[chosen])
    parameters = np.einsum("ij,ijk->ik", weights, facets.parameters[facets.triangles[chosen]])
    skin = Skin(points, cross[chosen] / doubled_area[chosen, None], facets.triangle_face[chosen])
    return _settled(solid, skin, parameters)


def _settled(solid: Shape, skin: Skin, parameters: Floats) -> Skin:
    """The same points moved from their facets to the surface, with its normals."""
    points, normals = skin.points_mm.copy(), skin.normals.copy()
    for index, face in enumerate(faces_of(solid)):
        surface, here = BRepAdaptor_Surface(face), np.flatnonzero(skin.face == index)
        if surface.GetType() == GeomAbs_Plane or not len(here):
            continue
        if surface.GetType() == GeomAbs_Sphere:  # its parameters crowd at the poles, so go along the radius
            points[here], directions = _on_sphere(surface, points[here])
        else:
            points[here], directions = _at(surface, parameters[here])
        outward = np.sign(np.einsum("ij,ij->i", directions, normals[here]))
        normals[here] = directions * outward[:, None]
    return Skin(points, normals, skin.face)


def _on_sphere(surface: BRepAdaptor_Surface, points_mm: Floats) -> tuple[Floats, Floats]:
    ball = surface.Sphere()
    centre = np.array(ball.Location().Coord())
    directions = points_mm - centre
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    return centre + ball.Radius() * directions, directions


def _at(surface: BRepAdaptor_Surface, parameters: Floats) -> tuple[Floats, Floats]:
    place, along_u, along_v = gp_Pnt(), gp_Vec(), gp_Vec()
    rows = np.empty((len(parameters), 9))
    for row, (u, v) in zip(rows, parameters.tolist(), strict=True):
        surface.D1(u, v, place, along_u, along_v)
        row[:] = (*place.Coord(), *along_u.Coord(), *along_v.Coord())
    directions = np.cross(rows[:, 3:6], rows[:, 6:9])
    return rows[:, :3], directions / np.linalg.norm(directions, axis=1, keepdims=True)
