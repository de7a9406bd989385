"""Cut the faces of a B-rep into triangles within a stated tolerance, and measure that they are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.GeomAbs import GeomAbs_Plane
from OCP.gp import gp_Pnt, gp_Vec
from OCP.IMeshTools import IMeshTools_Parameters
from OCP.TopAbs import TopAbs_REVERSED
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Compound

from worker.reading.brep_face import FaceTriangles
from worker.reading.faults import check_counts, empty
from worker.reading.parsed import Bools, Floats, Ints
from worker.reading.refine_face import CurvedPatch, refine_patch
from worker.reading.settings import ReadLimits, TessellationSettings
from worker.reading.source import OpenFile

POLE_SHARE = 1e-6  # of the face's size: rounding leaves 1e-15, a real cone keeps more a step off its apex
Color = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Leaf:
    """One face where it stands in the assembly, before it is cut into triangles."""

    face: Any  # TopoDS_Face, in its own part's frame
    location: Any  # TopLoc_Location of that part
    name: str | None
    color: Color | None


@dataclass(frozen=True, eq=False)
class Tessellation:
    """All faces cut, in the order of the leaves.

    chord_mm : farthest any triangle may lie from its surface: the tolerance, or what was measured if more
    """

    pieces: tuple[FaceTriangles, ...]
    chord_mm: float
    angular_rad: float
    merge_tolerance_mm: float
    notes: tuple[str, ...]


def tessellate(
    file: OpenFile, leaves: Sequence[Leaf], limits: ReadLimits, settings: TessellationSettings
) -> Tessellation:
    """Cut all faces; with twice the tolerances and again while there are too many triangles.

    Raises
    ------
    FileTooLarge
        If even the coarsest try has more triangles than the limit.

    """
    diagonal_mm = _diagonal(leaves)
    tolerance_mm = min(max(settings.share_of_diagonal * diagonal_mm, settings.least_mm), settings.most_mm)
    limit = min(settings.triangle_count, limits.triangle_count)
    notes: list[str] = []
    pieces = _cut(leaves, tolerance_mm, settings, limit)
    for _ in range(settings.coarsening_count):
        if _count(pieces) <= limit:
            break
        tolerance_mm *= 2.0
        settings = replace(settings, angular_rad=2.0 * settings.angular_rad)
        notes = [f"The model is intricate: it was cut with {tolerance_mm:.3g} mm to stay within the triangle limit."]
        pieces = _cut(leaves, tolerance_mm, settings, limit)
    check_counts(file, limits, triangles=_count(pieces))
    bare = sum(len(piece.triangles) == 0 for piece in pieces)
    if bare == len(pieces):
        raise empty(file, "holds no face that could be cut into triangles")
    if bare:
        notes.append(f"{bare} of {len(leaves)} faces could not be cut into triangles and are not measured.")
    chord_mm = max(tolerance_mm, *(piece.chord_mm for piece in pieces))
    merge_tolerance_mm = max(0.01 * tolerance_mm, 1e-9 * diagonal_mm)
    return Tessellation(pieces, chord_mm, settings.angular_rad, merge_tolerance_mm, tuple(notes))


def _diagonal(leaves: Sequence[Leaf]) -> float:
    box = Bnd_Box()
    for leaf in leaves:
        BRepBndLib.Add_s(leaf.face.Moved(leaf.location), box, False)
    return float(np.sqrt(box.SquareExtent()))


def _count(pieces: Sequence[FaceTriangles]) -> int:
    return sum(len(piece.triangles) for piece in pieces)


def _cut(
    leaves: Sequence[Leaf], tolerance_mm: float, settings: TessellationSettings, limit: int
) -> tuple[FaceTriangles, ...]:
    """Let the mesher cut borders finely and insides coarsely, then refine the insides."""
    parameters = IMeshTools_Parameters()
    parameters.InParallel = False  # the same triangles on every machine
    parameters.Deflection = tolerance_mm
    parameters.Angle = settings.angular_rad
    parameters.DeflectionInterior = settings.coarse_factor * tolerance_mm
    parameters.AngleInterior = settings.coarse_angular_rad
    together = _together(leaves)
    BRepTools.Clean_s(together)
    BRepMesh_IncrementalMesh(together, parameters)
    return tuple(_placed(leaf, tolerance_mm, settings, limit) for leaf in leaves)


def _together(leaves: Sequence[Leaf]) -> Any:
    """All faces in one compound, so that an edge two faces share is cut once for both."""
    compound, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(compound)
    for leaf in leaves:
        builder.Add(compound, leaf.face)
    return compound


def _placed(leaf: Leaf, tolerance_mm: float, settings: TessellationSettings, limit: int) -> FaceTriangles:
    """Triangles of one face where it stands, counter-clockwise seen from outside material."""
    patch = _coarse_patch(leaf)
    if patch is None:
        return FaceTriangles(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64), 0.0)
    chord_mm = 0.0
    surface = BRepAdaptor_Surface(leaf.face)
    if surface.GetType() != GeomAbs_Plane:
        evaluate = _evaluator(surface)
        patch, chord_mm = refine_patch(patch, evaluate, tolerance_mm, settings.angular_rad, limit)
    matrix = _matrix(leaf.location)
    is_flipped = (leaf.face.Orientation() == TopAbs_REVERSED) != (float(np.linalg.det(matrix[:, :3])) < 0)
    triangles = patch.triangles[:, ::-1] if is_flipped else patch.triangles
    return FaceTriangles(patch.points @ matrix[:, :3].T + matrix[:, 3], triangles, chord_mm)


def _coarse_patch(leaf: Leaf) -> CurvedPatch | None:
    """Return what the mesher made of a face, in its part's frame; None if it made nothing."""
    own_location = TopLoc_Location()
    triangulation = BRep_Tool.Triangulation_s(leaf.face, own_location)
    if not triangulation or not triangulation.HasUVNodes():
        return None
    nodes = range(1, triangulation.NbNodes() + 1)
    points = np.array([triangulation.Node(k).Coord() for k in nodes]).reshape(-1, 3)
    parameters = np.array([triangulation.UVNode(k).Coord() for k in nodes]).reshape(-1, 2)
    corners = [triangulation.Triangle(k).Get() for k in range(1, triangulation.NbTriangles() + 1)]
    triangles: Ints = np.array(corners, dtype=np.int64).reshape(-1, 3) - 1
    matrix = _matrix(own_location)
    points = points @ matrix[:, :3].T + matrix[:, 3]
    is_pole = _poles(BRepAdaptor_Surface(leaf.face), points, parameters)
    return CurvedPatch(points, parameters, is_pole, triangles, is_fresh=np.ones(len(triangles), dtype=np.bool_))


def _poles(surface: Any, points: Floats, parameters: Floats) -> Bools:
    """(n, 2) where moving along u, or v, over the whole face would leave the point where it is."""
    point, along_u, along_v = gp_Pnt(), gp_Vec(), gp_Vec()
    speeds = []
    for u, v in parameters.tolist():
        surface.D1(u, v, point, along_u, along_v)
        speeds.append((along_u.Magnitude(), along_v.Magnitude()))
    reach = np.array(speeds) * np.ptp(parameters, axis=0)
    return np.asarray(reach < POLE_SHARE * np.ptp(points, axis=0).max())


def _matrix(location: Any) -> Floats:
    motion = location.Transformation()
    return np.array([[motion.Value(row, column) for column in range(1, 5)] for row in range(1, 4)])


def _evaluator(surface: Any) -> Callable[[Floats], Floats]:
    point = gp_Pnt()

    def evaluate(parameters: Floats) -> Floats:
        found = []
        for u, v in parameters.tolist():
            surface.D0(u, v, point)
            found.append(point.Coord())
        return np.array(found, dtype=np.float64).reshape(-1, 3)

    return evaluate
