from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.pockets import hollow
from worker.offsets.outline import CuttingPlane, chosen_outline, outlines, polygon_centroid
from worker.offsets.seen_outline import centroid_motion
from worker.offsets.sheet import moved_corners, sheet_of
from worker.records import Floats, Samples
from worker.rigid import RigidTransform

POSE = RigidTransform.from_rotation_vector(np.array([0.4, -1.1, 0.3]), np.array([100.0, 20.0, 3.0]))
UPRIGHT = RigidTransform.identity()
SEGMENTS, RADIUS_MM = 240, 10.0
TUBE = tuple((RADIUS_MM, float(height)) for height in np.arange(8.0, -8.5, -0.5))
POLYGON_AREA_MM2 = SEGMENTS / 2 * np.sin(2 * np.pi / SEGMENTS) * RADIUS_MM**2  # of a regular polygon


def _plane(lean_rad: float, pose: RigidTransform = UPRIGHT, height_mm: float = 0.3) -> CuttingPlane:
    normal = np.array([np.sin(lean_rad), 0.0, np.cos(lean_rad)])
    return CuttingPlane(pose.apply(np.array([1.0, 2.0, height_mm])), pose.turn(normal))


def _corners(samples: Samples, offset_mm: Floats | None = None) -> tuple[Floats, np.ndarray]:
    sheet = sheet_of(samples, np.ones(len(samples.face), dtype=bool))
    assert sheet is not None
    still = np.zeros(len(samples.face)) if offset_mm is None else offset_mm
    return moved_corners(sheet, samples, still), sheet.triangles


@pytest.mark.parametrize("pose", [UPRIGHT, POSE])
@pytest.mark.parametrize("lean_rad", [0.0, 0.25, 0.6])
def test_the_section_of_a_tube_has_its_middle_on_the_axis(lean_rad: float, pose: RigidTransform) -> None:
    """A slanting section of a regular prism is a stretched regular polygon: centroid on the axis, area / cosine."""
    plane = _plane(lean_rad, pose)
    (found,) = outlines(*_corners(hollow([TUBE], SEGMENTS, pose=pose)), plane)
    axis = np.array([0.0, 0.0, 0.3 + np.tan(lean_rad)])  # the plane's point lies 1 mm aside
    assert found.centroid_mm == pytest.approx(pose.apply(axis), abs=1e-9)
    assert found.area_mm2 == pytest.approx(POLYGON_AREA_MM2 / np.cos(lean_rad), rel=1e-9)
    assert found.gap_share == 0.0


def test_a_plane_through_corners_cuts_one_closed_outline() -> None:
    plane = CuttingPlane(np.array([0.0, 0.0, 0.5]), np.array([0.0, 0.0, 1.0]))
    (found,) = outlines(*_corners(hollow([TUBE[:16], TUBE[15:]], SEGMENTS)), plane)
    assert found.gap_share == 0.0
    assert found.area_mm2 == pytest.approx(POLYGON_AREA_MM2, rel=1e-9)


def test_a_section_that_shifts_with_height_follows_the_plane() -> None:
    """The centroid of an upright tube under a plane leaning by a goes down the axis: tan(a) per mm of shift."""
    lean = 0.25
    plane, samples = _plane(lean), hollow([TUBE], SEGMENTS)
    corners, triangles = _corners(samples)
    sheet = sheet_of(samples, np.ones(len(samples.face), dtype=bool))
    assert sheet is not None
    (outline,) = outlines(corners, triangles, plane)
    moved = centroid_motion(outline, plane, corners, sheet, 0.5)
    assert moved is not None
    axis = np.array([0.0, 0.0, 1.0])
    assert moved[0] == pytest.approx(plane.basis @ (axis / np.cos(lean)), abs=1e-9)
    assert np.linalg.norm(moved[0]) == pytest.approx(np.tan(lean), abs=1e-9)


def test_a_wall_moved_along_its_normals_moves_and_widens_the_section() -> None:
    """Shift (0.2, -0.1) and growth 0.3 of a circle, first order in the normals: exact for a moved axis' centroid."""
    samples = hollow([TUBE], SEGMENTS)
    shift = np.array([0.2, -0.1, 0.0])
    corners, triangles = _corners(samples, samples.normals @ shift - 0.3)
    (found,) = outlines(corners, triangles, _plane(0.0))
    second_order_mm = float(shift @ shift) / RADIUS_MM
    assert found.centroid_mm[:2] == pytest.approx(shift[:2], abs=second_order_mm)
    assert np.sqrt(found.area_mm2 / np.pi) == pytest.approx(RADIUS_MM + 0.3, abs=second_order_mm)


def test_a_hole_through_the_wall_is_bridged_and_told() -> None:
    samples = hollow([TUBE], SEGMENTS)
    middle = samples.points_mm[samples.triangles].mean(axis=1)
    is_gone = (np.abs(np.arctan2(middle[:, 1], middle[:, 0])) < np.radians(9)) & (np.abs(middle[:, 2]) < 2)
    (found,) = outlines(*_corners(replace(samples, triangles=samples.triangles[~is_gone])), _plane(0.0))
    assert found.gap_share == pytest.approx(18 / 360, abs=2 / SEGMENTS)
    assert 0.0 < -found.centroid_mm[0] < RADIUS_MM * (1 - np.cos(np.radians(10)))


def test_the_outline_round_the_axis_is_chosen_else_the_nearest() -> None:
    beside = RigidTransform(np.eye(3), np.array([30.0, 0.0, 0.0]))
    plane = _plane(0.0)
    found = (
        *outlines(*_corners(hollow([TUBE], SEGMENTS)), plane),
        *outlines(*_corners(hollow([TUBE], SEGMENTS, pose=beside)), plane),
    )
    assert chosen_outline(found, np.array([31.0, 2.0, 0.3]), plane) is found[1]
    assert chosen_outline(found, np.array([12.0, 0.0, 0.3]), plane) is found[0]
    assert chosen_outline((), np.zeros(3), plane) is None


def test_a_plane_beside_the_wall_cuts_nothing() -> None:
    assert outlines(*_corners(hollow([TUBE], SEGMENTS)), _plane(0.0, height_mm=20.0)) == ()


def test_the_centroid_of_a_polygon_is_that_of_its_area() -> None:
    """A right triangle's is a third up its sides; shuffling where it begins changes nothing."""
    corners = np.array([[0.0, 0.0], [6.0, 0.0], [0.0, 3.0]]) + 1e4
    area, centroid = polygon_centroid(np.roll(corners, 1, axis=0))
    assert area == pytest.approx(9.0)
    assert centroid == pytest.approx([1e4 + 2, 1e4 + 1], abs=1e-9)
