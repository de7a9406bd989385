"""How alike neighbouring residuals are, judged from the residuals themselves.

Model: residual of a patch = what the element's freedoms take up + a field whose correlation falls
off with distance + noise of its own.  Size and length of the field are averaged over by their
restricted likelihood (H. Patterson, R. Thompson, Biometrika 58(3), 1971), which allows for what the
fit has taken up; a single best guess would be too sure of itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack

from worker.records import Floats

ALONG = (1.0, 0.15)  # course round the axis over that along it
SHARES = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.98, 0.995])
NO_FIELD_ODDS = 2.0  # prior weight of noise alone against any field at all
LENGTH_COUNT = 6
LEAST_STEP = 0.5  # of the patch spacing: a shorter field is noise
BLOCK = 64  # columns LAPACK turns at once
LONGEST = 0.5  # of the extent: a longer one is form that no residual can tell from a motion


@dataclass(frozen=True, eq=False)
class Patches:
    """Residuals of patches and what they answer to.

    place : (m, 3);  rows : (m, k) derivatives;  value : (m,) mean residual
    held : (m,) weight of the patch in the fit;  count : (m,) independent points it is worth
    """

    place: Floats
    rows: Floats
    value: Floats
    held: Floats
    count: Floats


@dataclass(frozen=True)
class Field:
    """A stationary field: rough (Matern's correlation of order 3/2) or smooth (Gauss's)."""

    length: float
    is_smooth: bool

    def correlation(self, first: Floats, second: Floats) -> Floats:
        """Between places (m, 3) and (n, 3): (m, n)."""
        square = (first**2).sum(axis=1)[:, None] + (second**2).sum(axis=1)[None, :] - 2 * first @ second.T
        share = np.maximum(square, 0.0) / self.length**2
        if self.is_smooth:
            bell: Floats = np.exp(-share / 2)
            return bell
        share = np.sqrt(3.0 * share)
        alike: Floats = (1 + share) * np.exp(-share)
        return alike


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Of noise and field on a grid.

    fields : (l,);  ratio : (s,) variance of the field over that of one point's noise
    weight : (l, s) posterior, sums to 1;  noise : (l, s) variance of one point's noise
    free : residual degrees of freedom
    evidence : logarithm of how well all trials together explain the residuals
    """

    fields: tuple[Field, ...]
    ratio: Floats
    weight: Floats
    noise: Floats
    free: int
    evidence: float = 0.0


def likelihood(patches: Patches, *, length_count: int = LENGTH_COUNT) -> Likelihood:
    """Posterior of the field's length and strength; length_count : lengths tried."""
    count = patches.count
    root = np.sqrt(count)
    rest = _complement(root[:, None] * patches.rows)
    value = rest.T @ (root * patches.value)
    free = rest.shape[1]
    spacing, extent = spacing_of(patches.place)
    longest = max(LONGEST * extent, 1.01 * LEAST_STEP * spacing)
    lengths = np.geomspace(LEAST_STEP * spacing, longest, length_count)
    fields = tuple(Field(float(item), is_smooth) for is_smooth in (False, True) for item in lengths)
    ratio = SHARES / (1 - SHARES) / float(count.mean())
    fit, noise = np.empty((2, len(fields), len(SHARES)))
    for index, field in enumerate(fields):
        alike = root[:, None] * field.correlation(patches.place, patches.place) * root[None, :]
        spread, square = _explained(rest.T @ alike @ rest, value, ratio)
        fit[index] = -0.5 * (spread + free * np.log(max(float(square.max()) * 1e-12, 1e-300) + square))
        noise[index] = square / max(free - 2.0, 1.0)
    prior = np.where(SHARES > 0, 1.0 / (len(SHARES) - 1), NO_FIELD_ODDS) / len(fields)
    weight = np.exp(fit - fit.max()) * prior
    evidence = float(fit.max() + np.log(weight.sum()))
    return Likelihood(fields, ratio, weight / weight.sum(), noise, free, evidence)


def _explained(alike: Floats, value: Floats, ratio: Floats) -> tuple[Floats, Floats]:
    """Of I + ratio * alike: logarithm of its determinant (s,), and value . its inverse . value (s,).

    alike : (m, m) symmetric, no eigenvalue below nothing but by rounding;  value : (m,);  ratio : (s,)

    Brought to three diagonals once for all ratios, a fifth of the work of its eigenvectors (G. Golub, C. Van
    Loan, Matrix Computations, 2013, section 8.3.1; from memory).
    """
    count = len(value)
    if count < 2:  # one entry is its own diagonal
        variance = 1 + ratio * np.maximum(alike.reshape(-1)[:1], 0.0).sum()
        return np.log(variance) * count, (value**2).sum() / variance
    packed, diagonal, beside, tau, _ = lapack.dsytrd(alike, lower=1, lwork=BLOCK * count)
    turned = value[:, None].copy()
    turned[1:] = lapack.dormqr("L", "T", packed[1:, :-1], tau, turned[1:], BLOCK)[0]
    spread, square = np.empty((2, len(ratio)))
    for index, one in enumerate(ratio.tolist()):
        pivots, _, solved, _ = lapack.dptsv(1 + one * diagonal, one * beside, turned)
        spread[index] = np.log(pivots).sum()
        square[index] = (turned * solved).sum()
    return spread, square


def likeliest_course(patches: Patches, axis: Floats, *, length_count: int = LENGTH_COUNT) -> tuple[Likelihood, float]:
    """The likelihood of greatest evidence, and the share at which distances along an axis (3,) then count.

    Waves of a bore run along it: the field may keep its course longer along the axis than round it.
    """
    tried = [(likelihood(drawn_together(patches, axis, share), length_count=length_count), share) for share in ALONG]
    return max(tried, key=lambda one: one[0].evidence)


def drawn_together(patches: Patches, axis: Floats, share: float) -> Patches:
    """The same with distances along an axis (3,) taken as a share of what they are."""
    return replace(patches, place=shortened(patches.place, axis, share))


def shortened(place: Floats, axis: Floats, share: float) -> Floats:
    """Places (n, 3) with distances along an axis (3,) taken as a share of what they are."""
    along = place @ axis
    short: Floats = place - (1 - share) * np.outer(along, axis)
    return short


def _complement(rows: Floats) -> Floats:
    """Orthonormal basis (m, m - rank) of what the rows (m, k) cannot take up."""
    left, size, _ = np.linalg.svd(rows, full_matrices=True)
    rank = int(np.count_nonzero(size > 1e-9 * max(float(size[0]), 1e-300)))
    rest: Floats = left[:, rank:]
    return rest


def spacing_of(place: Floats) -> tuple[float, float]:
    """Usual distance of places (m, 3) to the nearest neighbour, and the diagonal of all."""
    square = ((place[:, None, :] - place[None, :, :]) ** 2).sum(axis=2)
    np.fill_diagonal(square, np.inf)
    return float(np.sqrt(np.median(square.min(axis=1)))), float(np.linalg.norm(np.ptp(place, axis=0)))
