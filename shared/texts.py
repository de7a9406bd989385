"""Text that a stranger wrote, on its way to a page or a spreadsheet."""

from __future__ import annotations

from typing import Any

KEPT_CONTROLS = "\t\n\r"
# Marks that turn the direction of what follows (Unicode Standard Annex 9): a name with one can make a figure beside
# it read backwards.  Halves of pairs cannot be written at all.
TURNING = [*range(0x200E, 0x2010), *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x061C]
_DROPPED = dict.fromkeys(
    [code for code in (*range(0x20), *range(0x7F, 0xA0)) if chr(code) not in KEPT_CONTROLS]
    + TURNING
    + [*range(0xD800, 0xE000), 0xFEFF]
)
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run a text that begins so


def shown(value: Any) -> Any:
    """Any value for a page: of a text what can be seen, without control characters and marks of direction.

    Markup of our own is left as it is.
    """
    return value.translate(_DROPPED) if type(value) is str else value


def check_visible(text: str) -> str:
    """The text itself; ValueError if it holds what could not be seen, or what PostgreSQL does not take (NUL)."""
    if shown(text) != text:
        raise ValueError("control characters and marks of direction are not taken")
    return text


def cell_text(text: str) -> str:
    """A text as a cell of a CSV file: one that a spreadsheet would take for a formula begins with an apostrophe."""
    cell: str = shown(text)
    return f"'{cell}" if cell.startswith(FORMULA_SIGNS) else cell
