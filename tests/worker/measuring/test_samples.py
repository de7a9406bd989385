from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tests.support.shapes import block, bored_block, wedge
from worker.measuring.refine import refine
from worker.measuring.samples import SampleSettings, sample_nominal, trusted_faces
from worker.records import Face, Nominal, SurfaceKind

SHAPES = {
    "block": lambda: block((60.0, 40.0, 2.0)),
    "bored": lambda: bored_block((40.0, 30.0, 20.0), 6.0),
    "wedge": lambda: wedge(40.0, 0.3, 30.0),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_areas_of_samples_sum_to_the_area_of_nominal(shape: str) -> None:
    nominal = SHAPES[shape]()
    area = trimesh.Trimesh(nominal.vertices_mm, nominal.triangles, process=False).area
    assert sample_nominal(nominal).area_mm2.sum() == pytest.approx(area, rel=1e-3)  # samples move onto the exact bore


@pytest.mark.parametrize("shape", SHAPES)
def test_no_edge_is_longer_than_asked(shape: str) -> None:
    nominal = SHAPES[shape]()
    diagonal = np.linalg.norm(np.ptp(nominal.vertices_mm, axis=0))
    samples = sample_nominal(nominal, settings=SampleSettings(edges_per_diagonal=50.0))
    corners = samples.points_mm[samples.triangles]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    assert edges.max() <= diagonal / 50.0 * 1.01


@pytest.mark.parametrize("shape", SHAPES)
def test_refining_opens_no_gap_and_turns_nothing_over(shape: str) -> None:
    nominal = SHAPES[shape]()
    fine = refine(nominal.vertices_mm, nominal.triangles, 1.5, nominal.triangle_face)
    solid = trimesh.Trimesh(fine.vertices_mm, fine.triangles, process=False)
    before = trimesh.Trimesh(nominal.vertices_mm, nominal.triangles, process=False)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume == pytest.approx(before.volume, rel=1e-4)


def test_pieces_stay_near_the_fewest_that_could_do() -> None:
    limit_mm = 1.0
    nominal = block((60.0, 40.0, 2.0))
    fine = refine(nominal.vertices_mm, nominal.triangles, limit_mm)
    equilateral_mm2 = np.sqrt(3) / 4 * limit_mm**2
    assert len(fine.triangles) < 4.5 * 5200.0 / equilateral_mm2


def test_a_fine_mesh_is_taken_as_it_is() -> None:
    ball = trimesh.creation.icosphere(4, 20.0)
    triangles = np.array(ball.faces, dtype=np.int64)
    one = np.zeros(len(triangles), dtype=np.int64)
    face = (Face(0, SurfaceKind.FREEFORM, float(ball.area)),)
    nominal = Nominal(np.array(ball.vertices), triangles, one, face, None, None, None, True)
    samples = sample_nominal(nominal, settings=SampleSettings(dense_triangle_count=1000))
    assert np.array_equal(samples.triangle_source, np.arange(len(nominal.triangles)))
    assert np.array_equal(samples.points_mm[samples.triangles], nominal.vertices_mm[nominal.triangles])


def test_samples_split_at_faces_have_the_normal_of_their_own() -> None:
    samples = sample_nominal(block((10.0, 10.0, 10.0)))
    axis, side = samples.face // 2, np.where(samples.face % 2, 1.0, -1.0)
    expected = np.eye(3)[axis] * side[:, None]
    assert np.abs(samples.normals - expected).max() < 1e-12


def test_samples_of_a_bore_lie_on_the_true_cylinder() -> None:
    nominal = bored_block((40.0, 30.0, 20.0), 6.0)
    samples = sample_nominal(nominal)
    bore = samples.face == 6
    radial = samples.points_mm[bore][:, :2]
    assert np.abs(np.linalg.norm(radial, axis=1) - 6.0).max() < 1e-9
    assert np.abs(samples.normals[bore][:, :2] + radial / 6.0).max() < 1e-9


def test_a_face_record_that_contradicts_its_triangles_is_not_trusted() -> None:
    good = bored_block((40.0, 30.0, 20.0), 6.0)
    wrong = bored_block((40.0, 30.0, 20.0), 6.0, shift_mm=(0.5, 0.0))
    mixed = Nominal(
        wrong.vertices_mm, wrong.triangles, wrong.triangle_face, good.faces, good.chord_tolerance_mm, None, "mm", True
    )
    assert trusted_faces(good).is_analytic[6]
    assert not trusted_faces(mixed).is_analytic[6]


def test_the_same_nominal_gives_the_same_bits() -> None:
    one, other = (sample_nominal(block((60.0, 40.0, 2.0))) for _ in range(2))
    assert np.array_equal(one.points_mm, other.points_mm)
    assert np.array_equal(one.triangles, other.triangles)
