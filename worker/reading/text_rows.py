"""Rows of numbers in text, read in blocks so that 20 million rows need little more than their result."""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

import numpy as np

from worker.reading.faults import check_counts, corrupt, truncated
from worker.reading.parsed import Floats
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

BLOCK_ROWS = 500_000  # 24 MB of float64 at six columns
BLOCK_NUMBERS = 8 * BLOCK_ROWS  # memory is taken for a whole block at once, so wide rows come in shorter ones
TEN_POWERS = range(-323, 309)  # of float64
DECIMAL = re.compile(rb"[-+]?\d*\.?(\d*)(?:[eE]([-+]?\d{1,3}))?$")
DECIMAL_COMMA = re.compile(r"\d,\d")


def decimal_quantum(lines: Sequence[bytes]) -> float:
    """Step of the last decimal that occurs in lines of numbers, 0.0 when none could be read."""
    steps = []
    for token in b" ".join(lines).replace(b",", b" ").replace(b";", b" ").split():
        found = DECIMAL.match(token)
        if found:
            power = int(found[2] or 0) - len(found[1])
            steps += [10.0**power] if power in TEN_POWERS else []
    return min(steps, default=0.0)


@dataclass(frozen=True, eq=False)
class TextRows:
    """Text of a file from where its rows begin; ``delimiter`` None is any run of blanks."""

    file: OpenFile
    stream: TextIO
    delimiter: str | None = None


def load_rows(rows: TextRows, row_count: int) -> Floats:
    """Read exactly ``row_count`` rows of numbers, (row_count, columns) float64.

    Memory is taken for all of them at once: the caller has compared them with the size of the file.
    """
    found = _block(rows, row_count)
    if len(found) < row_count:
        raise truncated(rows.file, f"{row_count} rows are declared and {len(found)} follow")
    return found


def load_all_rows(rows: TextRows, column_count: int, limits: ReadLimits) -> Floats:
    """Read rows of numbers to the end, (n, columns) float64; (0, 0) when there are none.

    column_count : as the first row has them
    """
    file = rows.file
    row_count = min(BLOCK_ROWS, BLOCK_NUMBERS // column_count)
    blocks: list[Floats] = []
    count = 0
    while True:
        block = _block(rows, row_count)
        count += len(block)
        check_counts(file, limits, points=count)
        if len(block):
            blocks.append(block)
        if len(block) < row_count:
            break
    if len({block.shape[1] for block in blocks}) > 1:
        raise corrupt(file, "its rows do not all have the same number of columns")
    return np.concatenate(blocks) if blocks else np.empty((0, 0))


def _block(rows: TextRows, row_count: int) -> Floats:
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="loadtxt: input contained no data")
            warnings.filterwarnings("ignore", message="Input line .* contained no data")
            return np.loadtxt(rows.stream, np.float64, delimiter=rows.delimiter, max_rows=row_count, ndmin=2)
    except UnicodeDecodeError as error:
        raise corrupt(rows.file, "it is not plain text") from error
    except ValueError as error:
        raise corrupt(rows.file, _row_fault(str(error))) from error


def _row_fault(message: str) -> str:
    if DECIMAL_COMMA.search(message):
        return f"it uses a decimal comma, and only the decimal point is read ({message})"
    return f"a row is not the numbers its first row promises ({message})"
