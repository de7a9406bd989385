from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support.mock_ups import ball, box, brute_distance_mm, facet_error_mm, soup
from worker.mockup.distances import Target, gap_between
from worker.mockup.meshes import Mesh, part_of
from worker.rigid import RigidTransform
from worker.surface import closest_barycentric

EXACT_MM = 1e-6
DEEP_IN_MM = 4.0  # of a cube of 2 in the middle of one of 10: every side of it lies 4 below one of the other
HERE = RigidTransform.identity()


def at(x: float, y: float = 0.0, z: float = 0.0) -> RigidTransform:
    return RigidTransform(np.eye(3), np.array([x, y, z]))


def clearance(first: Mesh, second: Mesh, T_second_first: RigidTransform = HERE) -> float:
    return gap_between(first, Target.all_of(second), T_second_first).clearance_mm


@pytest.mark.parametrize(
    ("place", "expected_mm"),
    [
        (at(13.0), 3.0),  # face to face
        (at(13.0, 14.0), 5.0),  # edge to edge: 3 and 4
        (at(13.0, 14.0, 22.0), 13.0),  # corner to corner: 3, 4 and 12
        (at(10.0), 0.0),  # touching
    ],
)
def test_clearance_of_boxes_is_exact(place: RigidTransform, expected_mm: float) -> None:
    cube = box((10.0, 10.0, 10.0))
    assert clearance(cube, cube, place) == pytest.approx(expected_mm, abs=EXACT_MM)


def test_nearest_places_and_the_way_between_them_are_told() -> None:
    found = gap_between(box((10.0, 10.0, 10.0)), Target.all_of(box((10.0, 10.0, 10.0))), at(13.0, 14.0, 22.0))
    assert found.first_mm == pytest.approx([13.0, 14.0, 22.0])
    assert found.second_mm == pytest.approx([10.0, 10.0, 10.0])
    assert found.direction == pytest.approx(np.array([3.0, 4.0, 12.0]) / 13)


@pytest.mark.parametrize("seed", range(40))
def test_least_distance_agrees_with_every_pair_of_triangles_by_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = soup(rng, 10 ** rng.uniform(-6, 1)), soup(rng, 10 ** rng.uniform(-6, 1))
    offset = np.array([1e4, -1e4, 500.0]) if seed % 4 == 0 else rng.normal(size=3) * 15
    turned = RigidTransform(Rotation.random(random_state=seed).as_matrix(), offset)
    second = Mesh(second.vertices_mm + (offset if seed % 4 == 0 else 0.0), second.triangles, second.source)
    expected = brute_distance_mm(turned.apply(first.corners_mm.reshape(-1, 3)).reshape(-1, 3, 3), second.corners_mm)
    found = gap_between(first, Target.all_of(second), turned)
    assert max(found.clearance_mm, 0.0) == pytest.approx(expected, abs=1e-8)
    if expected > 0:
        assert np.linalg.norm(found.first_mm - found.second_mm) == pytest.approx(expected, abs=1e-8)


def test_clearance_of_balls_is_within_their_facets() -> None:
    found = clearance(ball(8.0), ball(5.0), at(10.0, 9.0, 7.0))
    exact = np.sqrt(100 + 81 + 49) - 13
    assert exact <= found <= exact + facet_error_mm(8.0) + facet_error_mm(5.0)


@pytest.mark.parametrize(("overlap_mm", "y"), [(2.0, 0.0), (0.3, 0.0), (2.0, 3.0), (1e-3, 0.0)])
def test_depth_of_two_boxes_is_their_overlap(overlap_mm: float, y: float) -> None:
    found = gap_between(box((10.0, 10.0, 10.0)), Target.all_of(box((10.0, 20.0, 20.0))), at(10.0 - overlap_mm, y, 5.0))
    assert found.clearance_mm == pytest.approx(-overlap_mm, abs=EXACT_MM)
    assert found.direction == pytest.approx([1.0, 0.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("way", [1, -1], ids=["the small one placed", "the large one placed"])
def test_a_body_wholly_inside_another_interferes_though_no_surfaces_meet(way: int) -> None:
    small, large = box((2.0, 2.0, 2.0)), box((10.0, 10.0, 10.0))
    pair, place = ((small, large), at(4.0, 4.0, 4.0)) if way == 1 else ((large, small), at(-4.0, -4.0, -4.0))
    assert clearance(*pair, place) == pytest.approx(-DEEP_IN_MM, abs=0.02)


def test_a_body_in_the_hollow_of_another_is_clear_of_it() -> None:
    outer, inner = box((20.0, 20.0, 20.0)), box((16.0, 16.0, 16.0), (2.0, 2.0, 2.0))
    vertices = np.concatenate([outer.vertices_mm, inner.vertices_mm])
    hollow = Mesh(vertices, np.concatenate([outer.triangles, inner.triangles[:, ::-1] + 8]), np.arange(24))
    assert clearance(box((10.0, 10.0, 10.0)), hollow, at(4.0, 5.0, 5.0)) == pytest.approx(2.0, abs=EXACT_MM)


def test_clearance_from_a_part_of_a_surface_leaves_the_rest_out() -> None:
    whole = box((10.0, 10.0, 10.0))
    is_top = whole.query.face_normals[:, 2] > 0.5
    top = part_of(whole, is_top)
    assert top is not None
    found = gap_between(box((2.0, 2.0, 2.0)), Target(top, whole, is_top), at(13.0, 4.0, 6.0))
    assert found.clearance_mm == pytest.approx(np.hypot(3.0, 2.0), abs=EXACT_MM)


@pytest.mark.parametrize("place", [at(13.0, 4.0, 6.0), at(4.0, 3.1, 11.0), at(6.0, 4.0, 4.0)])
def test_what_lies_about_a_place_tells_the_same_clearance_as_the_whole(place: RigidTransform) -> None:
    cube, target = box((2.0, 2.0, 2.0)), Target.all_of(ball(10.0, rings=24))
    low = place.translation_mm
    near = target.about(np.stack([low - 6.0, low + 8.0]))
    assert near is not None
    assert len(near.whole.triangles) < len(target.whole.triangles)
    whole, found = gap_between(cube, target, place), near.told(gap_between(cube, near, place))
    assert found.clearance_mm == pytest.approx(whole.clearance_mm, abs=1e-9)
    corners = target.whole.corners_mm[[found.second_triangle]]  # of two that meet in an edge either may be named
    share = closest_barycentric(found.second_mm[None], corners)
    assert np.einsum("ij,ijk->ik", share, corners)[0] == pytest.approx(found.second_mm, abs=1e-9)


def test_nothing_lies_about_a_place_far_off() -> None:
    assert Target.all_of(box((10.0, 10.0, 10.0))).about(np.array([[50.0] * 3, [60.0] * 3])) is None
