"""Robust weights, and covariances that hold when neighbouring points err alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats, Ints

TUKEY = 4.685  # 95 % efficient on normal noise (Holland and Welsch 1977)
LEAST_BLOCKS = 12  # fewer blocks say too little about their own scatter
LEAST_WITHOUT = 0.05  # of a normal matrix, added where one face is left out of it
LEAST_FACE_DOF = 4.0  # below it Student's factor would say more of the few faces than of the part


def tukey_weights(residual_mm: Floats, width_mm: float) -> Floats:
    """Biweight (n,): 1 at no residual, 0 from ``width_mm`` on."""
    share = np.clip(np.abs(residual_mm) / max(width_mm, 1e-12), 0.0, 1.0)
    weights: Floats = (1.0 - share**2) ** 2
    return weights


def tukey_slope(residual_mm: Floats, width_mm: float) -> Floats:
    """Derivative (n,) of residual times its biweight: what a fit's normal matrix really answers with (Huber 1981)."""
    share = np.clip(np.abs(residual_mm) / max(width_mm, 1e-12), 0.0, 1.0)
    slope: Floats = (1.0 - share**2) * (1.0 - 5.0 * share**2)
    return slope


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


def clustered_covariance(
    rows: Floats, weights: Floats, residual_mm: Floats, points_mm: Floats, *, slope_share: float = 1.0
) -> Clustered:
    """Covariance (k, k) of a weighted fit whose residuals are alike over patches of unknown size.

    rows : (n, k) derivative of each residual;  weights, residual_mm : (n,);  points_mm : (n, 3)
    slope_share : by how much the weighted residuals answer to a motion less than the weights say, as
        their weights fall when they grow (Huber, Robust Statistics, 1981, section 7.6)

    Sums over cubes stand for independent observations (K.-Y. Liang, S. Zeger, Biometrika 73(1),
    1986), with the small-sample factor g / (g - k).  Cubes are tried in several sizes and the
    largest result kept: too small a cube hides correlation, too large a one has too few fellows.
    """
    bread = np.linalg.pinv(slope_share * rows.T @ (rows * weights[:, None]), hermitian=True)
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


def face_covariance(scores: Floats, rows: Floats, pull: Floats, face: Ints) -> Clustered | None:
    """Covariance (k, k) of a fit to faces each of which may err as a whole; None for too few faces.

    scores : (n, k) weight times residual times row;  rows : (n, k);  pull : (n,) weights that the
        normal matrix was made with;  face : (n,) whole numbers

    Each face is left out in turn, and how far the answer then moves shows what one face can do to it:
    the jackknife over clusters (R. Bell, D. McCaffrey, Survey Methodology 28(2), 2002; from memory).
    """
    number, count = _numbered(face)
    if count < LEAST_BLOCKS:
        return None
    width = rows.shape[1]
    sums = np.column_stack([np.bincount(number, column, minlength=count) for column in scores.T])
    pairs = [
        np.bincount(number, pull * rows[:, i] * rows[:, j], minlength=count) for i in range(width) for j in range(width)
    ]
    own = np.stack(pairs, axis=1).reshape(count, width, width)
    whole = own.sum(axis=0)
    least = LEAST_WITHOUT * whole  # a face that alone holds a motion has no fellow to differ from
    moved = np.stack(
        [np.linalg.lstsq(whole - part + least, total, rcond=None)[0] for part, total in zip(own, sums, strict=True)]
    )
    covariance: Floats = (count - 1) / count * moved.T @ moved
    share = (moved**2 @ np.diag(whole)) / max(float((moved**2 @ np.diag(whole)).sum()), 1e-300)
    return Clustered(covariance, max(LEAST_FACE_DOF, float(1.0 / max((share**2).sum(), 1e-12)) - 1.0))


def _numbered(group: Ints) -> tuple[Ints, int]:
    values, number = np.unique(group, return_inverse=True)
    return np.asarray(number, dtype=np.int64).reshape(-1), len(values)
