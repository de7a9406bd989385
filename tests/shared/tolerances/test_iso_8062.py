"""Published cells of ISO 8062-3 and worked sizes."""

from __future__ import annotations

import pytest

from shared.errors import PlanInvalid
from shared.tolerances import iso_8062

# ISO 8062-3:2007 Table 2 (rows to 630 mm, published page); above: SFSA Supplement 3, Table 3.1
DCTG_CELLS = [
    (1, 10, 0.09), (12, 10, 4.2), (9, 10, 1.5), (6, 16, 0.54), (7, 16, 0.78), (8, 25, 1.2), (13, 25, 6), (16, 25, 12),
    (9, 40, 1.8), (12, 40, 5), (8, 63, 1.4), (10, 63, 2.8), (7, 100, 1.1), (9, 160, 2.5), (1, 160, 0.15),
    (2, 250, 0.24), (11, 250, 5.6), (3, 400, 0.4), (10, 400, 4.4), (4, 630, 0.64), (16, 630, 28),
    (5, 1000, 1), (11, 1000, 8), (11, 1600, 9), (6, 1600, 1.6), (7, 2500, 2.6), (8, 4000, 4.4), (16, 4000, 49),
    (9, 6300, 7), (16, 10000, 64),
]  # fmt: skip


@pytest.mark.parametrize(("grade", "size_mm", "band_mm"), DCTG_CELLS)
def test_a_dctg_cell_is_as_published(grade: int, size_mm: float, band_mm: float) -> None:
    assert iso_8062.dctg_band_mm(grade, size_mm) == band_mm


def test_a_row_holds_its_upper_bound_and_not_its_lower() -> None:
    assert [iso_8062.dctg_band_mm(9, size_mm) for size_mm in (100, 100.001, 160)] == [2.2, 2.5, 2.5]


@pytest.mark.parametrize("grade", range(1, 17))
def test_bands_grow_with_size(grade: int) -> None:
    given = [band for row in iso_8062._DCTG_MM if (band := row[grade - 1]) is not None]
    assert given == sorted(set(given))


@pytest.mark.parametrize("row", iso_8062._DCTG_MM)
def test_bands_grow_with_grade(row: tuple[float | None, ...]) -> None:
    given = [band for band in row if band is not None]
    assert given == sorted(set(given))


@pytest.mark.parametrize(
    ("grade", "size_mm", "words"),
    [(13, 8, "grade 13 is not given for 8 mm"), (1, 200, "not given"), (9, 10001, "ends at 10000 mm"),
     (17, 50, "1 to 16"), (9, 0, "is none")],
)  # fmt: skip
def test_an_empty_cell_is_refused_by_name(grade: int, size_mm: float, words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        iso_8062.dctg_band_mm(grade, size_mm)


def test_a_wall_is_one_grade_coarser() -> None:
    # worked in SFSA Supplement 3: general DCTG 11, so 5 mm on a wall of 25 to 40 mm, that is DCTG 12
    assert iso_8062.wall_band_mm(11, 30) == 5
    with pytest.raises(PlanInvalid, match="none coarser"):
        iso_8062.wall_band_mm(16, 30)


@pytest.mark.parametrize(
    ("grade", "length_mm", "zone_mm"),
    [(4, 10, 0.18), (5, 30, 0.4), (6, 100, 0.9), (7, 300, 2), (8, 1000, 4.6), (5, 3000, 2), (8, 10000, 10)],
)
def test_a_flatness_cell_is_as_published(grade: int, length_mm: float, zone_mm: float) -> None:
    assert iso_8062.flatness_mm(grade, length_mm) == zone_mm  # SFSA Supplement 3, Table 4.2a


@pytest.mark.parametrize(("grade", "length_mm"), [(3, 100), (4, 5000), (6, 10001)])
def test_a_flatness_that_is_not_given_is_refused(grade: int, length_mm: float) -> None:
    with pytest.raises(PlanInvalid, match="GCTG flatness"):
        iso_8062.flatness_mm(grade, length_mm)


@pytest.mark.parametrize(
    ("grade", "largest_mm", "allowance_mm"),
    [("E", 40, 0.4), ("F", 630, 3), ("F", 160, 1.5), ("G", 250, 2.8), ("H", 400, 5), ("J", 1000, 10), ("K", 1600, 16),
     ("A", 250, 0.3), ("D", 160, 0.8)],
)  # fmt: skip
def test_an_allowance_is_as_published(grade: str, largest_mm: float, allowance_mm: float) -> None:
    assert iso_8062.machining_allowance_mm(grade, largest_mm) == allowance_mm  # SFSA Table 2.2; A to D from memory


@pytest.mark.parametrize(("grade", "largest_mm"), [("F", 1601), ("I", 100)])
def test_an_allowance_that_is_not_given_is_refused(grade: str, largest_mm: float) -> None:
    with pytest.raises(PlanInvalid, match="RMAG"):
        iso_8062.machining_allowance_mm(grade, largest_mm)


def test_the_raw_size_is_finished_size_and_twice_the_allowance_and_half_the_band() -> None:
    # worked by ISO 8062:1994: 100 mm outside, part of 500 mm, DCTG 9, RMAG F; the raw size falls into 100 to 160
    allowance_mm = iso_8062.machining_allowance_mm("F", 500)
    assert iso_8062.raw_external_mm(100, allowance_mm, 9) == pytest.approx((107.25, 1.25), abs=1e-12)
    assert iso_8062.raw_internal_mm(40, allowance_mm, 9) == pytest.approx((33.1, 0.9), abs=1e-12)


def test_at_its_least_the_raw_size_leaves_exactly_the_allowance() -> None:
    raw_mm, half_mm = iso_8062.raw_external_mm(100, 3, 9)
    assert (raw_mm - half_mm - 100) / 2 == pytest.approx(3, abs=1e-12)
