"""Rules of the trade for screws in castings: common practice, no source, unless said otherwise."""

from __future__ import annotations

METAL_DIAMETERS = 0.33  # metal round a screw in an aluminium casting, in diameters of its thread
EDGE_DIAMETERS = 1.5  # from the axis to the edge
SPACING_DIAMETERS = 2.5  # from axis to axis
PERCENT_THREAD = (65.0, 80.0)  # usual in aluminium
METAL_RULE = "0.33 d of metal round a screw: common practice, no source"
EDGE_RULE = "1.5 d from axis to edge: common practice, no source"
SPACING_RULE = "2.5 d from axis to axis: common practice, no source"
PERCENT_RULE = "65 to 80 % of full thread in aluminium: common practice, no source"


def least_metal_mm(diameter_mm: float) -> float:
    """Metal round a thread of this diameter."""
    return METAL_DIAMETERS * diameter_mm


def least_edge_mm(diameter_mm: float) -> float:
    """Axis from the edge."""
    return EDGE_DIAMETERS * diameter_mm


def least_spacing_mm(diameter_mm: float) -> float:
    """Axis from axis."""
    return SPACING_DIAMETERS * diameter_mm
