"""Read nominal, bodies and scans: the public functions of this stage."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from shared.errors import FileKindWrong, UnitMissing
from worker.reading.guard import ReadResult, read_guarded
from worker.reading.settings import MeshSettings, ReadLimits, TessellationSettings
from worker.reading.shape import area_vectors, areas_of
from worker.reading.source import FileFormat, OpenFile, Source, open_source
from worker.records import Body, Face, Nominal, Scan, SurfaceKind

LIMITS = ReadLimits()
TESSELLATION = TessellationSettings()
MESH = MeshSettings()


def read_nominal(
    source: Source,
    *,
    limits: ReadLimits = LIMITS,
    tessellation: TessellationSettings = TESSELLATION,
    mesh: MeshSettings = MESH,
) -> Nominal:
    """Read the nominal: a STEP with its faces, or a mesh cut into patches at its creases.

    Raises
    ------
    FileRejected
        One subclass a cause: empty, truncated, too large, a cloud in place of a surface...
    UnitMissing
        If the file carries no unit and none was stated.

    """
    file = open_source(source, limits)
    _check_is_surface(file)
    _check_unit(file, source)
    result = read_guarded(source, "nominal", limits, tessellation, mesh)
    arrays, record = result.arrays, result.record
    faces = _faces(result)
    return Nominal(
        vertices_mm=arrays["points"],
        triangles=arrays["triangles"],
        triangle_face=arrays["triangle_face"],
        faces=faces,
        chord_tolerance_mm=record.get("chord_tolerance_mm"),
        angular_tolerance_rad=record.get("angular_tolerance_rad"),
        declared_unit=record["declared_unit"],
        is_watertight=record["is_watertight"],
        notes=(*record["notes"], *_unit_notes(source, record)),
    )


def read_body(source: Source, *, name: str, role: str, limits: ReadLimits = LIMITS) -> Body:
    """Read a core or another solid in the nominal frame; it must be closed.

    Raises
    ------
    FileRejected, UnitMissing
        As ``read_nominal``; FileKindWrong also for a surface that is not closed.

    """
    nominal = read_nominal(source, limits=limits)
    if not nominal.is_watertight:
        raise FileKindWrong(
            f"{source.display_name} is not a closed solid, so it cannot be the body {name!r}.",
            file=source.display_name,
            advice="Export the solid, not its surfaces, and close open edges in the CAD first.",
        )
    return Body(name, role, nominal.vertices_mm, nominal.triangles)


def read_scan(source: Source, *, limits: ReadLimits = LIMITS) -> Scan:
    """Read a scan: a mesh or a cloud, with or without normals.

    Normals of a mesh are computed from its triangles; normals of a cloud are the file's.

    Raises
    ------
    FileRejected
        One subclass a cause; FileKindWrong for STEP, which is nominal CAD and no scan.
    UnitMissing
        If the file carries no unit and none was stated.

    """
    file = open_source(source, limits)
    if file.file_format is FileFormat.STEP:
        raise FileKindWrong(
            f"{file.name} is a STEP model, which is nominal CAD and no scan.",
            file=file.name,
            advice="Send the scan as a mesh or a point cloud; if the two files were swapped, swap them back.",
        )
    _check_unit(file, source)
    result = read_guarded(source, "scan", limits, TESSELLATION, MESH)
    return Scan(
        points_mm=result.arrays["points"],
        normals=result.arrays.get("normals"),
        triangles=result.arrays.get("triangles"),
        declared_unit=result.record["declared_unit"],
        quantum_mm=result.record["quantum_mm"],
        notes=(*result.record["notes"], *_unit_notes(source, result.record)),
    )


def read_pair(nominal: Source, scan: Source, *, limits: ReadLimits = LIMITS) -> tuple[Nominal, Scan]:
    """Read both at once, each in a child of its own; an error of the nominal is raised first."""
    with ThreadPoolExecutor(max_workers=2) as pool:
        nominal_read = pool.submit(read_nominal, nominal, limits=limits)
        scan_read = pool.submit(read_scan, scan, limits=limits)
        return nominal_read.result(), scan_read.result()


def _check_is_surface(file: OpenFile) -> None:
    if not file.file_format.can_be_surface:
        raise FileKindWrong(
            f"{file.name} is a point cloud ({file.file_format}), so it cannot be the nominal.",
            file=file.name,
            advice="Send the CAD model as STEP, or a mesh. If this is the scan, swap the two files.",
        )


def _check_unit(file: OpenFile, source: Source) -> None:
    if source.stated_unit is None and not file.file_format.has_unit:
        raise UnitMissing(
            f"{file.name}: a {file.file_format} file does not say its unit, and none was stated.",
            advice="State mm or inch (or um, cm, m, foot) with the file.",
            file=file.name,
        )


def _unit_notes(source: Source, record: Mapping[str, Any]) -> tuple[str, ...]:
    declared, stated = record["declared_unit"], source.stated_unit
    if declared is None or stated is None or declared == stated:
        return ()
    return (f"The file says its unit is {declared}; that was used, and the stated {stated.value} was not.",)


def _faces(result: ReadResult) -> tuple[Face, ...]:
    if "faces" in result.record:
        return tuple(_face(fields) for fields in result.record["faces"])
    vectors = area_vectors(result.arrays["points"], result.arrays["triangles"])
    areas = np.bincount(result.arrays["triangle_face"], weights=areas_of(vectors))
    return tuple(Face(index, SurfaceKind.FREEFORM, area) for index, area in enumerate(areas.tolist()))


def _face(fields: Mapping[str, Any]) -> Face:
    vectors = {key: np.array(fields[key]) for key in ("origin_mm", "axis") if fields.get(key) is not None}
    color = tuple(fields["color"]) if fields.get("color") else None
    return Face(**(dict(fields) | vectors | {"kind": SurfaceKind(fields["kind"]), "color": color}))
