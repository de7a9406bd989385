"""Levenberg's method on orthogonal distances, plain and robust.

Expects points about their centroid and of unit size: every step, turn or shift, then compares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.fitting.records import ElementKind
from worker.fitting.robust import TUKEY, mad_sigma, tukey_slope, tukey_weights
from worker.fitting.shapes import Shape, derivatives, distances, freedoms, gram, signed
from worker.records import Floats

RAYLEIGH_MEDIAN = 1.1774100225154747  # median length of a unit normal vector in the plane, sqrt(2 ln 2)
PLAIN_STEPS, ROBUST_STEPS = 40, 60
ROUGH_STEP = 1e-6  # of the points' size: near enough to begin weighing
FINE_STEP = 1e-11
ABSOLUTE_STEPS = 6  # least absolute distances, the bridge from plain to robust
ABSOLUTE_FLOOR = 0.1  # of the scale: below it absolute distances weigh like squares, lest one weighs infinitely
WIDTH_FACTORS = (3.0, 2.0, 1.4)  # the robust width narrows to its end, lest a bad start throws out good points
MOST_DAMPING = 1e6


@dataclass(frozen=True, eq=False)
class Settled:
    """An element at rest.

    weights : (c, n) robust weight of each distance, times its evenness
    slope : (c, n) derivative of the weighted distance by the distance, times evenness: what a
        motion of the element answers to (Huber, Robust Statistics, 1981, section 6.3)
    """

    shape: Shape
    weights: Floats
    slope: Floats
    is_settled: bool


def plain_fit(shape: Shape, columns: Floats, even: Floats, *, is_direction_fixed: bool = False) -> Settled:
    """Least squares of the distances of columns (3, n), each counting ``even`` (n,)."""
    weights = np.broadcast_to(even, distances(shape, columns).shape)
    damping, size = 0.0, np.inf
    for _ in range(PLAIN_STEPS):
        shape, damping, size = _step(shape, columns, weights, damping, is_direction_fixed)
        if size < FINE_STEP or damping > MOST_DAMPING:
            break
    return Settled(shape, weights, weights, size < ROUGH_STEP)


def robust_fit(
    start: Settled, columns: Floats, even: Floats, floor: float, *, is_direction_fixed: bool = False
) -> Settled:
    """Tukey's weights, narrowed to 4.685 robust standard deviations, from a plain fit.

    floor : least standard deviation, so that exact points do not divide by zero
    """
    shape, size = start.shape, np.inf
    for _ in range(ABSOLUTE_STEPS):
        weights = even * _absolute_weights(distances(shape, columns), shape.kind, floor)
        shape, _, size = _step(shape, columns, weights, 0.0, is_direction_fixed)
        if size < ROUGH_STEP:
            break
    for turn in range(ROBUST_STEPS):
        factor = WIDTH_FACTORS[turn] if turn < len(WIDTH_FACTORS) else 1.0
        weights = even * tukey(distances(shape, columns), shape.kind, floor, factor)[0]
        shape, _, size = _step(shape, columns, weights, 0.0, is_direction_fixed)
        if turn >= len(WIDTH_FACTORS) and size < FINE_STEP:
            break
    weights, slope = tukey(distances(shape, columns), shape.kind, floor, 1.0)
    return Settled(shape, even * weights, even * slope, size < ROUGH_STEP)


def tukey(found: Floats, kind: ElementKind, floor: float, factor: float) -> tuple[Floats, Floats]:
    """Weights (c, n) of distances (c, n) and the slope (c, n) of distance times weight."""
    if kind is ElementKind.LINE:
        length = np.hypot(found[0], found[1])
        width = factor * TUKEY * scale(found, kind, floor)
        share = np.minimum(length / width, 1.0)
        weights = np.broadcast_to((1 - share**2) ** 2, found.shape)
        along_it = found**2 / np.where(length > 0, length, 1.0) ** 2
        return weights, weights - 4 * share**2 * (1 - share**2) * along_it
    widths = [factor * TUKEY * max(mad_sigma(row), floor) for row in found]
    weights = np.stack([tukey_weights(row, width) for row, width in zip(found, widths, strict=True)])
    slope = np.stack([tukey_slope(row, width) for row, width in zip(found, widths, strict=True)])
    if len(found) == 2:  # a point out of the circle's plane is no point of the circle, and the other way round
        return weights * weights[::-1], slope * weights[::-1]
    return weights, slope


def scale(found: Floats, kind: ElementKind, floor: float) -> float:
    """Robust standard deviation of one distance."""
    values = signed(found, kind)
    sigma = float(np.median(values)) / RAYLEIGH_MEDIAN if kind is ElementKind.LINE else mad_sigma(values)
    return max(sigma, floor)


def _absolute_weights(found: Floats, kind: ElementKind, floor: float) -> Floats:
    length = np.sqrt((found**2).sum(axis=0))
    weights: Floats = 1.0 / np.maximum(length, ABSOLUTE_FLOOR * scale(found, kind, floor))
    return np.broadcast_to(weights / weights.max(), found.shape)


def _step(
    shape: Shape, columns: Floats, weights: Floats, damping: float, is_direction_fixed: bool
) -> tuple[Shape, float, float]:
    """One accepted Levenberg step: the element, the damping that it took, and the step's size (0 at rest)."""
    rows, found = derivatives(shape, columns)
    basis = freedoms(shape, is_direction_fixed=is_direction_fixed)
    normal = basis.T @ gram(rows, weights, rows) @ basis
    slope = basis.T @ gram(rows, weights, found[:, None, :])[:, 0]
    before = _cost(found, weights)
    size = 0.0
    while damping <= MOST_DAMPING:
        damped = normal + damping * np.diag(np.diag(normal))
        step = basis @ np.linalg.lstsq(damped, -slope, rcond=1e-13)[0]
        size = float(np.abs(step).max())
        trial = shape.moved(step).placed_near(np.zeros(3))
        if size < ROUGH_STEP or _cost(distances(trial, columns), weights) <= before:
            return trial, damping / 10 if damping > 1e-6 else 0.0, size
        damping = max(10 * damping, 1e-4)
    return shape, damping, size


def _cost(found: Floats, weights: Floats) -> float:
    return float((weights * found**2).sum())
