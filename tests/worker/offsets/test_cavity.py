from __future__ import annotations

import numpy as np
import pytest

from tests.support.pockets import Profile, hollow
from worker.offsets.cavity import brim_corners, filled, hollow_between_samples, openings, plugged
from worker.offsets.outline import CuttingPlane
from worker.offsets.sheet import Seam, Sheet, moved_corners, sheet_of
from worker.records import Floats, Samples
from worker.rigid import RigidTransform

SEGMENTS, RADIUS_MM, DEPTH_MM = 360, 10.0, 8.0
FACET_SHARE = SEGMENTS / (2 * np.pi) * np.sin(2 * np.pi / SEGMENTS)  # area of a polygon in its circle
UP = np.array([0.0, 0.0, 1.0])
LEVEL = CuttingPlane(np.zeros(3), UP)
POSE = RigidTransform.from_rotation_vector(np.array([0.4, -1.1, 0.3]), np.array([1000.0, 20.0, 3.0]))
WALL: Profile = ((RADIUS_MM, 0.0), (RADIUS_MM, -4.0), (RADIUS_MM, -DEPTH_MM))
FLOOR: Profile = ((RADIUS_MM, -DEPTH_MM), (5.0, -DEPTH_MM), (0.0, -DEPTH_MM))
TALL: Profile = ((RADIUS_MM, 3.0), (RADIUS_MM, -4.0), (RADIUS_MM, -DEPTH_MM))
FRUSTUM: Profile = ((15.0, 0.0), (12.0, -3.0), (9.0, -6.0))
FRUSTUM_FLOOR: Profile = ((9.0, -6.0), (0.0, -6.0))
CYLINDER_MM3 = np.pi * RADIUS_MM**2 * DEPTH_MM
FRUSTUM_MM3 = np.pi * 6 / 3 * (15**2 + 15 * 9 + 9**2)


def _sheet(samples: Samples) -> Sheet:
    sheet = sheet_of(samples, np.ones(len(samples.face), dtype=bool))
    assert sheet is not None
    return sheet


def _still(samples: Samples, sheet: Sheet) -> Floats:
    return moved_corners(sheet, samples, np.zeros(len(samples.face)))


def _cap(half_angle_rad: float, rings: int) -> tuple[Profile, Floats]:
    """A cap of a ball with its brim at nothing, and its exact normals."""
    angle = np.linspace(half_angle_rad, 0.0, rings)
    heights = RADIUS_MM * (np.cos(half_angle_rad) - np.cos(angle))
    profile = tuple(zip((RADIUS_MM * np.sin(angle)).tolist(), heights.tolist(), strict=True))
    return (*profile[:-1], (0.0, profile[-1][1])), np.column_stack([-np.sin(angle), np.cos(angle)])


@pytest.mark.parametrize(
    ("faces", "volume_mm3"),
    [((WALL, FLOOR), CYLINDER_MM3), ((TALL, FLOOR), CYLINDER_MM3), ((FRUSTUM, FRUSTUM_FLOOR), FRUSTUM_MM3)],
    ids=["cylinder", "cylinder cut at the plane", "frustum"],
)
@pytest.mark.parametrize("pose", [RigidTransform.identity(), POSE])
def test_the_volume_of_facets_is_that_of_the_prism_they_make(
    faces: tuple[Profile, ...], volume_mm3: float, pose: RigidTransform
) -> None:
    samples = hollow(faces, SEGMENTS, pose=pose)
    sheet = _sheet(samples)
    plane = CuttingPlane(pose.apply(np.zeros(3)), pose.turn(UP))
    found = filled(_still(samples, sheet), sheet.triangles, plane)
    assert found.volume_mm3 == pytest.approx(volume_mm3 * FACET_SHARE, rel=1e-10)
    assert found.brim_middle_mm == pytest.approx(pose.apply(np.zeros(3)), abs=1e-8)
    assert openings(_still(samples, sheet), sheet.triangles, plane, 1e-3) == ()


def test_a_box_holds_its_edges_product() -> None:
    """Four segments: a square of which the radius is half the diagonal."""
    samples = hollow((WALL, FLOOR), 4)
    sheet = _sheet(samples)
    assert filled(_still(samples, sheet), sheet.triangles, LEVEL).volume_mm3 == pytest.approx(200.0 * DEPTH_MM)


