"""What kind of surface a B-rep face lies on, checked against its own triangles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepGProp import BRepGProp
from OCP.GeomAbs import GeomAbs_Cone, GeomAbs_Cylinder, GeomAbs_Plane, GeomAbs_Sphere, GeomAbs_Torus
from OCP.GProp import GProp_GProps
from OCP.TopoDS import TopoDS

from worker.reading.parsed import Floats, Ints
from worker.reading.shape import area_vectors, lengths_of

ON_SURFACE_MM = 1e-3  # vertices lie on the true surface to about 1e-7 mm; a wrong axis or radius shows at once
Fields = dict[str, Any]


@dataclass(frozen=True, eq=False)
class FaceTriangles:
    """One face cut into triangles.

    points : (n, 3) float64, mm, nominal frame
    triangles : (m, 3) int64, counter-clockwise seen from outside material
    chord_mm : farthest a triangle was found from the surface
    """

    points: Floats
    triangles: Ints
    chord_mm: float


def describe(index: int, face: Any, location: Any, piece: FaceTriangles) -> tuple[Fields, str | None]:
    """Fields of ``worker.records.Face`` in JSON types, and a note if the face is not what it claims.

    A face whose vertices do not lie on its analytic surface is called freeform.
    """
    placed = TopoDS.Face(face.Moved(location))
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(placed, properties)
    fields: Fields = {"index": index, "kind": "freeform", "area_mm2": abs(float(properties.Mass()))}
    if not len(piece.triangles):
        return fields, None
    surface = BRepAdaptor_Surface(placed)
    reader = _BY_TYPE.get(surface.GetType())
    if reader is None:
        return fields, None
    analytic, offsets, outward = reader(surface, piece.points)
    if float(np.abs(offsets).max()) > ON_SURFACE_MM:
        return fields, f"Face {index} strays from its own {analytic['kind']} and is treated as freeform."
    return fields | _with_side(analytic, outward, piece), None


def _with_side(analytic: Fields, outward: Floats, piece: FaceTriangles) -> Fields:
    """Set ``is_hole``, or turn a plane's normal, by the side the triangles face.

    outward : (n, 3) direction away from the axis or centre (plane: its normal) at every point
    """
    at_triangles = outward[piece.triangles].sum(axis=1)
    faces_inward = float(np.einsum("ij,ij->", at_triangles, area_vectors(piece.points, piece.triangles))) < 0
    if analytic["kind"] == "plane":
        return analytic | {"axis": [-value for value in analytic["axis"]]} if faces_inward else analytic
    return analytic | {"is_hole": faces_inward}


def _plane(surface: Any, points: Floats) -> tuple[Fields, Floats, Floats]:
    plane = surface.Plane()
    origin, axis = _vector(plane.Location()), _vector(plane.Axis().Direction())
    fields: Fields = {"kind": "plane", "origin_mm": origin.tolist(), "axis": axis.tolist()}
    return fields, (points - origin) @ axis, np.broadcast_to(axis, points.shape)


def _cylinder(surface: Any, points: Floats) -> tuple[Fields, Floats, Floats]:
    cylinder = surface.Cylinder()
    origin, axis = _vector(cylinder.Location()), _vector(cylinder.Axis().Direction())
    radial, _ = _about_axis(points, origin, axis)
    radius = float(cylinder.Radius())
    fields: Fields = {"kind": "cylinder", "origin_mm": origin.tolist(), "axis": axis.tolist(), "radius_mm": radius}
    return fields, lengths_of(radial) - radius, radial


def _cone(surface: Any, points: Floats) -> tuple[Fields, Floats, Floats]:
    cone = surface.Cone()
    origin, axis = _vector(cone.Location()), _vector(cone.Axis().Direction())
    angle, radius = float(cone.SemiAngle()), float(cone.RefRadius())
    if angle < 0:
        axis, angle = -axis, -angle
    radial, along = _about_axis(points, origin, axis)
    if float(np.median(radius + along * np.tan(angle))) < 0:  # the face lies on the other side of the apex
        axis, along, radius = -axis, -along, -radius
        origin, along, radius = _off_apex(origin, axis, along, radius, angle)
    fields: Fields = {
        "kind": "cone",
        "origin_mm": origin.tolist(),
        "axis": axis.tolist(),
        "radius_mm": radius,
        "half_angle_rad": angle,
    }
    return fields, (lengths_of(radial) - radius - along * np.tan(angle)) * np.cos(angle), radial


def _off_apex(origin: Floats, axis: Floats, along: Floats, radius: float, angle: float) -> tuple[Floats, Floats, float]:
    """Shift a cone's reference to where its radius is not negative: the middle of the points."""
    shift = float(np.median(along))
    return origin + shift * axis, along - shift, radius + shift * float(np.tan(angle))


def _sphere(surface: Any, points: Floats) -> tuple[Fields, Floats, Floats]:
    sphere = surface.Sphere()
    centre, radius = _vector(sphere.Location()), float(sphere.Radius())
    away = points - centre
    return {"kind": "sphere", "origin_mm": centre.tolist(), "radius_mm": radius}, lengths_of(away) - radius, away


def _torus(surface: Any, points: Floats) -> tuple[Fields, Floats, Floats]:
    torus = surface.Torus()
    centre, axis = _vector(torus.Location()), _vector(torus.Axis().Direction())
    major, minor = float(torus.MajorRadius()), float(torus.MinorRadius())
    radial, along = _about_axis(points, centre, axis)
    distance = lengths_of(radial)
    unit = np.divide(radial, distance[:, None], out=np.zeros_like(radial), where=distance[:, None] > 0)
    from_tube = radial - major * unit + along[:, None] * axis
    fields: Fields = {
        "kind": "torus",
        "origin_mm": centre.tolist(),
        "axis": axis.tolist(),
        "radius_mm": major,
        "minor_radius_mm": minor,
    }
    return fields, lengths_of(from_tube) - minor, from_tube


_BY_TYPE: dict[Any, Callable[[Any, Floats], tuple[Fields, Floats, Floats]]] = {
    GeomAbs_Plane: _plane,
    GeomAbs_Cylinder: _cylinder,
    GeomAbs_Cone: _cone,
    GeomAbs_Sphere: _sphere,
    GeomAbs_Torus: _torus,
}


def _about_axis(points: Floats, origin: Floats, axis: Floats) -> tuple[Floats, Floats]:
    """(n, 3) from the axis to each point, and (n,) position along it."""
    offset = points - origin
    along = offset @ axis
    return offset - along[:, None] * axis, along


def _vector(item: Any) -> Floats:
    return np.array([item.X(), item.Y(), item.Z()])
