"""XYZ and CSV point lists: one point a line, with or without a line of column names."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from worker.reading.faults import corrupt, empty
from worker.reading.parsed import Floats, Parsed
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile
from worker.reading.text_rows import TextRows, decimal_quantum, load_all_rows

DELIMITERS = (",", ";", "\t", None)  # None is any run of blanks
PROBE_LINES = 64
UNIT_NORMAL_SLACK = 0.02  # three decimals keep a unit vector's length within 0.001; colours are far from 1
POINT_NAMES = (("x", "y", "z"), ("x_mm", "y_mm", "z_mm"), ("px", "py", "pz"), ("pointx", "pointy", "pointz"))
NORMAL_NAMES = (("nx", "ny", "nz"), ("normalx", "normaly", "normalz"), ("normal_x", "normal_y", "normal_z"))


@dataclass(frozen=True)
class Layout:
    """How the lines are to be read.

    point, normal : column indices; normal is None when no column is named so
    skipped_lines : lines before the first row of numbers
    """

    delimiter: str | None
    point: tuple[int, int, int]
    normal: tuple[int, int, int] | None
    column_count: int
    skipped_lines: int
    has_names: bool


def read_xyz(file: OpenFile, limits: ReadLimits) -> Parsed:
    """Points, and normals where columns are named so or columns 4 to 6 are unit vectors throughout."""
    with file.path.open("rb") as raw:
        probe = raw.read(PROBE_LINES * 1024)
    layout = sniff(file, probe, limits)
    with file.path.open(encoding="utf-8-sig", newline=None) as stream:
        try:
            for _ in range(layout.skipped_lines):
                stream.readline()
        except UnicodeDecodeError as error:  # beyond what was probed; the stream reads ahead
            raise corrupt(file, "it is not plain UTF-8 text") from error
        rows = load_all_rows(TextRows(file, stream, layout.delimiter), layout.column_count, limits)
    if not len(rows):
        raise empty(file, "holds no point")
    if rows.shape[1] != layout.column_count:
        raise corrupt(file, f"rows have {rows.shape[1]} numbers, the first line promises {layout.column_count}")
    normals, note = _normals(rows, layout)
    quantum = decimal_quantum(probe.splitlines()[layout.skipped_lines : PROBE_LINES])
    return Parsed(_columns(rows, layout.point), normals=normals, quantum=quantum, notes=note)


def sniff(file: OpenFile, probe: bytes, limits: ReadLimits) -> Layout:
    """Find delimiter, names and columns from the first lines.

    Raises
    ------
    FileCorrupt
        If the first lines are not three or more numbers each, or use a decimal comma.

    """
    if any(len(line) > limits.line_bytes for line in probe.splitlines()) or b"\0" in probe:
        raise corrupt(file, "it is not a list of points in plain text")
    try:
        text = probe.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if error.start < len(probe) - 4:
            raise corrupt(file, "it is not plain UTF-8 text") from error
        text = probe[: error.start].decode("utf-8-sig")
    lines = text.splitlines()
    lines = lines if len(lines) < 2 or len(probe) < PROBE_LINES * 1024 else lines[:-1]  # the last may be cut
    first = next((k for k, line in enumerate(lines) if _is_row(line)), None)
    if first is None:
        _refuse_decimal_comma(file, lines)
        raise corrupt(file, "no line of it is three or more numbers")
    rows = [line for line in lines[first:] if line.strip() and not line.startswith("#")]
    _refuse_decimal_comma(file, rows)
    delimiter = next(mark for mark in DELIMITERS if mark is None or mark in rows[0].strip())
    return _layout(file, _names(lines[:first]), rows[0], delimiter, first)


def _is_row(line: str) -> bool:
    words = re.split(r"[,;\s]+", line.strip(" ,;\t"))
    return len(words) >= 3 and all(_is_number(word) for word in words)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return "_" not in word


def _refuse_decimal_comma(file: OpenFile, rows: list[str]) -> None:
    """A comma inside numbers that something else separates, or only commas and twice as many numbers as fit."""
    for row in rows[:PROBE_LINES]:
        has_other = ";" in row or bool(re.search(r"\S[ \t]+\S", row))
        if has_other and re.search(r"\d,\d", row) and not re.search(r",\s", row):
            raise corrupt(
                file, f"it uses a decimal comma ({row.strip()[:60]!r})", advice="Export it with decimal points."
            )
    words = [row.split(",") for row in rows[:PROBE_LINES] if row.strip()]
    if len(words) > 3 and all(len(row) == 6 and all(word.lstrip("+-").isdigit() for word in row) for row in words):
        raise corrupt(file, "it uses a comma both in numbers and between them", advice="Export it with decimal points.")


def _names(lines: list[str]) -> list[str]:
    """Lower-case column names of the last line before the numbers, without blanks, units in brackets or quotes."""
    titled = [line for line in lines if line.strip()]
    if not titled:
        return []
    line = re.sub(r"\[[^\]]*\]|\([^)]*\)|[\"'#/]", " ", titled[-1]).strip()
    return [word.strip().lower() for word in re.split(r"[,;\t]|\s+", line) if word.strip()]


def _layout(file: OpenFile, names: list[str], row: str, delimiter: str | None, first: int) -> Layout:
    count = len(row.strip().split(delimiter))
    if count < 3:
        raise corrupt(file, f"its rows have {count} columns")
    if len(names) != count:
        return Layout(delimiter, (0, 1, 2), None, count, first, has_names=False)
    point = next((names_of for names_of in POINT_NAMES if set(names_of) <= set(names)), None)
    if point is None:
        raise corrupt(file, f"none of its columns are called x, y and z, but {', '.join(names)[:80]}")
    normal = next((names_of for names_of in NORMAL_NAMES if set(names_of) <= set(names)), None)
    return Layout(delimiter, _indices(names, point), normal and _indices(names, normal), count, first, has_names=True)


def _indices(names: list[str], wanted: tuple[str, str, str]) -> tuple[int, int, int]:
    return names.index(wanted[0]), names.index(wanted[1]), names.index(wanted[2])


def _normals(rows: Floats, layout: Layout) -> tuple[Floats | None, tuple[str, ...]]:
    if layout.normal:
        return _columns(rows, layout.normal), ()
    if layout.has_names or layout.column_count < 6:
        return None, ()
    candidates = rows[:, 3:6]
    length_sq = np.einsum("ij,ij->i", candidates, candidates)
    if np.abs(length_sq - 1.0).max() > UNIT_NORMAL_SLACK:
        return None, ("Columns 4 to 6 have no names and are not unit vectors, so they were not taken for normals.",)
    return candidates.copy(), ("Columns 4 to 6 have no names but are unit vectors, so they were taken for normals.",)


def _columns(rows: Floats, columns: tuple[int, int, int]) -> Floats:
    return np.ascontiguousarray(rows[:, list(columns)])
