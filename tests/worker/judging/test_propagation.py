"""Worked examples of JCGM 100 (GUM) and JCGM 101, and the two ways against each other."""

from __future__ import annotations

import numpy as np
import pytest

from worker.judging.propagation import (
    Departures,
    Input,
    Propagated,
    Shape,
    combined,
    coverage_factor,
    effective_dof,
    propagate,
    rng_of,
    simulate,
)
from worker.records import Floats

STANDARD_NM, DIFFERENCE_NM = 50_000_623.0, 215.0


def end_gauge(departures: Departures) -> Floats:
    """JCGM 100:2008, H.1: l = l_s + d - l_s (da theta + a_s dtheta), nanometres, theta = -0.1 K."""
    standard = STANDARD_NM + departures["standard"][:, 0]
    difference = DIFFERENCE_NM + sum(departures[name][:, 0] for name in ("repeats", "random", "systematic"))
    expansion = departures["expansion difference"][:, 0] * (-0.1 + departures["temperature"][:, 0])
    expansion = expansion + (11.5e-6 + departures["expansion"][:, 0]) * departures["temperature difference"][:, 0]
    length: Floats = standard + difference - standard * expansion
    return length


END_GAUGE_INPUTS = (
    Input.single("standard", 25.0, 18),
    Input.single("repeats", 5.8, 24),
    Input.single("random", 3.9, 5),
    Input.single("systematic", 6.7, 8),
    Input.single("expansion", 1.2e-6, shape=Shape.UNIFORM),
    Input.single("temperature", 0.41, shape=Shape.ARCSINE),
    Input.single("expansion difference", 0.58e-6, 50, shape=Shape.UNIFORM),
    Input.single("temperature difference", 0.029, 2, shape=Shape.UNIFORM),
)


def end_gauge_by_gum(coverage: float) -> Propagated:
    return propagate(end_gauge, END_GAUGE_INPUTS, coverage=coverage)


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008, H.1.6: l = 50.000 838 mm, u = 32 nm, effective degrees of freedom 16, U99 = 93 nm."""
    found = end_gauge_by_gum(0.99)
    assert found.value == pytest.approx(50_000_838.0)
    assert found.sigma == pytest.approx(32.0, abs=0.5)
    assert found.dof == pytest.approx(16.7, abs=0.1)
    # H.1.6 cuts 16.7 down to 16 and takes t99(16) = 2.92 times 32 nm
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(16, 0.99) * round(found.sigma) == pytest.approx(93.0, abs=0.5)


@pytest.mark.parametrize(
    ("source", "sigma_nm"), [("standard", 25.0), ("expansion difference", 2.9), ("temperature difference", 16.6)]
)
def test_end_gauge_contributions(source: str, sigma_nm: float) -> None:
    """JCGM 100:2008, table H.1."""
    assert end_gauge_by_gum(0.99).contributions[source] == pytest.approx(sigma_nm, abs=0.1)


def test_end_gauge_by_monte_carlo_finds_the_second_order() -> None:
    """JCGM 101:2008, 9.5 (from memory): 838 nm and u = 36 nm, of which the law of propagation sees 32.

    The inputs of 9.5 have trapezoids where these are rectangular; the difference is below 1 nm.
    """
    found = simulate(end_gauge, END_GAUGE_INPUTS, draws=200_000, rng=np.random.default_rng(1))
    assert found.mean == pytest.approx(50_000_838.0, abs=0.5)
    assert found.sigma == pytest.approx(36.0, abs=1.0)


def test_effective_degrees_of_freedom_of_three_sources() -> None:
    """JCGM 100:2008, H.1.6: u(d) = 9.7 nm of 5.8 (24), 3.9 (5), 6.7 (8) has 25.6 degrees of freedom."""
    parts, dof = {"a": 5.8, "b": 3.9, "c": 6.7}, {"a": 24.0, "b": 5.0, "c": 8.0}
    found = combined(0.0, parts, dof)
    assert found.sigma == pytest.approx(9.7, abs=0.05)
    assert effective_dof(found.sigma, parts, dof) == pytest.approx(25.6, abs=0.2)


@pytest.mark.parametrize(("dof", "k"), [(5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (np.inf, 2.00)])
def test_coverage_factors_of_student(dof: float, k: float) -> None:
    """JCGM 100:2008, table G.2, column 95.45 %."""
    assert coverage_factor(dof) == pytest.approx(k, abs=0.006)


def _length(offset: Floats, covariance: Floats) -> tuple[Propagated, float]:
    entry = Input("fit", covariance)

    def model(departures: Departures) -> Floats:
        length: Floats = np.linalg.norm(offset + departures["fit"], axis=1)
        return length

    drawn = simulate(model, [entry], draws=50_000, rng=rng_of(1, "length"), least=0.0)
    return propagate(model, [entry], least=0.0), drawn.U


@pytest.mark.parametrize("direction", [[1.0, 0.0], [0.0, 1.0], [0.6, 0.8]])
def test_both_ways_agree_on_a_length_far_from_zero(direction: list[float]) -> None:
    covariance = np.diag([0.01**2, 0.002**2])
    found, drawn = _length(0.5 * np.array(direction), covariance)
    assert pytest.approx(drawn, rel=0.03) == found.U


def test_a_length_lost_in_its_noise_is_not_certain() -> None:
    """The length of two normal errors lies below 2.448 sigma 95 % of the time (Rayleigh); U must reach as far."""
    found, drawn = _length(np.zeros(2), np.eye(2) * 0.01**2)
    assert found.U >= 2.448 * 0.01
    assert drawn == pytest.approx(2.486 * 0.01, rel=0.02)  # 95.45 % of Rayleigh


def test_a_source_without_extent_adds_nothing() -> None:
    entries = [Input.single("a", 0.0), Input("b", np.zeros((3, 3)))]
    found = propagate(lambda moved: 1.0 + moved["a"][:, 0] + moved["b"].sum(axis=1), entries)
    assert (found.value, found.sigma, found.U) == (1.0, 0.0, 0.0)


def test_chance_is_the_characteristics_own() -> None:
    assert rng_of(1, "a").random() == rng_of(1, "a").random()
    assert rng_of(1, "a").random() != rng_of(1, "b").random()
