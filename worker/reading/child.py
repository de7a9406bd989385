"""The guarded reader: ``python -m worker.reading.child REQUEST.json FOLDER``.

Reads one file, writes arrays as .npy and a ``result.json`` into the folder, and exits 0 even
for a refused file: the refusal is the result.  Anything else, such as a signal, is for the
parent to report.  Only what the format at hand needs is imported.
"""

from __future__ import annotations

import ctypes
import json
import resource
import signal
import sys
from collections.abc import Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

from shared.errors import FileRejected
from shared.units import LengthUnit
from worker.reading.settings import MeshSettings, ReadLimits, TessellationSettings
from worker.reading.source import OpenFile, Source, open_source

PR_SET_PDEATHSIG = 1  # <linux/prctl.h>
READERS = {
    "STL": ("worker.reading.stl", "read_stl"),
    "OBJ": ("worker.reading.obj", "read_obj"),
    "PLY": ("worker.reading.ply", "read_ply"),
    "3MF": ("worker.reading.threemf", "read_threemf"),
    "XYZ": ("worker.reading.xyz", "read_xyz"),
    "CSV": ("worker.reading.xyz", "read_xyz"),
    "PCD": ("worker.reading.pcd", "read_pcd"),
    "E57": ("worker.reading.e57", "read_e57"),
}


def main(arguments: list[str]) -> int:
    """Read as the request says and leave the result in the folder."""
    request = json.loads(Path(arguments[0]).read_text())
    folder = Path(arguments[1])
    limits = ReadLimits(**request["limits"])
    _limit_resources(limits)
    try:
        record = _read(request, limits, folder)
    except FileRejected as error:
        record = {"error": error.code, "message": error.message, "advice": error.advice, "data": error.data}
    except MemoryError:
        record = {"died": "it needs more memory than a reader may take"}
    (folder / "result.json").write_text(json.dumps(record))
    return 0


def _limit_resources(limits: ReadLimits) -> None:
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)  # no reader outlives the worker that asked
    for kind, most in (
        (resource.RLIMIT_AS, limits.child_memory_bytes),
        (resource.RLIMIT_CPU, limits.child_cpu_s),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(kind)[1]
        allowed = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (allowed, allowed))


def _read(request: Mapping[str, Any], limits: ReadLimits, folder: Path) -> dict[str, Any]:
    stated = LengthUnit(request["stated_unit"]) if request["stated_unit"] else None
    file = open_source(Source(Path(request["path"]), request["display_name"], stated), limits)
    if file.file_format == "STEP":
        return _read_step(file, limits, TessellationSettings(**request["tessellation"]), folder)
    module, function = READERS[file.file_format]
    parsed = getattr(import_module(module), function)(file, limits)
    prepare = import_module("worker.reading.prepare")
    unit = parsed.unit or stated
    if request["role"] == "scan":
        scan = prepare.clean_scan(file, parsed, unit, limits)
        _save(folder, points=scan.points_mm, normals=scan.normals, triangles=scan.triangles)
        record = {"quantum_mm": scan.quantum_mm, "notes": scan.notes}
    else:
        surface = prepare.clean_nominal_mesh(file, parsed, unit, limits, MeshSettings(**request["mesh"]))
        record = _save_surface(folder, surface)
    return record | {"declared_unit": parsed.unit}


def _read_step(file: OpenFile, limits: ReadLimits, settings: TessellationSettings, folder: Path) -> dict[str, Any]:
    parsed = import_module("worker.reading.step").read_step(file, limits, settings)
    surface = import_module("worker.reading.prepare").clean_brep(file, parsed, limits)
    return _save_surface(folder, surface) | {
        "declared_unit": parsed.declared_unit,
        "faces": parsed.faces,
        "chord_tolerance_mm": parsed.chord_tolerance_mm,
        "angular_tolerance_rad": parsed.angular_tolerance_rad,
    }


def _save_surface(folder: Path, surface: Any) -> dict[str, Any]:
    _save(folder, points=surface.points, triangles=surface.triangles, triangle_face=surface.triangle_face)
    return {"is_watertight": surface.is_watertight, "notes": surface.notes}


def _save(folder: Path, **arrays: Any) -> None:
    numpy = import_module("numpy")
    for name, array in arrays.items():
        if array is not None:
            numpy.save(folder / f"{name}.npy", numpy.ascontiguousarray(array), allow_pickle=False)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
