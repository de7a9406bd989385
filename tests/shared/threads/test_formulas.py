"""Sizes and areas of threads against the figures handbooks and standards state."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shared.threads import (
    STANDARD_SIZES,
    LimitsUnknown,
    Standard,
    Strengths,
    coarse_pitch_mm,
    minor_diameter_mm,
    needed_engagement,
    next_larger,
    parse_thread,
    percent_thread,
    pitch_diameter_mm,
    rule_of_thumb_mm,
    stated_stress_area_mm2,
    stress_area_mm2,
    tap_drill,
    triangle_height_mm,
)
from shared.threads.practice import least_edge_mm, least_metal_mm, least_spacing_mm
from shared.threads.tables import STRESS_AREA_IN2, STRESS_AREA_MM2

INCH = 25.4
KSI = 6.894757  # MPa


@pytest.mark.parametrize(
    ("name", "pitch_mm", "minor_mm"),
    [("M6", 5.350, 4.917), ("M8", 7.188, 6.647), ("M10", 9.026, 8.376), ("M12", 10.863, 10.106)],
)
def test_basic_diameters_are_those_of_the_profile(name: str, pitch_mm: float, minor_mm: float) -> None:
    """ISO 68-1: d2 = d - 0.649519 p, D1 = d - 1.082532 p."""
    thread = parse_thread(name)
    assert pitch_diameter_mm(thread) == pytest.approx(pitch_mm, abs=5e-4)
    assert minor_diameter_mm(thread) == pytest.approx(minor_mm, abs=5e-4)
    assert triangle_height_mm(thread) == pytest.approx(0.866025 * thread.pitch_mm, abs=1e-6)


@pytest.mark.parametrize("name", STRESS_AREA_IN2)
def test_unified_stress_areas_are_those_of_the_handbooks(name: str) -> None:
    """A_t = pi/4 (D - 0.9743/n)^2 (FED-STD-H28/2B, Machinery's Handbook), tables to four decimals."""
    thread = parse_thread(name)
    assert stress_area_mm2(thread) / INCH**2 == pytest.approx(STRESS_AREA_IN2[name], abs=6e-5)
    assert stated_stress_area_mm2(thread) == pytest.approx(STRESS_AREA_IN2[name] * INCH**2)


@pytest.mark.parametrize("name", STRESS_AREA_MM2)
def test_metric_stress_areas_are_those_of_iso_898(name: str) -> None:
    """A_t = pi/4 (d - 0.938194 p)^2 (ISO 898-1), tables to three digits."""
    thread = parse_thread(name)
    assert stress_area_mm2(thread) == pytest.approx(STRESS_AREA_MM2[name], abs=0.06)
    assert stated_stress_area_mm2(thread) == STRESS_AREA_MM2[name]


def test_a_thread_outside_the_table_has_no_stated_area() -> None:
    assert stated_stress_area_mm2(parse_thread("M10x1")) is None
    assert coarse_pitch_mm(9.5) is None


def test_three_eighths_needs_the_length_of_the_worked_case() -> None:
    """3/8-16 UNC 2A/2B into 356-T6 (33 ksi), grade 8 screw (150 ksi): FED-STD-H28/2B, limits of size from memory."""
    found = needed_engagement(parse_thread("3/8-16"), Strengths(33 * KSI, 150 * KSI))
    assert not isinstance(found, LimitsUnknown)
    assert found.stress_area_mm2 / INCH**2 == pytest.approx(0.07749, abs=5e-6)
    assert found.equal_mm / INCH == pytest.approx(0.26908, abs=5e-6)
    assert found.external_area_mm2 == pytest.approx(2 * found.stress_area_mm2)
    assert found.internal_area_mm2 / INCH**2 == pytest.approx(0.22282, abs=5e-6)
    assert found.ratio == pytest.approx(3.16, abs=5e-3)
    assert found.needed_mm / INCH == pytest.approx(0.851, abs=5e-4)


@pytest.mark.parametrize(
    ("internal_ksi", "external_ksi", "diameters"), [(33, 150, 2.27), (33, 120, 1.81), (30, 120, 2.0), (150, 150, 0.718)]
)
def test_weaker_metal_needs_more_thread(internal_ksi: float, external_ksi: float, diameters: float) -> None:
    """356-T6 with grades 8 and 5, class 30 iron, and equal strengths, where L_e itself is enough."""
    thread = parse_thread("3/8-16")
    found = needed_engagement(thread, Strengths(internal_ksi, external_ksi))
    assert not isinstance(found, LimitsUnknown)
    assert found.needed_mm / thread.diameter_mm == pytest.approx(diameters, abs=6e-3)


@pytest.mark.parametrize(("name", "equal_mm"), [("M8", 6.02), ("M10", 7.44)])
def test_metric_lengths_for_equal_strength(name: str, equal_mm: float) -> None:
    """6g/6H, limits of size from memory of ISO 965-1."""
    found = needed_engagement(parse_thread(name), Strengths(300, 300))
    assert not isinstance(found, LimitsUnknown)
    assert found.equal_mm == pytest.approx(equal_mm, abs=5e-3)


def test_a_thread_without_limits_of_size_falls_back_on_two_diameters() -> None:
    """2 d into an aluminium casting: common practice, no source."""
    thread = parse_thread("7/16-14")
    assert isinstance(needed_engagement(thread, Strengths(200, 800)), LimitsUnknown)
    assert rule_of_thumb_mm(thread).length_mm == pytest.approx(2 * 11.1125)
    assert "no source" in rule_of_thumb_mm(thread).source


def test_strengths_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        needed_engagement(parse_thread("M8"), Strengths(0, 800))


@pytest.mark.parametrize(
    ("name", "drill", "percent"),
    [
        ("1/4-20", "#7", 75.4),
        ("5/16-18", "F", 76.9),
        ("3/8-16", "5/16", 77.0),
        ("7/16-14", "U", 74.9),
        ("1/2-13", "27/64", 78.2),
        ("1/4-28", "#3", 79.8),
        ("3/8-24", "Q", 79.4),
        ("M6", "5 mm", 77.0),
        ("M8", "6.8 mm", 73.9),
        ("M10", "8.5 mm", 77.0),
        ("M10x1.25", "8.8 mm", 73.9),
        ("M12", "10.2 mm", 79.2),
    ],
)
def test_tap_drills_leave_their_percent_of_thread(name: str, drill: str, percent: float) -> None:
    """(D - drill) n / 0.0129904 and (d - drill) 76.98 / p: from memory."""
    thread = parse_thread(name)
    assert tap_drill(thread).name == drill
    assert percent_thread(thread, tap_drill(thread).diameter_mm) == pytest.approx(percent, abs=0.05)


def test_an_unlisted_thread_is_drilled_one_pitch_smaller() -> None:
    """Common practice, no source."""
    found = tap_drill(parse_thread("M16"))
    assert found.diameter_mm == pytest.approx(14.0)
    assert "no source" in found.source


def test_a_hole_wider_than_the_thread_leaves_less_than_nothing() -> None:
    assert percent_thread(parse_thread("M8"), 8.4) < 0


@pytest.mark.parametrize(("name", "metal_mm"), [("M6", 2.0), ("M8", 2.64), ("M10", 3.3)])
def test_metal_round_a_screw_is_a_third_of_it(name: str, metal_mm: float) -> None:
    """0.33 d (2.6 to 3.9 mm with a margin in the trade's tables): common practice, no source."""
    d = parse_thread(name).diameter_mm
    assert least_metal_mm(d) == pytest.approx(metal_mm, abs=0.03)
    assert least_edge_mm(d) == 1.5 * d
    assert least_spacing_mm(d) == 2.5 * d


def test_larger_sizes_are_told_in_order() -> None:
    thread = parse_thread("M8")
    assert [size.designation for size in next_larger(thread, Standard.METRIC)][:2] == ["M10x1.5", "M12x1.75"]
    assert next_larger(thread, Standard.UNIFIED)[0].designation == "3/8-16"
    assert next_larger(replace(thread, diameter_mm=200.0), Standard.METRIC) == ()


@pytest.mark.parametrize("standard", list(Standard))
def test_standard_sizes_grow(standard: Standard) -> None:
    sizes = [size.diameter_mm for size in STANDARD_SIZES[standard]]
    assert sizes == sorted(set(sizes))
