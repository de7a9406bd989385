"""ISO 286-1: grades against the published table and the formula behind it, fits against textbook values."""

from __future__ import annotations

import pytest

from shared.errors import PlanInvalid
from shared.tolerances.iso_286 import GRADE_UP_TO_MM, fit_deviations_mm, grade_formula_mm, grade_mm

STEPS_MM = ((3, 6), (6, 10), (10, 18), (18, 30), (30, 50), (50, 80), (80, 120), (120, 180), (180, 250), (250, 315))
PUBLISHED_UM = {  # ISO 286-1 Table 1, web copy
    6: (8, 9, 11, 13, 16, 19, 22, 25, 29, 32),
    7: (12, 15, 18, 21, 25, 30, 35, 40, 46, 52),
    8: (18, 22, 27, 33, 39, 46, 54, 63, 72, 81),
    9: (30, 36, 43, 52, 62, 74, 87, 100, 115, 130),
    10: (48, 58, 70, 84, 100, 120, 140, 160, 185, 210),
    11: (75, 90, 110, 130, 160, 190, 220, 250, 290, 320),
    12: (120, 150, 180, 210, 250, 300, 350, 400, 460, 520),
    13: (180, 220, 270, 330, 390, 460, 540, 630, 720, 810),
    14: (300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300),
}
CELLS = [
    (grade, step, um) for grade, row in PUBLISHED_UM.items() for step, um in zip(STEPS_MM, row, strict=True)
]  # fmt: skip
TABLE_ROUNDING = 0.0425  # worst above 6 mm: IT7 and IT12 from 6 to 10 mm, 4.20 %
SMALL_TABLE_ROUNDING = 0.085  # 3 to 6 mm: IT6, 8.4 %


@pytest.mark.parametrize(("grade", "step", "um"), CELLS)
def test_a_grade_is_as_published(grade: int, step: tuple[float, float], um: float) -> None:
    assert grade_mm(grade, step[1]) == um / 1000
    assert grade_mm(grade, step[0] + 1e-6) == um / 1000


@pytest.mark.parametrize(("grade", "step", "um"), CELLS)
def test_the_formula_gives_the_table_but_for_its_rounding(grade: int, step: tuple[float, float], um: float) -> None:
    within = SMALL_TABLE_ROUNDING if step == (3, 6) else TABLE_ROUNDING
    assert grade_formula_mm(grade, *step) * 1000 == pytest.approx(um, rel=within)


def test_the_formula_gives_24_98_um_where_the_table_says_25() -> None:
    assert round(grade_formula_mm(7, 30, 50) * 1000, 2) == 24.98


@pytest.mark.parametrize("grade", range(6, 14))
@pytest.mark.parametrize("size_mm", [40, 100, 400])
def test_grades_grow_tenfold_every_five(grade: int, size_mm: float) -> None:
    assert grade_mm(grade + 5, size_mm) == pytest.approx(10 * grade_mm(grade, size_mm), rel=0.02)


@pytest.mark.parametrize("grade", range(1, 19))
def test_a_grade_grows_with_size(grade: int) -> None:
    row = [grade_mm(grade, size_mm) for size_mm in GRADE_UP_TO_MM]
    assert row == sorted(row)


FITS = [  # from memory; each is also in common textbook tables of preferred fits
    ("H7", 30, 0, 21), ("H8", 100, 0, 54), ("G7", 25, 7, 28), ("F8", 30, 20, 53), ("E9", 30, 40, 92),
    ("D10", 30, 65, 149),
    ("g6", 30, -20, -7), ("f7", 30, -41, -20), ("h6", 30, -13, 0), ("h11", 60, -190, 0), ("e8", 30, -73, -40),
    ("d9", 30, -117, -65), ("k6", 30, 2, 15), ("k6", 3, 0, 6), ("k8", 30, 0, 33), ("m6", 30, 8, 21), ("n6", 30, 15, 28),
    ("p6", 30, 22, 35), ("r6", 30, 28, 41), ("s6", 30, 35, 48), ("s6", 100, 71, 93), ("s6", 110, 79, 101),
    ("js6", 30, -6.5, 6.5), ("JS7", 30, -10.5, 10.5), ("js9", 600, -87.5, 87.5),
    ("K7", 30, -15, 6), ("K8", 30, -23, 10), ("K6", 30, -11, 2), ("K7", 3, -10, 0), ("M7", 30, -21, 0),
    ("M8", 30, -29, 4), ("M6", 300, -41, -9), ("N7", 30, -28, -7), ("N8", 30, -36, -3), ("N9", 30, -52, 0),
    ("N9", 3, -29, -4), ("P7", 30, -35, -14), ("P9", 30, -74, -22), ("P9", 3, -31, -6),
    ("R7", 30, -41, -20), ("S7", 30, -48, -27),
]  # fmt: skip


@pytest.mark.parametrize(("fit", "size_mm", "lower_um", "upper_um"), FITS)
def test_a_fit_is_as_textbooks_have_it(fit: str, size_mm: float, lower_um: float, upper_um: float) -> None:
    assert fit_deviations_mm(fit, size_mm) == pytest.approx((lower_um / 1000, upper_um / 1000), abs=1e-9)


@pytest.mark.parametrize(
    ("fit", "size_mm", "words"),
    [("ZC7", 30, "known here"), ("t6", 30, "known here"), ("hH7", 30, "known here"), ("jS7", 30, "known here"),
     ("7H", 30, "known here"), ("H19", 30, "IT1 to IT18"), ("H7", 3151, "3150"), ("g6", 501, "beyond 500 mm"),
     ("K9", 30, "to grade 8"), ("H7", 0, "is none")],
)  # fmt: skip
def test_a_fit_that_is_not_known_is_refused(fit: str, size_mm: float, words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        fit_deviations_mm(fit, size_mm)


def test_the_refusal_lists_what_is_known() -> None:
    with pytest.raises(PlanInvalid) as caught:
        fit_deviations_mm("Z9", 30)
    assert "JS, K, M, N, P, R, S" in caught.value.advice
    assert "shafts d, e, f, g, h, js" in caught.value.advice
