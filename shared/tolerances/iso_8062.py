"""Tolerances of castings: ISO 8062-3 dimensional (DCTG) and geometrical (GCTG) grades, machining allowance (RMAG).

DCTG figures are whole bands, laid symmetrically about the dimension; half to each side.

Sources: rows up to 630 mm from a published page of ISO 8062-3:2007, Table 2; the rows above from a
transcription of ISO 8062:1994 (SFSA Supplement 3, Table 3.1), whose grades CT have the same bands.
2500 to 4000 mm at grade 8 is from memory (the transcription prints 4 for 4.4), as is the rule that
walls are one grade coarser (clause 7), which the same supplement uses in a worked case.  Flatness
from its Table 4.2a.  Machining allowances E to K from its Table 2.2; A to D from memory.
"""

from __future__ import annotations

from shared.tolerances.sizes import out_of_table, step_index

INDICATED_ONLY = (
    "ISO 8062-3 speaks of dimensions indicated on a drawing; it does not apply to a CAD model without them. "
    "The plan's line counts as the indication."
)
DCTG_TABLE = "ISO 8062-3 DCTG"
DCTG_UP_TO_MM = (10, 16, 25, 40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10000)
_DCTG_MM: tuple[tuple[float | None, ...], ...] = (
    (0.09, 0.13, 0.18, 0.26, 0.36, 0.52, 0.74, 1, 1.5, 2, 2.8, 4.2, None, None, None, None),
    (0.1, 0.14, 0.2, 0.28, 0.38, 0.54, 0.78, 1.1, 1.6, 2.2, 3, 4.4, None, None, None, None),
    (0.11, 0.15, 0.22, 0.3, 0.42, 0.58, 0.82, 1.2, 1.7, 2.4, 3.2, 4.6, 6, 8, 10, 12),
    (0.12, 0.17, 0.24, 0.32, 0.46, 0.64, 0.9, 1.3, 1.8, 2.6, 3.6, 5, 7, 9, 11, 14),
    (0.13, 0.18, 0.26, 0.36, 0.5, 0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 10, 12, 16),
    (0.14, 0.2, 0.28, 0.4, 0.56, 0.78, 1.1, 1.6, 2.2, 3.2, 4.4, 6, 9, 11, 14, 18),
    (0.15, 0.22, 0.3, 0.44, 0.62, 0.88, 1.2, 1.8, 2.5, 3.6, 5, 7, 10, 12, 16, 20),
    (None, 0.24, 0.34, 0.5, 0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 14, 18, 22),
    (None, None, 0.4, 0.56, 0.78, 1.1, 1.6, 2.2, 3.2, 4.4, 6.2, 9, 12, 16, 20, 25),
    (None, None, None, 0.64, 0.9, 1.2, 1.8, 2.6, 3.6, 5, 7, 10, 14, 18, 22, 28),
    (None, None, None, None, 1, 1.4, 2, 2.8, 4, 6, 8, 11, 16, 20, 25, 32),
    (None, None, None, None, None, 1.6, 2.2, 3.2, 4.6, 7, 9, 13, 18, 23, 29, 37),
    (None, None, None, None, None, None, 2.6, 3.8, 5.4, 8, 10, 15, 21, 26, 33, 42),
    (None, None, None, None, None, None, None, 4.4, 6.2, 9, 12, 17, 24, 30, 38, 49),
    (None, None, None, None, None, None, None, None, 7, 10, 14, 20, 28, 35, 44, 56),
    (None, None, None, None, None, None, None, None, None, 11, 16, 23, 32, 40, 50, 64),
)
FLATNESS_UP_TO_MM = (10, 30, 100, 300, 1000, 3000, 10000)
_FLATNESS_MM: dict[int, tuple[float | None, ...]] = {
    4: (0.18, 0.27, 0.4, 0.6, 0.9, 1.4, None),
    5: (0.27, 0.4, 0.6, 0.9, 1.4, 2, 3),
    6: (0.4, 0.6, 0.9, 1.4, 2, 3, 4.6),
    7: (0.6, 0.9, 1.4, 2, 3, 4.6, 6.8),
    8: (0.9, 1.4, 2, 3, 4.6, 6.8, 10),
}
RMAG_UP_TO_MM = (40, 63, 100, 160, 250, 400, 630, 1000, 1600)
_RMAG_MM: dict[str, tuple[float, ...]] = {
    "A": (0.1, 0.1, 0.2, 0.3, 0.3, 0.4, 0.5, 0.6, 0.7),
    "B": (0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 0.8, 0.9, 1),
    "C": (0.2, 0.3, 0.4, 0.5, 0.7, 0.9, 1.1, 1.2, 1.4),
    "D": (0.3, 0.3, 0.5, 0.8, 1, 1.3, 1.5, 1.8, 2),
    "E": (0.4, 0.4, 0.7, 1.1, 1.4, 1.8, 2.2, 2.5, 2.8),
    "F": (0.5, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4),
    "G": (0.5, 0.7, 1.4, 2.2, 2.8, 3.5, 4, 5, 5.5),
    "H": (0.7, 1, 2, 3, 4, 5, 6, 7, 8),
    "J": (1, 1.4, 2.8, 4, 5.5, 7, 9, 10, 11),
    "K": (1.4, 2, 4, 6, 8, 10, 12, 14, 16),
}
MEMORY_GRADES = frozenset("ABCD")  # of machining allowance: read nowhere, see above


