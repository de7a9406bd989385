"""PCD point clouds: ascii, binary and binary_compressed (version 0.7 of the format)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.reading.faults import check_counts, corrupt, empty, truncated
from worker.reading.lzf import lzf_decompress
from worker.reading.parsed import Floats, Parsed
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile
from worker.reading.text_rows import TextRows, decimal_quantum, load_rows

KINDS = {"F": "f", "I": "i", "U": "u"}
ENCODINGS = {"ascii", "binary", "binary_compressed"}
ROW_LIMIT_BYTES = 1 << 16  # of one point; descriptors of shape take 1 to 8 kB
LENGTHS_BYTES = 8  # compressed and expanded size before compressed data


@dataclass(frozen=True)
class Field:
    """One field of a point: its number type and how many numbers it has."""

    name: str
    number_type: np.dtype[Any]
    count: int


@dataclass(frozen=True)
class PcdHeader:
    """What the header declares."""

    fields: tuple[Field, ...]
    point_count: int
    encoding: str
    body_offset: int

    @property
    def row_type(self) -> np.dtype[Any]:
        """One point as binary data stores it."""
        return np.dtype([(field.name, field.number_type, (field.count,)) for field in self.fields])


def read_pcd(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Points, and normals where the fields are there; NaN is how the format says "no return"."""
    with file.path.open("rb") as stream:
        header = parse_header(file, stream.read(limits.header_bytes))
    if header.point_count == 0:
        raise empty(file, "holds no point")
    check_counts(file, limits, points=header.point_count)
    columns, quantum = _READERS[header.encoding](file, header, limits)
    has_normals = {"normal_x", "normal_y", "normal_z"} <= columns.keys()
    return Parsed(
        _stack(columns, ("x", "y", "z")),
        normals=_stack(columns, ("normal_x", "normal_y", "normal_z")) if has_normals else None,
        written_as=np.result_type(*(columns[axis].dtype for axis in "xyz")),
        quantum=quantum,
        are_gaps_usual=True,
    )


def parse_header(file: OpenFile, head: bytes) -> PcdHeader:
    """Parse and cross-check the header.

    Raises
    ------
    FileCorrupt, FileTruncated
        If lines are missing, or contradict each other.

    """
    entries: dict[str, list[str]] = {}
    offset = 0
    while "DATA" not in entries:
        end = head.find(b"\n", offset)
        if end < 0:
            raise truncated(file, "its header does not end with a DATA line")
        words = head[offset:end].decode("latin-1").split("#")[0].split()
        offset = end + 1
        if words:
            entries[words[0].upper()] = words[1:]
    fields = _fields(file, entries)
    width, height = _whole(file, entries, "WIDTH"), _whole(file, entries, "HEIGHT")
    points = _whole(file, entries, "POINTS") if "POINTS" in entries else width * height
    if points != width * height:
        raise corrupt(file, f"its header says {points} points, and {width} x {height}")
    encoding = "".join(entries["DATA"]).lower()
    if encoding not in ENCODINGS:
        raise corrupt(file, f"its data is {encoding[:40]!r}, which is no PCD encoding")
    return PcdHeader(fields, points, encoding, offset)


def _fields(file: OpenFile, entries: dict[str, list[str]]) -> tuple[Field, ...]:
    names = entries.get("FIELDS", entries.get("COLUMNS", []))
    sizes, kinds = entries.get("SIZE", []), entries.get("TYPE", [])
    counts = entries.get("COUNT", ["1"] * len(names))
    if not {"x", "y", "z"} <= set(names) or not len(names) == len(sizes) == len(kinds) == len(counts):
        raise corrupt(file, "its header has no x, y and z, or not as many sizes and types as fields")
    fields = []
    for place, (name, size, kind, count) in enumerate(zip(names, sizes, kinds, counts, strict=True)):
        code = KINDS.get(kind.upper(), "") + size
        if code not in {"f4", "f8", "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8"} or not count.isdecimal():
            raise corrupt(file, f"its field {name[:40]!r} has size {size[:10]!r} and type {kind[:10]!r}")
        if name in {"x", "y", "z"} and (names.count(name) != 1 or count != "1"):
            raise corrupt(file, f"its field {name!r} is there more than once")
        unique = name if names.count(name) == 1 else f"{name}_{place}"
        fields.append(Field(unique, np.dtype("<" + code), min(int(count), ROW_LIMIT_BYTES)))
    if sum(field.count * field.number_type.itemsize for field in fields) > ROW_LIMIT_BYTES:
        raise corrupt(file, f"its header declares points of more than {ROW_LIMIT_BYTES} bytes each")
    return tuple(fields)


