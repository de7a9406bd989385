from __future__ import annotations

import numpy as np
import pytest

from worker.ports.calm import calmed, calmed_vectors
from worker.records import Floats

COUNT = 30
ALL = np.ones(COUNT, dtype=bool)
EVEN = np.ones(COUNT)


def least_over_draws(true: Floats, sigma: float) -> Floats:
    """Least of the calmed line in many cases of noise."""
    rng = np.random.default_rng(1)
    return np.array([calmed(true + rng.normal(0.0, sigma, COUNT), sigma * EVEN, ALL).min() for _ in range(300)])


@pytest.mark.parametrize("swing", [0.0, 3.0, 30.0])
def test_least_of_a_line_is_not_that_of_its_noise(swing: float) -> None:
    """The least of thirty equal figures with noise of one lies two below them; of the calmed line, not half of one."""
    true: Floats = swing * np.cos(np.linspace(0.0, 2 * np.pi, COUNT))
    bias = least_over_draws(true, 1.0).mean() - true.min()
    assert abs(bias) < 0.7


def test_a_single_narrow_place_keeps_its_depth_to_two_deviations() -> None:
    true = np.where(np.arange(COUNT) == 12, -20.0, 0.0)
    least = least_over_draws(true, 1.0)
    assert np.abs(least + 20.0).max() < 2.0 + 3.5


def test_without_noise_nothing_is_changed() -> None:
    values = np.linspace(0.0, 5.0, COUNT) ** 2
    assert calmed(values, 0.0 * EVEN, ALL) is values


def test_sections_that_were_not_measured_have_no_say() -> None:
    values = np.where(np.arange(COUNT) < 10, 500.0, 3.0)
    found = calmed(values, EVEN, np.arange(COUNT) >= 10)
    assert found[10:] == pytest.approx(3.0, abs=1e-6)
    assert found[:10].tolist() == [500.0] * 10


def test_vectors_are_calmed_by_their_parts() -> None:
    rng = np.random.default_rng(2)
    noise = rng.normal(0.0, 0.01, (COUNT, 3)) * np.array([1.0, 1.0, 0.0])
    covariance = np.tile(np.diag([1e-4, 1e-4, 0.0]), (COUNT, 1, 1))
    found = calmed_vectors(np.array([0.3, 0.0, 0.0]) + noise, covariance, ALL)
    assert np.linalg.norm(found - [0.3, 0.0, 0.0], axis=1).max() < 0.015  # of 90 draws the largest would be 0.025
