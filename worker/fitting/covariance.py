"""How sure a fitted element is, when neighbouring points may err alike."""

from __future__ import annotations

import numpy as np

from worker.fitting.shapes import Shape, derivatives, freedoms, gram
from worker.fitting.solve import Settled
from worker.records import Floats


def fit_covariance(settled: Settled, columns: Floats, *, is_direction_fixed: bool) -> tuple[Floats, float]:
    """Covariance (8, 8) of the element's motions, and its degrees of freedom."""
    shape: Shape = settled.shape
    rows, found = derivatives(shape, columns)
    basis = freedoms(shape, is_direction_fixed=is_direction_fixed)
    bread = np.linalg.pinv(basis.T @ gram(rows, settled.slope, rows) @ basis, hermitian=True)
    meat = basis.T @ gram(rows, (settled.weights * found) ** 2, rows) @ basis
    kept = float(np.count_nonzero(settled.weights > 0))
    dof = max(1.0, kept - basis.shape[1])
    covariance: Floats = basis @ bread @ meat @ bread @ basis.T * (kept / dof)
    return covariance, dof
