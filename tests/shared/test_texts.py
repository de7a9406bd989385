"""A stranger's text on a page and in a spreadsheet."""

from __future__ import annotations

import pytest
from markupsafe import Markup

from shared.texts import cell_text, shown


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("wall\x00 3\x1b[31m mm", "wall 3[31m mm"),
        ("3.0 \u202e0.5 mm", "3.0 0.5 mm"),  # what follows the mark would be read from right to left
        ("\ufeffhead\u2067", "head"),
        ("half \ud800 of a pair", "half  of a pair"),
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
        ("Zylinderkopf \u00e4\u00f6 \u4e2d \U0001f600", "Zylinderkopf \u00e4\u00f6 \u4e2d \U0001f600"),
        ("<b>", "<b>"),  # escaping is the template's
    ],
)
def test_only_what_can_be_seen_is_shown(given: str, expected: str) -> None:
    assert shown(given) == expected


def test_what_is_no_text_is_left_alone() -> None:
    ours = Markup("<b>\u200e</b>")
    assert (shown(1.5), shown(None), shown(ours)) == (1.5, None, ours)


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\u202e="])
def test_no_cell_is_a_formula(sign: str) -> None:
    """The signs are those of OWASP's page on CSV injection, from memory."""
    assert cell_text(f"{sign}HYPERLINK(1)").startswith("'")


def test_a_plain_cell_stays() -> None:
    assert cell_text("face 12") == "face 12"
