"""Solids of simple shape through OpenCASCADE, and their tessellation as our own records."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeWire
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakePipe, BRepOffsetAPI_ThruSections
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeSphere,
)
from OCP.collections import List_TopoDS_Shape
from OCP.GC import GC_MakeArcOfCircle
from OCP.GeomAbs import GeomAbs_Circle, GeomAbs_Line
from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Elips, gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_REVERSED
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from worker.reading.brep_face import FaceTriangles, describe
from worker.records import Face, Floats, Ints, Nominal, SurfaceKind

Point = Sequence[float]
MERGE_STEP_MM = 1e-6  # shared edges are meshed once, so equal vertices agree far below this


@dataclass(frozen=True, eq=False)
class Tool:
    """A solid with the name its faces keep in the finished part."""

    name: str
    shape: Any


def box(corner_mm: Point, size_mm: Point) -> Any:
    """Axis-parallel box from its least corner."""
    return BRepPrimAPI_MakeBox(gp_Pnt(*corner_mm), *(float(edge) for edge in size_mm)).Shape()


def cylinder(start_mm: Point, axis: Point, radius_mm: float, length_mm: float) -> Any:
    """Cylinder from the centre of its first end along ``axis``."""
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*start_mm), gp_Dir(*axis)), radius_mm, length_mm).Shape()


def sphere(centre_mm: Point, radius_mm: float) -> Any:
    """Whole sphere."""
    return BRepPrimAPI_MakeSphere(gp_Pnt(*centre_mm), radius_mm).Shape()


def cone(start_mm: Point, axis: Point, radii_mm: tuple[float, float], length_mm: float) -> Any:
    """Frustum from the centre of its first end along ``axis``; a radius of zero is an apex."""
    return BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(*start_mm), gp_Dir(*axis)), *radii_mm, length_mm).Shape()


def obround(ends_mm: tuple[Point, Point], axis: Point, radius_mm: float, length_mm: float) -> Any:
    """Bar of obround section: half-round ends at both points, swept along ``axis``."""
    start, end = (np.asarray(point, dtype=np.float64) for point in ends_mm)
    along = (end - start) / np.linalg.norm(end - start)
    up = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    side = radius_mm * np.cross(up, along)
    wire = BRepBuilderAPI_MakeWire()
    for one, other, bulge in ((start, end, along), (end, start, -along)):
        left, right = (one - side, other - side) if one is start else (one + side, other + side)
        wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(*left), gp_Pnt(*right)).Edge())
        last = other + side if one is start else other - side
        round_end = GC_MakeArcOfCircle(gp_Pnt(*right), gp_Pnt(*(other + radius_mm * bulge)), gp_Pnt(*last)).Value()
        wire.Add(BRepBuilderAPI_MakeEdge(round_end).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(*(length_mm * up))).Shape()


def rounded(shape: Any, radius_mm: float, *, along: Point | None = None) -> Any:
    """Fillets on all straight edges, or on those parallel to ``along`` only."""
    maker = BRepFilletAPI_MakeFillet(shape)
    explorer = TopExp_Explorer(shape, TopAbs_EDGE)
    seen: list[Any] = []
    while explorer.More():
        edge = TopoDS.Edge(explorer.Current())
        explorer.Next()
        curve = BRepAdaptor_Curve(edge)
        if curve.GetType() != GeomAbs_Line or any(edge.IsSame(other) for other in seen):
            continue
        seen.append(edge)
        if along is None or abs(curve.Line().Direction().Dot(gp_Dir(*along))) > 0.999:
            maker.Add(radius_mm, edge)
    return maker.Shape()


def blended(shape: Any, centre_mm: Point, circle_radius_mm: float, radius_mm: float) -> Any:
    """A fillet on the circular edges with this centre and radius."""
    maker = BRepFilletAPI_MakeFillet(shape)
    explorer = TopExp_Explorer(shape, TopAbs_EDGE)
    while explorer.More():
        edge = TopoDS.Edge(explorer.Current())
        explorer.Next()
        curve = BRepAdaptor_Curve(edge)
        if curve.GetType() == GeomAbs_Circle:
            circle = curve.Circle()
            is_there = circle.Location().Distance(gp_Pnt(*centre_mm)) < 1e-6
            if is_there and abs(circle.Radius() - circle_radius_mm) < 1e-6:
                maker.Add(radius_mm, edge)
    return maker.Shape()


def loft(sections: Sequence[tuple[Point, Point, tuple[float, float]]]) -> Any:
    """Freeform passage through ellipses: centre, normal and two half axes of each, smooth between them."""
    maker = BRepOffsetAPI_ThruSections(True, False)
    for centre, normal, (major, minor) in sections:
        ellipse = gp_Elips(gp_Ax2(gp_Pnt(*centre), gp_Dir(*normal)), major, minor)
        maker.AddWire(BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(ellipse).Edge()).Wire())
    maker.Build()
    return maker.Shape()


def prism(outline_mm: Sequence[Point], extrusion_mm: Point) -> Any:
    """Flat polygon (3D corners in order) swept along a vector."""
    wire = BRepBuilderAPI_MakeWire()
    for start, end in zip(outline_mm, (*outline_mm[1:], outline_mm[0]), strict=True):
        wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(*start), gp_Pnt(*end)).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(*extrusion_mm)).Shape()


def bent_tube(start_mm: Point, corner_mm: Point, end_mm: Point, *, radius_mm: float, bend_mm: float) -> Any:
    """Round bar along start - corner - end, the right-angled corner rounded with ``bend_mm``."""
    start, corner, end = (np.asarray(point, dtype=np.float64) for point in (start_mm, corner_mm, end_mm))
    first, second = (corner - start) / np.linalg.norm(corner - start), (end - corner) / np.linalg.norm(end - corner)
    arc_start, arc_end = corner - bend_mm * first, corner + bend_mm * second
    arc_middle = corner + bend_mm * (1 - np.sqrt(0.5)) * (second - first)
    wire = BRepBuilderAPI_MakeWire()
    wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(*start), gp_Pnt(*arc_start)).Edge())
    arc = GC_MakeArcOfCircle(gp_Pnt(*arc_start), gp_Pnt(*arc_middle), gp_Pnt(*arc_end)).Value()
    wire.Add(BRepBuilderAPI_MakeEdge(arc).Edge())
    wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(*arc_end), gp_Pnt(*end)).Edge())
    rim = BRepBuilderAPI_MakeEdge(gp_Circ(gp_Ax2(gp_Pnt(*start), gp_Dir(*first)), radius_mm)).Edge()
    disc = BRepBuilderAPI_MakeFace(BRepBuilderAPI_MakeWire(rim).Wire()).Face()
    return BRepOffsetAPI_MakePipe(wire.Wire(), disc).Shape()


def fuse(shapes: Sequence[Any]) -> Any:
    """Union of all."""
    return _combined(BRepAlgoAPI_Fuse(), shapes[:1], shapes[1:]).Shape() if len(shapes) > 1 else shapes[0]


def cut(shape: Any, tools: Sequence[Any]) -> Any:
    """What is left of ``shape`` outside all tools."""
    return _combined(BRepAlgoAPI_Cut(), [shape], tools).Shape()


def cut_named(shape: Any, tools: Sequence[Tool]) -> tuple[Any, list[tuple[Any, str]]]:
    """Cut as above, and the name of the tool behind each face of the result."""
    operation = _combined(BRepAlgoAPI_Cut(), [shape], [tool.shape for tool in tools])
    names: list[tuple[Any, str]] = []
    for tool in tools:
        for face in faces_of(tool.shape):
            images = list(operation.Modified(face))
            names.extend((image, tool.name) for image in images or [face])
    return operation.Shape(), names


def _combined(operation: Any, arguments: Sequence[Any], tools: Sequence[Any]) -> Any:
    for values, assign in ((arguments, operation.SetArguments), (tools, operation.SetTools)):
        items = List_TopoDS_Shape()
        for value in values:
            items.Append(value)
        assign(items)
    operation.Build()
    assert operation.IsDone(), "boolean operation failed"
    return operation


def faces_of(shape: Any) -> Iterable[Any]:
    """The faces of a shape in the kernel's own, repeatable order."""
    explorer = TopExp_Explorer(shape, TopAbs_FACE)
    while explorer.More():
        yield TopoDS.Face(explorer.Current())
        explorer.Next()