def dctg_band_mm(grade: int, dimension_mm: float) -> float:
    """Whole tolerance band of a dimension of the raw casting; half of it lies to each side."""
    if not 1 <= grade <= 16:
        raise out_of_table(DCTG_TABLE, f"grades are 1 to 16, not {grade}")
    band_mm = _DCTG_MM[step_index(dimension_mm, DCTG_UP_TO_MM, DCTG_TABLE)][grade - 1]
    if band_mm is None:
        raise out_of_table(DCTG_TABLE, f"grade {grade} is not given for {dimension_mm:g} mm")
    return float(band_mm)


def wall_band_mm(grade: int, wall_mm: float) -> float:
    """Whole band of a wall: one grade coarser than the casting's general grade."""
    if grade >= 16:
        raise out_of_table(DCTG_TABLE, "grade 16 has none coarser for its walls")
    return dctg_band_mm(grade + 1, wall_mm)


def flatness_mm(grade: int, length_mm: float) -> float:
    """GCTG flatness of a surface of the raw casting, by its longer side."""
    table = "ISO 8062-3 GCTG flatness"
    if grade not in _FLATNESS_MM:
        raise out_of_table(table, f"grades given are 4 to 8, not {grade}")
    zone_mm = _FLATNESS_MM[grade][step_index(length_mm, FLATNESS_UP_TO_MM, table)]
    if zone_mm is None:
        raise out_of_table(table, f"grade {grade} is not given for {length_mm:g} mm")
    return float(zone_mm)


def machining_allowance_mm(grade: str, largest_dimension_mm: float) -> float:
    """Required machining allowance on each surface, by the largest overall dimension of the part."""
    table = "ISO 8062-3 RMAG"
    if grade not in _RMAG_MM:
        raise out_of_table(table, f"grades are {', '.join(_RMAG_MM)}, not {grade}")
    return float(_RMAG_MM[grade][step_index(largest_dimension_mm, RMAG_UP_TO_MM, table)])


def raw_external_mm(finished_mm: float, allowance_mm: float, grade: int) -> tuple[float, float]:
    """Raw size of an outside dimension machined on both sides, and its half band (ISO 8062:1994, from memory).

    The band is picked by the raw size, which is found by trying: it changes with the band.
    """
    return _raw(finished_mm + 2 * allowance_mm, grade, 1)


def raw_internal_mm(finished_mm: float, allowance_mm: float, grade: int) -> tuple[float, float]:
    """Raw size of a bore machined all round, and its half band (ISO 8062:1994, from memory)."""
    return _raw(finished_mm - 2 * allowance_mm, grade, -1)


def _raw(least_metal_mm: float, grade: int, outward: int) -> tuple[float, float]:
    raw_mm, half_mm = least_metal_mm, 0.0
    for _ in DCTG_UP_TO_MM:  # at most one change a row
        half_mm = dctg_band_mm(grade, raw_mm) / 2
        raw_mm, before_mm = least_metal_mm + outward * half_mm, raw_mm
        if raw_mm == before_mm:
            break
    return raw_mm, half_mm
