"""Cones of pressure under a screw's head (VDI 2230-1), and whether neighbours' overlap.

The clause was read in transcriptions only, of which five agree.  Check the standard before a joint rests on it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Joint(StrEnum):
    """Through: clamped between head and nut, two cones.  Tapped: into this part, one cone."""

    THROUGH = "through"
    TAPPED = "tapped"


@dataclass(frozen=True)
class Cone:
    """slope : tangent of the angle;  limit_mm : diameter of the plates from which on the cone is whole."""

    slope: float
    limit_mm: float

    @property
    def angle_deg(self) -> float:
        """Between the cone and the axis."""
        return math.degrees(math.atan(self.slope))


@dataclass(frozen=True, kw_only=True)
class Clamp:
    """clamp_mm : clamped length l_K;  head_mm : bearing diameter d_W;  plate_mm : diameter D'_A of what is clamped."""

    clamp_mm: float
    head_mm: float
    plate_mm: float


def pressure_cone(joint: Joint, clamp: Clamp) -> Cone:
    """Angle and limit of the cone.

    tan(phi) = 0.362 + 0.032 ln(beta/2) + 0.153 ln(y) through; 0.348 + 0.013 ln(beta) + 0.193 ln(y) tapped;
    beta = l_K / d_W, y = D'_A / d_W; D_A,Gr = d_W + w l_K tan(phi), w = 1 through, 2 tapped.

    Raises
    ------
    ValueError
        If a length is not positive, or the plate is narrower than the head.

    """
    if clamp.clamp_mm <= 0 or clamp.head_mm <= 0 or clamp.plate_mm < clamp.head_mm:
        raise ValueError("a cone needs positive lengths and a plate at least as wide as the head")
    beta, y = clamp.clamp_mm / clamp.head_mm, clamp.plate_mm / clamp.head_mm
    if joint is Joint.THROUGH:
        slope, ways = 0.362 + 0.032 * math.log(beta / 2) + 0.153 * math.log(y), 1
    else:
        slope, ways = 0.348 + 0.013 * math.log(beta) + 0.193 * math.log(y), 2
    return Cone(slope, clamp.head_mm + ways * clamp.clamp_mm * slope)


def overlap_spacing_mm(cone: Cone, clamp: Clamp) -> float:
    """Largest spacing of two screws at which their cones meet: d_W + l_K tan(phi)."""
    return clamp.head_mm + clamp.clamp_mm * cone.slope
