"""Shared volumes with closed forms: boxes, two balls' lens, two cylinders crossing (16 r^3 / 3, Archimedes)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support.mock_ups import ball, box, made
from worker.mockup.meshes import Mesh, part_of
from worker.mockup.volume import GRID, MESHES, interference_volume
from worker.rigid import RigidTransform

RINGS = 64  # a ball's facets then hold 0.2 % less than the ball
FACET_SHARE = 0.004  # of a volume between two of them


def at(x: float, y: float = 0.0, z: float = 0.0) -> RigidTransform:
    return RigidTransform(np.eye(3), np.array([x, y, z]))


def volume(first: Mesh, second: Mesh, T_second_first: RigidTransform) -> float:
    found = interference_volume(first, second, T_second_first)
    assert found is not None
    assert found.by == MESHES
    return found.mm3


def rod(radius_mm: float, half_length_mm: float, sides: int = 256) -> Mesh:
    """A prism along z about the origin; its facets lie inside the cylinder."""
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    ends = [np.column_stack([ring, np.full(sides, z)]) for z in (-half_length_mm, half_length_mm)]
    own, then = np.arange(sides), np.roll(np.arange(sides), -1)
    caps = [np.column_stack([np.full(sides, 2 * sides), then, own])]
    caps += [np.column_stack([np.full(sides, 2 * sides + 1), sides + own, sides + then])]
    walls = [np.column_stack([own, then, sides + then]), np.column_stack([own, sides + then, sides + own])]
    middles = np.array([[0.0, 0.0, -half_length_mm], [0.0, 0.0, half_length_mm]])
    return made(np.concatenate([*ends, middles]), np.concatenate([*caps, *walls]))


def test_shared_volume_of_boxes_is_their_overlap() -> None:
    found = volume(box((10.0, 10.0, 10.0)), box((10.0, 20.0, 20.0)), at(8.0, 5.0, 5.0))
    assert found == pytest.approx(2.0 * 10 * 10, abs=1e-6)


def test_a_turned_box_in_a_box_shares_all_of_itself() -> None:
    turned = RigidTransform(Rotation.from_euler("xyz", [0.3, 0.5, 0.7]).as_matrix(), np.array([10.0, 10.0, 10.0]))
    assert volume(box((3.0, 4.0, 5.0)), box((30.0, 30.0, 30.0)), turned) == pytest.approx(60.0, abs=1e-6)


def test_bodies_apart_share_nothing() -> None:
    assert volume(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0)), at(11.0)) == 0.0


@pytest.mark.parametrize("apart_mm", [3.0, 8.0, 12.0])
def test_shared_volume_of_balls_is_their_lens(apart_mm: float) -> None:
    """Pi (R + r - d)^2 (d^2 + 2 d (r + R) - 3 (r - R)^2) / 12 d (from memory), R = 10, r = 8."""
    large, small, d = 10.0, 8.0, apart_mm
    lens = np.pi * (large + small - d) ** 2 * (d**2 + 2 * d * (small + large) - 3 * (small - large) ** 2) / (12 * d)
    found = volume(ball(small, RINGS), ball(large, RINGS), at(apart_mm))
    assert found == pytest.approx(lens, rel=FACET_SHARE)


def test_shared_volume_of_crossing_cylinders_is_that_of_archimedes() -> None:
    quarter = RigidTransform(Rotation.from_euler("x", 90, degrees=True).as_matrix(), np.zeros(3))
    assert volume(rod(6.0, 20.0), rod(6.0, 20.0), quarter) == pytest.approx(16 * 6.0**3 / 3, rel=1e-3)


def test_an_open_surface_has_no_shared_volume() -> None:
    whole = box((10.0, 10.0, 10.0))
    lid = part_of(whole, whole.query.face_normals[:, 2] < 0.5)
    assert lid is not None
    assert interference_volume(lid, whole, at(8.0)) is None


def test_a_mesh_that_is_inside_out_is_sampled() -> None:
    """Two cubes that share an edge: four triangles meet there, so that no solid is bounded by them twice over."""
    one, other = box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (10.0, 10.0, 0.0))
    corners = np.concatenate([one.vertices_mm, other.vertices_mm])
    joined, number = np.unique(np.round(corners, 9), axis=0, return_inverse=True)
    both = made(joined, number.reshape(-1)[np.concatenate([one.triangles, other.triangles + 8])])
    found = interference_volume(both, box((10.0, 10.0, 20.0)), at(0.0, 0.0, 2.0))
    assert found is not None
    assert found.mm3 == pytest.approx(1000.0, rel=0.03 if found.by == GRID else 1e-6)
