"""How figures are worded: millimetres, and thousandths of an inch beside them.

Every length in a sentence reads ``0.451 mm (17.8 thou)``; the page turns each such pair into
whichever the reader chose.  Departures are told in thousandths (1 thou = 0.001 in), sizes in
inches.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from shared.report import VerdictWord
from shared.texts import shown

MM_PER_INCH = 25.4  # exact: international yard and pound agreement of 1959
SIZE_KINDS = frozenset(
    {
        "wall_thickness",
        "wall_between",
        "room_to_remove",
        "size",
        "distance",
        "pocket_depth",
        "fastener",
        "fastener_line",
    }
)  # read against a drawing's size, not as a departure

VERDICT_WORDS: dict[str, str] = {
    "conforms": "conforms",
    "does_not_conform": "does not conform",
    "not_proven": "not proven",
    "not_measured": "not measured",
    "not_aligned": "not aligned",
    "not_judged": "not judged",
}

INCHED = {"mm2": (2, 1, "mm²", "in²"), "mm3": (3, 0, "mm³", "in³")}  # power of the length, decimals, both words
PLAIN_UNITS = {"": (3, ""), "ratio": (3, ""), "count": (0, ""), "cc": (2, "cc"), "cfm": (1, "cfm")}  # decimals, word

_NUMBER = r"[+\-]?\d+(?:\.\d+)?"
_TRIPLE = rf"x {_NUMBER}, y {_NUMBER}, z {_NUMBER}"
_PAIR = re.compile(rf"({_TRIPLE}|{_NUMBER}) (mm[²³]?) \(({_TRIPLE}|{_NUMBER}) (thou|in[²³]?)\)")


@dataclass(frozen=True)
class Pair:
    """One length in both units."""

    mm: str
    inch: str

    def __str__(self) -> str:
        return f"{self.mm} ({self.inch})"

    def __html__(self) -> str:
        """Both, of which the page shows one."""
        return str(
            Markup('<span class="q"><span class="u-mm">{}</span><span class="u-in">{}</span></span>').format(
                self.mm, self.inch
            )
        )


def _plain(value: float, decimals: int, *, is_signed: bool = False) -> str:
    """Fixed decimals; never a minus before a zero."""
    rounded = round(value, decimals) + 0.0
    sign = "+" if is_signed and rounded > 0 else ""
    return f"{sign}{rounded:.{decimals}f}"


def departure(value_mm: float, *, is_signed: bool = False) -> Pair:
    """A small length told in thousandths: a deviation, a displacement, an uncertainty."""
    inch = value_mm / MM_PER_INCH * 1000
    return Pair(f"{_plain(value_mm, 3, is_signed=is_signed)} mm", f"{_plain(inch, 1, is_signed=is_signed)} thou")


def size(value_mm: float) -> Pair:
    """A size told in inches: a wall, a diameter."""
    return Pair(f"{_plain(value_mm, 3)} mm", f"{_plain(value_mm / MM_PER_INCH, 4)} in")


def vector(value_mm: Sequence[float], *, is_signed: bool = True) -> Pair:
    """A displacement by part axes."""
    parts = list(zip("xyz", value_mm, strict=True))
    mm = ", ".join(f"{axis} {_plain(v, 3, is_signed=is_signed)}" for axis, v in parts)
    thou = ", ".join(f"{axis} {_plain(v / MM_PER_INCH * 1000, 1, is_signed=is_signed)}" for axis, v in parts)
    return Pair(f"{mm} mm", f"{thou} thou")


def position(point_mm: Sequence[float]) -> Pair:
    """A place on the part."""
    mm = ", ".join(f"{axis} {_plain(v, 1)}" for axis, v in zip("xyz", point_mm, strict=True))
    inch = ", ".join(f"{axis} {_plain(v / MM_PER_INCH, 2)}" for axis, v in zip("xyz", point_mm, strict=True))
    return Pair(f"{mm} mm", f"{inch} in")


def area(value_mm2: float) -> Pair:
    """An area."""
    return Pair(f"{value_mm2:.0f} mm²", f"{value_mm2 / MM_PER_INCH**2:.2f} in²")


def percent(value: float, decimals: int = 2, *, is_signed: bool = False) -> str:
    """A percentage already in percent."""
    return f"{_plain(value, decimals, is_signed=is_signed)} %"


def share(value: float) -> str:
    """A share 0..1 as percent, never rounded up to all or down to none."""
    if 0 < value < 0.01 or 0.99 < value < 1:
        return f"{min(max(value * 100, 0.1), 99.9):.1f} %"
    return f"{value * 100:.0f} %"


def degrees(value: float, decimals: int = 3, *, is_signed: bool = False) -> str:
    """An angle already in degrees."""
    return f"{_plain(value, decimals, is_signed=is_signed)}°"


def in_unit(value: float, unit: str, kind: str) -> Pair | str:
    """A characteristic's figure in its own unit."""
    return size(value) if unit == "mm" and kind in SIZE_KINDS else off_in_unit(value, unit)


def off_in_unit(value: float, unit: str, *, is_signed: bool = False) -> Pair | str:
    """A small figure in a characteristic's unit: an uncertainty, a departure from nominal."""
    if unit == "mm":
        return departure(value, is_signed=is_signed)
    return figure(value, unit, is_signed=is_signed)


def figure(value: float, unit: str, *, is_signed: bool = False) -> Pair | str:
    """A figure that is no length, in its unit."""
    if unit == "percent":
        return percent(value, 3, is_signed=is_signed)
    if unit == "deg":
        return degrees(value, 3, is_signed=is_signed)
    if unit in INCHED:
        power, decimals, word, inch_word = INCHED[unit]
        inch = value / MM_PER_INCH**power
        mm_text, inch_text = _plain(value, decimals, is_signed=is_signed), _plain(inch, 4, is_signed=is_signed)
        return Pair(f"{mm_text} {word}", f"{inch_text} {inch_word}")
    decimals, word = PLAIN_UNITS[unit]
    return f"{_plain(value, decimals, is_signed=is_signed)} {word}".rstrip()


def dual(text: str) -> Markup:
    """Escape ``text`` and let every ``mm (thou)`` pair in it follow the reader's unit."""
    text = shown(text)  # the page shows markup as it is
    parts: list[Markup] = []
    end = 0
    for found in _PAIR.finditer(text):
        pair = Pair(f"{found[1]} {found[2]}", f"{found[3]} {found[4]}")
        parts += [escape(text[end : found.start()]), Markup(pair.__html__())]  # noqa: S704 the pair is digits only
        end = found.end()
    return Markup("").join([*parts, escape(text[end:])])


def verdict_word(verdict: VerdictWord | str) -> str:
    """The verdict as people say it."""
    return VERDICT_WORDS[verdict]
