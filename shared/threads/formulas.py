"""Basic sizes of 60 degree threads (ISO 68-1, ASME B1.1: one profile).

Sources: ISO 898-1 for the metric stress area, FED-STD-H28/2B for the unified one.
"""

from __future__ import annotations

import math

from shared.threads.designation import Standard, Thread

HEIGHT = math.sqrt(3) / 2  # of the sharp triangle, in pitches
PITCH_DROP, MINOR_DROP = 0.75 * HEIGHT, 1.25 * HEIGHT  # 0.649519 and 1.082532 pitches below the major diameter
AREA_DROP = {Standard.METRIC: 0.938194, Standard.UNIFIED: 0.9743}  # pitches; as each standard rounds it
FULL_THREAD_DROP = {Standard.METRIC: 100 / 76.98, Standard.UNIFIED: 1.29904}  # pitches; diameter lost by 100 %


def triangle_height_mm(thread: Thread) -> float:
    """Height H of the sharp triangle, 0.866025 p."""
    return HEIGHT * thread.pitch_mm


def pitch_diameter_mm(thread: Thread) -> float:
    """Basic pitch diameter, d - 0.649519 p."""
    return thread.diameter_mm - PITCH_DROP * thread.pitch_mm


def minor_diameter_mm(thread: Thread) -> float:
    """Basic minor diameter, d - 1.082532 p."""
    return thread.diameter_mm - MINOR_DROP * thread.pitch_mm


def stress_area_mm2(thread: Thread) -> float:
    """Tensile stress area: pi/4 (d - 0.938194 p)^2 metric, pi/4 (D - 0.9743/n)^2 unified."""
    return math.pi / 4 * (thread.diameter_mm - AREA_DROP[thread.standard] * thread.pitch_mm) ** 2


def percent_thread(thread: Thread, hole_mm: float) -> float:
    """Percent of full thread that a hole of this diameter leaves.

    (D - hole) n / 0.0129904 (inch), (d - hole) 76.98 / p (metric); from memory.
    Below 0 where the hole is wider than the thread.
    """
    return 100 * (thread.diameter_mm - hole_mm) / (FULL_THREAD_DROP[thread.standard] * thread.pitch_mm)
