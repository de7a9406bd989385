"""Thin walls gathered into spots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.measuring.patches import Patch, SampleNet
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes, weighted_percentiles
from worker.records import Bools, Floats, Samples, Thickness, ThinSpot

SPOT_COUNT_LIMIT = 50  # the thinnest; the map shows the rest


THINNEST_PERCENT = 5.0  # a part of even walls has a thinnest place too
MARGIN = 1.0 + 1e-6  # so that walls of exactly the limit are listed


def default_spot_limit_mm(samples: Samples, wall_mm: Floats, is_found: Bools, share: float) -> tuple[float, str]:
    """``share`` of nominal's median wall, or what its thinnest twentieth has; and which of the two it is.

    The larger of them, so that there is always a thinnest place to look at; 0 where no wall was found.
    """
    if not is_found.any():
        return 0.0, "no wall was found"
    walls, area = wall_mm[is_found], samples.area_mm2[is_found]
    thinnest, median = weighted_percentiles(walls, area, (THINNEST_PERCENT, 50.0)).tolist()
    if share * median >= thinnest:
        return share * median, f"no plan: {share:.0%} of the median wall of nominal"
    return MARGIN * thinnest, f"no plan: the thinnest {THINNEST_PERCENT:g}% of nominal"


def find_spots(samples: Samples, thickness: Thickness, far_mm: Floats) -> Thickness:
    """The same thickness with its thin spots, thinnest first.

    far_mm : (s, 3) far end of each sample's ray

    A sample counts by the piece's wall where that was measured, else by nominal's, and only where
    the inscribed sphere confirms that there is a wall.  A spot is at least four samples wide, and its
    least value is a mean over that area: narrower is noise.  Samples on a rim belong to a spot, but do
    not say how thin it is where others can: scan points near an edge speak of two faces.  Both skins
    of a wall make one spot.
    """
    net = SampleNet(samples)
    is_actual = thickness.is_actual_measured
    wall = np.where(is_actual, thickness.actual_mm, thickness.ray_mm)
    is_known = (thickness.has_ray & thickness.has_sphere) | is_actual
    is_known &= thickness.has_sphere
    calm = np.where(is_actual, net.smooth(wall, is_known & is_actual & ~net.is_rim), wall)
    patches = net.patches(is_known & (calm < thickness.spot_limit_mm))
    least_area = EXTREME_SAMPLES * samples.spacing_mm**2
    wide = [patch for patch in patches if patch.area_mm2 >= least_area]
    spots = [_spot(samples, thickness, _inner(patch, net, samples, least_area), calm, far_mm) for patch in wide]
    spots.sort(key=lambda spot: (spot.least_mm, spot.sample_index))
    return replace(thickness, spots=tuple(_one_side(spots, thickness, patches))[:SPOT_COUNT_LIMIT])


def _inner(patch: Patch, net: SampleNet, samples: Samples, least_area_mm2: float) -> Patch:
    """The patch without its rim samples, if enough is left of it; its area stays the whole."""
    inner = patch.samples[~net.is_rim[patch.samples]]
    return Patch(inner, patch.area_mm2) if samples.area_mm2[inner].sum() >= least_area_mm2 else patch


def _spot(samples: Samples, thickness: Thickness, patch: Patch, calm_mm: Floats, far_mm: Floats) -> ThinSpot:
    own = patch.samples
    index = int(own[np.argmin(calm_mm[own])])
    least, _ = robust_extremes(calm_mm[own], samples.area_mm2[own], EXTREME_SAMPLES * samples.spacing_mm**2)
    return ThinSpot(
        point_mm=samples.points_mm[index].copy(),
        opposite_point_mm=far_mm[index].copy(),
        least_mm=least,
        nominal_mm=float(thickness.ray_mm[index]),
        area_mm2=patch.area_mm2,
        is_actual=bool(thickness.is_actual_measured[index]),
        sample_index=index,
    )


def _one_side(spots: list[ThinSpot], thickness: Thickness, patches: list[Patch]) -> list[ThinSpot]:
    """Drop a spot whose far end lies in the patch of a thinner one: the same wall seen from its other skin."""
    owner = np.full(len(thickness.ray_mm), -1, dtype=np.int64)
    for number, patch in enumerate(patches):
        owner[patch.samples] = number
    kept: list[ThinSpot] = []
    told: set[int] = set()
    for spot in spots:
        mine = int(owner[spot.sample_index])
        members = patches[mine].samples
        behind = owner[thickness.opposite_sample[members]]
        behind = behind[(thickness.opposite_sample[members] >= 0) & (behind >= 0)]
        if len(behind) >= 0.5 * len(members) and any(
            int(other) in told for other in np.unique(behind) if other != mine
        ):
            continue
        told.add(mine)
        kept.append(spot)
    return kept
