"""A calmed surface as the smooth surfaces that could have given it.

The extent of a noisy surface is larger than the surface's own, the more so the finer it is looked
at; and where the scan ends the surface does not.  Both are answered by the surfaces that are likely
given what was seen: a normal process over the feature with a straight trend (kriging; H. Xia,
Y. Ding, J. Wang, IIE Transactions 40(10), 2008, for form from coordinate measurements; from memory).
Its amplitude and how far it keeps its course are weighted by how well they explain what was seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from worker.fitting.normal import square_root
from worker.records import Floats

DRAWS = 128  # the mean of their widths is sure to a tenth of their scatter
DRAWN_TOGETHER = 8  # of one course and amplitude: each case costs a factor
COURSES = (0.11, 0.22, 0.45, 1.0, 2.2)  # over what part of half the feature the surface keeps its course
AMPLITUDE_COUNT = 6
TREND_SHARE = 10.0  # a trend this many times the scatter is as good as unknown
STANDING_OUT = 4.0  # a patch so many standard deviations off the smooth surface is a bump of its own
NUGGET = 1e-8  # of the variance: keeps its factor real
WIDENING_DOUBT = 1.5  # of the widening: short waves that pass for noise widen too (set on simulated pieces)
BETWEEN_SHARE = 0.01  # of a width: five lobes seen every six degrees lose as much off their crests

Width = Callable[[Floats], Floats]  # heights (n, p) to (n,)


@dataclass(frozen=True, eq=False)
class Sites:
    """Where heights are.

    at : (m, q, d) coordinates of order one, a height being the mean over its q places: a patch is
        lower than a crest in its middle
    trend : (m, k) what heights may follow there
    """

    at: Floats
    trend: Floats


@dataclass(frozen=True, eq=False)
class LikelySurfaces:
    """mean_mm : (p,) the likeliest surface;  draws_mm : (n, p) surfaces as likely as the true one."""

    mean_mm: Floats
    draws_mm: Floats


@dataclass(frozen=True, eq=False)
class SureWidth:
    """A width with the widening by noise taken out.

    widening_mm : how much was taken out;  sigma_mm : standard uncertainty, that of the widening included
    """

    width_mm: float
    sigma_mm: float
    widening_mm: float


def sure_width(surfaces: LikelySurfaces, width: Width, exact_mm: float | None = None) -> SureWidth:
    """Width of the true surface.

    exact_mm : that of the likeliest surface, where ``width`` is near enough for differences only

    The likeliest surface still holds what noise got through; drawing surfaces from it widens as much
    once more, which shows how much that was.
    """
    plain = float(width(surfaces.mean_mm[None])[0])
    drawn = width(surfaces.draws_mm)
    widening = float(drawn.mean()) - plain
    own = plain if exact_mm is None else exact_mm
    found = max(own - widening, 0.0)
    parts = (float(drawn.std(ddof=1)), WIDENING_DOUBT * widening, BETWEEN_SHARE * found)
    return SureWidth(found, float(np.linalg.norm(parts)), own - found)


def likely_surfaces(
    seen: Sites, heights: tuple[Floats, Floats], wanted: Sites, *, rng: np.random.Generator
) -> LikelySurfaces:
    """Surfaces at the wanted sites (p), the first of which are the middles of the seen ones.

    heights : (m,) mm, and the standard deviation (m,) of each by itself
    """
    height, sigma = heights
    sigma = np.maximum(sigma, max(1e-3 * float(np.std(height)), 1e-9))
    start = np.linalg.lstsq(seen.trend, height, rcond=None)[0]
    rest = height - seen.trend @ start
    typical, spread = float(np.median(sigma)), float(np.std(rest))
    process = _Process((seen, wanted), rest, sigma, (TREND_SHARE * max(typical, spread)) ** 2)
    amplitudes = np.geomspace(0.2 * typical, 3 * max(spread, typical), AMPLITUDE_COUNT)
    mean, draws = process.explained(amplitudes, rng)
    base = wanted.trend @ start
    return _with_bumps(LikelySurfaces(mean + base, draws + base), height, sigma, rng)


@dataclass(frozen=True, eq=False)
class _Alike:
    """Covariances of the process for one course, of amplitude one: seen (m, m), between (m, p), wanted (p, p)."""

    seen: Floats
    between: Floats
    wanted: Floats


class _Process:
    """The normal process, seen through patches."""

    def __init__(self, sites: tuple[Sites, Sites], rest: Floats, sigma: Floats, trend_variance: float) -> None:
        seen, wanted = sites
        self._rest, self._sigma, self._trend_variance = rest, sigma, trend_variance
        pairs = ((seen, seen), (seen, wanted), (wanted, wanted))
        self._squares = tuple(_squares(one, other) for one, other in pairs)
        slopes = np.sqrt(trend_variance)
        self._trends = tuple(np.einsum("ik,jk->ij", slopes * one.trend, slopes * other.trend) for one, other in pairs)

    def explained(self, amplitudes: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Mean (p,) and draws (n, p), over courses and amplitudes by their likelihood."""
        courses = [self._alike(course) for course in COURSES]
        cases = [(alike, float(amplitude)) for alike in courses for amplitude in amplitudes]
        score = np.array([self._likelihood(alike, amplitude) for alike, amplitude in cases])
        share = np.exp(score - score.max())
        blocks = np.round(np.cumsum(share) / share.sum() * (DRAWS // DRAWN_TOGETHER)).astype(np.int64)
        ends = DRAWN_TOGETHER * blocks
        numbers = np.diff(ends, prepend=0)
        mean = np.zeros(len(self._trends[2]))
        draws = []
        for (alike, amplitude), number in zip(cases, numbers, strict=True):
            if number:
                expected, drawn = self._drawn(alike, amplitude, int(number), rng)
                mean += number / DRAWS * expected
                draws.append(drawn)
        return mean, np.concatenate(draws)

    def _alike(self, course: float) -> _Alike:
        seen, between, wanted = (_correlation(square, course).mean(axis=(1, 3)) for square in self._squares)
        return _Alike(seen, between, wanted)

    def _factor(self, alike: _Alike, amplitude: float) -> Floats:
        """Lower factor (m, m) of the covariance of what was seen."""
        covariance = amplitude**2 * alike.seen + self._trends[0]
        covariance[np.diag_indices(len(covariance))] += self._sigma**2
        return _lower(covariance)

    def _likelihood(self, alike: _Alike, amplitude: float) -> float:
        factor = self._factor(alike, amplitude)
        scaled = solve_triangular(factor, self._rest, lower=True, check_finite=False)
        return float(-0.5 * (scaled**2).sum() - np.log(np.diag(factor)).sum())

    def _drawn(self, alike: _Alike, amplitude: float, number: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Expected surface (p,), and draws (n, p) of what is left open."""
        factor = self._factor(alike, amplitude)
        between = amplitude**2 * alike.between + self._trends[1]
        reduced = solve_triangular(factor, np.column_stack([self._rest, between]), lower=True, check_finite=False)
        expected: Floats = reduced[:, 1:].T @ reduced[:, 0]
        left = amplitude**2 * alike.wanted + self._trends[2] - reduced[:, 1:].T @ reduced[:, 1:]
        left[np.diag_indices(len(left))] += NUGGET * (amplitude**2 + self._trend_variance / TREND_SHARE**2)
        drawn = square_root(left) @ rng.standard_normal((len(left), number))
        return expected, expected + drawn.T


def _lower(covariance: Floats) -> Floats:
    factor: Floats = cholesky(covariance, lower=True, overwrite_a=True, check_finite=False)
    return factor


def _correlation(square: Floats, course: float) -> Floats:
    """Gaussian: form is waves; on closed forms Matern's of order 3/2 cut crests lower and tore rims off the trend."""
    alike: Floats = np.exp(-square / (2 * course**2))
    return alike


def _squares(one: Sites, other: Sites) -> Floats:
    """Squared distances (m, q, p, r) between all places of both."""
    gap = one.at[:, :, None, None, :] - other.at[None, None, :, :, :]
    squares: Floats = np.einsum("mqprd,mqprd->mqpr", gap, gap)
    return squares


def _with_bumps(surfaces: LikelySurfaces, height: Floats, sigma: Floats, rng: np.random.Generator) -> LikelySurfaces:
    """Patches that no smooth surface explains are taken as they were seen."""
    own = np.flatnonzero(np.abs(height - surfaces.mean_mm[: len(height)]) > STANDING_OUT * sigma)
    mean, draws = surfaces.mean_mm.copy(), surfaces.draws_mm.copy()
    mean[own] = height[own]
    draws[:, own] = height[own] + sigma[own] * rng.standard_normal((len(draws), len(own)))
    return LikelySurfaces(mean, draws)
