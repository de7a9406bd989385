"""Length units, converted only where data enters or leaves."""

from __future__ import annotations

from enum import StrEnum


class LengthUnit(StrEnum):
    """Units a caller may state for a file that carries none, or a file may declare."""

    MICROMETRE = "um"
    MILLIMETRE = "mm"
    CENTIMETRE = "cm"
    METRE = "m"
    INCH = "inch"
    FOOT = "foot"

    @property
    def mm(self) -> float:
        """Millimetres in one of this unit (inch: exactly 25.4, international yard and pound agreement of 1959)."""
        return _MM[self]


_MM = {
    LengthUnit.MICROMETRE: 0.001,
    LengthUnit.MILLIMETRE: 1.0,
    LengthUnit.CENTIMETRE: 10.0,
    LengthUnit.METRE: 1000.0,
    LengthUnit.INCH: 25.4,
    LengthUnit.FOOT: 304.8,
}
