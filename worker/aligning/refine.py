"""Robust point-to-surface refinement in float64: the pose that most of the surface agrees on.

A displaced core, a lug too many or a table in view must not move the pose, so residuals are
weighted by Tukey's biweight (Beaton and Tukey 1974), whose width is annealed from where ICP left
off down to four robust standard deviations.  Because a piece that shrank leaves residuals far
larger than noise, the scale along the part axes can be fitted beside the pose as a nuisance; it
never enters the pose.  All sums run in one fixed order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.aligning.pairs import Cloud, NominalSurface, Pairs
from worker.fitting.robust import tukey_weights
from worker.records import Floats
from worker.rigid import RigidTransform

MAD_TO_SIGMA = 1.4826  # of a normal distribution
POSE_COUNT = 6


@dataclass(frozen=True, kw_only=True)
class RefineSettings:
    """How the robust fit narrows down."""

    gate_mm: float = 1.0  # a core or casting 1 mm off still counts when the noise is estimated
    gate_over_median: float = 4.0  # of the absolute residuals: a rough or shrunk casting widens the gate by itself
    gate_limit_share: float = 0.03  # of the diagonal: what is farther belongs to something else
    width_over_sigma: float = 4.0  # Tukey's width; 4.685 is 95 % efficient on pure noise, 4 cuts displaced cores sooner
    narrowing: float = 0.7  # width from one annealing step to the next
    sigma_floor_mm: float = 0.0005  # no scanner of whole parts repeats better than half a micrometre
    scale_prior_sigma: float = 0.02  # holds an axis the scan does not span; castings shrink under 2 %
    coarse_limit: int = 24  # annealing steps; 1 mm down to 0.01 mm takes 13
    rest_limit: int = 5  # steps at the last width; what still moves then slides or fits nothing
    fine_limit: int = 12  # full passes; each gains three decimals or more
    settled_mm: float = 1e-6  # movement between passes at the rms radius; one point that changes facets does no more
    solved_mm: float = 1e-8  # movement within a pass, where the pairs stay


@dataclass(frozen=True, eq=False)
class FitState:
    """Pose and nuisance scale of a fit.

    T_nominal_scan : scan frame to nominal frame
    scale_xyz : (3,) piece over nominal along the part axes, about the fit's centre; ones when not fitted
    """

    T_nominal_scan: RigidTransform
    scale_xyz: Floats


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit and what it rests on.

    pairs : of the points with the scale taken out, in the nominal frame
    points_mm : (n, 3) nominal frame, scale taken out
    weights : (n,) final weights, 0 where set aside
    sigma_mm, width_mm, gate_mm : robust standard deviation, Tukey's width, gate of the estimate
    """

    state: FitState
    pairs: Pairs
    points_mm: Floats
    weights: Floats
    sigma_mm: float
    width_mm: float
    gate_mm: float
    iterations_run: int
    has_settled: bool


@dataclass(frozen=True, eq=False)
class Frame:
    """Where and how large the nominal is: rotation and scale act about its centre.

    centre_mm : (3,) area centroid;  radius_mm : rms distance of the surface from it
    """

    centre_mm: Floats
    radius_mm: float
    diagonal_mm: float