def test_a_cap_of_a_ball_holds_what_the_formula_says_once_the_facets_are_mended() -> None:
    """pi h^2 (3 R - h) / 3; what facets miss falls with their square, what is left after mending with the fourth."""
    profile, normals = _cap(np.pi / 3, 180)
    samples = hollow((profile,), SEGMENTS, normals=(normals,))
    sheet = _sheet(samples)
    bare = filled(_still(samples, sheet), sheet.triangles, LEVEL).volume_mm3
    depth = RADIUS_MM * (1 - np.cos(np.pi / 3))
    exact = np.pi * depth**2 * (3 * RADIUS_MM - depth) / 3
    assert bare == pytest.approx(exact, rel=2 * (1 - FACET_SHARE))
    assert bare != pytest.approx(exact, rel=1e-5)
    assert bare + hollow_between_samples(sheet, samples, LEVEL) == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize(("grown", "lower", "plane_mm"), [(0.3, 0.2, 0.0), (-0.2, 0.0, 0.5), (0.1, -0.1, -0.4)])
def test_moved_walls_meet_floor_and_plane_where_the_moved_faces_do(grown: float, lower: float, plane_mm: float) -> None:
    """Wall and floor move along their own normals by different amounts: their corner goes to where they meet."""
    samples = hollow((WALL, FLOOR), SEGMENTS)
    sheet = _sheet(samples)
    plane = CuttingPlane(np.array([0.0, 0.0, plane_mm]), UP)
    seam = Seam(brim_corners(_still(samples, sheet), sheet.triangles, LEVEL, 1e-3), plane.point_mm, UP)
    corners = moved_corners(sheet, samples, np.where(samples.face == 0, -grown, -lower), seam)
    found = filled(corners, sheet.triangles, plane)
    exact = np.pi * (RADIUS_MM + grown) ** 2 * (DEPTH_MM + lower + plane_mm) * FACET_SHARE
    assert found.volume_mm3 == pytest.approx(exact, rel=1e-9)
    assert found.depth_mm == pytest.approx(DEPTH_MM + lower + plane_mm)


@pytest.mark.parametrize("raised_mm", [0.4, -0.4])
def test_a_slanting_wall_goes_on_up_to_the_plane_the_way_it_slants(raised_mm: float) -> None:
    samples = hollow((FRUSTUM, FRUSTUM_FLOOR), SEGMENTS)
    sheet = _sheet(samples)
    plane = CuttingPlane(raised_mm * UP, UP)
    seam = Seam(brim_corners(_still(samples, sheet), sheet.triangles, LEVEL, 1e-3), plane.point_mm, UP)
    corners = moved_corners(sheet, samples, np.zeros(len(samples.face)), seam)
    top = 15.0 + raised_mm
    exact = np.pi * (6 + raised_mm) / 3 * (top**2 + top * 9 + 81) * FACET_SHARE
    assert filled(corners, sheet.triangles, plane).volume_mm3 == pytest.approx(exact, rel=1e-9)


def test_walls_without_their_floor_are_open_where_the_floor_is_missing() -> None:
    samples = hollow((WALL,), SEGMENTS)
    sheet = _sheet(samples)
    (rim,) = openings(_still(samples, sheet), sheet.triangles, LEVEL, 1e-3)
    assert rim.is_ring
    assert rim.below_mm == pytest.approx(DEPTH_MM)
    assert rim.middle_mm == pytest.approx([0.0, 0.0, -DEPTH_MM], abs=1e-9)


def test_an_opening_closed_flat_holds_what_a_flat_floor_does() -> None:
    samples = hollow((WALL,), SEGMENTS)
    sheet = _sheet(samples)
    corners = _still(samples, sheet)
    found = filled(*plugged(corners, sheet.triangles, openings(corners, sheet.triangles, LEVEL, 1e-3)), LEVEL)
    assert found.volume_mm3 == pytest.approx(CYLINDER_MM3 * FACET_SHARE, rel=1e-10)


def test_a_wall_that_ends_below_the_plane_is_open_by_that_much() -> None:
    samples = hollow((WALL, FLOOR), SEGMENTS)
    sheet = _sheet(samples)
    (rim,) = openings(_still(samples, sheet), sheet.triangles, CuttingPlane(0.5 * UP, UP), 1e-3)
    assert rim.below_mm == pytest.approx(0.5)
