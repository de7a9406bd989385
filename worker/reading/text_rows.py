"""Rows of numbers in text, read in blocks so that 20 million rows need little more than their result."""

from __future__ import annotations

import re
import warnings
from collections.abc import Sequence
from typing import TextIO

import numpy as np

from worker.reading.faults import check_counts, corrupt, truncated
from worker.reading.parsed import Floats
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

BLOCK_ROWS = 500_000  # 24 MB of float64 at six columns
DECIMAL = re.compile(rb"[-+]?\d*\.?(\d*)(?:[eE]([-+]?\d{1,3}))?$")
DECIMAL_COMMA = re.compile(r"\d,\d")


def decimal_quantum(lines: Sequence[bytes]) -> float:
    """Step of the last decimal that occurs in lines of numbers, 0.0 when none could be read."""
    steps = []
    for token in b" ".join(lines).replace(b",", b" ").replace(b";", b" ").split():
        found = DECIMAL.match(token)
        if found:
            steps.append(10.0 ** (int(found[2] or 0) - len(found[1])))
    return min(steps, default=0.0)


def load_rows(file: OpenFile, stream: TextIO, delimiter: str | None, row_count: int) -> Floats:
    """Read exactly ``row_count`` rows of numbers, (row_count, columns) float64."""
    rows = _block(file, stream, delimiter, row_count)
    if len(rows) < row_count:
        raise truncated(file, f"{row_count} rows are declared and {len(rows)} follow")
    return rows


def load_all_rows(file: OpenFile, stream: TextIO, delimiter: str | None, limits: ReadLimits) -> Floats:
    """Read rows of numbers to the end, (n, columns) float64; (0, 0) when there are none."""
    blocks: list[Floats] = []
    count = 0
    while True:
        block = _block(file, stream, delimiter, BLOCK_ROWS)
        count += len(block)
        check_counts(file, limits, points=count)
        if len(block):
            blocks.append(block)
        if len(block) < BLOCK_ROWS:
            break
    if len({block.shape[1] for block in blocks}) > 1:
        raise corrupt(file, "its rows do not all have the same number of columns")
    return np.concatenate(blocks) if blocks else np.empty((0, 0))


def _block(file: OpenFile, stream: TextIO, delimiter: str | None, row_count: int) -> Floats:
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="loadtxt: input contained no data")
            warnings.filterwarnings("ignore", message="Input line .* contained no data")
            return np.loadtxt(stream, dtype=np.float64, delimiter=delimiter, max_rows=row_count, ndmin=2)
    except UnicodeDecodeError as error:
        raise corrupt(file, "it is not plain text") from error
    except ValueError as error:
        raise corrupt(file, _row_fault(str(error))) from error


def _row_fault(message: str) -> str:
    if DECIMAL_COMMA.search(message):
        return f"it uses a decimal comma, and only the decimal point is read ({message})"
    return f"a row is not the numbers its first row promises ({message})"