class Refiner:
    """Fits clouds to one nominal."""

    def __init__(self, surface: NominalSurface, frame: Frame, settings: RefineSettings) -> None:
        self._surface = surface
        self._frame = frame
        self._settings = settings

    def anneal(self, cloud: Cloud, start: FitState, *, has_scale: bool, width_mm: float = np.inf) -> Fit:
        """Narrow Tukey's width step by step from the gate (or from ``width_mm``) to four sigma; for a thin cloud."""
        state, width, taken, rested = start, width_mm, 0, 0
        while taken < self._settings.coarse_limit:
            fit = self.look(cloud, state, iterations_run=taken, has_reach=True)
            width = max(self._settings.narrowing * min(width, fit.gate_mm / self._settings.narrowing), fit.width_mm)
            step = self._step(cloud, fit, width, has_scale=has_scale)
            state = self._moved(state, step)
            taken += 1
            rested += int(width <= fit.width_mm)
            if rested and (rested >= self._settings.rest_limit or np.abs(step).max() < self._settings.sigma_floor_mm):
                break
        return self.look(cloud, state, iterations_run=taken)

    def settle(self, cloud: Cloud, start: FitState, *, has_scale: bool) -> Fit:
        """Go on at four sigma until nothing moves."""
        fit, taken, moved = self.look(cloud, start), 0, np.inf
        while taken < self._settings.fine_limit and moved > self._settings.settled_mm:
            if taken:
                fit = self.look(cloud, fit.state)
            step = self._step(cloud, fit, fit.width_mm, has_scale=has_scale)
            fit, moved, taken = self._advanced(cloud, fit, step), float(np.abs(step).max()), taken + 1
        return replace(fit, iterations_run=taken, has_settled=moved <= self._settings.settled_mm)

    def with_scale(self, cloud: Cloud, fit: Fit) -> Fit:
        """The fit again with the scale freed, pairs and width unchanged: what size the piece would have."""
        return self._advanced(cloud, fit, self._step(cloud, fit, fit.width_mm, has_scale=True))

    def look(self, cloud: Cloud, state: FitState, *, iterations_run: int = 0, has_reach: bool = False) -> Fit:
        """Pair the points as they lie and weigh them, moving nothing; ``has_reach`` looks behind a wrong skin."""
        settings = self._settings
        points = self._unscaled(state.T_nominal_scan.apply(cloud.points_mm), state.scale_xyz)
        normals = None if cloud.normals is None else state.T_nominal_scan.turn(cloud.normals)
        limit = settings.gate_limit_share * self._frame.diagonal_mm
        pairs = self._surface.paired(points, normals, reach_mm=limit if has_reach else 0.0)
        size = np.abs(pairs.residual_mm)
        near = pairs.is_usable & (size < limit)
        middle = weighted_median(size[near], cloud.weights[near])
        gate = min(max(settings.gate_mm, settings.gate_over_median * middle), limit)
        inside = pairs.is_usable & (size < gate)
        sigma = MAD_TO_SIGMA * weighted_median(size[inside], cloud.weights[inside])
        sigma = max(sigma, settings.sigma_floor_mm)
        width = settings.width_over_sigma * sigma
        weights = cloud.weights * pairs.trust * tukey_weights(pairs.residual_mm, width)
        return Fit(state, pairs, points, weights, sigma, width, gate, iterations_run, has_settled=False)

    def jacobian(self, fit: Fit, *, has_scale: bool) -> Floats:
        """Rows (6 or 9, n): change of each residual with rotation, translation and scale.

        Rotation is about the centre and in units of the rms radius, scale likewise, so that all are millimetres.
        The arm ends on the surface, not at the point: noise must not look like an extent that scale could act on.
        """
        direction = fit.pairs.direction
        foot = fit.points_mm - fit.pairs.residual_mm[:, None] * direction
        arm = (foot - self._frame.centre_mm) / self._frame.radius_mm
        blocks = [np.cross(arm, direction), direction]
        if has_scale:
            blocks.append(-arm * direction)
        rows: Floats = np.ascontiguousarray(np.concatenate(blocks, axis=1).T)
        return rows

    def _step(self, cloud: Cloud, fit: Fit, width_mm: float, *, has_scale: bool) -> Floats:
        """Gauss-Newton step (6 or 9,) in mm at the rms radius, robustly solved while the pairs stay."""
        used = np.flatnonzero(fit.pairs.is_usable & (np.abs(fit.pairs.residual_mm) < 2 * width_mm))
        rows = np.ascontiguousarray(self.jacobian(fit, has_scale=has_scale)[:, used])
        scale_now = (fit.state.scale_xyz - 1) * self._frame.radius_mm if has_scale else np.empty(0)
        prior = self._prior(fit.sigma_mm, has_scale=has_scale)
        residual, base = fit.pairs.residual_mm[used], (cloud.weights * fit.pairs.trust)[used]
        step = np.zeros(len(rows))
        for _ in range(self._settings.coarse_limit):
            now = residual + step @ rows
            weights = base * tukey_weights(now, width_mm)
            pull = products(rows, weights * now) + prior * (step + np.r_[np.zeros(POSE_COUNT), scale_now])
            change = -solved(information(rows, weights) + np.diag(prior), pull)
            step = step + change
            if np.abs(change).max() < self._settings.solved_mm:
                break
        return step

    def _advanced(self, cloud: Cloud, fit: Fit, step: Floats) -> Fit:
        """The fit after a step so small that its pairs stay: residuals follow to first order."""
        rows = self.jacobian(fit, has_scale=len(step) > POSE_COUNT)
        residual = fit.pairs.residual_mm + step @ rows
        weights = cloud.weights * fit.pairs.trust * tukey_weights(residual, fit.width_mm)
        return replace(
            fit, state=self._moved(fit.state, step), pairs=replace(fit.pairs, residual_mm=residual), weights=weights
        )

    def _prior(self, sigma_mm: float, *, has_scale: bool) -> Floats:
        """Diagonal of the information that scale is near one: it only acts where the scan says nothing."""
        if not has_scale:
            return np.zeros(POSE_COUNT)
        strength = (sigma_mm / (self._settings.scale_prior_sigma * self._frame.radius_mm)) ** 2
        diagonal: Floats = np.r_[np.zeros(POSE_COUNT), np.full(3, strength)]
        return diagonal

    def _moved(self, state: FitState, step: Floats) -> FitState:
        rotation, shift = step[:3] / self._frame.radius_mm, step[3:POSE_COUNT]
        scale = state.scale_xyz
        if len(step) > POSE_COUNT:
            scale = scale + step[POSE_COUNT:] / self._frame.radius_mm
        motion = RigidTransform.about(rotation, shift, self._frame.centre_mm)
        pose = motion @ state.T_nominal_scan
        return FitState(RigidTransform.from_matrix(pose.matrix()), scale)

    def _unscaled(self, points_mm: Floats, scale_xyz: Floats) -> Floats:
        centre = self._frame.centre_mm
        plain: Floats = centre + (points_mm - centre) / scale_xyz
        return plain


def products(rows: Floats, values: Floats) -> Floats:
    """``rows @ values`` (k,), summed pairwise in one order whatever the number of threads."""
    total: Floats = (rows * values).sum(axis=1)
    return total


def information(rows: Floats, weights: Floats) -> Floats:
    """``rows @ diag(weights) @ rows.T`` (k, k), summed in one order whatever the number of threads."""
    weighted = rows * weights
    total = np.array([products(weighted, row) for row in rows])
    symmetric: Floats = (total + total.T) / 2
    return symmetric


def solved(matrix: Floats, right: Floats, *, floor: float = 1e-9) -> Floats:
    """Solve a symmetric system; directions that hold nothing (eigenvalue under ``floor`` of the largest) stay still."""
    values, vectors = np.linalg.eigh(matrix)
    held = values > floor * max(values[-1], np.finfo(np.float64).tiny)
    inverse = np.where(held, 1.0 / np.where(held, values, 1.0), 0.0)
    solution: Floats = vectors @ (inverse * (vectors.T @ right))
    return solution


def weighted_median(values: Floats, weights: Floats) -> float:
    """Value that half the weight lies under; 0 of nothing."""
    if not len(values):
        return 0.0
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
