"""PLY meshes and clouds, text and binary, checked against their header to the last byte."""

from __future__ import annotations

from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from worker.reading.faults import check_counts, corrupt, empty, truncated
from worker.reading.parsed import Floats, Ints, Parsed
from worker.reading.ply_body import BinaryBody, face_list
from worker.reading.ply_header import Element, PlyHeader, parse_header
from worker.reading.polygons import fan
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile
from worker.reading.text_rows import TextRows, decimal_quantum, load_rows

Columns = dict[str, NDArray[Any]]


def read_ply(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Vertices, their normals and the faces (polygons cut into fans) of a PLY."""
    with file.path.open("rb") as stream:
        header = parse_header(file, stream.read(limits.header_bytes), limits)
    vertex, face = header.element("vertex"), header.element("face")
    if vertex is None or vertex.count == 0:
        raise empty(file, "holds no vertex")
    if vertex.has_list or not {"x", "y", "z"} <= {item.name for item in vertex.properties}:
        raise corrupt(file, "its vertices have no plain x, y and z")
    if header.element("tristrips"):
        raise corrupt(file, "it stores triangle strips", advice="Export it with plain faces.")
    check_counts(file, limits, points=vertex.count, triangles=face.count if face else 0)
    parsed = _read_text(file, header) if header.is_text else _read_binary(file, header)
    check_counts(file, limits, triangles=0 if parsed.triangles is None else len(parsed.triangles))
    return parsed


def _read_binary(file: OpenFile, header: PlyHeader) -> Parsed:
    content = np.memmap(file.path, dtype=np.uint8, mode="r")
    body, offset = BinaryBody(file, header.byte_order, content), header.body_offset
    columns: Columns = {}
    triangles: Ints | None = None
    for element in header.elements:
        if element.name == "vertex":
            rows = body.plain_rows(element, offset)
            columns = {name: rows[name] for name in rows.dtype.names or ()}
            offset += rows.nbytes
        elif element.name == "face" and element.count:
            triangles, offset = body.faces(element, offset)
        else:
            offset = body.end_of(element, offset)
    if offset > content.size:
        raise truncated(file, f"its elements need {offset} bytes")
    if content.size - offset > 2 or content[offset:].tobytes().strip():
        raise corrupt(file, f"{content.size - offset} bytes follow after its last element")
    return _parsed(columns, triangles)


def _read_text(file: OpenFile, header: PlyHeader) -> Parsed:
    columns: Columns = {}
    triangles: Ints | None = None
    with file.path.open("rb") as raw:
        raw.seek(header.body_offset)
        quantum = decimal_quantum([b" ".join(raw.readline(4096).split()[:3]) for _ in range(64)])
    with file.path.open(encoding="latin-1", newline=None) as stream:
        stream.seek(header.body_offset)
        for element in header.elements:
            if element.name == "vertex":
                columns = _text_vertices(file, element, stream)
            elif element.name == "face" and element.count:
                triangles = _text_faces(file, element, stream)
            else:
                for _ in range(element.count):
                    stream.readline()
        if stream.read(1024).strip():
            raise corrupt(file, "more text follows after its last element")
    return _parsed(columns, triangles, quantum)


def _text_vertices(file: OpenFile, element: Element, stream: TextIO) -> Columns:
    rows = load_rows(TextRows(file, stream), element.count)
    if rows.shape[1] != len(element.properties):
        raise corrupt(file, f"its vertex rows have {rows.shape[1]} numbers")
    return {item.name: rows[:, k] for k, item in enumerate(element.properties)}


def _text_faces(file: OpenFile, element: Element, stream: TextIO) -> Ints:
    place = element.properties.index(face_list(file, element))
    if any(item.count_type for item in element.properties[:place]):
        raise corrupt(file, "its faces have another list before vertex_indices")
    try:
        rows = [[int(word) for word in stream.readline().split()[place:]] for _ in range(element.count)]
        if any(not 0 <= row[0] < len(row) for row in rows):
            raise truncated(file, "a face has fewer corners than it declares")
        counts = np.array([row[0] for row in rows], dtype=np.int64)
        flat = np.array([index for row in rows for index in row[1 : row[0] + 1]], dtype=np.int64)
    except (ValueError, IndexError, OverflowError) as error:
        raise truncated(file, f"its faces end early or are no whole numbers ({str(error)[:80]})") from error
    return fan(file, flat, counts)


def _parsed(columns: Columns, triangles: Ints | None, quantum: float = 0.0) -> Parsed:
    normals = _stack(columns, ("nx", "ny", "nz")) if {"nx", "ny", "nz"} <= columns.keys() else None
    written_as = np.result_type(*(columns[axis].dtype for axis in "xyz"))
    return Parsed(_stack(columns, ("x", "y", "z")), triangles, normals, written_as=written_as, quantum=quantum)


def _stack(columns: Columns, names: tuple[str, str, str]) -> Floats:
    stacked = np.empty((len(columns[names[0]]), 3))
    with np.errstate(invalid="ignore"):  # a signalling NaN stays a NaN, and is dealt with later
        for axis, name in enumerate(names):
            stacked[:, axis] = columns[name]
    return stacked
