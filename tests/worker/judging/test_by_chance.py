"""Lengths of errors in two and three directions, which twice a standard deviation does not hold."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from worker.judging.propagation import COVERAGE_PROBABILITY, Departures, Input, length_by_chance
from worker.records import Floats

SIGMA_MM = 0.01


def as_vectors(departures: Departures) -> Floats:
    return departures["it"][:, None]


@pytest.mark.parametrize("directions", [1, 2, 3])
def test_the_length_of_a_vector_that_is_nothing_follows_chi(directions: int) -> None:
    """Rayleigh's distribution for two directions: 2.49 standard deviations where one needs 2."""
    exact = SIGMA_MM * float(stats.chi.ppf(COVERAGE_PROBABILITY, directions))
    found = length_by_chance(as_vectors, [Input("it", SIGMA_MM**2 * np.eye(directions))])
    assert found == pytest.approx(exact, rel=0.05)


def test_the_longer_of_two_vectors_counts() -> None:
    def both(departures: Departures) -> Floats:
        return np.stack([departures["it"], 3 * departures["it"]], axis=1)

    one = length_by_chance(as_vectors, [Input("it", SIGMA_MM**2 * np.eye(2))])
    assert length_by_chance(both, [Input("it", SIGMA_MM**2 * np.eye(2))]) == pytest.approx(3 * one)


def test_a_vector_that_is_something_changes_nothing() -> None:
    def shifted(departures: Departures) -> Floats:
        return departures["it"][:, None] + 5.0

    inputs = [Input("it", SIGMA_MM**2 * np.eye(2))]
    assert length_by_chance(shifted, inputs) == pytest.approx(length_by_chance(as_vectors, inputs))
