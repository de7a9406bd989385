"""How far a move goes, in words that carry millimetres and thousandths of an inch: the page shows the reader's."""

from __future__ import annotations

from shared.units import LengthUnit
from worker.records import Floats

THOU_MM = LengthUnit.INCH.mm / 1000


def shift_text(shift_mm: Floats | tuple[float, float, float]) -> str:
    """All three components of a shift."""
    return f"{_triple(shift_mm, 1.0, 3)} mm ({_triple(shift_mm, THOU_MM, 1)} thou)"


def length_text(length_mm: float) -> str:
    """One length with its sign."""
    return f"{length_mm:+.3f} mm ({length_mm / THOU_MM:+.1f} thou)"


def _triple(vector_mm: Floats | tuple[float, float, float], unit_mm: float, digits: int) -> str:
    x, y, z = (float(part) / unit_mm + 0.0 for part in vector_mm)
    return f"x {x:+.{digits}f}, y {y:+.{digits}f}, z {z:+.{digits}f}"
