"""Likelihood of noise and field: against the density of the normal distribution itself."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from worker.fitting.spatial import SHARES, Patches, likelihood
from worker.records import Floats

RELATIVE = 1e-8  # of logarithms of densities, both in float64


def patches(count: int, *, seed: int = 0) -> Patches:
    """Patches on a plane, waves along x and noise, that answer to a tilted plane's three motions."""
    rng = np.random.default_rng(seed)
    place = np.column_stack([rng.uniform(0, 10, (count, 2)), np.zeros(count)])
    worth = rng.uniform(2, 9, count)
    value = 0.04 * np.sin(place[:, 0]) + rng.normal(0, 0.05, count) / np.sqrt(worth)
    return Patches(place, np.column_stack([np.ones(count), place[:, :2]]), value, worth, worth)


def told(known: Patches, noise: float, ratio: float, alike: Floats) -> float:
    """Logarithm of the density of what the motions leave of the residuals, each by the root of its worth."""
    root = np.sqrt(known.count)
    rest = null_space((root[:, None] * known.rows).T)
    whole = noise * (np.eye(len(root)) + ratio * root[:, None] * alike * root)
    return float(multivariate_normal(cov=rest.T @ whole @ rest).logpdf(rest.T @ (root * known.value)))


@pytest.mark.parametrize("count", [5, 30, 120])
def test_odds_of_two_trials_are_those_of_their_densities(count: int) -> None:
    """With the noise each makes likeliest: the profile of the restricted likelihood (Patterson, Thompson 1971)."""
    known = patches(count)
    found = likelihood(known)
    for index, field in enumerate(found.fields):
        alike = field.correlation(known.place, known.place)
        likeliest = found.noise[index] * max(found.free - 2.0, 1.0) / found.free
        density = [told(known, *pair, alike) for pair in zip(likeliest, found.ratio, strict=True)]
        odds = np.log(found.weight[index, 1:] / found.weight[index, 1])
        assert odds == pytest.approx(np.array(density[1:]) - density[1], rel=RELATIVE, abs=1e-7)


def test_without_a_field_the_noise_is_the_residuals_mean_square() -> None:
    known = patches(40)
    root = np.sqrt(known.count)
    _, square, _, _ = np.linalg.lstsq(root[:, None] * known.rows, root * known.value, rcond=None)
    found = likelihood(known)
    assert SHARES[0] == 0
    assert found.noise[:, 0] == pytest.approx(square[0] / (found.free - 2))


def test_waves_are_told_from_noise() -> None:
    found = likelihood(patches(120))
    assert found.weight[:, 0].sum() < 1e-3


def test_noise_alone_leaves_no_field_the_likeliest() -> None:
    rng = np.random.default_rng(5)
    known = patches(120)
    bare = Patches(known.place, known.rows, rng.normal(0, 0.05, 120) / np.sqrt(known.count), known.held, known.count)
    found = likelihood(bare)
    assert found.weight[:, 0].sum() > 0.3


@pytest.mark.parametrize("count", [4, 5])
def test_as_few_residuals_as_one_or_two_beside_the_motions_are_judged(count: int) -> None:
    found = likelihood(patches(count))
    assert found.free == count - 3
    assert found.weight.sum() == pytest.approx(1.0)
    assert np.isfinite(found.noise).all()
