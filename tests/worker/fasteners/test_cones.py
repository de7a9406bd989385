"""Cones of pressure after VDI 2230-1, from transcriptions of the clause."""

from __future__ import annotations

from math import degrees, log

import pytest

from worker.fasteners.cones import Clamp, Joint, overlap_spacing_mm, pressure_cone

CASE = Clamp(clamp_mm=30.0, head_mm=16.6, plate_mm=40.0)


@pytest.mark.parametrize(
    ("joint", "slope", "angle_deg", "limit_mm"),
    [(Joint.THROUGH, 0.4933, 26.26, 31.40), (Joint.TAPPED, 0.5254, 27.72, 48.13)],
)
def test_cones_of_the_worked_case(joint: Joint, slope: float, angle_deg: float, limit_mm: float) -> None:
    """l_K 30, d_W 16.6, D'_A 40 mm: VDI 2230-1, second-hand (five transcriptions agree), recomputed."""
    found = pressure_cone(joint, CASE)
    assert found.slope == pytest.approx(slope, abs=5e-5)
    assert found.angle_deg == pytest.approx(angle_deg, abs=5e-3)
    assert found.limit_mm == pytest.approx(limit_mm, abs=5e-3)


def test_the_slope_is_a_tangent_of_pure_ratios() -> None:
    """beta/2 in the through case, and no degrees in the tangent: both are wrong in some transcriptions."""
    doubled = Clamp(clamp_mm=60.0, head_mm=33.2, plate_mm=80.0)
    assert pressure_cone(Joint.THROUGH, doubled).slope == pytest.approx(pressure_cone(Joint.THROUGH, CASE).slope)
    longer = Clamp(clamp_mm=2 * 16.6, head_mm=16.6, plate_mm=16.6)
    assert pressure_cone(Joint.THROUGH, longer).slope == pytest.approx(0.362)  # ln 1 + ln 1
    assert pressure_cone(Joint.TAPPED, longer).slope == pytest.approx(0.348 + 0.013 * log(2))
    assert degrees(pressure_cone(Joint.THROUGH, CASE).slope) != pytest.approx(26.26, abs=0.5)


def test_cones_meet_up_to_the_head_and_the_growth_of_both() -> None:
    found = pressure_cone(Joint.THROUGH, CASE)
    assert overlap_spacing_mm(found, CASE) == pytest.approx(16.6 + 30 * 0.4933, abs=2e-3)


@pytest.mark.parametrize(
    "clamp",
    [
        Clamp(clamp_mm=0.0, head_mm=16.6, plate_mm=40.0),
        Clamp(clamp_mm=30.0, head_mm=0.0, plate_mm=40.0),
        Clamp(clamp_mm=30.0, head_mm=16.6, plate_mm=16.0),
    ],
)
def test_no_cone_without_plate_or_head(clamp: Clamp) -> None:
    with pytest.raises(ValueError, match="cone"):
        pressure_cone(Joint.THROUGH, clamp)
