"""Write a solid as STEP with its name, the names of its faces and their colours; read a solid back."""

from __future__ import annotations

import re
from pathlib import Path

from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Reader
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_ColorGen, XCAFDoc_ColorSurf, XCAFDoc_DocumentTool

from demo.geometry.solids import Shape, only_solid

Rgb = tuple[float, float, float]

TIME_STAMP = "2024-01-01T00:00:00"  # fixed, so that the same solid gives the same bytes
METAL: Rgb = (0.78, 0.79, 0.80)
COLOURS: tuple[tuple[str, Rgb], ...] = (  # by the beginning of the face's name
    ("deck", (0.55, 0.58, 0.62)),
    ("chamber", (0.60, 0.52, 0.42)),
    ("intake", (0.36, 0.55, 0.72)),
    ("exhaust", (0.72, 0.45, 0.36)),
    ("water_jacket", (0.42, 0.66, 0.64)),
    ("bolt", (0.45, 0.45, 0.50)),
)


def write_step(solid: Shape, path: Path, *, name: str, face_names: list[tuple[Shape, str]] | None = None) -> None:
    """Write ``solid`` in mm; the same solid and names give the same bytes."""
    document = TDocStd_Document(TCollection_ExtendedString("XmlOcaf"))
    XCAFApp_Application.GetApplication_s().InitDocument(document)
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    label = shapes.AddShape(solid, False)
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
    colours.SetColor(label, _quantity(METAL), XCAFDoc_ColorGen)
    for face, face_name in face_names or []:
        part = shapes.AddSubShape(label, face)
        TDataStd_Name.Set_s(part, TCollection_ExtendedString(face_name))
        colour = next((rgb for start, rgb in COLOURS if face_name.startswith(start)), None)
        if colour is not None:
            colours.SetColor(part, _quantity(colour), XCAFDoc_ColorSurf)
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.product.name", name)
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    Interface_Static.SetIVal_s(
        "write.surfacecurve.mode", 0
    )  # curves in surface parameters can be derived; half the file
    if not writer.Transfer(document, STEPControl_AsIs) or writer.Write(str(path)) != IFSelect_RetDone:
        raise OSError(f"{path} could not be written")
    _settle_header(path, name)


def _quantity(rgb: Rgb) -> Shape:
    return Quantity_Color(*rgb, Quantity_TOC_sRGB)


def _settle_header(path: Path, name: str) -> None:
    """Replace what the writer puts in the header from the clock, and the file's own name."""
    text = path.read_text(encoding="ascii")
    header = f"FILE_NAME('{name}','{TIME_STAMP}',(''),(''),'','','');"
    text, count = re.subn(r"FILE_NAME\(.*?\);", header, text, count=1, flags=re.DOTALL)
    if count != 1:
        raise OSError(f"{path} has no FILE_NAME header")
    path.write_text(text, encoding="ascii")


def read_solid(path: Path) -> Shape:
    """The one solid in a STEP file, in mm."""
    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_RetDone:
        raise OSError(f"{path} could not be read")
    reader.TransferRoots()
    return only_solid(reader.OneShape())
