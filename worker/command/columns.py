"""Plain tables: columns by the longest entry, nothing wrapped, so that they survive a pipe into a file."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest

GAP = "  "


def columns(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Headings, a rule and the rows; text."""
    table = [headings, *rows]
    widths = [max(map(len, column)) for column in zip_longest(*table, fillvalue="")]
    lines = [GAP.join(cell.ljust(width) for cell, width in zip(row, widths, strict=False)).rstrip() for row in table]
    rule = GAP.join("-" * width for width in widths)
    return "\n".join([lines[0], rule, *lines[1:]])
