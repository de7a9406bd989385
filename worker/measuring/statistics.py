"""Figures over the whole part, its faces and regions, and the worst places; all weighted by area."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.measuring.patches import Patch, SampleNet
from worker.records import Bools, Deviation, Floats, Samples

PERCENTILES = (1.0, 5.0, 25.0, 50.0, 75.0, 95.0, 99.0)
EXTREME_SAMPLES = 4.0  # an extreme must hold over the area of four samples, or it is one sample's noise


@dataclass(frozen=True)
class Summary:
    """Area-weighted figures of values at samples; everything but the areas is None where nothing was measured.

    percentiles : of ``PERCENTILES``, in that order
    sample_count : measured samples they rest on
    """

    area_mm2: float
    measured_area_mm2: float
    sample_count: int
    percentiles: tuple[float, ...] | None
    mean: float | None
    rms: float | None

    @property
    def measured_share(self) -> float:
        """Measured over whole area, 0 of no area."""
        return self.measured_area_mm2 / self.area_mm2 if self.area_mm2 > 0 else 0.0


@dataclass(frozen=True, eq=False)
class WorstPlace:
    """A connected patch of samples beyond the map tolerance, all to one side.

    deviation_mm : mean over the most extreme part of it, as wide as four samples
    sample_index : the sample where it is most extreme
    """

    sample_index: int
    point_mm: Floats
    deviation_mm: float
    area_mm2: float
    face: int


def summarise(values: Floats, is_measured: Bools, area_mm2: Floats, is_member: Bools | None = None) -> Summary:
    """Figures of ``values`` (s,) over the member samples; none measured gives None for each.

    is_measured, is_member : (s,);  area_mm2 : (s,)
    """
    member = np.ones(len(values), dtype=bool) if is_member is None else is_member
    used = member & is_measured
    whole, weight = float(area_mm2[member].sum()), area_mm2[used]
    measured = float(weight.sum())
    if measured <= 0:
        return Summary(whole, 0.0, int(np.count_nonzero(used)), None, None, None)
    own = values[used]
    mean = float((own * weight).sum() / measured)
    rms = float(np.sqrt((own**2 * weight).sum() / measured))
    found = tuple(float(value) for value in weighted_percentiles(own, weight, PERCENTILES))
    return Summary(whole, measured, int(np.count_nonzero(used)), found, mean, rms)


def weighted_percentiles(values: Floats, weights: Floats, percents: Sequence[float]) -> Floats:
    """Percentiles of values (n,) that stand for areas (n,); the median of equal areas is the usual one.

    Each value sits at the middle of its own share, between neighbours the percentile is linear.
    """
    order = np.argsort(values, kind="stable")
    shares = np.cumsum(weights[order]) - weights[order] / 2
    found: Floats = np.interp(np.asarray(percents) / 100 * weights.sum(), shares, values[order])
    return found


def robust_extremes(values: Floats, weights: Floats, least_area: float) -> tuple[float, float]:
    """Least and largest value (n,), each as the mean over the outermost ``least_area`` of it.

    A range grows with the number of points (3.9 sigma at 25, 7.7 at 10 000); over a fixed area it does not.
    """
    order = np.argsort(values, kind="stable")
    return _tail(values[order], weights[order], least_area), _tail(
        values[order[::-1]], weights[order[::-1]], least_area
    )


def worst_places(
    samples: Samples, deviation: Deviation, tolerance_mm: float, *, net: SampleNet | None = None, limit: int = 10
) -> tuple[WorstPlace, ...]:
    """Patches beyond the tolerance, farthest off first.

    Neighbours are averaged before anything is compared, and a patch smaller than four samples is
    left out: what one sample shows alone is noise.
    """
    net = net or SampleNet(samples)
    calm = net.smooth(deviation.distance_mm, deviation.is_measured)
    least_area = EXTREME_SAMPLES * samples.spacing_mm**2
    places: list[WorstPlace] = []
    for side in (1.0, -1.0):
        patches = net.patches(deviation.is_measured & (side * calm > tolerance_mm))
        places += [_place(samples, patch, calm, side, least_area) for patch in patches if patch.area_mm2 >= least_area]
    places.sort(key=lambda place: (-abs(place.deviation_mm), place.sample_index))
    return tuple(places[:limit])


def _tail(values: Floats, weights: Floats, area: float) -> float:
    before = np.cumsum(weights) - weights
    share = np.clip(area - before, 0.0, weights)
    return float((values * share).sum() / share.sum())


def _place(samples: Samples, patch: Patch, calm_mm: Floats, side: float, least_area: float) -> WorstPlace:
    own = patch.samples
    index = int(own[np.argmax(side * calm_mm[own])])
    _, peak = robust_extremes(side * calm_mm[own], samples.area_mm2[own], least_area)
    return WorstPlace(
        sample_index=index,
        point_mm=samples.points_mm[index].copy(),
        deviation_mm=side * peak,
        area_mm2=patch.area_mm2,
        face=int(samples.face[index]),
    )
