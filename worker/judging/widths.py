"""Widths of many surfaces at once: their range, least over the motions a zone may follow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from worker.records import Floats, Ints

CHUNK = 512  # cases at a time
ONE_THREAD = 200_000  # multiplications in a product that stays on one thread: the same bits on any number of them
GOLDEN_STEPS = 44  # the bracket shrinks a billion times
LAWSON_STEPS = 250  # within a few thousandths of the least; used for differences, where that cancels
GOLDEN = (np.sqrt(5.0) - 1) / 2


def range_of(heights: Floats) -> Floats:
    """Largest less least (n,) of heights (n, p)."""
    extent: Floats = np.ptp(heights, axis=1)
    return extent


def worst_range(heights: Floats, groups: Sequence[Ints]) -> Floats:
    """Largest range (n,) of any group of sites."""
    worst: Floats = np.max([range_of(heights[:, group]) for group in groups], axis=0)
    return worst


def least_range_sloped(heights: Floats, along: Floats) -> Floats:
    """Range (n,) of heights (n, p) less a slope along (p,), the slope chosen to make it least."""
    found = [_golden(heights[start : start + CHUNK], along) for start in range(0, len(heights), CHUNK)]
    return np.concatenate(found)


def best_slope(height: Floats, along: Floats) -> float:
    """The slope of least range of heights (p,)."""
    low, high = _bracket(height[None], along)
    for _ in range(GOLDEN_STEPS):
        low, high = _narrowed(height[None], along, low, high)
    return float((low + high)[0] / 2)


def _golden(heights: Floats, along: Floats) -> Floats:
    low, high = _bracket(heights, along)
    for _ in range(GOLDEN_STEPS):
        low, high = _narrowed(heights, along, low, high)
    return range_of(heights - np.outer((low + high) / 2, along))


def _bracket(heights: Floats, along: Floats) -> tuple[Floats, Floats]:
    reach = 2 * range_of(heights) / max(float(np.ptp(along)), 1e-12)
    return -reach, reach


def _narrowed(heights: Floats, along: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """One golden step: the range is convex in the slope."""
    first, second = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    is_left = range_of(heights - np.outer(first, along)) < range_of(heights - np.outer(second, along))
    return np.where(is_left, low, first), np.where(is_left, second, high)


def least_range(heights: Floats, motions: Floats) -> Floats:
    """Range (n,) of heights (n, p) less the motions (p, k), chosen to make it least."""
    basis = np.column_stack([np.ones(len(motions)), motions])
    return 2 * _lawson(heights[:, None, :], basis)


def least_diameter(offsets: Floats, along: Floats) -> Floats:
    """Diameter (n,) of the least straight cylinder round points ``offsets`` (n, 2, p) at heights ``along`` (p,)."""
    return 2 * _lawson(offsets, np.column_stack([np.ones(len(along)), along]))


def _lawson(values: Floats, basis: Floats) -> Floats:
    chunk = max(1, ONE_THREAD // (len(basis) * basis.shape[1] ** 2))
    found = [_lawson_chunk(values[start : start + chunk], basis) for start in range(0, len(values), chunk)]
    return np.concatenate(found)


def _lawson_chunk(values: Floats, basis: Floats) -> Floats:
    """Least greatest length (n,) of values (n, c, p) less combinations of basis (p, k).

    Weighted least squares whose weights grow with the residuals (C. L. Lawson, thesis, UCLA, 1961;
    from memory).  The least over all rounds is kept.
    """
    count = values.shape[2]
    squares = np.einsum("pi,pj->pij", basis, basis).reshape(count, -1)
    weights = np.full((len(values), count), 1.0 / count)
    best = np.full(len(values), np.inf)
    for _ in range(LAWSON_STEPS):
        normal = (weights @ squares).reshape(-1, basis.shape[1], basis.shape[1])
        right = (weights[:, None, :] * values) @ basis
        solved = np.linalg.solve(normal, right.transpose(0, 2, 1))
        length = np.sqrt(((values - (basis @ solved).transpose(0, 2, 1)) ** 2).sum(axis=1))
        best = np.minimum(best, length.max(axis=1))
        weights = weights * np.maximum(length, 1e-12 * length.max(axis=1, keepdims=True))
        total = weights.sum(axis=1, keepdims=True)
        if not (total > 0).all():
            break
        weights = np.maximum(weights / total, 1e-12 / count)
    return best
