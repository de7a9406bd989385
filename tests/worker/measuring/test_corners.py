"""Corners of faces that move by amounts of their own: closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from worker.measuring.corners import corner_shifts

BOX = np.eye(3)


def test_corner_of_a_box_goes_where_its_moved_faces_meet() -> None:
    shift = corner_shifts(np.zeros(3, dtype=np.int64), BOX, np.array([0.1, -0.2, 0.3]), 1, flat_share=0.03)
    np.testing.assert_allclose(shift, [[0.1, -0.2, 0.3]], atol=1e-14)


@pytest.mark.parametrize("lean_deg", [0.0, 1.0])
def test_faces_of_one_smooth_skin_move_as_their_mean(lean_deg: float) -> None:
    lean = np.radians(lean_deg)
    normals = np.array([[0.0, np.sin(lean), np.cos(lean)], [0.0, -np.sin(lean), np.cos(lean)]])
    shift = corner_shifts(np.zeros(2, dtype=np.int64), normals, np.array([0.1, 0.3]), 1, flat_share=0.03)
    np.testing.assert_allclose(shift, [[0.0, 0.0, 0.2 / np.cos(lean)]], atol=1e-12)


def test_a_place_without_a_sample_stays() -> None:
    shift = corner_shifts(np.ones(3, dtype=np.int64), BOX, np.ones(3), 3, flat_share=0.03)
    np.testing.assert_allclose(shift, [[0, 0, 0], [1, 1, 1], [0, 0, 0]], atol=1e-14)