def tessellated(
    shape: Any,
    names: Sequence[tuple[Any, str]] = (),
    *,
    chord_mm: float = 0.05,
    angle_rad: float = 0.2,
    with_surfaces: bool = False,
) -> Nominal:
    """Triangles of a solid as the reading stage would hand them over; faces carry their names.

    with_surfaces : faces know their planes, cylinders and so on, as those of a STEP file do
    """
    BRepMesh_IncrementalMesh(shape, chord_mm, False, angle_rad, False)
    soup, owner, faces = [], [], []
    for index, face in enumerate(faces_of(shape)):
        corners = _without_slivers(_face_triangles(face))
        soup.append(corners)
        owner.append(np.full(len(corners), index, dtype=np.int64))
        name = next((name for tool, name in names if tool.IsSame(face)), None)
        plain = Face(index=index, kind=SurfaceKind.FREEFORM, area_mm2=float(_areas(corners).sum()), name=name)
        faces.append(_described(plain, face, corners) if with_surfaces else plain)
    vertices, triangles = _merged(np.concatenate(soup))
    return Nominal(
        vertices_mm=vertices,
        triangles=triangles,
        triangle_face=np.concatenate(owner),
        faces=tuple(faces),
        chord_tolerance_mm=chord_mm,
        angular_tolerance_rad=angle_rad,
        declared_unit="mm",
        is_watertight=_is_closed(triangles),
    )


