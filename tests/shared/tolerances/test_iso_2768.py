"""Published cells of ISO 2768-1."""

from __future__ import annotations

import pytest

from shared.errors import PlanInvalid
from shared.tolerances import iso_2768

LINEAR = {  # ISO 2768-1:1989 Table 1, web copy; c below 6 mm from memory
    "f": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5),
    "m": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2),
    "c": (0.2, 0.3, 0.5, 0.8, 1.2, 2, 3, 4),
}
SIZES_MM = (3, 6, 30, 120, 400, 1000, 2000, 4000)
CELLS = [
    (letter, size, cell) for letter, row in LINEAR.items() for size, cell in zip(SIZES_MM, row, strict=False)
] + list(zip("vvvvvvv", SIZES_MM[1:], (0.5, 1, 1.5, 2.5, 4, 6, 8), strict=True))


@pytest.mark.parametrize(("letter", "size_mm", "deviation_mm"), CELLS)
def test_a_linear_cell_is_as_published(letter: str, size_mm: float, deviation_mm: float) -> None:
    assert iso_2768.linear_mm(letter, size_mm) == deviation_mm


@pytest.mark.parametrize(
    ("letter", "size_mm", "words"),
    [("m", 0.49, "below 0.5 mm"), ("f", 3000, "class f is not given"), ("v", 2, "class v is not given"),
     ("m", 4001, "ends at 4000"), ("x", 10, "classes are f, m, c, v")],
)  # fmt: skip
def test_what_the_table_does_not_give_is_refused(letter: str, size_mm: float, words: str) -> None:
    with pytest.raises(PlanInvalid, match=words):
        iso_2768.linear_mm(letter, size_mm)


@pytest.mark.parametrize(
    ("letter", "size_mm", "deviation_mm"),
    [("f", 3, 0.2), ("m", 6, 0.5), ("m", 6.1, 1), ("c", 3, 0.4), ("v", 6, 1), ("c", 100, 2)],
)
def test_a_radius_or_chamfer_is_as_published(letter: str, size_mm: float, deviation_mm: float) -> None:
    assert iso_2768.radius_mm(letter, size_mm) == deviation_mm


@pytest.mark.parametrize(
    ("letter", "side_mm", "minutes"),
    [("m", 10, 60), ("f", 50, 30), ("m", 120, 20), ("m", 400, 10), ("f", 401, 5), ("c", 10, 90), ("c", 400, 15),
     ("c", 500, 10), ("v", 10, 180), ("v", 120, 60), ("v", 1000, 20)],
)  # fmt: skip
def test_an_angle_goes_by_its_shorter_side(letter: str, side_mm: float, minutes: float) -> None:
    assert iso_2768.angle_degrees(letter, side_mm) == pytest.approx(minutes / 60, abs=1e-12)


def test_an_angle_without_a_side_has_no_tolerance() -> None:
    with pytest.raises(PlanInvalid, match="side of 0 mm"):
        iso_2768.angle_degrees("m", 0)
