"""How sure a fitted element is, when neighbouring points may err alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr
from scipy.stats import t

from worker.fitting.records import ElementKind
from worker.fitting.shapes import VECTOR, derivatives, freedoms, gram, patch_cells
from worker.fitting.solve import Settled
from worker.fitting.spatial import Patches, likeliest_course, likelihood, shortened
from worker.fitting.whole import Levers, Whole, field_levers
from worker.records import Floats, Ints

MOST_PATCHES = 120  # show correlation at every length that matters to a fit
POINTS_TO_ANSWER = 10  # a patch of fewer answers as all points together do
AROUND = (ElementKind.CYLINDER, ElementKind.CONE)  # form of which runs along an axis
LEAST_ANSWER = 0.2  # of a patch's points must answer to a motion, or it is set aside as the fit did
LEVELS = (0.6827, 0.95)
DOFS = np.geomspace(2.0, 1000.0, 40)
LEAST_VARIANCE = 1e-12  # of the largest: motions that this distance says nothing of
LEAST_WEIGHT = 1e-6  # of a trial that is worth looking at


@dataclass(frozen=True, eq=False)
class _Scores:
    """Of the sum of weighted residuals, under each trial of noise and field.

    trials : (t, k, k) its covariance;  weight : (t,) of the trial
    """

    trials: Floats
    weight: Floats
    free: int


@dataclass(frozen=True, eq=False)
class _Answers:
    """Of each point (n,): its weighted residual, that by its residual, and its evenness."""

    value: Floats
    slope: Floats
    even: Floats

    @classmethod
    def of(cls, settled: Settled, found: Floats, even: Floats, channel: int) -> _Answers:
        return cls(settled.weights[channel] * found, settled.slope[channel], even)


def fit_covariance(
    settled: Settled, columns: Floats, even: Floats, *, is_direction_fixed: bool, whole: Floats | None = None
) -> tuple[Floats, float]:
    """Covariance (8, 8) of the element's motions, and its degrees of freedom.

    whole : (3, w) places evenly over all of the feature, seen or not; None where it is not known, and
        then form counts in full, as if each part of the surface were a sample of a larger one

    A motion is the sum of weighted residuals over what they answer to (Huber, Robust Statistics,
    1981, section 6.3).  Residuals of patches are taken for noise of their own and a field that is
    alike over some length, both judged from the residuals; the degrees of freedom are those of a
    chi-square as unsure as that judgement (F. Satterthwaite, Biometrics Bulletin 2(6), 1946).
    """
    rows, found = derivatives(settled.shape, columns)
    basis = freedoms(settled.shape, is_direction_fixed=is_direction_fixed)
    bread: Floats = np.linalg.pinv(basis.T @ gram(rows, settled.slope, rows) @ basis, hermitian=True).astype(np.float64)
    cell = _cells(settled, columns)
    answer = np.linalg.pinv(bread, hermitian=True).astype(np.float64)
    axis = settled.shape.direction if settled.shape.kind in AROUND else None
    scores = []
    for channel in range(len(rows)):
        answers = _Answers.of(settled, found[channel], even, channel)
        patches = _patches(columns, cell, basis.T @ rows[channel], answers)
        form = field_levers(patches, _whole(settled, basis, whole), answer)
        scores.append(_scores(patches, form, axis))
    parts = [_spread_of(item, bread) for item in scores]
    total = sum((part for part, _ in parts), np.zeros(bread.shape))
    dof = parts[0][1] if settled.shape.kind is ElementKind.CIRCLE else min(dof for _, dof in parts)
    return basis @ total @ basis.T, dof


def _cells(settled: Settled, columns: Floats) -> Ints:
    """Patch (n,) of each point; every point its own where there are few."""
    count = columns.shape[1]
    return np.arange(count) if count <= MOST_PATCHES else patch_cells(settled.shape, columns, MOST_PATCHES)


def _patches(columns: Floats, cell: Ints, rows: Floats, answers: _Answers) -> Patches:
    """Residuals of patches, each on the scale of one point's residual; columns (3, n), rows (k, n)."""
    slope = answers.slope
    if len(slope) < POINTS_TO_ANSWER * (int(cell.max()) + 1):
        slope = answers.even * float(slope.sum() / answers.even.sum())
    held = np.bincount(cell, slope).astype(np.float64)
    is_used = held > LEAST_ANSWER * np.bincount(cell, answers.even)
    number = np.bincount(cell)[is_used]
    held = held[is_used]

    def mean(values: Floats) -> Floats:
        return np.bincount(cell, values)[is_used] / number

    return Patches(
        place=np.column_stack([mean(row) for row in columns]),
        rows=np.column_stack([mean(row) for row in rows]),
        value=np.bincount(cell, answers.value)[is_used] / held,
        held=held,
        count=held**2 / np.bincount(cell, answers.even**2)[is_used],
    )


