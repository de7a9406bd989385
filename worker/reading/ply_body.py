"""The binary body of a PLY: rows of equal size at once, rows with lists by one walk over their lengths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.reading.faults import corrupt, truncated
from worker.reading.parsed import Ints
from worker.reading.ply_header import Element, Property
from worker.reading.polygons import fan
from worker.reading.source import OpenFile

FACE_LISTS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True, eq=False)
class BinaryBody:
    """The whole file mapped as bytes, and which way round its numbers are ("<" or ">")."""

    file: OpenFile
    byte_order: str
    content: NDArray[np.uint8]

    def plain_rows(self, element: Element, offset: int) -> NDArray[Any]:
        """Rows of an element without lists, starting at byte ``offset``."""
        row_type = element.row_type(self.byte_order)
        if offset + element.count * row_type.itemsize > self.content.size:
            raise truncated(self.file, f"{element.count} x {element.name[:20]} do not fit behind byte {offset}")
        return np.frombuffer(self.content, dtype=row_type, count=element.count, offset=offset)

    def end_of(self, element: Element, offset: int) -> int:
        """Where an element that nobody wants ends."""
        if element.has_list:
            return self._lists(element, offset, None)[1]
        return offset + element.count * element.row_type(self.byte_order).itemsize

    def faces(self, element: Element, offset: int) -> tuple[Ints, int]:
        """All faces as triangles (m, 3), and where they end."""
        wanted = face_list(self.file, element)
        at_once = self._uniform_triangles(element, offset)
        if at_once is not None:
            return at_once
        starts, end = self._lists(element, offset, wanted)
        counts = starts[:, 1]
        index_type = np.dtype(self.byte_order + wanted.value_type)
        flat = np.empty(int(counts.sum()), dtype=np.int64)
        stops = np.cumsum(counts)
        for count in np.unique(counts).tolist():
            rows = np.flatnonzero(counts == count)
            span = starts[rows, 0][:, None] + np.arange(count * index_type.itemsize)
            values = np.ascontiguousarray(self.content[span]).view(index_type).reshape(len(rows), count)
            flat[(stops[rows] - count)[:, None] + np.arange(count)] = values
        return fan(self.file, flat, counts), end

    def _uniform_triangles(self, element: Element, offset: int) -> tuple[Ints, int] | None:
        """All faces at once if they have one list and it always has three entries, else None."""
        fields: list[Any] = []
        for item in element.properties:
            if item.count_type:
                fields += [("count", self.byte_order + item.count_type)]
                fields += [("corners", self.byte_order + item.value_type, 3)]
            else:
                fields += [(f"other_{item.name}", self.byte_order + item.value_type)]
        if [name for name, *_ in fields].count("count") != 1:
            return None
        row_type = np.dtype(fields)
        end = offset + element.count * row_type.itemsize
        if end > self.content.size:
            return None
        rows = np.frombuffer(self.content, dtype=row_type, count=element.count, offset=offset)
        return (rows["corners"].astype(np.int64), end) if (rows["count"] == 3).all() else None

    def _lists(self, element: Element, offset: int, wanted: Property | None) -> tuple[Ints, int]:
        """(first byte, length) of the wanted list in every row, and where the rows end."""
        found: list[tuple[int, int]] = []
        for _ in range(element.count):
            for item in element.properties:
                length = 1
                if item.count_type:
                    length, offset = self._length(item.count_type, offset)
                    if item is wanted:
                        found.append((offset, length))
                offset += length * int(item.value_type[1])
            if offset > self.content.size:
                raise truncated(self.file, f"its {element.name[:20]} rows run past the end")
        return np.array(found, dtype=np.int64).reshape(-1, 2), offset

    def _length(self, count_type: str, offset: int) -> tuple[int, int]:
        if count_type[0] == "f":
            raise corrupt(self.file, "a list in it is counted with fractions")
        width = int(count_type[1])
        order = "little" if self.byte_order == "<" else "big"
        length = int.from_bytes(self.content[offset : offset + width].tobytes(), order, signed=count_type[0] == "i")  # type: ignore[arg-type]
        if length < 0:
            raise corrupt(self.file, "a list in it has a negative length")
        return length, offset + width


def face_list(file: OpenFile, element: Element) -> Property:
    """Return the list of corners; its indices must be integers."""
    lists = [item for item in element.properties if item.name in FACE_LISTS and item.count_type]
    if len(lists) != 1 or lists[0].value_type[0] == "f":
        raise corrupt(file, "its faces have no vertex_indices list")
    return lists[0]
