"""Whether a pose found at all is the pose of this part: three figures, each of which a different part fails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from worker.aligning.target import Target
from worker.records import Floats

SAMPLE_STRIDE = 20  # coverage to a per cent


@dataclass(frozen=True, kw_only=True)
class LikenessSettings:
    """Limits between the right part (shrunk by 2 %, bowed, 35 % missing, clamped) and seven wrong ones laid on it.

    Measured with the test parts: right ones explain 54 to 100 % near them, sharpness 0.93 to 1.00, 0 to 2 % too deep;
    wrong ones 3 to 63 %, 0.32 to 0.84, 0 to 26 %.  Shares of the diagonal.
    """

    sharp_share: float = 0.003  # print shrink and warp stay inside, once scale is fitted
    scatter_sigmas: float = 3.0  # or this, where the scan itself is rougher
    blunt_share: float = 0.012
    deep_share: float = 0.015  # no scan point can lie in the middle of material
    least_explained: float = 0.35
    least_sharpness: float = 0.88  # asked only of a scan that explains less than the next figure
    enough_explained: float = 0.65  # no wrong part reaches it; a right one with a whole core out of place may be blunt
    most_deep: float = 0.04
    least_coverage: float = 0.08  # less of the surface says nothing about a part


@dataclass(frozen=True)
class Likeness:
    """How like the nominal the scan is where the pose lays it.

    explained_share : of the scan points in the nominal's box, how many lie on its surface
    sharpness : of those near the surface, how many lie on it
    deep_share : of those in the box, how many lie deep inside material
    coverage_share : of the nominal's samples, how many have a scan point near
    """

    explained_share: float
    sharpness: float
    deep_share: float
    coverage_share: float


def likeness_of(placed_mm: Floats, target: Target, scatter_mm: float, settings: LikenessSettings) -> Likeness:
    """Measure.

    placed_mm : (n, 3) scan points in the nominal's box, centred nominal frame, scale taken out
    scatter_mm : of the scan about its own surface: a rough scan misses the nominal by no fault of its shape
    """
    found = target.exact_pairs(placed_mm[None])
    distance_mm, side_mm = found.distance_mm[0], found.along_mm[0]
    diagonal_mm, samples_mm = target.diagonal_mm, target.grid.points_mm[::SAMPLE_STRIDE]
    sharp_mm = max(settings.sharp_share * diagonal_mm, settings.scatter_sigmas * scatter_mm)
    is_sharp = distance_mm < min(sharp_mm, settings.blunt_share * diagonal_mm / 2)
    is_blunt = distance_mm < settings.blunt_share * diagonal_mm
    is_deep = (side_mm < 0.0) & (distance_mm > settings.deep_share * diagonal_mm)  # far off edges any side is right
    gap, _ = cKDTree(placed_mm[is_blunt]).query(samples_mm) if is_blunt.any() else (np.full(len(samples_mm), np.inf), 0)
    reach_mm = max(2 * settings.blunt_share, 4 / np.sqrt(len(placed_mm))) * diagonal_mm
    return Likeness(
        explained_share=float(is_sharp.mean()),
        sharpness=float(is_sharp.sum() / max(int(is_blunt.sum()), 1)),
        deep_share=float(is_deep.mean()),
        coverage_share=float((gap < reach_mm).mean()),
    )


def difference_reason(found: Likeness, settings: LikenessSettings) -> str | None:
    """Why this is not that part, in a sentence; None if it may be."""
    if found.coverage_share < settings.least_coverage:
        return f"Only {found.coverage_share:.0%} of the nominal's surface finds anything of the scan on it."
    if found.explained_share < settings.least_explained:
        return (
            f"Even in the best pose only {found.explained_share:.0%} of the scan around the part lies on its surface."
        )
    if found.sharpness < settings.least_sharpness and found.explained_share < settings.enough_explained:
        return (
            f"The scan follows the nominal only roughly: {1 - found.sharpness:.0%} of what comes near its surface "
            f"misses it."
        )
    if found.deep_share > settings.most_deep:
        return f"{found.deep_share:.0%} of the scan would lie deep inside the nominal's material."
    return None
