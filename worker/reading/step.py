"""STEP through OpenCASCADE: every triangle knows its face, every face its surface, name and colour.

Compared with cascadio 0.1.1 (``include_brep``), which hands over analytic faces too: its vertices are
float32 metres, planes and cylinders come without their material side, faces of a second colour lose
their surface altogether, names and the deflection reached are missing, and it meshes four to
five times longer for the same tolerance (``tests/benchmarks/reading.py``).  So OpenCASCADE itself, through OCP.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from OCP.collections import Sequence_TCollection_AsciiString, Sequence_TDF_Label
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Reader
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_Label
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_FACE, TopAbs_SHELL, TopAbs_SOLID
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.XCAFDoc import XCAFDoc_ColorGen, XCAFDoc_ColorSurf, XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

from shared.units import LengthUnit
from worker.reading.brep_face import FaceTriangles, describe
from worker.reading.faults import corrupt, empty, truncated
from worker.reading.parsed import Floats, Ints, ParsedBrep
from worker.reading.settings import ReadLimits, TessellationSettings
from worker.reading.source import OpenFile
from worker.reading.tessellate import Color, Leaf, tessellate

END = b"END-ISO-10303-21"
UNIT_BY_WORD = {
    "millimetre": LengthUnit.MILLIMETRE,
    "millimeter": LengthUnit.MILLIMETRE,
    "mm": LengthUnit.MILLIMETRE,
    "centimetre": LengthUnit.CENTIMETRE,
    "metre": LengthUnit.METRE,
    "meter": LengthUnit.METRE,
    "m": LengthUnit.METRE,
    "micrometre": LengthUnit.MICROMETRE,
    "inch": LengthUnit.INCH,
    "in": LengthUnit.INCH,
    "foot": LengthUnit.FOOT,
    "ft": LengthUnit.FOOT,
}


def read_step(file: OpenFile, limits: ReadLimits, settings: TessellationSettings) -> ParsedBrep:
    """Read, tessellate and describe a STEP file; OpenCASCADE converts its units to mm."""
    check_frame(file)
    document, unit_words = _load(file)
    leaves = list(_leaves(document))
    if not leaves:
        raise empty(file, "holds no face")
    cut = tessellate(file, leaves, limits, settings)
    notes = list(cut.notes)
    faces = []
    for index, (leaf, piece) in enumerate(zip(leaves, cut.pieces, strict=True)):
        fields, note = describe(index, leaf.face, leaf.location, piece)
        faces.append(fields | {"name": leaf.name, "color": leaf.color})
        notes += [note] if note else []
    points, triangles, triangle_face = _joined(cut.pieces)
    unit, unit_note = _unit(unit_words)
    return ParsedBrep(
        points=points,
        triangles=triangles,
        triangle_face=triangle_face,
        faces=tuple(faces),
        chord_tolerance_mm=cut.chord_mm,
        angular_tolerance_rad=cut.angular_rad,
        declared_unit=unit,
        merge_tolerance_mm=cut.merge_tolerance_mm,
        notes=(*notes, *unit_note),
    )


def _joined(pieces: Sequence[FaceTriangles]) -> tuple[Floats, Ints, Ints]:
    offsets = np.cumsum([0, *(len(piece.points) for piece in pieces)])
    points = np.concatenate([piece.points for piece in pieces])
    triangles = np.concatenate([piece.triangles + offset for piece, offset in zip(pieces, offsets[:-1], strict=True)])
    face = np.repeat(np.arange(len(pieces)), [len(piece.triangles) for piece in pieces])
    return points, triangles, face


def check_frame(file: OpenFile) -> None:
    """Refuse a file whose exchange structure (ISO 10303-21) does not end, or that has no DATA section."""
    with file.path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
        if content.rfind(END) < 0:
            raise truncated(file, f"it does not end with {END.decode()}")
        if content.find(b"DATA") < 0:
            raise corrupt(file, "it has no DATA section")


def _load(file: OpenFile) -> tuple[Any, list[str]]:
    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    reader.SetColorMode(True)
    Interface_Static.SetIVal_s("read.stepcaf.subshapes.name", 1)
    if reader.ReadFile(str(file.path)) != IFSelect_RetDone:
        raise corrupt(file, "its entities could not be read as STEP")
    lengths, angles, solid_angles = (Sequence_TCollection_AsciiString() for _ in range(3))
    reader.ChangeReader().FileUnits(lengths, angles, solid_angles)
    document = TDocStd_Document(TCollection_ExtendedString("MDTV-XCAF"))
    if not reader.Transfer(document):
        raise empty(file, "holds no shape that could be built")
    return document, sorted({lengths.Value(k).ToCString().lower() for k in range(1, lengths.Length() + 1)})


def _unit(words: list[str]) -> tuple[str | None, tuple[str, ...]]:
    units = sorted({UNIT_BY_WORD[word].value if word in UNIT_BY_WORD else word for word in words})
    if len(units) == 1:
        return units[0], ()
    if not units:
        return None, ("The STEP file names no length unit; millimetres were taken, as the format's readers do.",)
    return units[0], (f"The STEP file uses several length units ({', '.join(units)}); each part was converted.",)


def _leaves(document: Any) -> Iterator[Leaf]:
    roots = Sequence_TDF_Label()
    XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).GetFreeShapes(roots)
    for k in range(1, roots.Length() + 1):
        yield from _leaves_of(document, roots.Value(k), TopLoc_Location(), None)


def _leaves_of(document: Any, label: Any, location: Any, color: Color | None) -> Iterator[Leaf]:
    color = _label_color(document, label) or color
    if XCAFDoc_ShapeTool.IsReference_s(label):
        referred = TDF_Label()
        XCAFDoc_ShapeTool.GetReferredShape_s(label, referred)
        moved = location.Multiplied(XCAFDoc_ShapeTool.GetLocation_s(label))
        yield from _leaves_of(document, referred, moved, color)
    elif XCAFDoc_ShapeTool.IsAssembly_s(label):
        components = Sequence_TDF_Label()
        XCAFDoc_ShapeTool.GetComponents_s(label, components, False)
        for k in range(1, components.Length() + 1):
            yield from _leaves_of(document, components.Value(k), location, color)
    else:
        yield from _faces_of(document, label, location, color)


def _faces_of(document: Any, label: Any, location: Any, color: Color | None) -> Iterator[Leaf]:
    """Faces of one part: of its solids, then of shells outside solids, then loose ones."""
    shape = XCAFDoc_ShapeTool.GetShape_s(label)
    searches = ((TopAbs_SOLID, None), (TopAbs_SHELL, TopAbs_SOLID), (TopAbs_FACE, TopAbs_SHELL))
    for kind, avoided in searches:
        for body in _explored(shape, kind, avoided):
            body_color = _shape_color(document, body) or color
            for face in _explored(body, TopAbs_FACE, None):
                name = _face_name(document, label, face)
                yield Leaf(TopoDS.Face(face), location, name, _shape_color(document, face) or body_color)


def _explored(shape: Any, kind: Any, avoided: Any) -> Iterator[Any]:
    explorer = TopExp_Explorer(shape, kind) if avoided is None else TopExp_Explorer(shape, kind, avoided)
    while explorer.More():
        yield explorer.Current()
        explorer.Next()


def _face_name(document: Any, label: Any, face: Any) -> str | None:
    sub_label = TDF_Label()
    if not XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).FindSubShape(label, face, sub_label):
        return None
    if not sub_label.IsAttribute(TDataStd_Name.GetID_s()):  # FindAttribute crashes when there is none
        return None
    name = TDataStd_Name()
    sub_label.FindAttribute(TDataStd_Name.GetID_s(), name)
    return str(name.Get().ToExtString()).strip() or None


def _shape_color(document: Any, shape: Any) -> Color | None:
    tool, color = XCAFDoc_DocumentTool.ColorTool_s(document.Main()), Quantity_Color()
    if tool.GetColor(shape, XCAFDoc_ColorSurf, color) or tool.GetColor(shape, XCAFDoc_ColorGen, color):
        return _rgb(color)
    return None


def _label_color(document: Any, label: Any) -> Color | None:
    tool, color = XCAFDoc_DocumentTool.ColorTool_s(document.Main()), Quantity_Color()
    if tool.GetColor_s(label, XCAFDoc_ColorSurf, color) or tool.GetColor_s(label, XCAFDoc_ColorGen, color):
        return _rgb(color)
    return None


def _rgb(color: Any) -> Color:
    red, green, blue = (round(value, 6) for value in color.Values(Quantity_TOC_sRGB))
    return red, green, blue
