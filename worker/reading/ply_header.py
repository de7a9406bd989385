"""The header of a PLY file, read strictly in plain Python.

A binary PLY whose header mixes line endings kills one library's reader outright, so such a
header is refused here before anything else sees the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from worker.reading.faults import corrupt, truncated
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

SCALARS = {
    "char": "i1",
    "int8": "i1",
    "uchar": "u1",
    "uint8": "u1",
    "short": "i2",
    "int16": "i2",
    "ushort": "u2",
    "uint16": "u2",
    "int": "i4",
    "int32": "i4",
    "uint": "u4",
    "uint32": "u4",
    "float": "f4",
    "float32": "f4",
    "double": "f8",
    "float64": "f8",
}
BYTE_ORDER = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
END = b"end_header"


@dataclass(frozen=True)
class Property:
    """One property; ``count_type`` is None unless it is a list."""

    name: str
    value_type: str
    count_type: str | None = None


@dataclass(frozen=True)
class Element:
    """One kind of element and how many of it follow."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_list(self) -> bool:
        """Whether any property has a length of its own, so that rows differ in size."""
        return any(item.count_type for item in self.properties)

    def least_row_bytes(self, *, is_text: bool) -> int:
        """Bytes the smallest possible row takes."""
        if is_text:
            return 2 * len(self.properties)
        return sum(np.dtype(item.count_type or item.value_type).itemsize for item in self.properties)

    def row_type(self, byte_order: str) -> np.dtype[Any]:
        """Row as numpy reads it; only for an element without lists."""
        return np.dtype([(item.name, byte_order + item.value_type) for item in self.properties])


@dataclass(frozen=True)
class PlyHeader:
    """Everything the header declares."""

    byte_order: str  # "<", ">" or "" for text
    elements: tuple[Element, ...]
    body_offset: int

    @property
    def is_text(self) -> bool:
        """Whether the body is text."""
        return not self.byte_order

    def element(self, name: str) -> Element | None:
        """Find an element by name."""
        return next((item for item in self.elements if item.name == name), None)


def parse_header(file: OpenFile, head: bytes, limits: ReadLimits) -> PlyHeader:
    """Parse the first ``limits.header_bytes`` of a PLY and compare the counts with the file's size.

    Raises
    ------
    FileCorrupt, FileTruncated
        For anything the format does not allow, and for counts the file is too short for.

    """
    lines, body_offset = _lines(file, head, limits)
    byte_order: str | None = None
    elements: list[Element] = []
    for line in lines:
        word, *rest = line.split() or [""]
        if word in {"", "comment", "obj_info"}:
            continue
        if word == "format" and len(rest) == 2 and rest[0] in BYTE_ORDER and byte_order is None:
            byte_order = BYTE_ORDER[rest[0]]
        elif word == "element" and len(rest) == 2 and rest[1].isdecimal() and len(rest[1]) < 20:
            elements.append(Element(rest[0], int(rest[1]), ()))
        elif word == "property" and elements:
            elements[-1] = _with_property(file, elements[-1], rest)
        else:
            raise corrupt(file, f"its header has a line that is not PLY: {line[:80]!r}")
    if byte_order is None:
        raise corrupt(file, "its header has no format line")
    _check_elements(file, elements)
    header = PlyHeader(byte_order, tuple(elements), body_offset)
    _check_size(file, header)
    return header


def _check_elements(file: OpenFile, elements: list[Element]) -> None:
    names = [element.name for element in elements]
    for element in elements:
        if names.count(element.name) > 1:
            raise corrupt(file, f"its header declares element {element.name[:40]!r} twice")
        if element.count and not element.properties:
            raise corrupt(file, f"its header declares element {element.name[:40]!r} without properties")


def _lines(file: OpenFile, head: bytes, limits: ReadLimits) -> tuple[list[str], int]:
    ending = b"\r\n" if head[3:5] == b"\r\n" else head[3:4]
    if head[:3] != b"ply" or ending not in {b"\n", b"\r", b"\r\n"}:
        raise corrupt(file, "its first line is not 'ply'")
    stop = head.find(ending + END)
    if stop < 0:
        if len(head) >= limits.header_bytes or END in head:
            raise corrupt(file, "its header does not end, or mixes line endings")
        raise truncated(file, "its header does not end")
    body_offset = stop + len(ending) + len(END) + len(ending)
    if head[body_offset - len(ending) : body_offset] != ending:
        raise corrupt(file, "its header mixes line endings")
    lines = head[4 + len(ending) - 1 : stop].split(ending)
    if any(b"\n" in line or b"\r" in line for line in lines):
        raise corrupt(file, "its header mixes line endings")
    return [line.decode("latin-1") for line in lines], body_offset


def _with_property(file: OpenFile, element: Element, words: list[str]) -> Element:
    if len(words) == 2 and words[0] in SCALARS:
        added = Property(words[1], SCALARS[words[0]])
    elif len(words) == 4 and words[0] == "list" and words[1] in SCALARS and words[2] in SCALARS:
        added = Property(words[3], SCALARS[words[2]], SCALARS[words[1]])
    else:
        raise corrupt(file, f"its header has a property that is not PLY: {' '.join(words)[:80]!r}")
    if any(item.name == added.name for item in element.properties):
        raise corrupt(file, f"its header declares property {added.name[:40]!r} twice")
    return Element(element.name, element.count, (*element.properties, added))


def _check_size(file: OpenFile, header: PlyHeader) -> None:
    body_bytes = file.size_bytes - header.body_offset
    least = sum(item.count * item.least_row_bytes(is_text=header.is_text) for item in header.elements)
    if least > body_bytes + 1:  # the last line of a text may lack its line ending
        counts = ", ".join(f"{item.count} x {item.name[:20]}" for item in header.elements)
        raise truncated(file, f"its header declares {counts}: at least {least} bytes, and {body_bytes} follow")