def _whole(settled: Settled, basis: Floats, whole: Floats | None) -> Whole | None:
    """The whole feature, for elements that are surfaces."""
    if whole is None or settled.shape.kind in VECTOR:
        return None
    return Whole(np.ascontiguousarray(whole.T), (basis.T @ derivatives(settled.shape, whole)[0][0]).T)


def _scores(patches: Patches, form: Levers, axis: Floats | None) -> _Scores:
    """Under each trial of noise and field, how the sum of weighted residuals scatters.

    Where part of the feature was not seen, the field may keep its course longer along the axis than
    round it, as ovality does: else it is taken for noise, and what it hides in the unseen part for nothing.
    """
    if axis is not None and len(form.place) > len(patches.place):
        found, share = likeliest_course(patches, axis)
        form = Levers(shortened(form.place, axis, share), form.lever)
    else:
        found = likelihood(patches)
    lever = patches.rows * patches.held[:, None]
    alone = lever.T @ (lever / patches.count[:, None])
    trials = []
    for index, field in enumerate(found.fields):
        alike = form.lever.T @ field.correlation(form.place, form.place) @ form.lever
        trials.append(found.noise[index][:, None, None] * (alone + found.ratio[:, None, None] * alike))
    return _Scores(np.concatenate(trials), found.weight.ravel(), found.free)


def _spread_of(scores: _Scores, bread: Floats) -> tuple[Floats, float]:
    """Covariance (k, k) and degrees of freedom of the t that errs as the trials together do.

    Its shape is the trials' geometric mean, which no unlikely trial of a vast field can drag along;
    its size and degrees of freedom agree with their mixture, over all motions the points speak of, on
    the half widths that hold 68 % and 95 %.
    """
    is_likely = scores.weight > LEAST_WEIGHT
    weight = scores.weight[is_likely] / float(scores.weight[is_likely].sum())
    motions = bread @ scores.trials[is_likely] @ bread
    size, axes = np.linalg.eigh(np.einsum("t,tij->ij", weight, motions))
    if size[-1] <= 0:
        return np.zeros(bread.shape), float(scores.free)
    told = size > LEAST_VARIANCE * size[-1]
    unit = axes[:, told] / np.sqrt(size[told])
    shape = _geometric_mean(unit.T @ motions @ unit, weight)
    variance = np.einsum("ij,tji->t", np.linalg.inv(shape), unit.T @ motions @ unit) / len(shape)
    free = max(scores.free, 3)
    sigma = np.sqrt(variance * (free - 2) / free)
    half = [_half_width(sigma, weight, free, level) for level in LEVELS]
    ratio = t.ppf(0.5 + LEVELS[1] / 2, DOFS) / t.ppf(0.5 + LEVELS[0] / 2, DOFS)
    dof = min(float(np.exp(np.interp(-half[1] / half[0], -ratio, np.log(DOFS)))), float(free))
    back = axes[:, told] * np.sqrt(size[told])
    scaled: Floats = back @ shape @ back.T * float((half[1] / t.ppf(0.5 + LEVELS[1] / 2, dof)) ** 2)
    return scaled, dof


def _geometric_mean(matrices: Floats, weight: Floats) -> Floats:
    """Exponential of the mean logarithm of positive matrices (t, k, k)."""
    size, axes = np.linalg.eigh(matrices)
    logs = np.einsum("tik,tk,tjk->tij", axes, np.log(np.maximum(size, 1e-300)), axes)
    size, vectors = np.linalg.eigh(np.einsum("t,tij->ij", weight, logs))
    mean: Floats = (vectors * np.exp(size)) @ vectors.T
    return mean


def _half_width(sigma: Floats, weight: Floats, free: int, level: float) -> float:
    """Half width that holds ``level`` of a mixture of t of standard deviations ``sigma`` (m,)."""
    low, high = 0.0, 30.0 * float(sigma.max())
    for _ in range(50):
        middle = (low + high) / 2
        if float(weight @ (2 * stdtr(free, middle / sigma) - 1)) < level:
            low = middle
        else:
            high = middle
    return high
