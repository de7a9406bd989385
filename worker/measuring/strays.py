"""Points that hang alone in the air, as shiny spots and edges give: no surface of the piece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.records import Bools, Floats

ALONE = "alone in the air"  # the reason in the report
MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True, kw_only=True)
class StraySettings:
    """When a point far from nominal stands for no surface."""

    far_sigmas: float = 6.0  # off the median deviation, in robust sigmas: shrink, warp and cores lie within
    company: int = 4  # other far points a real surface shows nearby; half a disc of 3 spacings holds about 14
    reach_spacings: float = 3.0  # how near they must be


def stray_points(
    points_mm: Floats, distance_mm: Floats, is_paired: Bools, spacing_mm: float, settings: StraySettings
) -> Bools:
    """Paired points (p,) far from nominal without company.

    points_mm : (p, 3);  distance_mm : (p,) signed, read where ``is_paired`` (p,)
    spacing_mm : typical distance between neighbouring points

    Only other far points count as company: a stray hangs over a surface that was scanned as well.
    """
    is_stray = np.zeros(len(points_mm), dtype=bool)
    paired = distance_mm[is_paired]
    if not len(paired) or spacing_mm <= 0:
        return is_stray
    middle = np.median(paired)
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(paired - middle)))
    far = np.flatnonzero(is_paired & (np.abs(distance_mm - middle) > max(settings.far_sigmas * sigma, spacing_mm / 2)))
    if not len(far):
        return is_stray
    tree = cKDTree(points_mm[far])
    counts = tree.query_ball_point(points_mm[far], settings.reach_spacings * spacing_mm, return_length=True)
    is_stray[far[counts <= settings.company]] = True
    return is_stray
