"""When a piece of surface counts as a feature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FULL_TURN = 2 * np.pi


@dataclass(frozen=True, kw_only=True)
class DetectSettings:
    """What is told apart, and what is too little to be a feature."""

    least_arc_rad: float = np.radians(120.0)
    # Of cylinders and cones.  Fillets of square edges have 90 degrees; and from under about 120 degrees of arc
    # a radius is 5 times less sure than from the full circle, so that nobody could judge it anyway.
    corner_solid_angle_sr: float = 1.75  # a ball corner between three fillets has pi / 2
    least_cap_rad: float = np.radians(25.0)  # of a sphere; a flatter spot of freeform surface has no centre to speak of
    smooth_border_share: float = (
        0.8  # of a ball corner's border is tangent; a cap that meets its neighbours sharply counts
    )
    smooth_rad: float = np.radians(20.0)  # facets of a tangent border turn by less, real edges by more
    same_axis_share: float = 1e-3  # of the radius: two half cylinders are one hole
    same_length_mm: float = 2e-3  # float32 at 10 m is 1e-3 mm; no drawing tells closer dimensions apart
    same_angle_rad: float = 1e-3  # 0.06 degrees: what a 1 mm wide plane can be told to from float32 corners
    depth_slack_share: float = 0.02  # of the radius: rims of split faces, cut by facets, need not meet exactly
    slope_known: float = 0.15  # rim neighbours that lean less than this to or from the axis need the ray to decide
    pattern_mm: float = 0.05  # equal holes, equal pitches: below any drawing's position tolerance for castings
