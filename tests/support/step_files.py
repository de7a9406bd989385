"""Write STEP files with OpenCASCADE, in any unit, with names, colours and assemblies."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_FACE
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.XCAFDoc import XCAFDoc_ColorSurf, XCAFDoc_DocumentTool


def faces_of(shape: Any) -> list[Any]:
    explorer, faces = TopExp_Explorer(shape, TopAbs_FACE), []
    while explorer.More():
        faces.append(explorer.Current())
        explorer.Next()
    return faces


def drilled_block() -> Any:
    """60 x 40 x 20 mm with a through hole of radius 6.35 mm along z at (20, 20)."""
    block = BRepPrimAPI_MakeBox(60.0, 40.0, 20.0).Shape()
    return BRepAlgoAPI_Cut(block, rod(6.35, 40.0, (20.0, 20.0, -5.0))).Shape()


def rod(radius_mm: float, length_mm: float, start_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Any:
    axes = gp_Ax2(gp_Pnt(*start_mm), gp_Dir(0, 0, 1))
    return BRepPrimAPI_MakeCylinder(axes, radius_mm, length_mm).Shape()


def eccentric_tube() -> Any:
    """30 mm long, outer radius 20 mm, bore radius 15 mm displaced by 2 mm."""
    return BRepAlgoAPI_Cut(rod(20.0, 30.0), rod(15.0, 40.0, (2.0, 0.0, -5.0))).Shape()


class StepDocument:
    """A document with shapes, written out at the end."""

    def __init__(self) -> None:
        self._document = TDocStd_Document(TCollection_ExtendedString("MDTV-XCAF"))
        self._shapes = XCAFDoc_DocumentTool.ShapeTool_s(self._document.Main())
        self._colors = XCAFDoc_DocumentTool.ColorTool_s(self._document.Main())

    def add(self, shape: Any, face_names: dict[int, str] | None = None) -> Any:
        label = self._shapes.AddShape(shape, False)
        faces = faces_of(shape)
        for place, name in (face_names or {}).items():
            TDataStd_Name.Set_s(self._shapes.AddSubShape(label, faces[place]), TCollection_ExtendedString(name))
        return label

    def paint(self, shape: Any, color: tuple[float, float, float]) -> None:
        self._colors.SetColor(shape, Quantity_Color(*color, Quantity_TOC_sRGB), XCAFDoc_ColorSurf)

    def assemble(self, part: Any, shifts_mm: list[tuple[float, float, float]]) -> None:
        whole = self._shapes.NewShape()
        for shift in shifts_mm:
            motion = gp_Trsf()
            motion.SetTranslation(gp_Vec(*shift))
            self._shapes.AddComponent(whole, part, TopLoc_Location(motion))
        self._shapes.UpdateAssemblies()

    def write(self, path: Path, unit: str = "MM") -> Path:
        writer = STEPCAFControl_Writer()
        writer.SetNameMode(True)
        writer.SetColorMode(True)
        Interface_Static.SetCVal_s("write.step.unit", unit)
        Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
        writer.Transfer(self._document, STEPControl_AsIs)
        writer.Write(str(path))
        return path


def write_step(path: Path, shape: Any, unit: str = "MM") -> Path:
    document = StepDocument()
    document.add(shape)
    return document.write(path, unit)
