"""Length of thread that must be engaged so that the screw breaks before the thread strips.

FED-STD-H28/2B, with the limits of size of threads for which they are known here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from shared.threads.designation import MM_PER_INCH, Thread
from shared.threads.formulas import stress_area_mm2

FLANK = 0.57735  # tangent of 30 degrees, as FED-STD-H28/2B rounds it
THUMB_DIAMETERS = 2.0  # screws in aluminium castings are engaged over two diameters; common practice, no source


@dataclass(frozen=True)
class SizeLimits:
    """Limits of size.  external: least major, least pitch diameter; internal: largest pitch, largest minor diameter."""

    external_major_least_mm: float
    external_pitch_least_mm: float
    internal_pitch_most_mm: float
    internal_minor_most_mm: float
    classes: str


@dataclass(frozen=True)
class Strengths:
    """Tensile strengths: of the casting's thread and of the screw's."""

    internal_mpa: float
    external_mpa: float


@dataclass(frozen=True)
class Engagement:
    """Length needed.

    equal_mm : L_e, for equal strengths;  ratio : J;  needed_mm : Q, L_e times J where J is above 1
    external_area_mm2, internal_area_mm2 : shear areas over L_e
    """

    stress_area_mm2: float
    equal_mm: float
    external_area_mm2: float
    internal_area_mm2: float
    ratio: float
    needed_mm: float
    classes: str


@dataclass(frozen=True)
class LimitsUnknown:
    """The formula needs limits of size that are not known here for this thread."""

    reason: str


@dataclass(frozen=True)
class Rule:
    """A length and where it comes from."""

    length_mm: float
    source: str


SIZE_LIMITS: Mapping[str, SizeLimits] = MappingProxyType(  # from memory
    {
        "3/8-16": SizeLimits(
            MM_PER_INCH * 0.3643, MM_PER_INCH * 0.3287, MM_PER_INCH * 0.3401, MM_PER_INCH * 0.3210, "2A/2B"
        ),
        "M8x1.25": SizeLimits(7.760, 7.042, 7.348, 6.912, "6g/6H"),
        "M10x1.5": SizeLimits(9.732, 8.862, 9.206, 8.676, "6g/6H"),
    }
)


def needed_engagement(thread: Thread, strengths: Strengths) -> Engagement | LimitsUnknown:
    """Engagement after FED-STD-H28/2B.

    L_e = 2 A_t / (pi K_n,max [1/2 + 0.57735 n (E_s,min - K_n,max)]); J = A_s sigma_ext / (A_n sigma_int);
    Q = J L_e where J > 1.

    Raises
    ------
    ValueError
        If a strength is not positive.

    """
    if not (strengths.internal_mpa > 0 and strengths.external_mpa > 0):
        raise ValueError("strengths must be positive")
    limits = SIZE_LIMITS.get(thread.designation)
    if limits is None:
        known = ", ".join(sorted(SIZE_LIMITS))
        return LimitsUnknown(f"limits of size of {thread.designation} are not known here (known: {known})")
    area, pitch = stress_area_mm2(thread), thread.pitch_mm
    minor, least_pitch = limits.internal_minor_most_mm, limits.external_pitch_least_mm
    equal = 2 * area / (math.pi * minor * (0.5 + FLANK / pitch * (least_pitch - minor)))
    external = math.pi / pitch * equal * minor * (pitch / 2 + FLANK * (least_pitch - minor))
    major = limits.external_major_least_mm
    internal = math.pi / pitch * equal * major * (pitch / 2 + FLANK * (major - limits.internal_pitch_most_mm))
    ratio = external * strengths.external_mpa / (internal * strengths.internal_mpa)
    return Engagement(area, equal, external, internal, ratio, equal * max(ratio, 1.0), limits.classes)


def rule_of_thumb_mm(thread: Thread) -> Rule:
    """Two diameters, where nothing better is known."""
    return Rule(THUMB_DIAMETERS * thread.diameter_mm, "2 d into a casting: common practice, no source")
