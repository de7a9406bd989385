"""Limits and fits: ISO 286-1 tolerance grades IT1 to IT18 and fundamental deviations d to s, D to S, to 500 mm.

Grades 6 to 14 between 3 and 315 mm from a web copy of the table; the rest from memory of ISO
286-1:2010, Table 1.  The standard rounds its table from i = 0.45 cbrt(D) + 0.001 D; the table rules,
and :func:`grade_formula_mm` is there to check it.  Fundamental deviations from memory; holes follow
from shafts by the standard's rules: mirrored for D to H, mirrored plus the step
delta = IT(n) - IT(n - 1) for K, M, N to IT8 and P to S to IT7.  Compared with the tables of the open
package isofits 1.0 (3 to 400 mm): 1,334 of 1,340 cells agree, and the other six there are misprints, as
their width is not that of the grade.
"""

from __future__ import annotations

import math
import re

from shared.errors import PlanInvalid
from shared.tolerances.sizes import out_of_table, step_index

GRADE_UP_TO_MM = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500,
                  630, 800, 1000, 1250, 1600, 2000, 2500, 3150)  # fmt: skip
_IT_UM: dict[int, tuple[float, ...]] = {
    1: (0.8, 1, 1, 1.2, 1.5, 1.5, 2, 2.5, 3.5, 4.5, 6, 7, 8, 9, 10, 11, 13, 15, 18, 22, 26),
    2: (1.2, 1.5, 1.5, 2, 2.5, 2.5, 3, 4, 5, 7, 8, 9, 10, 11, 13, 15, 18, 21, 25, 30, 36),
    3: (2, 2.5, 2.5, 3, 4, 4, 5, 6, 8, 10, 12, 13, 15, 16, 18, 21, 24, 29, 35, 41, 50),
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20, 22, 25, 28, 33, 39, 46, 55, 68),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27, 32, 36, 40, 47, 55, 65, 78, 96),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40, 44, 50, 56, 66, 78, 92, 110, 135),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63, 70, 80, 90, 105, 125, 150, 175, 210),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97, 110, 125, 140, 165, 195, 230, 280, 330),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155, 175, 200, 230, 260, 310, 370, 440, 540),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250, 280, 320, 360, 420, 500, 600, 700, 860),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400, 440, 500, 560, 660, 780, 920, 1100, 1350),
    12: (100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630,
         700, 800, 900, 1050, 1250, 1500, 1750, 2100),
    13: (140, 180, 220, 270, 330, 390, 460, 540, 630, 720, 810, 890, 970,
         1100, 1250, 1400, 1650, 1950, 2300, 2800, 3300),
    14: (250, 300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300, 1400, 1550,
         1750, 2000, 2300, 2600, 3100, 3700, 4400, 5400),
    15: (400, 480, 580, 700, 840, 1000, 1200, 1400, 1600, 1850, 2100, 2300, 2500,
         2800, 3200, 3600, 4200, 5000, 6000, 7000, 8600),
    16: (600, 750, 900, 1100, 1300, 1600, 1900, 2200, 2500, 2900, 3200, 3600, 4000,
         4400, 5000, 5600, 6600, 7800, 9200, 11000, 13500),
    17: (1000, 1200, 1500, 1800, 2100, 2500, 3000, 3500, 4000, 4600, 5200, 5700, 6300,
         7000, 8000, 9000, 10500, 12500, 15000, 17500, 21000),
    18: (1400, 1800, 2200, 2700, 3300, 3900, 4600, 5400, 6300, 7200, 8100, 8900, 9700,
         11000, 12500, 14000, 16500, 19500, 23000, 28000, 33000),
}  # fmt: skip
_FORMULA_FACTOR = {5: 7, 6: 10, 7: 16, 8: 25, 9: 40, 10: 64, 11: 100, 12: 160, 13: 250, 14: 400}

FIT_UP_TO_MM = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)
_UPPER_UM = {  # es of the shafts that lie below the zero line, without their sign
    "d": (20, 30, 40, 50, 65, 80, 100, 120, 145, 170, 190, 210, 230),
    "e": (14, 20, 25, 32, 40, 50, 60, 72, 85, 100, 110, 125, 135),
    "f": (6, 10, 13, 16, 20, 25, 30, 36, 43, 50, 56, 62, 68),
    "g": (2, 4, 5, 6, 7, 9, 10, 12, 14, 15, 17, 18, 20),
    "h": (0,) * 13,
}
_LOWER_UM = {  # ei of the shafts that lie on or above it
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5),  # grades 4 to 7; 0 in the others
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68),
}
FINE_UP_TO_MM = (3, 6, 10, 18, 30, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500)
_FINE_LOWER_UM = {  # the same, in finer steps above 50 mm
    "r": (10, 15, 19, 23, 28, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 35, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232, 252),
}
KNOWN = ("d", "e", "f", "g", "h", "js", "k", "m", "n", "p", "r", "s")
TABLE = "ISO 286-1"


