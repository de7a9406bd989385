"""Figures along a line without what noise adds: the least of many noisy sections is noise, not the port."""

from __future__ import annotations

import numpy as np

from worker.records import Bools, Floats

STIFFNESSES = tuple(10.0**power for power in np.arange(6.0, -3.1, -0.5))  # stiffest first: a straight line, to nothing
MOST_OFF = 2.0  # standard deviations that a single figure may lie off the line: what stands out more is no noise
FEWEST = 4  # figures that a line can be bent through


def calmed(values: Floats, sigma: Floats, is_valid: Bools) -> Floats:
    """The smoothest line through values (k,) along a port that their noise allows; invalid ones stay as they are.

    sigma : (k,) standard deviation of each from noise;  is_valid : (k,)

    Second differences are held down (Whittaker 1923) as far as the valid values then lie off by no more than noise
    makes them: together by its variance and that variance's own standard deviation, singly by ``MOST_OFF``.
    """
    count = int(is_valid.sum())
    if count < FEWEST or not (sigma[is_valid] > 0).all():
        return values
    weight = np.where(is_valid, 1.0 / np.where(is_valid, sigma, 1.0) ** 2, 0.0)
    scale = float(weight.sum()) / count
    bending = np.diff(np.eye(len(values)), n=2, axis=0)
    most = 1.0 + np.sqrt(2.0 / count)
    for stiffness in STIFFNESSES:
        square = np.diag(weight) + scale * stiffness * bending.T @ bending
        line = np.linalg.solve(square, weight * values)
        off = (values - line)[is_valid] / sigma[is_valid]
        if float(np.mean(off**2)) <= most and float(np.abs(off).max()) <= MOST_OFF:
            return np.where(is_valid, line, values)
    return values


def calmed_vectors(values: Floats, covariance: Floats, is_valid: Bools) -> Floats:
    """The same for vectors (k, 3) with covariances (k, 3, 3) that have two directions each."""
    sigma = np.sqrt(np.trace(covariance, axis1=1, axis2=2) / 2)
    return np.column_stack([calmed(column, sigma, is_valid) for column in values.T])
