"""Coverage factors from Student's t distribution, for whole degrees of freedom."""

from __future__ import annotations

import math

COVERED = 0.9545  # what k = 2 covers of a normal distribution
STEPS = 200  # halvings of the bracket: far more than float64 can tell apart


def coverage_factor(dof: int, covered: float = COVERED) -> float:
    """The k that covers a share of Student's t distribution, to both sides (JCGM 100, G.3).

    dof : degrees of freedom, at least 1
    """
    if dof < 1 or not 0 < covered < 1:
        raise ValueError("needs at least one degree of freedom, and a share between 0 and 1")
    low, high = 0.0, 1.0
    while covered_share(high, dof) < covered:
        low, high = high, 2 * high
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if covered_share(middle, dof) < covered else (low, middle)
    return high


def covered_share(k: float, dof: int) -> float:
    """Share of Student's t distribution between -k and k (Abramowitz and Stegun 26.7.3 and 26.7.4, finite sums)."""
    angle = math.atan2(k, math.sqrt(dof))
    cosine_sq = math.cos(angle) ** 2
    if dof % 2:
        term, total = math.cos(angle), 0.0
        for step in range(1, dof - 1, 2):
            total += term
            term *= cosine_sq * (step + 1) / (step + 2)
        return 2 / math.pi * (angle + math.sin(angle) * total)
    term, total = 1.0, 0.0
    for step in range(2, dof + 2, 2):
        total += term
        term *= cosine_sq * (step - 1) / step
    return math.sin(angle) * total
