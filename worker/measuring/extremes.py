"""Extremes of a map over samples as the surface has them: what noise adds to them is drawn anew and taken off.

The least of many noisy places lies below the least of the surface: by nothing on a steep slope, by some two
standard deviations over a wide even face.  How much it is here is found by adding noise of the map's own size and
kinship to a calmer copy of it (the parametric bootstrap; B. Efron, R. Tibshirani, An Introduction to the Bootstrap,
1993, section 6.5; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.special import ndtri

from worker.measuring.patches import SampleNet
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.records import Bools, Deviation, Floats, Ints

CALMER_ROUNDS = 16  # of averaging where a sample has one point: leaves a sixth of the noise, and longer waves
LEAST_ROUNDS, MOST_ROUNDS = 8, 80
FILL_ROUNDS = 3  # samples without a point take their neighbours' value, as the map does
LEAST_SHARE = 0.05  # of a point: less says nothing about a sample
CROWD_STEP = 1.1
MOST_POINTS = 3  # a triangle: more change no kinship
DRAWS, SEED = 48, 20811  # a standard deviation to a tenth
REACH_SIGMAS = 6.0  # places farther than this above the least are never the least
MOST_PLACES = 4000  # of them, the outermost: work grows with them
STEPS = tuple(
    np.uint64(factor) for factor in (0xD1342543DE82EF95, 0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)
)  # SplitMix64's constants, and an odd number that keeps keys apart
DOUBT = 0.5  # of what is taken off: short waves of the surface pass for noise


@dataclass(frozen=True, eq=False)
class NoisyMap:
    """Values at samples, each with noise that neighbours share in part.

    value, sigma : (s,) and the standard deviation of its noise;  used : (s,) samples that have one
    point_count : (s,) scan points each rests on;  calm : (s,) averaged over neighbours
    """

    net: SampleNet
    value: Floats
    sigma: Floats
    used: Bools
    point_count: Ints
    calm: Floats

    def calmer(self, own: Floats, rows: Ints) -> Floats:
        """Values (s,) averaged over neighbours, again and again, at some samples (n,) and those beside them.

        By area, for fine triangles at a rim share few points; and the oftener the fewer points samples there have.
        """
        samples, count = self.net.samples, len(own)
        triangles = samples.triangles[(_among(rows, count) & self.used)[samples.triangles].any(axis=1)]
        corners = samples.points_mm[triangles]
        area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
        weight = area[:, None] * self.used[triangles]
        corner = triangles.ravel()
        total = np.bincount(corner, np.repeat(weight.sum(axis=1), 3), minlength=count)
        is_held = self.used & (total > 0)

        def averaged(values: Floats) -> Floats:
            held = np.bincount(corner, np.repeat((weight * values[triangles]).sum(axis=1), 3), minlength=count)
            return np.where(is_held, held / np.where(is_held, total, 1.0), values)

        points = self.point_count.astype(np.float64)
        for _ in range(LEAST_ROUNDS):
            points = averaged(points)
        rounds = np.clip(CALMER_ROUNDS / np.maximum(points, 1e-9), LEAST_ROUNDS, MOST_ROUNDS)
        for done in range(int(np.ceil(rounds[rows].max(initial=0.0)))):
            own = np.where(done < rounds, averaged(own), own)
        return own

    @property
    def crowd(self) -> float:
        """Scan points a square millimetre, in steps of a tenth: the same before and after a what-if moves a rim."""
        area = float(self.net.samples.area_mm2[self.used].sum())
        exact = max(float(self.point_count[self.used].sum()), 1.0) / max(area, 1e-300)
        return float(CROWD_STEP ** np.round(np.log(exact) / np.log(CROWD_STEP)))


@dataclass(frozen=True)
class Extreme:
    """Over the area of four samples.

    sigma : standard uncertainty from noise, and from what was taken off for it
    added : what noise had added
    """

    value: float
    sigma: float
    added: float


def noisy_map(net: SampleNet, deviation: Deviation, values: tuple[Floats, Floats], used: Bools) -> NoisyMap:
    """The map of values and their noise, (s,) each, with its calmed values.

    deviation : that the values were made from
    """
    calm = net.smooth(values[0], used)
    return NoisyMap(net, *values, used, deviation.point_count, calm)


def least(known: NoisyMap, firm: Bools, over: Floats | None = None) -> Extreme:
    """Least value among the firm samples (s,), of them those that are used.

    over : (s,) what is taken from each first, such as a limit of its own
    """
    rows = np.flatnonzero(firm & known.used)
    own = known.calm if over is None else known.calm - over
    return _least(known, rows, own, known.calmer(own, rows))


def greatest(known: NoisyMap, firm: Bools, over: Floats | None = None) -> Extreme:
    """Greatest value, likewise."""
    rows = np.flatnonzero(firm & known.used)
    own = known.calm if over is None else known.calm - over
    return _greatest(known, rows, own, known.calmer(own, rows))


def both_ends(known: NoisyMap, firm: Bools) -> tuple[Extreme, Extreme]:
    """Least and greatest value, the map being calmed once."""
    rows = np.flatnonzero(firm & known.used)
    calmer = known.calmer(known.calm, rows)
    return _least(known, rows, known.calm, calmer), _greatest(known, rows, known.calm, calmer)


def _greatest(known: NoisyMap, rows: Ints, own: Floats, calmer: Floats) -> Extreme:
    found = _least(known, rows, -own, -calmer)
    return Extreme(-found.value, found.sigma, found.added)


def _least(known: NoisyMap, rows: Ints, own: Floats, calmer: Floats) -> Extreme:
    """Of values (s,) at some samples (n,), by their calmer copy (s,)."""
    rows = rows[np.argsort(calmer[rows], kind="stable")]
    found = _tail(own[rows], known.net.samples.area_mm2[rows], known.net.samples.spacing_mm)
    typical = float(np.median(known.sigma[rows]))
    near = rows[: max(int(np.searchsorted(calmer[rows], calmer[rows[0]] + REACH_SIGMAS * typical)), 12)][:MOST_PLACES]
    area = known.net.samples.area_mm2[near]
    drawn = calmer[near, None] + _calmed_noise(known, near)
    plain = _tail(calmer[near], area, known.net.samples.spacing_mm)
    extremes = np.array([_tail(column, area, known.net.samples.spacing_mm) for column in drawn.T])
    added = max(plain - float(extremes.mean()), 0.0)
    return Extreme(found + added, float(np.hypot(extremes.std(ddof=1), DOUBT * added)), added)


def _tail(values: Floats, area: Floats, spacing_mm: float) -> float:
    return robust_extremes(values, area, EXTREME_SAMPLES * spacing_mm**2)[0]


def _calmed_noise(known: NoisyMap, near: Ints) -> Floats:
    """Draws (n, DRAWS) of the noise that averaging leaves at some samples (n,)."""
    triangles, count = known.net.samples.triangles, len(known.sigma)
    around = triangles[_among(near, count)[triangles].any(axis=1)]
    wider = np.flatnonzero(_among(np.unique(around), count)[triangles].any(axis=1))
    rows = np.unique(triangles[wider])
    number = np.zeros(count, dtype=np.int64)  # of a sample among the rows
    number[rows] = np.arange(len(rows))
    noise = known.sigma[rows, None] * _shared_noise(known, wider, number[triangles[wider]])
    own = number[around]
    weight = np.tile(known.used[around].astype(np.float64), 3)
    averaged = _spread(np.repeat(own, 3, axis=1), np.tile(own, 3), weight, (len(rows), len(rows)))
    total = np.maximum(np.asarray(averaged.sum(axis=1)).reshape(-1)[number[near]], 1e-300)
    found: Floats = (averaged[number[near]] @ noise) / total[:, None]
    return found


def _among(rows: Ints, count: int) -> Bools:
    is_among = np.zeros(count, dtype=bool)
    is_among[rows] = True
    return is_among


def _shared_noise(known: NoisyMap, triangles: Ints, own: Ints) -> Floats:
    """Noise (r, DRAWS): points strewn as densely as the scan's speak for the corners of their triangle.

    triangles : (t,) of the samples' ;  own : (t, 3) their corners, numbered from nothing to r

    Of unit size at samples that points speak for, of less where the map took the mean of neighbours.
    Each triangle has chances of its own, by its number, so that a what-if meets the same noise again.
    """
    count = int(own.max(initial=-1)) + 1
    corners = known.net.samples.points_mm[known.net.samples.triangles[triangles]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    number = np.minimum(np.floor(area * known.crowd + _chances(triangles, 1)[:, 0]), MOST_POINTS).astype(np.int64)
    owner, points = np.repeat(own, number, axis=0), np.arange(int(number.sum()))
    first = np.repeat(np.cumsum(number) - number, number)
    drawn = _chances(np.repeat(triangles, number) * (MOST_POINTS + 1) + 1 + points - first, 2 + DRAWS)
    root = np.sqrt(drawn[:, 0])  # even over a triangle
    share = np.column_stack([1 - root, root * (1 - drawn[:, 1]), root * drawn[:, 1]])
    held = _spread(owner, np.repeat(points[:, None], 3, axis=1), share, (count, len(points)))
    total = np.asarray(held.sum(axis=1)).reshape(-1)
    noise: Floats = (held @ ndtri(drawn[:, 2:])) / np.maximum(total, LEAST_SHARE)[:, None]
    has = total > LEAST_SHARE
    size = np.sqrt((noise**2).mean(axis=1))
    return _filled(noise / np.where(size > 0, size, 1.0)[:, None], has, own)


def _chances(keys: Ints, count: int) -> Floats:
    """Even chances (n, count) in (0, 1), the same for the same key (SplitMix64: G. Steele et al., OOPSLA 2014)."""
    with np.errstate(over="ignore"):  # arithmetic is modulo 2^64
        mixed = (keys.astype(np.uint64)[:, None] + np.uint64(SEED)) * STEPS[0]
        mixed = mixed + (np.arange(1, count + 1, dtype=np.uint64) * STEPS[1])[None, :]
        for shift, factor in ((30, STEPS[2]), (27, STEPS[3])):
            mixed = (mixed ^ (mixed >> np.uint64(shift))) * factor
        mixed ^= mixed >> np.uint64(31)
    found: Floats = ((mixed >> np.uint64(11)).astype(np.float64) + 0.5) / 2.0**53
    return found


def _filled(noise: Floats, has: Bools, triangles: Ints) -> Floats:
    """Samples that have none take the mean of their neighbours' (s, d), a few steps far."""
    count = len(has)
    beside = _spread(
        np.repeat(triangles, 3, axis=1), np.tile(triangles, 3), np.ones((len(triangles), 9)), (count, count)
    )
    for _ in range(FILL_ROUNDS):
        if has.all():
            break
        near = beside @ has.astype(np.float64)
        mean = (beside @ (noise * has[:, None])) / np.maximum(near, 1.0)[:, None]
        noise = np.where(has[:, None], noise, mean)
        has = has | (near > 0)
    return noise


def _spread(rows: Ints, columns: Ints, weight: Floats, shape: tuple[int, int]) -> csr_array:
    return csr_array(coo_array((weight.ravel(), (rows.ravel(), columns.ravel())), shape=shape))
