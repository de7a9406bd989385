from __future__ import annotations

import pytest

from shared.threads import BadDesignation, Standard, parse_thread

INCH = 25.4


@pytest.mark.parametrize(
    ("text", "designation", "diameter_mm", "pitch_mm"),
    [
        ("M8", "M8x1.25", 8.0, 1.25),
        ("M8x1.25", "M8x1.25", 8.0, 1.25),
        (" M10 x 1 ", "M10x1", 10.0, 1.0),
        ("M12X1.25", "M12x1.25", 12.0, 1.25),
        ("M10\u00d71.25", "M10x1.25", 10.0, 1.25),
        ("3/8-16", "3/8-16", 0.375 * INCH, INCH / 16),
        ("1/4-20 UNC", "1/4-20", 0.25 * INCH, INCH / 20),
        ("7/16-14", "7/16-14", 0.4375 * INCH, INCH / 14),
        ("1 1/8-7", "1 1/8-7", 1.125 * INCH, INCH / 7),
        ("1-8", "1-8", INCH, INCH / 8),
        ("#10-24", "#10-24", 0.190 * INCH, INCH / 24),
    ],
)
def test_a_designation_is_its_diameter_and_pitch(
    text: str, designation: str, diameter_mm: float, pitch_mm: float
) -> None:
    found = parse_thread(text)
    assert found.designation == designation
    assert found.diameter_mm == pytest.approx(diameter_mm)
    assert found.pitch_mm == pytest.approx(pitch_mm)
    assert found.standard is (Standard.METRIC if designation.startswith("M") else Standard.UNIFIED)


@pytest.mark.parametrize(
    "text", ["", "8", "M", "M8x", "M8.1", "M8x5", "M9000x1", "3/0-16", "3/8", "3/8-0", "m8", "M-8", "x", "1/2-1"]
)
def test_what_is_no_thread_is_refused(text: str) -> None:
    with pytest.raises(BadDesignation):
        parse_thread(text)
