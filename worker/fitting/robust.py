"""Robust weights, and covariances that hold when neighbouring points err alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Ints

TUKEY = 4.685  # 95 % efficient on normal noise (Holland and Welsch 1977)
LEAST_BLOCKS = 12  # fewer blocks say too little about their own scatter
LEAST_WITHOUT = 0.05  # of a normal matrix, added where one face is left out of it
MOST_REFITTED = 12_000  # points of the part without one face: evenly taken, they move it alike
REFITTING_STEPS = 6  # of reweighting; what one face can do shows in three
LEAST_SLOPE = 0.1  # of the weights
NOISE_QUANTILE = 0.25  # of faces are as good as perfect
LEAST_HELD = 1e-3  # of the weightiest face: a lighter one was set aside
LEAST_FACE_DOF = 3.0  # below it Student's factor would say more of the few faces than of the part


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


@dataclass(frozen=True, eq=False)
class RobustFit:
    """A fit by Tukey's weights where it has come to rest.

    rows : (n, k) derivative of each residual;  base : (n,) weights apart from Tukey's;  residual_mm : (n,)
    width_mm : beyond it Tukey's weight is nothing
    """

    rows: Floats
    base: Floats
    residual_mm: Floats
    width_mm: float

    @property
    def weights(self) -> Floats:
        """(n,) whole weights."""
        return self.base * tukey_weights(self.residual_mm, self.width_mm)

    @property
    def slope_share(self) -> float:
        """By how much less than their weights the residuals answer to a motion."""
        slope = float((self.base * tukey_slope(self.residual_mm, self.width_mm)).sum())
        return max(slope / max(float(self.weights.sum()), 1e-300), LEAST_SLOPE)


def face_covariance(fit: RobustFit, face: Ints, *, keeps_weights: bool = False) -> Clustered | None:
    """Covariance (k, k) of a fit to faces each of which may err as a whole; None for too few faces.

    face : (n,) whole numbers
    keeps_weights : nothing is fitted anew and a face that alone holds a motion does not err there: for a
        scale, which faces at both ends hold, that alone agrees with simulated pieces

    Each face is left out in turn and the rest fitted anew, weights included, because whom a robust fit
    believes depends on who else is there; how far the answer then moves shows what one face can do to
    it: the jackknife over clusters (R. Bell, D. McCaffrey, Survey Methodology 28(2), 2002; from memory).
    A face that alone holds a motion shows nothing of its own error there: it is taken to err like its
    fellows, whose residuals tell one variance for all (the one-way random model; S. Searle,
    Linear Models, 1971, chapter 9; from memory).
    """
    number, count = _numbered(face)
    if count < LEAST_BLOCKS:
        return None
    found = _left_out(fit, number, count, 1 if keeps_weights else REFITTING_STEPS)
    if keeps_weights:  # with the weights kept, an answer moves by more than they say
        return Clustered(found.covariance / fit.slope_share**2, found.dof)
    pull = fit.slope_share * fit.weights
    normal = np.asarray(fit.rows.T @ (fit.rows * pull[:, None]), dtype=np.float64)
    levers = _face_sums(number, fit.rows * pull[:, None], count)
    rest = np.bincount(number, pull * fit.residual_mm**2, minlength=count).astype(np.float64)
    held = np.bincount(number, pull, minlength=count).astype(np.float64)
    return Clustered(found.covariance + _as_fellows(normal, levers, rest, held), found.dof)


def _face_sums(number: Ints, rows: Floats, count: int) -> Floats:
    """Sums (count, k) of rows (n, k) over each face."""
    return np.column_stack([np.bincount(number, column, minlength=count) for column in rows.T])


def _left_out(fit: RobustFit, number: Ints, count: int, steps: int) -> Clustered:
    """From how the answer moves without each face."""
    step = max(1, len(number) // MOST_REFITTED)
    thin = RobustFit(fit.rows[::step], fit.base[::step], fit.residual_mm[::step], fit.width_mm)
    number = number[::step]
    whole = thin.rows.T @ (thin.rows * thin.weights[:, None])
    least = LEAST_WITHOUT * whole  # a face that alone holds a motion has no fellow to differ from
    moved = np.stack([_refitted(thin, number != face, least, steps) for face in range(count)])
    covariance: Floats = (count - 1) / count * moved.T @ moved
    share = (moved**2 @ np.diag(whole)) / max(float((moved**2 @ np.diag(whole)).sum()), 1e-300)
    return Clustered(covariance, max(LEAST_FACE_DOF, float(1.0 / max((share**2).sum(), 1e-12)) - 1.0))


def _refitted(fit: RobustFit, kept: Bools, least: Floats, steps: int) -> Floats:
    """How far (k,) the answer moves when only the kept points count."""
    rows, base, residual = fit.rows[kept], fit.base[kept], fit.residual_mm[kept]
    moved: Floats = np.zeros(rows.shape[1])
    for _ in range(steps):
        weights = base * tukey_weights(residual - rows @ moved, fit.width_mm)
        normal = rows.T @ (rows * weights[:, None]) + least
        moved = np.asarray(np.linalg.lstsq(normal, rows.T @ (weights * residual), rcond=None)[0], dtype=np.float64)
    return moved


def _as_fellows(normal: Floats, levers: Floats, square: Floats, held: Floats) -> Floats:
    """What the part of faces' errors that the fit has taken up, of one variance for all, does to it (k, k).

    levers : (f, k) how a shift of the face pulls at the fit
    square, held : (f,) weighted sums of squared residuals and of weights: a tilted or bent face errs too,
        and a displaced bore has a mean residual of nothing; what the best quarter of faces has is noise
    """
    used = held > LEAST_HELD * float(held.max(initial=0.0))
    levers, mean_square, held = levers[used], square[used] / held[used], held[used]
    bread = np.linalg.pinv(normal, hermitian=True)
    left = np.clip(1.0 - np.einsum("fi,ij,fj->f", levers, bread, levers) / held, 0.0, 1.0)  # of its error
    own = np.maximum(mean_square - np.quantile(mean_square, NOISE_QUANTILE), 0.0)
    variance = float((held * own).sum()) / max(float((held * left).sum()), 1e-300)
    moved = np.sqrt(1.0 - left)[:, None] * (levers @ bread)  # what is left in the residuals others have told of
    covariance: Floats = variance * moved.T @ moved
    return covariance


def _numbered(group: Ints) -> tuple[Ints, int]:
    values, number = np.unique(group, return_inverse=True)
    return np.asarray(number, dtype=np.int64).reshape(-1), len(values)
