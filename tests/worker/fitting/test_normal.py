"""Square roots of covariances, whole or spoilt by rounding."""

from __future__ import annotations

import numpy as np

from worker.fitting.normal import square_root


def test_of_a_whole_covariance() -> None:
    spread = np.array([[4.0, 1.0], [1.0, 3.0]])
    root = square_root(spread)
    np.testing.assert_allclose(root @ root.T, spread, atol=1e-14)


def test_direction_that_rounding_made_negative_has_no_extent() -> None:
    way = np.array([0.6, 0.8])
    root = square_root(np.outer(way, way) - 1e-12 * np.eye(2))
    np.testing.assert_allclose(root @ root.T, np.outer(way, way), atol=1e-11)