def _whole(file: OpenFile, entries: dict[str, list[str]], word: str) -> int:
    value = "".join(entries.get(word, []))
    if not value.isdecimal() or len(value) > 18:
        raise corrupt(file, f"its header has no whole number for {word}")
    return int(value)


def _read_ascii(file: OpenFile, header: PcdHeader, limits: ReadLimits) -> tuple[dict[str, NDArray[Any]], float]:
    del limits
    places = np.cumsum([0, *(field.count for field in header.fields)]).tolist()
    least = 2 * header.point_count * places[-1] - 1  # a digit a number and what parts it from the next
    if header.body_offset + least > file.size_bytes:
        raise truncated(file, f"{header.point_count} points need at least {least} bytes of text")
    with file.path.open("rb") as raw:
        raw.seek(header.body_offset)
        quantum = decimal_quantum([raw.readline(4096) for _ in range(64)])
    with file.path.open(encoding="latin-1") as stream:
        stream.seek(header.body_offset)
        rows = load_rows(TextRows(file, stream), header.point_count)
        if stream.read(1024).strip():
            raise corrupt(file, f"more than the declared {header.point_count} points follow")
    if rows.shape[1] != places[-1]:
        raise corrupt(file, f"its rows have {rows.shape[1]} numbers, and its fields need {places[-1]}")
    return {field.name: rows[:, place] for field, place in zip(header.fields, places[:-1], strict=True)}, quantum


def _read_binary(file: OpenFile, header: PcdHeader, limits: ReadLimits) -> tuple[dict[str, NDArray[Any]], float]:
    del limits
    row_type = header.row_type
    need = header.body_offset + header.point_count * row_type.itemsize
    if need > file.size_bytes:
        raise truncated(file, f"{header.point_count} points need {need} bytes, and it has {file.size_bytes}")
    content = np.memmap(file.path, dtype=np.uint8, mode="r")
    rows = np.frombuffer(content, dtype=row_type, count=header.point_count, offset=header.body_offset)
    return {field.name: rows[field.name][:, 0] for field in header.fields if field.count}, 0.0


def _read_compressed(file: OpenFile, header: PcdHeader, limits: ReadLimits) -> tuple[dict[str, NDArray[Any]], float]:
    with file.path.open("rb") as stream:
        stream.seek(header.body_offset)
        lengths = stream.read(LENGTHS_BYTES)
        packed, expanded = int.from_bytes(lengths[:4], "little"), int.from_bytes(lengths[4:], "little")
        if len(lengths) < LENGTHS_BYTES or stream.tell() + packed > file.size_bytes:
            raise truncated(file, f"{packed} bytes of compressed points are declared")
        content = stream.read(packed)
    need = header.point_count * header.row_type.itemsize
    if expanded != need or expanded > limits.expanded_bytes:
        raise corrupt(file, f"its points expand to {expanded} bytes, and its fields need {need}")
    data = lzf_decompress(content, expanded)
    if data is None:
        raise corrupt(file, "its compressed points do not unpack to the declared size")
    columns: dict[str, NDArray[Any]] = {}
    offset = 0
    for field in header.fields:  # compressed data stores field after field, not point after point
        count = header.point_count * field.count
        values = np.frombuffer(data, dtype=field.number_type, count=count, offset=offset)
        offset += values.nbytes
        if field.count:
            columns[field.name] = values.reshape(header.point_count, field.count)[:, 0]
    return columns, 0.0


def _stack(columns: dict[str, NDArray[Any]], names: tuple[str, str, str]) -> Floats:
    stacked = np.empty((len(columns[names[0]]), 3))
    with np.errstate(invalid="ignore"):  # a signalling NaN stays a NaN, and is dealt with later
        for axis, name in enumerate(names):
            stacked[:, axis] = columns[name]
    return stacked


_READERS = {"ascii": _read_ascii, "binary": _read_binary, "binary_compressed": _read_compressed}
