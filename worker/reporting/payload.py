"""The scene as the viewer reads it: quantised arrays in base64, inside one JSON block of the page."""

from __future__ import annotations

import base64
import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.records import Bools, Floats
from worker.reporting.colors import CUT, EXCESS, INSIDE, MISSING, NOT_MEASURED, wall_table
from worker.reporting.scene import Scene

# Inside a script element only these could end it or start a comment (HTML Living Standard 4.12.1.3);
# the two separators are not JavaScript line text before ES2019.
ESCAPES = str.maketrans({"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"})


def json_for_script(value: Any) -> str:
    """JSON text that can stand inside a script element whatever strings it holds."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    return text.translate(ESCAPES)


def view_payload(scene: Scene) -> dict[str, Any]:
    """What ``viewer_data.js`` unpacks; lengths in mm, quantised far below what the eye or the scan resolves."""
    mesh = scene.mesh
    low, high = mesh.points_mm.min(axis=0), mesh.points_mm.max(axis=0)
    centre = (low + high) / 2
    wall_step = max(float(mesh.wall_mm.max(initial=0.0)), 1e-3) / 65535
    return {
        "centre_mm": centre.tolist(),
        "bounds_mm": [low.tolist(), high.tolist()],
        "points": _stepped(mesh.points_mm - centre),
        "normals": _packed("i8", np.round(mesh.normals * 127).astype(np.int8)),
        "face": _packed("u32", mesh.face.astype(np.uint32)),
        "triangles": _packed("u32", mesh.triangles.astype(np.uint32)),
        "edges": _packed("u32", mesh.edges.astype(np.uint32)),
        "deviation": _stepped(mesh.deviation_mm),
        "U": _stepped(mesh.U_mm),
        "is_measured": _bits(mesh.is_measured),
        "wall": {**_packed("u16", np.round(mesh.wall_mm / wall_step).astype(np.uint16)), "step": wall_step},
        "has_wall": _bits(mesh.has_wall),
        "is_wall_actual": _bits(mesh.is_wall_actual),
        "highlights": [
            {
                "name": entry.name,
                "bits": _bits(entry.mask),
                "marks": [np.round(mark.points_mm, 3).reshape(-1).tolist() for mark in entry.marks],
            }
            for entry in scene.highlights
        ],
        "faces": list(scene.faces),
        "diameters_mm": list(scene.diameters_mm),
        "steps_mm": list(scene.steps_mm),
        "wall_top_mm": scene.wall_top_mm,
        "thin_mm": scene.thin_mm,
        "colors": {
            "excess": EXCESS,
            "missing": MISSING,
            "inside": INSIDE,
            "not_measured": NOT_MEASURED,
            "cut": CUT,
            "wall": wall_table().tolist(),
        },
    }


def _stepped(values: Floats) -> dict[str, str | float]:
    step = max(float(np.abs(values).max(initial=0.0)), 1e-3) / 32767
    return {**_packed("i16", np.round(values / step).astype(np.int16)), "step": step}


def _bits(flags: Bools) -> dict[str, str]:
    return _packed("u8", np.packbits(flags))


def _packed(kind: str, values: NDArray[Any]) -> dict[str, str]:
    little_endian = values.astype(values.dtype.newbyteorder("<"), copy=False)
    return {"kind": kind, "data": base64.b64encode(np.ascontiguousarray(little_endian).tobytes()).decode()}