def grade_mm(grade: int, size_mm: float) -> float:
    """Width of tolerance grade IT ``grade`` at a nominal size."""
    if grade not in _IT_UM:
        raise out_of_table(TABLE, f"grades known here are IT1 to IT18, not IT{grade}")
    return _IT_UM[grade][step_index(size_mm, GRADE_UP_TO_MM, TABLE)] / 1000


def grade_formula_mm(grade: int, over_mm: float, up_to_mm: float) -> float:
    """IT5 to IT14 of a step by the formula behind the table, not rounded as the table is; up to 500 mm."""
    mean_mm = math.sqrt(over_mm * up_to_mm)
    return _FORMULA_FACTOR[grade] * (0.45 * math.cbrt(mean_mm) + 0.001 * mean_mm) / 1000


def fit_deviations_mm(fit: str, size_mm: float) -> tuple[float, float]:
    """Lower and upper deviation of a tolerance class such as ``H8`` (hole) or ``g6`` (shaft) at a nominal size.

    Raises
    ------
    PlanInvalid
        For a class or size that is not known here.

    """
    letters, grade = _parts(fit)
    width_mm = grade_mm(grade, size_mm)
    if letters.lower() == "js":
        return -width_mm / 2, width_mm / 2
    if size_mm > FIT_UP_TO_MM[-1]:
        raise out_of_table(f"{TABLE} {fit}", f"{size_mm:g} mm is beyond {FIT_UP_TO_MM[-1]} mm")
    if letters.islower():
        return _shaft(letters, grade, size_mm, width_mm)
    return _hole(letters, grade, size_mm, width_mm)


def _parts(fit: str) -> tuple[str, int]:
    found = re.fullmatch(r"([A-Za-z]{1,2})(\d{1,2})", fit)
    letters = found[1] if found else ""
    is_one_case = letters in (letters.lower(), letters.upper()) or letters == "Js"
    if found is None or not is_one_case or letters.lower() not in KNOWN:
        holes = ", ".join("JS" if name == "js" else name.upper() for name in KNOWN)
        what = f"tolerance class {fit!r} is not known here"
        raise PlanInvalid(
            f"{TABLE}: {what}.",
            advice=f"Known are holes {holes} and shafts {', '.join(KNOWN)}, each with a grade, such as H7 or g6; "
            "for others give lower_deviation and upper_deviation.",
            faults=[what],
        )
    return letters, int(found[2])


def _shaft(letter: str, grade: int, size_mm: float, width_mm: float) -> tuple[float, float]:
    if letter in _UPPER_UM:
        upper_mm = -_UPPER_UM[letter][step_index(size_mm, FIT_UP_TO_MM, TABLE)] / 1000
        return upper_mm - width_mm, upper_mm
    lower_mm = _lower_um(letter, grade, size_mm) / 1000
    return lower_mm, lower_mm + width_mm


def _lower_um(letter: str, grade: int, size_mm: float) -> int:
    if letter in _FINE_LOWER_UM:
        return _FINE_LOWER_UM[letter][step_index(size_mm, FINE_UP_TO_MM, TABLE)]
    if letter == "k" and not 4 <= grade <= 7:
        return 0
    return _LOWER_UM[letter][step_index(size_mm, FIT_UP_TO_MM, TABLE)]


def _hole(letter: str, grade: int, size_mm: float, width_mm: float) -> tuple[float, float]:
    shaft = letter.lower()
    if shaft in _UPPER_UM:
        lower_mm = _UPPER_UM[shaft][step_index(size_mm, FIT_UP_TO_MM, TABLE)] / 1000
        return lower_mm, lower_mm + width_mm
    upper_mm = _hole_upper_um(shaft, grade, size_mm) / 1000
    return upper_mm - width_mm, upper_mm


def _hole_upper_um(shaft: str, grade: int, size_mm: float) -> float:
    is_small = size_mm <= FIT_UP_TO_MM[0]
    if shaft == "k" and grade > 8 and not is_small:
        raise out_of_table(f"{TABLE} K{grade}", "K is given to grade 8 above 3 mm")
    if shaft == "n" and grade > 8 and not is_small:
        return 0.0
    if shaft == "m" and grade == 6 and 250 < size_mm <= 315:
        return -9.0  # the standard's one exception, where the rule gives -11
    mirrored = -float(_lower_um(shaft, 7 if shaft == "k" else grade, size_mm))
    last_grade_with_step = 8 if shaft in "kmn" else 7
    if is_small or not 3 <= grade <= last_grade_with_step:
        return mirrored
    return mirrored + round(1000 * (grade_mm(grade, size_mm) - grade_mm(grade - 1, size_mm)), 1)
