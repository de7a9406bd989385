"""A drilled plate as STEP, the rod that fits its large hole as a core, and a plan that fits both."""

from __future__ import annotations

from pathlib import Path

from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

from tests.support.step_files import StepDocument, rod

PLAN = """\
firstpour_plan: "1"
unit: mm
general_tolerance: ISO 8062-3 DCTG 10
datums:
  - {letter: A, feature: plane-1}
  - {letter: B, feature: hole-1}
frames:
  - {name: AB, datums: [A, B]}
regions:
  - {name: bore, core: plug}
  - {name: face, faces: [0]}
  - {name: corner, box: {minimum: [-1, -1, -1], maximum: [5, 5, 21]}}
characteristics:
  - {id: C1, kind: size, feature: hole-1, fit: H8}
  - {id: C2, kind: position, feature: hole-2, frame: AB, zone_diameter: 0.4}
  - {id: C3, kind: distance, first: hole-1, second: hole-2}
  - {id: C4, kind: surface_profile, region: bore, zone: 0.5}
  - {id: C5, kind: wall_thickness, region: bore, grade: 10}
  - {id: C6, kind: machining_allowance, feature: plane-1, grade: F}
  - {id: C7, kind: angle, first: plane-1, second: hole-1, lower_degrees: 0, upper_degrees: 1}
  - {id: C8, kind: shrink, lower_percent: 0, upper_percent: 1}
"""


def write_plate(folder: Path, unit: str = "MM") -> Path:
    """100 x 60 x 20 mm; through holes of radius 10 at (30, 30) and 4 at (80, 30), a boss of radius 6 at (55, 15)."""
    plate = BRepPrimAPI_MakeBox(100.0, 60.0, 20.0).Shape()
    for radius_mm, x, y in ((10.0, 30.0, 30.0), (4.0, 80.0, 30.0)):
        plate = BRepAlgoAPI_Cut(plate, rod(radius_mm, 40.0, (x, y, -5.0))).Shape()
    plate = BRepAlgoAPI_Fuse(plate, rod(6.0, 15.0, (55.0, 15.0, 15.0))).Shape()
    return _written(plate, folder / "plate.step", unit)


def write_plug(folder: Path) -> Path:
    """The core of the large hole."""
    return _written(rod(10.0, 20.0, (30.0, 30.0, 0.0)), folder / "plug.step", "MM")


def _written(shape: object, path: Path, unit: str) -> Path:
    document = StepDocument()
    document.add(shape)
    return document.write(path, unit)
