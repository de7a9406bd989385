"""Tukey's biweight: its weights, and the slope that goes with them."""

from __future__ import annotations

import numpy as np

from worker.fitting.robust import tukey_slope, tukey_weights

RESIDUAL = np.array([0.0, 0.5, -1.0, 3.0])


def test_weighs_fully_at_nothing_and_not_at_all_past_its_width() -> None:
    np.testing.assert_allclose(tukey_weights(RESIDUAL, 1.0), [1.0, 0.5625, 0.0, 0.0])


def test_slope_is_the_derivative_of_residual_times_weight() -> None:
    at, step = np.linspace(-2.9, 2.9, 60), 1e-6
    ahead, behind = ((at + way) * tukey_weights(at + way, 2.0) for way in (step, -step))
    np.testing.assert_allclose(tukey_slope(at, 2.0), (ahead - behind) / (2 * step), atol=1e-8)
