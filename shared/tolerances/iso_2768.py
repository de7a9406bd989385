"""General tolerances of machined and formed parts: ISO 2768-1:1989, linear, radii and chamfers, angles.

Figures are plus and minus.  Linear f, m, v and radii from web copies of the tables; linear c below
6 mm from memory, as the copies read do not agree (0.2 and 0.3 here); angles from memory, where a web
copy prints 20' for c from 120 to 400 mm against 15' here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from shared.tolerances.sizes import out_of_table, step_index

RowT = TypeVar("RowT")
LEAST_MM = 0.5  # below it, the standard asks for the deviation beside the dimension
LINEAR_UP_TO_MM = (3, 6, 30, 120, 400, 1000, 2000, 4000)
_LINEAR_MM: dict[str, tuple[float | None, ...]] = {
    "f": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, None),
    "m": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2),
    "c": (0.2, 0.3, 0.5, 0.8, 1.2, 2, 3, 4),
    "v": (None, 0.5, 1, 1.5, 2.5, 4, 6, 8),
}
RADII_UP_TO_MM = (3, 6)
_RADII_MM = {"f": (0.2, 0.5, 1.0), "m": (0.2, 0.5, 1.0), "c": (0.4, 1.0, 2.0), "v": (0.4, 1.0, 2.0)}
ANGLE_UP_TO_MM = (10, 50, 120, 400)
_ANGLE_MINUTES = {
    "f": (60, 30, 20, 10, 5),
    "m": (60, 30, 20, 10, 5),
    "c": (90, 60, 30, 15, 10),
    "v": (180, 120, 60, 30, 20),
}
LINEAR, RADII, ANGLES = "ISO 2768-1 linear", "ISO 2768-1 radii and chamfers", "ISO 2768-1 angles"


def linear_mm(letter: str, nominal_mm: float) -> float:
    """Permitted deviation, plus and minus, of a linear dimension."""
    row = _row(_LINEAR_MM, letter, LINEAR)
    _not_too_small(nominal_mm, LINEAR)
    deviation_mm = row[step_index(nominal_mm, LINEAR_UP_TO_MM, LINEAR)]
    if deviation_mm is None:
        raise out_of_table(LINEAR, f"class {letter} is not given for {nominal_mm:g} mm")
    return float(deviation_mm)


def radius_mm(letter: str, nominal_mm: float) -> float:
    """Permitted deviation, plus and minus, of an external radius or a chamfer height."""
    row = _row(_RADII_MM, letter, RADII)
    _not_too_small(nominal_mm, RADII)
    return row[sum(nominal_mm > bound_mm for bound_mm in RADII_UP_TO_MM)]


def angle_degrees(letter: str, shorter_side_mm: float) -> float:
    """Permitted deviation, plus and minus, of an angle, by the length of its shorter side."""
    row = _row(_ANGLE_MINUTES, letter, ANGLES)
    if not shorter_side_mm > 0:
        raise out_of_table(ANGLES, f"a side of {shorter_side_mm:g} mm is none")
    return row[sum(shorter_side_mm > bound_mm for bound_mm in ANGLE_UP_TO_MM)] / 60


def _row(rows: Mapping[str, RowT], letter: str, table: str) -> RowT:
    if letter not in rows:
        raise out_of_table(table, f"classes are {', '.join(rows)}, not {letter!r}")
    return rows[letter]


def _not_too_small(nominal_mm: float, table: str) -> None:
    if nominal_mm < LEAST_MM:
        raise out_of_table(table, f"{nominal_mm:g} mm is below {LEAST_MM} mm")
