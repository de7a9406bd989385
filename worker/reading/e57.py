"""E57 (ASTM E2807): all scans of the file, each moved by its pose, in metres as the standard says."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from pye57 import ScanHeader, libe57
from scipy.spatial.transform import Rotation

from shared.units import LengthUnit
from worker.reading.faults import check_counts, corrupt, empty, truncated
from worker.reading.parsed import FLOAT32, FLOAT64, Floats, Parsed
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

HEADER = struct.Struct("<8sIIQQQQ")  # magic, version, length, XML offset and length, page size
PAGE_BYTES = 1024  # the only page size of version 1.0
CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
NORMALS = ("nor:normalX", "nor:normalY", "nor:normalZ")
INVALID = ("cartesianInvalidState", "sphericalInvalidState")


def read_e57(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Points of all scans in the file's common frame, with normals when every scan has them.

    Checksums of all pages are verified by the library.
    """
    check_e57_header(file)
    try:
        image = libe57.ImageFile(str(file.path), "r")  # not through pye57.E57, which removes a file it fails on
        try:
            return _read_open(file, image, limits)
        finally:
            image.close()
    except libe57.E57Exception as error:
        cause = str(error).strip().partition("\n")[0][:120]
        raise corrupt(file, f"its pages or records do not hold together ({cause})") from error


def _read_open(file: OpenFile, image: Any, limits: ReadLimits) -> Parsed:
    headers = [header for header in _scan_headers(image) if header.point_count]
    if not headers:
        raise empty(file, "holds no point")
    check_counts(file, limits, points=sum(header.point_count for header in headers))
    pieces = [_read_scan(file, image, header) for header in headers]
    normals = [piece[1] for piece in pieces if piece[1] is not None]
    return Parsed(
        np.concatenate([piece[0] for piece in pieces]),
        normals=np.concatenate(normals) if len(normals) == len(pieces) else None,
        unit=LengthUnit.METRE,
        written_as=_number_type(headers),
        quantum=max(_scale(header) for header in headers),
        are_gaps_usual=True,
        notes=(f"{len(pieces)} scans were joined by their poses.",) if len(pieces) > 1 else (),
    )


def check_e57_header(file: OpenFile) -> None:
    """Compare magic, version, page size and length with the file.

    Raises
    ------
    FileTruncated, FileCorrupt
        If they do not agree.

    """
    if len(file.head) < HEADER.size:
        raise truncated(file, "its header is not complete")
    magic, major, _, length, xml_offset, xml_length, page = HEADER.unpack_from(file.head)
    if magic != b"ASTM-E57" or major != 1 or page != PAGE_BYTES:
        raise corrupt(file, f"its header says version {major} and pages of {page} bytes")
    if length > file.size_bytes:
        raise truncated(file, f"its header says {length} bytes, and it has {file.size_bytes}", declared_bytes=length)
    if length < file.size_bytes or length % PAGE_BYTES or xml_offset + xml_length > length:
        raise corrupt(file, f"its header says {length} bytes, and it has {file.size_bytes}")


def _scan_headers(image: Any) -> list[Any]:
    root = image.root()
    return [ScanHeader(scan) for scan in root["data3D"]] if root.isDefined("data3D") else []


def _read_scan(file: OpenFile, image: Any, header: Any) -> tuple[Floats, Floats | None]:
    fields = header.point_fields
    if set(CARTESIAN) <= set(fields):
        axes = CARTESIAN
    elif set(SPHERICAL) <= set(fields):
        axes = SPHERICAL
    else:
        raise corrupt(file, "one of its scans has neither cartesian nor spherical coordinates")
    normal_fields = NORMALS if set(NORMALS) <= set(fields) else ()
    states = [name for name in INVALID if name in fields]
    columns = _columns(image, header, (*axes, *normal_fields, *states))
    points = _stack(columns, CARTESIAN) if axes is CARTESIAN else _from_spherical(columns)
    rotation, translation = _pose(header)
    points = points @ rotation.T + translation
    for state in states:
        points[columns[state] != 0] = np.nan
    return points, _stack(columns, NORMALS) @ rotation.T if normal_fields else None


def _columns(image: Any, header: Any, names: tuple[str, ...]) -> dict[str, Floats]:
    columns, buffers = {}, libe57.VectorSourceDestBuffer()
    for name in names:
        columns[name] = np.empty(header.point_count)
        buffers.append(libe57.SourceDestBuffer(image, name, columns[name], header.point_count, True, True))
    reader = header.points.reader(buffers)
    reader.read()
    reader.close()
    return columns


def _from_spherical(columns: dict[str, Floats]) -> Floats:
    distance, azimuth, elevation = (columns[name] for name in SPHERICAL)
    level = distance * np.cos(elevation)
    return np.column_stack([level * np.cos(azimuth), level * np.sin(azimuth), distance * np.sin(elevation)])


def _pose(header: Any) -> tuple[Floats, Floats]:
    """Rotation (3, 3) and translation (3,) in metres; none where the scan has no pose."""
    rotation, translation = np.eye(3), np.zeros(3)
    if header.has_pose():
        pose = header.node["pose"]
        if pose.isDefined("rotation"):
            x, y, z, w = (pose["rotation"][key].value() for key in "xyzw")
            rotation = Rotation.from_quat((x, y, z, w)).as_matrix()
        if pose.isDefined("translation"):
            translation = np.array([pose["translation"][key].value() for key in "xyz"])
    return rotation, translation


def _first_axis(header: Any) -> Any:
    prototype = libe57.StructureNode(header.points.prototype())
    return prototype["cartesianX" if prototype.isDefined("cartesianX") else "sphericalRange"]


def _scale(header: Any) -> float:
    node = _first_axis(header)
    return float(node.scale()) if isinstance(node, libe57.ScaledIntegerNode) else 0.0


def _number_type(headers: list[Any]) -> np.dtype[Any]:
    nodes = [_first_axis(header) for header in headers]
    is_single = any(isinstance(node, libe57.FloatNode) and node.precision() == libe57.E57_SINGLE for node in nodes)
    return FLOAT32 if is_single else FLOAT64


def _stack(columns: dict[str, Floats], names: tuple[str, ...]) -> Floats:
    return np.column_stack([columns[name] for name in names])
