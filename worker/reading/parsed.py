"""What a format reader hands on: the file's own numbers, still in the file's own unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shared.units import LengthUnit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FLOAT32 = np.dtype(np.float32)
FLOAT64 = np.dtype(np.float64)


@dataclass(frozen=True, eq=False)
class Parsed:
    """Raw content of a mesh or cloud.

    points : (n, 3) float64, file unit, file frame
    triangles : (m, 3) int64 into points, or None for a cloud
    normals : (n, 3) float64 as written, or None
    unit : the file's own unit, or None where it says none
    written_as : number type of the coordinates in the file (float64 for text)
    quantum : a coarser step than that type's, such as the last decimal of a text; file unit
    are_gaps_usual : the format writes NaN for "no return", so any number of them is fine
    """

    points: Floats
    triangles: Ints | None = None
    normals: Floats | None = None
    unit: LengthUnit | None = None
    written_as: np.dtype[Any] = FLOAT64
    quantum: float = 0.0
    are_gaps_usual: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class ParsedBrep:
    """A tessellated B-rep, already in mm.

    points : (n, 3) float64, mm; not merged over face borders
    triangles : (m, 3) int64, counter-clockwise seen from outside material
    triangle_face : (m,) int64
    faces : one mapping a face, the fields of ``worker.records.Face`` in JSON types
    """

    points: Floats
    triangles: Ints
    triangle_face: Ints
    faces: tuple[Mapping[str, Any], ...]
    chord_tolerance_mm: float
    angular_tolerance_rad: float
    declared_unit: str | None
    merge_tolerance_mm: float
    notes: tuple[str, ...] = ()


def quantum_of(parsed: Parsed, points: Floats) -> float:
    """Smallest step the file can hold at the farthest of its finite ``points`` (n, 3), file unit; 0.0 if empty."""
    if points.size == 0:
        return parsed.quantum
    if parsed.written_as.kind in "iu":
        return max(1.0, parsed.quantum)
    farthest = max(abs(float(points.max())), abs(float(points.min())))
    return max(float(np.spacing(np.array(farthest, dtype=parsed.written_as))), parsed.quantum)
