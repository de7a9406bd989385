"""Names and remarks that strangers write: plain text of bounded length, nothing that hides or reorders.

Whatever passes is still only text: templates escape it and set it apart by direction (``<bdi>``).
"""

from __future__ import annotations

import unicodedata

from shared.errors import RequestInvalid

NAME_LIMIT = 80
TEXT_LIMIT = 4000
JOINERS = frozenset("\u200c\u200d")  # needed to write Persian and some Indian scripts
BREAKS = frozenset("\n\t")
# Unicode general categories: controls, format characters (the bidirectional ones among them), surrogates,
# private use, unassigned, line and paragraph separators.
UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def name_of(text: str, field: str = "author") -> str:
    """A name on one line; raises RequestInvalid."""
    return _checked(text.strip(" "), field, NAME_LIMIT, frozenset())


def remark_of(text: str, field: str = "text") -> str:
    """A remark of any number of lines; raises RequestInvalid."""
    return _checked(text.replace("\r\n", "\n").strip(), field, TEXT_LIMIT, BREAKS)


def _checked(text: str, field: str, limit: int, allowed: frozenset[str]) -> str:
    text = unicodedata.normalize("NFC", text)
    if len(text) > limit:
        raise RequestInvalid(
            f"The field {field} has {len(text)} characters; {limit} are the limit.",
            advice="Shorten it.",
            field=field,
        )
    unseen = sorted({f"U+{ord(one):04X}" for one in text if _is_unseen(one) and one not in allowed})
    if unseen:
        raise RequestInvalid(
            f"The field {field} has characters that cannot be seen: {', '.join(unseen[:5])}.",
            advice="Write it without control characters and marks of direction.",
            field=field,
        )
    return text


def _is_unseen(character: str) -> bool:
    return unicodedata.category(character) in UNSEEN and character not in JOINERS
