"""STL, binary and text.

Read here and not by a library: two of them take a truncated file as an empty mesh without a word
(trimesh 5.2, Open3D 0.20), and importing one costs more than reading 700,000 triangles.
"""

from __future__ import annotations

import numpy as np

from worker.reading.faults import check_counts, corrupt, empty, truncated
from worker.reading.parsed import FLOAT32, Parsed
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile
from worker.reading.text_rows import decimal_quantum

PREAMBLE_BYTES = 84  # 80 bytes of comment, then the count
RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def read_stl(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Triangles as a soup: three points each, unmerged; facet normals are ignored in favour of the corner order."""
    if is_text_stl(file):
        return _read_text(file, limits)
    return _read_binary(file, limits)


def is_text_stl(file: OpenFile) -> bool:
    """Whether this is text: it starts with ``solid``, and its size does not fit the binary layout."""
    if file.head.lstrip()[:5].lower() != b"solid":
        return False
    return file.size_bytes < PREAMBLE_BYTES or file.size_bytes != PREAMBLE_BYTES + RECORD.itemsize * declared_count(
        file
    )


def declared_count(file: OpenFile) -> int:
    """Triangle count in the preamble of a binary STL."""
    return int.from_bytes(file.head[80:PREAMBLE_BYTES], "little")


def check_binary_stl(file: OpenFile, limits: ReadLimits) -> int:
    """Compare the declared count with the size of the file, and return it."""
    if file.size_bytes < PREAMBLE_BYTES:
        raise truncated(file, f"a binary STL has at least {PREAMBLE_BYTES} bytes, this one {file.size_bytes}")
    count = declared_count(file)
    holds = (file.size_bytes - PREAMBLE_BYTES) / RECORD.itemsize
    if count > holds:
        raise truncated(file, f"its header declares {count} triangles, and it holds {int(holds)}", declared=count)
    if count < holds:
        raise corrupt(file, f"its header declares {count} triangles, but bytes for {holds:.1f} follow", declared=count)
    if count == 0:
        raise empty(file, "holds no triangle")
    check_counts(file, limits, triangles=count)
    return count


def _read_binary(file: OpenFile, limits: ReadLimits) -> Parsed:
    count = check_binary_stl(file, limits)
    records = np.fromfile(file.path, dtype=RECORD, count=count, offset=PREAMBLE_BYTES)
    with np.errstate(invalid="ignore"):  # a signalling NaN stays a NaN, and is dealt with later
        points = records["corners"].reshape(-1, 3).astype(np.float64)
    return Parsed(points, np.arange(3 * count, dtype=np.int64).reshape(-1, 3), written_as=FLOAT32)


def _read_text(file: OpenFile, limits: ReadLimits) -> Parsed:
    content = file.path.read_bytes().lower()
    count = check_text_stl(file, content, limits)
    lines = [line for line in map(bytes.strip, content.splitlines()) if line.startswith(b"vertex")]
    if len(lines) != 3 * count:
        raise corrupt(file, f"{count} facets need {3 * count} vertex lines, and it has {len(lines)}")
    try:
        points = np.loadtxt([line[6:].decode("ascii") for line in lines], dtype=np.float64, ndmin=2)
    except (ValueError, UnicodeDecodeError) as error:
        raise corrupt(file, f"a vertex line is not three numbers ({error})") from error
    if points.shape != (3 * count, 3):
        raise corrupt(file, f"vertex lines have {points.shape[1]} numbers instead of 3")
    quantum = decimal_quantum([line[6:] for line in lines[:64]])
    return Parsed(points, np.arange(3 * count, dtype=np.int64).reshape(-1, 3), written_as=FLOAT32, quantum=quantum)


def check_text_stl(file: OpenFile, content: bytes, limits: ReadLimits) -> int:
    """Check the skeleton of lower-cased text and return the number of facets."""
    begun, ended = content.count(b"facet normal"), content.count(b"endfacet")
    if begun != ended or b"endsolid" not in content[content.rfind(b"endfacet") + 1 :]:
        raise truncated(file, f"{begun} facets begin, {ended} end, and the closing endsolid is checked too")
    if begun == 0:
        raise empty(file, "holds no triangle")
    check_counts(file, limits, triangles=begun)
    return begun
