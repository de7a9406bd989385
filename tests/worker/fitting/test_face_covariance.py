"""Fits to faces that may each be off as a whole."""

from __future__ import annotations

import numpy as np

from worker.fitting.robust import RobustFit, face_covariance
from worker.records import Floats, Ints

FACES, POINTS = 24, 200


def mean_of_faces(face_sigma: float, noise: float, rng: np.random.Generator) -> tuple[float, Floats, Ints]:
    """Mean of points on faces, its residuals, and the faces."""
    face = np.repeat(np.arange(FACES), POINTS)
    values = rng.normal(0, face_sigma, FACES)[face] + rng.normal(0, noise, len(face))
    return float(values.mean()), values - values.mean(), face


def plain_fit(rest: Floats) -> RobustFit:
    """A mean by least squares: no point is set aside."""
    return RobustFit(np.ones((len(rest), 1)), np.ones(len(rest)), rest, np.inf)


def test_a_mean_over_faces_is_as_sure_as_the_number_of_faces_allows() -> None:
    rng = np.random.default_rng(1)
    means, variances = [], []
    for _ in range(300):
        mean, rest, face = mean_of_faces(0.05, 0.01, rng)
        found = face_covariance(plain_fit(rest), face)
        assert found is not None
        means.append(mean)
        variances.append(found.covariance[0, 0])
    assert 0.8 < np.mean(variances) / np.var(means) < 1.25


def test_its_degrees_of_freedom_are_about_those_of_the_faces() -> None:
    _, rest, face = mean_of_faces(0.05, 0.01, np.random.default_rng(2))
    found = face_covariance(plain_fit(rest), face)
    assert found is not None
    assert 3.0 <= found.dof <= FACES - 1


def test_few_faces_tell_nothing() -> None:
    rest, face = np.ones(40), np.repeat(np.arange(4), 10)
    assert face_covariance(plain_fit(rest), face) is None


def test_a_face_that_alone_holds_a_motion_errs_like_its_fellows() -> None:
    face = np.repeat(np.arange(FACES), POINTS)
    own = np.random.default_rng(3).normal(0, 0.05, FACES)
    own[0] = 0.0  # what it errs by has gone into the motion
    rows = np.column_stack([face > 0, face == 0]).astype(np.float64)
    rest = (own - own[1:].mean())[face] * (face > 0)
    found = face_covariance(RobustFit(rows, np.ones(len(face)), rest, np.inf), face)
    assert found is not None
    assert 0.7 < np.sqrt(found.covariance[1, 1]) / 0.05 < 1.4
