"""Robust weights, and covariances that hold when neighbouring points err alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats, Ints

TUKEY = 4.685  # 95 % efficient on normal noise (Holland and Welsch 1977)
LEAST_BLOCKS = 12  # fewer blocks say too little about their own scatter


def tukey_weights(residual_mm: Floats, width_mm: float) -> Floats:
    """Biweight (n,): 1 at no residual, 0 from ``width_mm`` on."""
    share = np.clip(np.abs(residual_mm) / max(width_mm, 1e-12), 0.0, 1.0)
    weights: Floats = (1.0 - share**2) ** 2
    return weights


def mad_sigma(residual_mm: Floats) -> float:
    """1.4826 times the median absolute residual; 0 for none."""
    return float(1.4826 * np.median(np.abs(residual_mm))) if len(residual_mm) else 0.0


def density_weights(points_mm: Floats, cell_mm: float) -> Floats:
    """One over the number of points in each point's cube (n,), so that a dense patch does not outvote a thin one."""
    block = blocks(points_mm, cell_mm)
    weights: Floats = 1.0 / np.bincount(block)[block]
    even: Floats = weights / weights.mean()
    return even


def blocks(points_mm: Floats, edge_mm: float) -> Ints:
    """Number (n,) of the cube of side ``edge_mm`` that holds each point."""
    cell = np.floor((points_mm - points_mm.min(axis=0)) / edge_mm).astype(np.int64)
    width = cell.max(axis=0) + 1
    _, block = np.unique((cell[:, 0] * width[1] + cell[:, 1]) * width[2] + cell[:, 2], return_inverse=True)
    return np.asarray(block, dtype=np.int64).reshape(-1)


@dataclass(frozen=True, eq=False)
class Clustered:
    """covariance : (k, k);  dof : degrees of freedom behind it."""

    covariance: Floats
    dof: float


def clustered_covariance(rows: Floats, weights: Floats, residual_mm: Floats, points_mm: Floats) -> Clustered:
    """Covariance (k, k) of a weighted fit whose residuals are alike over patches of unknown size.

    rows : (n, k) derivative of each residual;  weights, residual_mm : (n,);  points_mm : (n, 3)

    Sums over cubes stand for independent observations (K.-Y. Liang, S. Zeger, Biometrika 73(1),
    1986), with the small-sample factor g / (g - k).  Cubes are tried in several sizes and the
    largest result kept: too small a cube hides correlation, too large a one has too few fellows.
    """
    bread = np.linalg.pinv(rows.T @ (rows * weights[:, None]), hermitian=True)
    scores = rows * (weights * residual_mm)[:, None]
    independent = bread @ (scores.T @ scores) @ bread
    best, dof = independent, max(1.0, float(np.count_nonzero(weights)) - rows.shape[1])
    diagonal = float(np.linalg.norm(np.ptp(points_mm, axis=0)))
    for share in (1 / 40, 1 / 25, 1 / 16, 1 / 10, 1 / 6, 1 / 4):
        block = blocks(points_mm, max(share * diagonal, 1e-9))
        count = int(block.max()) + 1
        if count < LEAST_BLOCKS:
            break
        sums = np.column_stack([np.bincount(block, column) for column in scores.T])
        blocked = bread @ (sums.T @ sums) @ bread * (count / (count - sums.shape[1]))
        if np.trace(blocked) > np.trace(best):
            best, dof = blocked, max(1.0, float(count - rows.shape[1]))
    return Clustered(best, dof)
