"""Draws of normal distributions whose covariance rounding may have spoiled."""

from __future__ import annotations

import numpy as np
from scipy.linalg import LinAlgError, cholesky

from worker.records import Floats


def square_root(covariance: Floats) -> Floats:
    """A matrix (n, n) whose product with its transpose is a covariance (n, n).

    Where rounding made the covariance slightly negative in some direction, it has no extent there.
    """
    try:
        factor: Floats = cholesky(covariance, lower=True, check_finite=False)
    except LinAlgError:
        size, axes = np.linalg.eigh((covariance + covariance.T) / 2)
        factor = axes * np.sqrt(np.maximum(size, 0.0))
    return factor