def _described(plain: Face, face: Any, corners: Floats) -> Face:
    triangles = np.arange(3 * len(corners), dtype=np.int64).reshape(-1, 3)
    piece = FaceTriangles(corners.reshape(-1, 3), triangles, 0.0)
    fields, _ = describe(plain.index, face, TopLoc_Location(), piece)
    fields.update({key: np.array(fields[key]) for key in ("origin_mm", "axis") if key in fields})
    return replace(plain, **(fields | {"kind": SurfaceKind(fields["kind"])}))


def _face_triangles(face: Any) -> Floats:
    location = TopLoc_Location()
    mesh = BRep_Tool.Triangulation_s(face, location)
    motion = location.Transformation()
    nodes = np.array([_xyz(mesh.Node(i + 1).Transformed(motion)) for i in range(mesh.NbNodes())])
    corners = np.array([mesh.Triangle(i + 1).Get() for i in range(mesh.NbTriangles())], dtype=np.int64) - 1
    if face.Orientation() == TopAbs_REVERSED:
        corners = corners[:, ::-1]
    return nodes[corners]


def _without_slivers(corners: Floats) -> Floats:
    """Drop triangles with two equal corners, as at the pole of a sphere."""
    edges = corners - np.roll(corners, 1, axis=1)
    kept: Floats = corners[(np.linalg.norm(edges, axis=2) > MERGE_STEP_MM).all(axis=1)]
    return kept


def _xyz(point: Any) -> tuple[float, float, float]:
    return point.X(), point.Y(), point.Z()


def _areas(corners: Floats) -> Floats:
    areas: Floats = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    return areas


def _merged(soup: Floats) -> tuple[Floats, Ints]:
    keys = np.round(soup.reshape(-1, 3) / MERGE_STEP_MM).astype(np.int64)
    _, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return soup.reshape(-1, 3)[first], inverse.reshape(-1, 3).astype(np.int64)


def _is_closed(triangles: Ints) -> bool:
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    forward = {(int(a), int(b)) for a, b in edges}
    return len(forward) == len(edges) and all((b, a) in forward for a, b in forward)
