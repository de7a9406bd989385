from __future__ import annotations

import numpy as np
import pytest

from tests.support.mock_ups import ball, box, facet_error_mm
from tests.support.shapes import COARSE, block
from worker.measuring.samples import sample_nominal
from worker.mockup.meshes import closed_piece, mesh_of

BLOCK = block((60.0, 40.0, 5.0))
SAMPLES = sample_nominal(BLOCK, settings=COARSE)


@pytest.mark.parametrize("offset_mm", [0.0, 0.3, -0.1])
def test_a_piece_grown_all_round_is_a_larger_closed_block(offset_mm: float) -> None:
    vertices, place = closed_piece(SAMPLES, np.full(len(SAMPLES.face), offset_mm))
    mesh = mesh_of(vertices, place[SAMPLES.triangles])
    assert mesh is not None
    assert mesh.is_closed
    assert mesh.box_mm[0] == pytest.approx(np.full(3, -offset_mm), abs=1e-6)
    assert mesh.box_mm[1] == pytest.approx(np.array([60.0, 40.0, 5.0]) + offset_mm, abs=1e-6)


def test_a_face_that_moves_takes_its_rim_along_and_leaves_the_others_where_they_are() -> None:
    offset = np.where(SAMPLES.face == 5, 0.4, 0.0)
    vertices, _ = closed_piece(SAMPLES, offset)
    assert vertices.max(axis=0) == pytest.approx([60.0, 40.0, 5.4], abs=1e-6)
    assert vertices.min(axis=0) == pytest.approx(np.zeros(3), abs=1e-6)


def test_triangles_of_no_area_are_left_out_and_nothing_is_no_mesh() -> None:
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0]])
    mesh = mesh_of(vertices, np.array([[0, 1, 2], [0, 1, 3]]))
    assert mesh is not None
    assert mesh.source.tolist() == [1]
    assert mesh_of(vertices, np.array([[0, 1, 2]])) is None


def test_facets_of_a_ball_tell_how_far_they_lie_off_it_and_those_of_a_box_that_they_do_not() -> None:
    mesh = ball(10.0)
    middle = np.argmin(np.abs(mesh.corners_mm.mean(axis=1)[:, 2]))
    assert facet_error_mm(10.0) / 3 < mesh.sagitta_mm(int(middle)) < 3 * facet_error_mm(10.0)
    assert box((1.0, 1.0, 1.0)).sagitta_mm(0) == 0.0
