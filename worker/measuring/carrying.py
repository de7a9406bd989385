"""From scan points to samples: a robust local mean on the surface, and gaps closed only where points are sparse."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.records import Bools, Floats, Ints, Samples

OUTLIER_SIGMA = 4.0  # a point this far from its neighbourhood makes the neighbourhood's mean suspect
IRLS_PASSES = 8  # weights 1/|residual| take the mean most of the way to the median in this many
NOISE_SEED = 20  # any fixed number: the draw only measures the operator
NOISE_POINTS = 500_000
CHUNK_POINTS = 1_000_000
LEAST_SHARE = 0.05  # barycentric weight below which a point says nothing about that corner


@dataclass(frozen=True, eq=False)
class Contributions:
    """Which samples each paired scan point speaks for.

    corner : (p, 3) int32 samples;  weight : (p, 3) float32 barycentric;  value_mm : (p,) float64

    Narrow types, and sums in chunks, because there can be twenty million of them.
    """

    corner: NDArray[np.int32]
    weight: NDArray[np.float32]
    value_mm: Floats

    def parts(self) -> Iterator[Contributions]:
        """The same, a million points at a time."""
        for start in range(0, len(self.value_mm), CHUNK_POINTS):
            part = slice(start, start + CHUNK_POINTS)
            yield Contributions(self.corner[part], self.weight[part], self.value_mm[part])

    def taken(self, kept: Bools) -> Contributions:
        """Those in the mask (p,)."""
        return Contributions(self.corner[kept], self.weight[kept], self.value_mm[kept])

    def residual_mm(self, value: Floats) -> Floats:
        """Absolute distance (p,) of each point from the map ``value`` (s,) at its place."""
        found = [
            np.abs(part.value_mm - np.einsum("ij,ij->i", part.weight, value[part.corner])) for part in self.parts()
        ]
        return np.concatenate(found) if found else np.zeros(0)


@dataclass(frozen=True, eq=False)
class Carried:
    """Values at the samples.

    value_mm, sigma_mm, is_measured, point_count : (s,)
    extreme_mm : (s,) largest absolute value among the points around the sample
    noise_sigma_mm : robust scatter of points about the carried map; 0 where nothing was carried
    """

    value_mm: Floats
    sigma_mm: Floats
    is_measured: Bools
    point_count: Ints
    extreme_mm: Floats
    noise_sigma_mm: float


def carry(points: Contributions, samples: Samples, *, reach_mm: float, gross_mm: float) -> Carried:
    """Mean of the points around each sample, robust against outliers; gaps up to ``reach_mm`` closed.

    gross_mm : a point this far from all around it was paired with the wrong place, and is left out

    A sample without a point is closed from measured neighbours along the surface of its own face,
    never across a crease and never farther than ``reach_mm``.
    """
    count = len(samples.points_mm)
    value, weight = _means(points, count)
    points, is_changed = _without_gross(points, samples, value, weight > LEAST_SHARE, gross_mm)
    if is_changed:
        value, weight = _means(points, count)
    weight_sq = _sums(points, count, power=2)
    is_measured = weight > LEAST_SHARE
    noise = _noise(points, value, weight)
    _settle_outliers(points, value, noise)
    effective = weight**2 / np.where(weight_sq > 0, weight_sq, 1.0)
    sigma = noise / np.sqrt(np.maximum(effective, 1.0))
    point_count = np.zeros(count, dtype=np.int64)
    for part in points.parts():
        nearest = np.take_along_axis(part.corner, np.argmax(part.weight, axis=1)[:, None], axis=1)[:, 0]
        point_count += np.bincount(nearest, minlength=count)
    is_measured = _close_gaps(samples, value, sigma, is_measured, reach_mm)
    extreme = np.abs(value)
    for column in range(3):
        np.maximum.at(extreme, points.corner[:, column], np.abs(points.value_mm))
    return Carried(np.where(is_measured, value, 0.0), sigma, is_measured, point_count, extreme, noise)


def _means(points: Contributions, count: int) -> tuple[Floats, Floats]:
    weight = _sums(points, count)
    return _sums(points, count, points.value_mm) / np.where(weight > 0, weight, 1.0), weight


def _without_gross(
    points: Contributions, samples: Samples, value: Floats, is_measured: Bools, gross_mm: float
) -> tuple[Contributions, bool]:
    """The points without those far from the median of the samples around theirs, and whether any went.

    A lone wrong point makes its own samples' mean, so it is the step to their neighbours that gives it away.
    """
    a, b, c = samples.triangles.T
    triangles = samples.triangles[is_measured[a] & is_measured[b] & is_measured[c]]
    first, second, third = (value[column] for column in triangles.T)
    steps = np.maximum(np.maximum(np.abs(first - second), np.abs(second - third)), np.abs(third - first)) > gross_mm
    if not steps.any():
        return points, False
    is_suspect = np.zeros(len(value), dtype=bool)
    is_suspect[triangles[steps]] = True
    ring = _ring_median(triangles[is_suspect[triangles].any(axis=1)], value, is_suspect)
    rows = np.flatnonzero(is_suspect[points.corner].any(axis=1))
    expected = np.einsum("ij,ij->i", points.weight[rows], ring[points.corner[rows]])
    gross = rows[np.abs(points.value_mm[rows] - expected) > gross_mm]
    kept = np.ones(len(points.value_mm), dtype=bool)
    kept[gross] = False
    return points.taken(kept) if len(gross) else points, bool(len(gross))


def _ring_median(triangles: Ints, value: Floats, is_suspect: Bools) -> Floats:
    """Value (s,) of each sample, replaced at suspect ones by the median of their neighbours in the triangles."""
    pairs = np.concatenate([triangles[:, [to, start]] for to in range(3) for start in range(3) if to != start])
    to, start = pairs[is_suspect[pairs[:, 0]]].T
    own, row = np.unique(to, return_inverse=True)
    order = np.lexsort((value[start], row))
    first = np.searchsorted(row[order], np.arange(len(own)))
    count = np.bincount(row, minlength=len(own))
    ring = value.copy()
    ring[own] = value[start[order[first + count // 2]]]
    return ring


def _sums(points: Contributions, count: int, values: Floats | None = None, *, power: int = 1) -> Floats:
    """Sum (s,) over points of weight to a power, times ``values`` (p,) if given."""
    total = np.zeros(count)
    start = 0
    for part in points.parts():
        own = None if values is None else values[start : start + len(part.value_mm)]
        start += len(part.value_mm)
        for column in range(3):
            weight = part.weight[:, column] ** power
            total += np.bincount(part.corner[:, column], weight if own is None else weight * own, minlength=count)
    return total


def _noise(points: Contributions, value: Floats, weight: Floats) -> float:
    """Robust scatter of points about the map, freed of the part each point has in its own mean.

    The carried mean follows its own points, so residuals are smaller than the noise.  By how much
    depends only on where the points lie: the same operator is run over unit noise and gives the factor.
    """
    if not len(points.value_mm):
        return 0.0
    unit = np.random.default_rng(NOISE_SEED).standard_normal(len(points.value_mm))
    unit_value = _sums(points, len(weight), unit) / np.where(weight > 0, weight, 1.0)
    step = max(1, len(unit) // NOISE_POINTS)  # a median needs no more
    few = Contributions(points.corner[::step], points.weight[::step], points.value_mm[::step])
    unit_residual = np.median(Contributions(few.corner, few.weight, unit[::step]).residual_mm(unit_value))
    if unit_residual < 1e-3:  # every point is the only one of its samples: scatter cannot be told
        return 0.0
    return float(np.median(few.residual_mm(value)) / unit_residual)


def _settle_outliers(points: Contributions, value: Floats, noise: float) -> None:
    """Replace, in place, the mean by the weighted median where a point lies far from its neighbourhood."""
    residual = points.residual_mm(value)
    is_suspect = np.zeros(len(value), dtype=bool)
    is_suspect[points.corner[residual > OUTLIER_SIGMA * noise + 1e-9]] = True
    rows = np.flatnonzero(is_suspect[points.corner].any(axis=1))
    if not len(rows):
        return
    samples, corner = np.unique(points.corner[rows], return_inverse=True)
    corner, share, target = corner.reshape(-1, 3), points.weight[rows], points.value_mm[rows, None]
    local = value[samples]
    floor = max(noise, 1e-9)
    for _ in range(IRLS_PASSES):
        weight = share / np.maximum(np.abs(target - local[corner]), floor)
        total = _spread(corner, weight, len(samples))
        local = _spread(corner, weight * target, len(samples)) / np.where(total > 0, total, 1.0)
    settled = is_suspect[samples]
    value[samples[settled]] = local[settled]


def _spread(corner: Ints, weight: Floats, count: int) -> Floats:
    return np.asarray(np.bincount(corner.ravel(), weight.ravel(), minlength=count), dtype=np.float64)


def _close_gaps(samples: Samples, value: Floats, sigma: Floats, is_measured: Bools, reach_mm: float) -> Bools:
    """Spread ``value`` and ``sigma``, in place, ring by ring into unmeasured samples within reach."""
    known = is_measured.copy()
    path = np.where(known, 0.0, np.inf)
    triangles = samples.triangles
    while True:
        reached = known[triangles]
        triangles = triangles[~reached.all(axis=1)]
        reached = known[triangles]
        front = triangles[reached.any(axis=1)]
        new, mean, mean_sigma, length = _next_ring(samples.points_mm, front, known, (value, sigma, path))
        near = length <= reach_mm
        if not near.any():
            return known
        new = new[near]
        value[new], sigma[new], path[new], known[new] = mean[near], mean_sigma[near], length[near], True


def _next_ring(
    points_mm: Floats, front: Ints, known: Bools, fields: tuple[Floats, Floats, Floats]
) -> tuple[Ints, Floats, Floats, Floats]:
    """Unknown samples next to known ones: index, inverse-distance means of value and sigma, path length."""
    value, sigma, path = fields
    pairs = np.concatenate([front[:, [to, start]] for to in range(3) for start in range(3) if to != start])
    to, start = pairs[~known[pairs[:, 0]] & known[pairs[:, 1]]].T
    gap = points_mm[to] - points_mm[start]
    length = path[start] + np.sqrt(np.einsum("ij,ij->i", gap, gap))
    new, row = np.unique(to, return_inverse=True)
    weight = 1.0 / np.maximum(length, 1e-9)
    total = np.bincount(row, weight, minlength=len(new))
    mean = np.bincount(row, weight * value[start], minlength=len(new)) / total
    mean_sigma = np.bincount(row, weight * sigma[start], minlength=len(new)) / total
    shortest = np.full(len(new), np.inf)
    np.minimum.at(shortest, row, length)
    return new, mean, mean_sigma, shortest
