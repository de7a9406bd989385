"""The surface behind noisy points of an element: what its patches make likely, and how far it is open.

Trend (the element's own motions) and a field of form, both judged from the residuals (``spatial``), give
the likeliest surface and draws of surfaces as likely as the true one (universal kriging; N. Cressie,
Statistics for Spatial Data, 1993, section 3.4; from memory).  What touches a surface touches this, not
the highest of its noisy points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from worker.fitting.fit import shape_of
from worker.fitting.normal import square_root
from worker.fitting.records import Element
from worker.fitting.shapes import Shape, derivatives, distances, freedoms, normals
from worker.fitting.spatial import Field, Patches, drawn_together, likeliest_course
from worker.records import Floats

MOST_SEEN = 260  # points the field is judged from; work grows with the cube
LENGTH_COUNT = 12  # near enough to the waves' own length that they are not levelled
PLACES = 300  # where the surface is told
DRAWS, SEED = 12, 14405  # a standard uncertainty to a fifth
LEAST_WEIGHT = 1e-3  # of a trial worth its work
JITTER = 1e-9  # of a covariance, so that its factor is real


@dataclass(frozen=True, eq=False)
class SmoothPoints:
    """mean_mm : (p, 3) the likeliest surface;  draws_mm : (d, p, 3) surfaces as likely as the true one."""

    mean_mm: Floats
    draws_mm: Floats


@dataclass(frozen=True, eq=False)
class _Trial:
    """One guess of field and noise.  ratio : variance of the field over that of one point's noise."""

    field: Field
    ratio: float
    noise: float
    weight: float


def smoothed(element: Element, points_mm: Floats) -> SmoothPoints:
    """The likely surfaces behind points (n, 3), mm, of a plane, cylinder, cone or sphere, at some of their places."""
    shape = shape_of(element)
    patches = _patches(shape, element, points_mm)
    step = max(1, len(points_mm) // PLACES)
    columns = np.ascontiguousarray(points_mm[::step].T)
    normal = normals(shape, columns)
    feet, _ = _feet(shape, columns)
    rows = (freedoms(shape).T @ derivatives(shape, feet)[0][0]).T
    alone = np.ones(len(rows))
    mean, draws = _heights(patches, Patches(feet.T, rows, np.zeros(len(rows)), alone, alone), shape.direction)
    placed = feet.T + mean[:, None] * normal.T
    return SmoothPoints(placed, feet.T[None] + draws[:, :, None] * normal.T[None])


def _patches(shape: Shape, element: Element, points_mm: Floats) -> Patches:
    """Single points that the fit kept: patches wide enough to calm noise would level the waves of a bore."""
    kept = np.flatnonzero(element.weight > 0) if len(element.weight) == len(points_mm) else np.arange(len(points_mm))
    chosen = kept[np.linspace(0, len(kept) - 1, min(len(kept), MOST_SEEN)).astype(np.int64)]
    columns = np.ascontiguousarray(points_mm[chosen].T)
    feet, height = _feet(shape, columns)
    alone = np.ones(len(chosen))
    return Patches(feet.T, (freedoms(shape).T @ derivatives(shape, feet)[0][0]).T, height, alone, alone)


def _feet(shape: Shape, columns: Floats) -> tuple[Floats, Floats]:
    """Places (3, n) on the element itself, and heights (n,): a place that held its height would explain it."""
    height = distances(shape, columns)[0]
    return columns - height * normals(shape, columns), height


def _heights(patches: Patches, wanted: Patches, axis: Floats) -> tuple[Floats, Floats]:
    """Likeliest heights (p,) at the wanted places, and draws (d, p), over all trials by their likelihood."""
    found, share = likeliest_course(patches, axis, length_count=LENGTH_COUNT)
    patches, wanted = drawn_together(patches, axis, share), drawn_together(wanted, axis, share)
    trials = [
        _Trial(field, float(ratio), float(found.noise[i, j]), float(found.weight[i, j]))
        for i, field in enumerate(found.fields)
        for j, ratio in enumerate(found.ratio)
        if found.weight[i, j] > LEAST_WEIGHT
    ]
    total = sum(trial.weight for trial in trials)
    ends = np.round(np.cumsum([trial.weight for trial in trials]) / total * DRAWS).astype(np.int64)
    rng = np.random.default_rng(SEED)
    mean, drawn = np.zeros(len(wanted.value)), []
    for trial, number in zip(trials, np.diff(ends, prepend=0).tolist(), strict=True):
        told = _Told(trial, patches, wanted)
        mean += trial.weight / total * told.expected
        if number:
            spread = told.spread()
            spread[np.diag_indices(len(spread))] += JITTER * float(np.trace(spread)) / len(spread) + 1e-18
            drawn.append(told.expected + (square_root(spread) @ rng.standard_normal((len(spread), number))).T)
    return mean, np.concatenate(drawn)


class _Told:
    """Heights at the wanted places under one trial; the element's motions are free.

    expected : (p,)
    """

    def __init__(self, trial: _Trial, patches: Patches, wanted: Patches) -> None:
        self._trial, self._wanted = trial, wanted
        alike = trial.field.correlation
        seen = trial.ratio * alike(patches.place, patches.place) + np.diag(1 / patches.count)
        self._factor = cho_factor(seen, lower=True, overwrite_a=True, check_finite=False)
        self._across = trial.ratio * alike(patches.place, wanted.place)
        by_rows, by_value = self._solved(patches.rows), self._solved(patches.value)
        self._bread = np.linalg.pinv(patches.rows.T @ by_rows, hermitian=True)
        self._lacking = wanted.rows - self._across.T @ by_rows
        motion = self._bread @ (patches.rows.T @ by_value)
        self.expected: Floats = self._lacking @ motion + self._across.T @ by_value

    def spread(self) -> Floats:
        """Their covariance (p, p)."""
        own = self._trial.ratio * self._trial.field.correlation(self._wanted.place, self._wanted.place)
        spread: Floats = (
            own - self._across.T @ self._solved(self._across) + self._lacking @ self._bread @ self._lacking.T
        )
        return self._trial.noise * (spread + spread.T) / 2

    def _solved(self, columns: Floats) -> Floats:
        found: Floats = cho_solve(self._factor, columns, check_finite=False)
        return found
