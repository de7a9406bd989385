"""The few solid-modelling operations the head needs, over OpenCASCADE."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from OCP.BRep import BRep_Tool
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_Transform,
)
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepGProp import BRepGProp
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakePipeShell
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeSphere
from OCP.collections import Array1_gp_Pnt, IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher, List_TopoDS_Shape
from OCP.Geom import Geom_BezierCurve
from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.Law import Law_Linear
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_SOLID
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopoDS import TopoDS

from demo.geometry.design import Point3

Shape = Any  # TopoDS_Shape; OCP ships no types


def box(low: Point3, high: Point3) -> Shape:
    """Axis-parallel block between two corners."""
    return BRepPrimAPI_MakeBox(gp_Pnt(*low), gp_Pnt(*high)).Solid()


def cylinder(start: Point3, direction: Point3, radius: float, length: float) -> Shape:
    """Round bar from ``start`` along ``direction``."""
    axes = gp_Ax2(gp_Pnt(*start), gp_Dir(*direction))
    return BRepPrimAPI_MakeCylinder(axes, radius, length).Solid()


def sphere(centre: Point3, radius: float) -> Shape:
    """Ball."""
    return BRepPrimAPI_MakeSphere(gp_Pnt(*centre), radius).Solid()


def faces_of(shape: Shape) -> list[Shape]:
    """All faces, each once, in a fixed order."""
    return [TopoDS.Face(found) for found in parts_of(shape, TopAbs_FACE)]


def edges_of(shape: Shape) -> list[Shape]:
    """All edges, each once, in a fixed order."""
    return [TopoDS.Edge(found) for found in parts_of(shape, TopAbs_EDGE)]


def parts_of(shape: Shape, kind: Any) -> list[Shape]:
    """All parts of one kind (a ``TopAbs`` value), each once, in a fixed order."""
    found = IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
    TopExp.MapShapes_s(shape, kind, found)
    return [found.FindKey(index) for index in range(1, found.Extent() + 1)]


def only_solid(shape: Shape) -> Shape:
    """The one solid in ``shape``.

    Raises
    ------
    ValueError
        If there is none, or more than one.

    """
    explorer = TopExp_Explorer(shape, TopAbs_SOLID)
    solids = []
    while explorer.More():
        solids.append(TopoDS.Solid(explorer.Current()))
        explorer.Next()
    if len(solids) != 1:
        raise ValueError(f"expected one solid, found {len(solids)}")
    return solids[0]


def rounded(shape: Shape, radius: float, *, upright_only: bool) -> Shape:
    """Round the edges of a block; only those along z when ``upright_only``."""
    maker = BRepFilletAPI_MakeFillet(shape)
    for edge in edges_of(shape):
        first, last = TopExp.FirstVertex_s(edge), TopExp.LastVertex_s(edge)
        if not upright_only or _is_upright(first, last):
            maker.Add(radius, edge)
    return only_solid(maker.Shape())


def _is_upright(first: Shape, last: Shape) -> bool:
    low, high = BRep_Tool.Pnt_s(first), BRep_Tool.Pnt_s(last)
    return bool(abs(low.X() - high.X()) < 1e-6 and abs(low.Y() - high.Y()) < 1e-6)


def _list_of(shapes: Iterable[Shape]) -> Any:
    result = List_TopoDS_Shape()
    for shape in shapes:
        result.Append(shape)
    return result


def _run(operation: Any, objects: Sequence[Shape], tools: Sequence[Shape]) -> Any:
    operation.SetArguments(_list_of(objects))
    operation.SetTools(_list_of(tools))
    operation.SetRunParallel(False)
    operation.SetNonDestructive(True)
    operation.Build()
    if not operation.IsDone():
        raise ValueError("the boolean operation failed")
    return operation


def fused(first: Shape, *others: Shape) -> Shape:
    """Union as one solid, faces on a common surface merged."""
    operation = _run(BRepAlgoAPI_Fuse(), [first], others)
    operation.SimplifyResult()
    return only_solid(operation.Shape())


def cut(target: Shape, *tools: Shape) -> Shape:
    """``target`` less all tools, as one solid."""
    return only_solid(_run(BRepAlgoAPI_Cut(), [target], tools).Shape())


def cut_named(target: Shape, tools: Mapping[str, Shape]) -> tuple[Shape, list[tuple[Shape, str]]]:
    """``target`` less all tools, and which tool made each new face."""
    operation = _run(BRepAlgoAPI_Cut(), [target], list(tools.values()))
    solid = only_solid(operation.Shape())
    present = IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
    TopExp.MapShapes_s(solid, TopAbs_FACE, present)
    named: list[tuple[Shape, str]] = []
    for name, tool in tools.items():
        for face in faces_of(tool):
            images = list(operation.Modified(face)) or [face]
            named.extend((TopoDS.Face(image), name) for image in images if present.Contains(image))
    return solid, named


def moved(shape: Shape, shift: Point3) -> Shape:
    """A shifted copy."""
    motion = gp_Trsf()
    motion.SetTranslation(gp_Vec(*shift))
    return BRepBuilderAPI_Transform(shape, motion, True).Shape()


def pipe(poles: Sequence[Point3], start_radius: float, end_radius: float) -> Shape:
    """Round passage along a Bezier curve, its radius growing evenly in the curve's parameter; capped."""
    array = Array1_gp_Pnt(1, len(poles))
    for index, pole in enumerate(poles, start=1):
        array.SetValue(index, gp_Pnt(*pole))
    spine_edge = BRepBuilderAPI_MakeEdge(Geom_BezierCurve(array)).Edge()
    first, second = poles[0], poles[1]
    direction = gp_Dir(*(b - a for a, b in zip(first, second, strict=True)))
    circle = gp_Circ(gp_Ax2(gp_Pnt(*first), direction), start_radius)
    profile = BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()
    maker = BRepOffsetAPI_MakePipeShell(BRepBuilderAPI_MakeWire(spine_edge).Wire())
    law = Law_Linear()
    law.Set(0.0, 1.0, 1.0, end_radius / start_radius)
    maker.SetLaw(profile, law, False, False)
    maker.SetTolerance(1e-5, 1e-5, 1e-4)
    maker.Build()
    maker.MakeSolid()
    return only_solid(maker.Shape())


def is_valid(shape: Shape) -> bool:
    """Whether OpenCASCADE's own checker finds no fault."""
    return bool(BRepCheck_Analyzer(shape, True).IsValid())


def volume_mm3(shape: Shape) -> float:
    """Volume from the boundary representation."""
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, properties)
    return float(properties.Mass())


def area_mm2(shape: Shape) -> float:
    """Surface area from the boundary representation."""
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, properties)
    return float(properties.Mass())
