"""Screw threads: designations, basic sizes, stress areas, tap drills and length of engagement."""

from shared.threads.designation import BadDesignation, Standard, Thread, parse_thread
from shared.threads.engagement import (
    Engagement,
    LimitsUnknown,
    Rule,
    Strengths,
    needed_engagement,
    rule_of_thumb_mm,
)
from shared.threads.formulas import (
    minor_diameter_mm,
    percent_thread,
    pitch_diameter_mm,
    stress_area_mm2,
    triangle_height_mm,
)
from shared.threads.tables import STANDARD_SIZES, coarse_pitch_mm, next_larger, stated_stress_area_mm2, tap_drill

__all__ = [
    "STANDARD_SIZES",
    "BadDesignation",
    "Engagement",
    "LimitsUnknown",
    "Rule",
    "Standard",
    "Strengths",
    "Thread",
    "coarse_pitch_mm",
    "minor_diameter_mm",
    "needed_engagement",
    "next_larger",
    "parse_thread",
    "percent_thread",
    "pitch_diameter_mm",
    "rule_of_thumb_mm",
    "stated_stress_area_mm2",
    "stress_area_mm2",
    "tap_drill",
    "triangle_height_mm",
]
