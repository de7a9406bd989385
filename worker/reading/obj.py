"""OBJ: vertices and faces; groups, materials and texture are passed over.

Read line by line with a limit on length, because a long line was seen to be cut in the middle
and read as garbage by one library.
"""

from __future__ import annotations

import re

import numpy as np

from worker.reading.faults import check_counts, corrupt, empty
from worker.reading.parsed import FLOAT32, Floats, Ints, Parsed
from worker.reading.polygons import fan
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile
from worker.reading.text_rows import decimal_quantum

VERTEX = re.compile(rb"^[ \t]*v[ \t]+([^\n#]*)", re.MULTILINE)
FACE = re.compile(rb"^[ \t]*f[ \t]+([^\n#]*)", re.MULTILINE)
FREE_FORM = re.compile(rb"^[ \t]*(?:curv|surf|cstype)[ \t]", re.MULTILINE)
AFTER_SLASH = re.compile(rb"/[^ \t\n]*")


def read_obj(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Vertices and faces, polygons cut into fans."""
    content = normal_lines(file, file.path.read_bytes(), limits)
    vertex_lines = VERTEX.findall(content)
    if not vertex_lines:
        if content.strip() and not content.lstrip().startswith((b"#", b"mtllib", b"o ", b"g ")):
            raise corrupt(file, "none of its lines is an OBJ vertex")
        raise empty(file, "holds no vertex")
    check_counts(file, limits, points=len(vertex_lines))
    points = _numbers(file, vertex_lines)
    triangles = _faces(file, content, len(points), limits)
    notes = ("Free-form curves and surfaces in the OBJ were passed over.",) if FREE_FORM.search(content) else ()
    quantum = decimal_quantum(vertex_lines[:64])
    return Parsed(points, triangles, written_as=FLOAT32, quantum=quantum, notes=notes)


def normal_lines(file: OpenFile, content: bytes, limits: ReadLimits) -> bytes:
    """End every line alike, join continued lines, and refuse what is no text or has a line over the limit."""
    if b"\0" in content:
        raise corrupt(file, "it is not plain text")
    content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(b"\\\n", b" ")
    ends = np.flatnonzero(np.frombuffer(content, dtype=np.uint8) == ord("\n"))
    longest = int(np.diff(ends, prepend=-1, append=len(content)).max()) - 1
    if longest > limits.line_bytes:
        raise corrupt(file, f"it has a line of {longest} bytes; the limit is {limits.line_bytes}")
    return content


def _numbers(file: OpenFile, lines: list[bytes]) -> Floats:
    if not all(map(bytes.strip, lines)):  # they would be passed over, and every later corner be another
        raise corrupt(file, "a vertex has no numbers")
    try:
        return np.loadtxt(lines, dtype=np.float64, usecols=(0, 1, 2), ndmin=2, encoding="latin-1")
    except (ValueError, IndexError) as error:
        if any(re.search(rb"\d,\d", line) for line in lines[:64]):
            raise corrupt(file, "it uses a decimal comma", advice="Export it with decimal points.") from error
        raise corrupt(file, f"a vertex is not three numbers ({str(error)[:80]})") from error


def _faces(file: OpenFile, content: bytes, point_count: int, limits: ReadLimits) -> Ints | None:
    lines = [AFTER_SLASH.sub(b"", line).split() for line in FACE.findall(content)]
    if not lines:
        return None
    check_counts(file, limits, triangles=len(lines))
    counts = np.array([len(line) for line in lines], dtype=np.int64)
    try:
        flat = np.array([int(word) for line in lines for word in line], dtype=np.int64)
    except (ValueError, OverflowError) as error:
        raise corrupt(file, f"a face has a corner that is no whole number ({str(error)[:80]})") from error
    if (flat == 0).any():
        raise corrupt(file, "a face refers to vertex 0; OBJ counts from 1")
    if (flat < 0).any():
        flat = np.where(flat < 0, flat + 1 + np.repeat(_vertices_before(content), counts), flat)
    triangles = fan(file, flat - 1, counts)
    if len(triangles) and (triangles.min() < 0 or triangles.max() >= point_count):
        raise corrupt(file, f"a face refers to a vertex beyond the {point_count} there are")
    return triangles


def _vertices_before(content: bytes) -> Ints:
    """How many vertices stand before each face: what its negative corners count back from."""
    vertex_at = np.array([match.start() for match in VERTEX.finditer(content)], dtype=np.int64)
    face_at = np.array([match.start() for match in FACE.finditer(content)], dtype=np.int64)
    return np.searchsorted(vertex_at, face_at)
