"""Figures that tables state: stress areas, tap drills, and the row of standard sizes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from shared.threads.designation import MM_PER_INCH, Standard, Thread, parse_thread
from shared.threads.pitches import COARSE_PITCH_MM, METRIC_SIZES, UNIFIED_SIZES

MM2_PER_SQUARE_INCH = MM_PER_INCH**2
STRESS_AREA_IN2: Mapping[str, float] = MappingProxyType(  # as handbooks of machinery state them
    {
        "1/4-20": 0.0318,
        "1/4-28": 0.0364,
        "5/16-18": 0.0524,
        "5/16-24": 0.0581,
        "3/8-16": 0.0775,
        "3/8-24": 0.0878,
        "7/16-14": 0.1063,
        "7/16-20": 0.1187,
        "1/2-13": 0.1419,
        "1/2-20": 0.1600,
    }
)
STRESS_AREA_MM2: Mapping[str, float] = MappingProxyType(  # ISO 898-1
    {
        "M5x0.8": 14.2,
        "M6x1": 20.1,
        "M8x1.25": 36.6,
        "M8x1": 39.2,
        "M10x1.5": 58.0,
        "M10x1.25": 61.2,
        "M12x1.75": 84.3,
        "M12x1.25": 92.1,
    }
)
TAP_DRILL_IN: Mapping[str, tuple[str, float]] = MappingProxyType(  # from memory; common practice
    {
        "1/4-20": ("#7", 0.201),
        "1/4-28": ("#3", 0.213),
        "5/16-18": ("F", 0.257),
        "3/8-16": ("5/16", 0.3125),
        "3/8-24": ("Q", 0.332),
        "7/16-14": ("U", 0.368),
        "1/2-13": ("27/64", 27 / 64),
    }
)
TAP_DRILL_MM: Mapping[str, float] = MappingProxyType(  # from memory; common practice
    {"M6x1": 5.0, "M8x1.25": 6.8, "M10x1.5": 8.5, "M10x1.25": 8.8, "M12x1.75": 10.2}
)


@dataclass(frozen=True)
class TapDrill:
    """Drill before tapping.  name : of a letter, number or fraction drill, else its millimetres."""

    diameter_mm: float
    name: str
    source: str


def tap_drill(thread: Thread) -> TapDrill:
    """The usual drill: of the table, else the diameter less one pitch (common practice, no source)."""
    if thread.designation in TAP_DRILL_IN:
        name, inches = TAP_DRILL_IN[thread.designation]
        return TapDrill(inches * MM_PER_INCH, name, "table of tap drills, from memory")
    if thread.designation in TAP_DRILL_MM:
        size = TAP_DRILL_MM[thread.designation]
        return TapDrill(size, f"{size:g} mm", "table of tap drills, from memory")
    size = thread.diameter_mm - thread.pitch_mm
    return TapDrill(size, f"{size:.2f} mm", "diameter less one pitch, common practice, no source")


def stated_stress_area_mm2(thread: Thread) -> float | None:
    """What tables state, None for a thread not in them."""
    inches = STRESS_AREA_IN2.get(thread.designation)
    return STRESS_AREA_MM2.get(thread.designation) if inches is None else inches * MM2_PER_SQUARE_INCH


def coarse_pitch_mm(diameter_mm: float) -> float | None:
    """Coarse pitch of a metric size (ISO 261), None for a size not in the table."""
    return COARSE_PITCH_MM.get(diameter_mm)


STANDARD_SIZES: Mapping[Standard, tuple[Thread, ...]] = MappingProxyType(
    {
        Standard.METRIC: tuple(parse_thread(name) for name in METRIC_SIZES),
        Standard.UNIFIED: tuple(parse_thread(name) for name in UNIFIED_SIZES),
    }
)  # coarse threads, smallest first


def next_larger(thread: Thread, standard: Standard) -> tuple[Thread, ...]:
    """Standard sizes above a thread, nearest first; none above gives an empty tuple."""
    return tuple(size for size in STANDARD_SIZES[standard] if size.diameter_mm > thread.diameter_mm)
