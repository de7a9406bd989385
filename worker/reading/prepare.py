"""From what a file says to what a record holds: millimetres, finite, clean, every change noted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from shared.errors import FileKindWrong
from shared.units import LengthUnit
from worker.reading.faults import corrupt, empty, values_invalid
from worker.reading.parsed import Bools, Floats, Ints, Parsed, ParsedBrep, quantum_of
from worker.reading.settings import MeshSettings, ReadLimits
from worker.reading.shape import lengths_of, vertex_normals
from worker.reading.source import OpenFile
from worker.reading.surface import Surface, cut_at_creases, finish, merge, orient
from worker.reading.topology import count_duplicates, distinct_points

NORMAL_LENGTH_LEAST = 1e-6  # shorter is a placeholder, not a direction


@dataclass(frozen=True, eq=False)
class CleanScan:
    """What ``worker.records.Scan`` needs, before it is one."""

    points_mm: Floats
    normals: Floats | None
    triangles: Ints | None
    quantum_mm: float
    notes: tuple[str, ...]


def clean_nominal_mesh(
    file: OpenFile, parsed: Parsed, unit: LengthUnit, limits: ReadLimits, settings: MeshSettings
) -> Surface:
    """Turn a parsed mesh into a nominal surface in mm.

    Raises
    ------
    FileKindWrong
        If it has points and no triangles.
    FileValuesInvalid
        If any coordinate is not finite or too far away: a CAD export has no excuse.

    """
    if parsed.triangles is None or not len(parsed.triangles):
        raise FileKindWrong(
            f"{file.name} holds {len(parsed.points)} points and no surface, so it cannot be the nominal.",
            file=file.name,
            advice="Send the CAD model as STEP, or a mesh. If this is the scan, swap the two files.",
        )
    _check_indices(file, parsed.triangles, len(parsed.points))
    bad = int(np.count_nonzero(~np.isfinite(parsed.points).all(axis=1)))
    if bad:
        raise values_invalid(file, f"has {bad} vertices that are no numbers (NaN or infinite)", count=bad)
    points_mm = _to_mm(file, parsed.points, unit, limits)
    quantum_mm = quantum_of(parsed, parsed.points) * unit.mm
    face = np.zeros(len(parsed.triangles), dtype=np.int64)
    surface = Surface(points_mm, parsed.triangles, face, notes=parsed.notes)
    surface, edges = orient(*merge(surface, settings.merge_quanta * quantum_mm))
    return _with_content(file, finish(cut_at_creases(surface, edges, settings)))


def clean_brep(file: OpenFile, parsed: ParsedBrep, limits: ReadLimits) -> Surface:
    """Join the faces of a tessellated B-rep along their borders; faces stay as they are."""
    _check_far(file, parsed.points, limits)
    surface = Surface(parsed.points, parsed.triangles, parsed.triangle_face, notes=parsed.notes)
    surface, _ = orient(*merge(surface, parsed.merge_tolerance_mm))
    return _with_content(file, finish(surface))


def clean_scan(file: OpenFile, parsed: Parsed, unit: LengthUnit, limits: ReadLimits) -> CleanScan:
    """Turn a parsed mesh or cloud into a scan in mm; a mesh gets the normals of its triangles, whatever it says."""
    notes = list(parsed.notes)
    if parsed.triangles is not None and len(parsed.triangles):
        _check_indices(file, parsed.triangles, len(parsed.points))
    parsed = _without_gaps(file, parsed, limits, notes)
    points_mm = _to_mm(file, parsed.points, unit, limits)
    quantum_mm = quantum_of(parsed, parsed.points) * unit.mm
    if parsed.triangles is not None and len(parsed.triangles):
        return _scan_mesh(file, points_mm, parsed.triangles, quantum_mm, notes)
    parsed = _without_duplicates(replace(parsed, points=points_mm), notes)
    parsed = _with_unit_normals(parsed, limits, notes)
    _check_extent(file, parsed.points)
    return CleanScan(parsed.points, parsed.normals, None, quantum_mm, tuple(notes))


def _scan_mesh(file: OpenFile, points: Floats, triangles: Ints, quantum_mm: float, notes: list[str]) -> CleanScan:
    surface = Surface(points, triangles, np.zeros(len(triangles), dtype=np.int64))
    surface, _ = orient(*merge(surface, 0.0))
    surface = _with_content(file, finish(surface))
    notes += [note for note in surface.notes if not note.startswith("The surface is not closed")]
    normals = vertex_normals(surface.points, surface.triangles)
    _check_extent(file, surface.points)
    return CleanScan(surface.points, normals, surface.triangles, quantum_mm, tuple(notes))


def _without_gaps(file: OpenFile, parsed: Parsed, limits: ReadLimits, notes: list[str]) -> Parsed:
    is_finite = np.asarray(np.isfinite(parsed.points).all(axis=1))
    gaps = int(np.count_nonzero(~is_finite))
    if not gaps:
        return parsed
    if gaps == len(is_finite):
        raise values_invalid(file, "has no point with finite coordinates")
    if gaps > limits.gap_share * len(is_finite) and not parsed.are_gaps_usual:
        share = 100.0 * gaps / len(is_finite)
        raise values_invalid(file, f"has {gaps} points ({share:.1f} %) that are no numbers", count=gaps)
    notes.append(f"{gaps} points without finite coordinates were dropped.")
    return _keep_points(parsed, is_finite)


def _keep_points(parsed: Parsed, is_kept: Bools) -> Parsed:
    triangles = parsed.triangles
    if triangles is not None:
        new_index = np.cumsum(is_kept) - 1
        triangles = new_index[triangles[is_kept[triangles].all(axis=1)]]
    normals = None if parsed.normals is None else parsed.normals[is_kept]
    return replace(parsed, points=parsed.points[is_kept], triangles=triangles, normals=normals)


def _without_duplicates(parsed: Parsed, notes: list[str]) -> Parsed:
    if not count_duplicates(parsed.points):
        return parsed
    first = distinct_points(parsed.points).first_index
    notes.append(f"{len(parsed.points) - len(first)} points that repeat another were dropped.")
    normals = None if parsed.normals is None else parsed.normals[first]
    return replace(parsed, points=parsed.points[first], normals=normals)


def _with_unit_normals(parsed: Parsed, limits: ReadLimits, notes: list[str]) -> Parsed:
    """Scale normals to unit length; drop the few points without one, or all normals when they are many."""
    if parsed.normals is None:
        return parsed
    length = lengths_of(parsed.normals)
    with np.errstate(invalid="ignore"):
        is_direction = np.isfinite(length) & (length > NORMAL_LENGTH_LEAST)
    bad = int(np.count_nonzero(~is_direction))
    if bad > limits.gap_share * len(length):
        notes.append(f"{bad} of {len(length)} normals are no directions, so normals were not used.")
        return replace(parsed, normals=None)
    if bad:
        notes.append(f"{bad} points whose normal is no direction were dropped.")
        parsed, length = _keep_points(parsed, is_direction), length[is_direction]
    return replace(parsed, normals=parsed.normals / length[:, None]) if parsed.normals is not None else parsed


def _check_indices(file: OpenFile, triangles: Ints, point_count: int) -> None:
    low, high = int(triangles.min()), int(triangles.max())
    if low < 0 or high >= point_count:
        raise corrupt(file, f"a face refers to vertex {low if low < 0 else high}, and there are {point_count}")


def _to_mm(file: OpenFile, points: Floats, unit: LengthUnit, limits: ReadLimits) -> Floats:
    _check_far(file, points, limits, unit.mm)
    return points if unit is LengthUnit.MILLIMETRE else points * unit.mm


def _check_far(file: OpenFile, points: Floats, limits: ReadLimits, mm_per_unit: float = 1.0) -> None:
    if points.size == 0:
        raise empty(file, "holds no geometry")
    farthest = max(abs(float(points.max())), abs(float(points.min()))) * mm_per_unit
    if farthest > limits.coordinate_mm:
        raise values_invalid(
            file,
            f"has a coordinate of {farthest:.3g} mm; beyond {limits.coordinate_mm:.3g} mm nothing can be measured",
            farthest_mm=farthest,
        )


def _with_content(file: OpenFile, surface: Surface) -> Surface:
    if not len(surface.triangles):
        raise empty(file, "holds no triangle with an area")
    return surface


def _check_extent(file: OpenFile, points: Floats) -> None:
    if not len(points) or float(np.ptp(points, axis=0).max()) == 0.0:
        raise empty(file, "holds a single point and nothing else")
