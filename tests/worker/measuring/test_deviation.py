from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.shapes import block, bored_block, deviation_of, facing, inner, moved, scan_of
from worker.measuring.pairing import BEYOND_EDGE, FACES_AWAY, FAR
from worker.measuring.samples import sample_nominal
from worker.measuring.scan_points import spacing_of
from worker.measuring.strays import ALONE
from worker.records import Bools, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

UP, DOWN = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0)
EXACT_MM = 1e-6
PLATE = (60.0, 40.0, 2.0)


@pytest.mark.parametrize("shift_mm", [0.3, 1.2, -1.2])
def test_a_displaced_thin_plate_reads_its_shift_on_both_faces(shift_mm: float) -> None:
    plate = block(PLATE)
    samples, found = deviation_of(plate, moved(scan_of(plate, 60_000, 1), (0.0, 0.0, shift_mm)))
    for direction, truth in ((UP, shift_mm), (DOWN, -shift_mm)):
        read = found.distance_mm[facing(samples, direction) & found.is_measured]
        assert len(read) > 0.98 * facing(samples, direction).sum()
        assert np.abs(read - truth).max() < EXACT_MM


def test_a_displaced_plate_scanned_as_twelve_triangles_reads_the_same() -> None:
    plate = block(PLATE)
    scan = Scan(plate.vertices_mm + np.array([0.0, 0.0, 1.2]), None, plate.triangles, "mm", 0.0)
    samples, found = deviation_of(plate, scan)
    top = facing(samples, UP)
    assert found.is_measured[top].all()
    assert np.abs(found.distance_mm[top] - 1.2).max() < EXACT_MM


def test_without_normals_a_plate_that_moved_over_half_its_wall_is_not_measured_rather_than_misread() -> None:
    plate = block(PLATE)
    scan = replace(moved(scan_of(plate, 60_000, 1), (0.0, 0.0, 1.2)), normals=None)
    samples, found = deviation_of(plate, scan)
    faces = (facing(samples, UP) | facing(samples, DOWN)) & inner(samples, 3.0)
    assert not found.is_facing_known
    assert (found.is_measured & faces).sum() < 0.15 * faces.sum()


def test_without_normals_a_small_shift_is_still_read() -> None:
    plate = block(PLATE)
    scan = replace(moved(scan_of(plate, 60_000, 1), (0.0, 0.0, 0.2)), normals=None)
    samples, found = deviation_of(plate, scan)
    top = facing(samples, UP) & inner(samples, 3.0) & found.is_measured
    assert top.sum() > 0.9 * (facing(samples, UP) & inner(samples, 3.0)).sum()
    assert np.median(found.distance_mm[top]) == pytest.approx(0.2, abs=EXACT_MM)


def test_a_bore_is_measured_to_its_true_cylinder_not_its_facets() -> None:
    nominal = bored_block((40.0, 30.0, 20.0), 6.0, segments=32)  # chords lie 0.029 mm inside
    turn = np.random.default_rng(3).uniform(0, 2 * np.pi, 20_000)
    outward = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(20_000)])
    height = np.random.default_rng(4).uniform(0.5, 19.5, (20_000, 1)) * [0.0, 0.0, 1.0]
    samples, found = deviation_of(nominal, Scan(6.1 * outward + height, -outward, None, "mm", 0.0))
    bore = (samples.face == 6) & found.is_measured
    assert bore.sum() > 100
    assert np.abs(found.distance_mm[bore] + 0.1).max() < EXACT_MM  # a larger bore is missing material


def test_a_dense_patch_does_not_outvote_a_thin_one() -> None:
    plate = block((60.0, 40.0, 20.0))
    thin, dense = scan_of(plate, 40_000, 1), scan_of(plate, 40_000, 2)
    left = dense.points_mm[:, 0] < 5.0
    points = np.concatenate([thin.points_mm, np.repeat(dense.points_mm[left], 10, axis=0)])
    normals = np.concatenate([thin.normals, np.repeat(dense.normals[left], 10, axis=0)])  # type: ignore[index]  # scan_of gives normals
    points[:, 2] += 0.2 * points[:, 0] / 60.0 * normals[:, 2]  # a ramp, zero at the dense end
    samples, found = deviation_of(plate, Scan(points, normals, None, "mm", 0.0))
    top = facing(samples, UP) & found.is_measured
    mean = np.average(found.distance_mm[top], weights=samples.area_mm2[top])
    assert mean == pytest.approx(0.1, abs=0.002)


def test_a_hole_in_the_scan_stays_unmeasured() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 60_000, 1)
    kept = np.hypot(scan.points_mm[:, 0] - 30.0, scan.points_mm[:, 1] - 20.0) > 8.0
    samples, found = deviation_of(plate, _only(scan, kept))
    gap = np.hypot(samples.points_mm[:, 0] - 30.0, samples.points_mm[:, 1] - 20.0)
    top = facing(samples, UP)
    assert not found.is_measured[top & (gap < 7.0)].any()
    assert found.is_measured[top & (gap > 8.5)].mean() > 0.99


def test_gaps_between_sparse_points_are_closed() -> None:
    plate = block((60.0, 40.0, 20.0))
    _, found = deviation_of(plate, scan_of(plate, 4_000, 1))
    assert found.is_measured.mean() > 0.97
    assert np.abs(found.distance_mm).max() < EXACT_MM


def test_noise_and_standard_errors_are_those_planted() -> None:
    plate = block((60.0, 40.0, 20.0))
    samples, found = deviation_of(plate, scan_of(plate, 120_000, 1, noise_mm=0.02))
    assert found.noise_sigma_mm == pytest.approx(0.02, rel=0.03)
    well = found.is_measured & (found.point_count >= 2) & inner(samples, 1.0)
    ratio = found.distance_mm[well] / found.sigma_mm[well]
    assert np.std(ratio) == pytest.approx(1.0, abs=0.15)


def test_outliers_do_not_pull_the_map() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 120_000, 1, noise_mm=0.01)
    spoiled = scan.points_mm.copy()
    spoiled[::50] += 0.8 * scan.normals[::50]  # type: ignore[index]  # scan_of gives normals
    _, found = deviation_of(plate, replace(scan, points_mm=spoiled))
    well = found.is_measured & (found.point_count >= 3)
    assert np.percentile(np.abs(found.distance_mm[well]), 99.0) < 0.1


def test_a_lone_wrong_point_does_not_make_a_place_of_its_own() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 20_000, 1, noise_mm=0.01)
    spoiled = scan.points_mm.copy()
    lone = np.flatnonzero((spoiled[:, 2] > 19.9) & (np.hypot(spoiled[:, 0] - 30.0, spoiled[:, 1] - 20.0) < 10.0))[::40]
    spoiled[lone, 2] -= 1.2
    _, found = deviation_of(plate, replace(scan, points_mm=spoiled))
    assert len(lone) > 3
    assert np.abs(found.distance_mm).max() < 0.1


def test_clutter_is_set_aside_and_counted_by_reason() -> None:
    plate = block((60.0, 40.0, 20.0))
    scan = scan_of(plate, 20_000, 1)
    table = np.column_stack([np.random.default_rng(2).uniform(0, 60, (500, 2)), np.full(500, 50.0)])
    backs = np.array([[30.0, 20.0, 20.3]]).repeat(40, axis=0)
    over = np.array([[60.3, 20.0, 20.3]]).repeat(30, axis=0)
    points = np.concatenate([scan.points_mm, table, backs, over])
    slanted = np.array([[np.sqrt(0.5), 0.0, np.sqrt(0.5)]]).repeat(30, axis=0)
    extra = np.concatenate([np.tile(UP, (500, 1)), np.tile([1.0, 0.0, 0.0], (40, 1)), slanted])
    _, found = deviation_of(plate, Scan(points, np.concatenate([scan.normals, extra]), None, "mm", 0.0))
    assert found.set_aside == {FAR: 500, FACES_AWAY: 40, BEYOND_EDGE: 30, ALONE: 0}
    assert (found.scan_triangle == -1).sum() == 570


def test_a_point_over_an_edge_does_not_pair_with_a_face_far_below() -> None:
    plate = block((60.0, 40.0, 4.0))
    step = Scan(np.array([[60.05, 20.0, 3.5]]).repeat(50, axis=0), np.tile(UP, (50, 1)), None, "mm", 0.0)
    _, found = deviation_of(plate, step)
    assert not found.is_measured.any()


def test_far_from_the_origin_the_map_is_the_same() -> None:
    offset = np.array([1e5, -1e5, 1e5])
    here = block((60.0, 40.0, 20.0))
    there = block((60.0, 40.0, 20.0), (1e5, -1e5, 1e5))
    scan = scan_of(here, 20_000, 1, noise_mm=0.02)
    near, far = deviation_of(here, scan)[1], deviation_of(there, moved(scan, tuple(offset)))[1]
    assert np.array_equal(near.is_measured, far.is_measured)
    assert np.abs(near.distance_mm - far.distance_mm).max() < EXACT_MM


def test_pose_is_applied_and_inputs_stay_as_they_were() -> None:
    plate = block((60.0, 40.0, 20.0))
    pose = RigidTransform.from_rotation_vector(np.array([0.3, -0.2, 0.9]), np.array([10.0, 20.0, -30.0]))
    scan = scan_of(plate, 20_000, 1)
    away = Scan(pose.inverse().apply(scan.points_mm), pose.inverse().turn(scan.normals), None, "mm", 0.0)  # type: ignore[arg-type]  # scan_of gives normals
    away.points_mm.setflags(write=False)
    samples = sample_nominal(plate)
    surface = SurfaceQuery(plate.vertices_mm, plate.triangles)
    from worker.measuring.deviation import measure_deviation  # noqa: PLC0415  the one test that passes a pose

    found = measure_deviation(plate, samples, away, pose, surface=surface)
    assert np.abs(found.distance_mm).max() < EXACT_MM


def test_a_scan_out_of_reach_measures_nothing() -> None:
    plate = block((60.0, 40.0, 20.0))
    _, found = deviation_of(plate, moved(scan_of(plate, 1_000, 1), (0.0, 0.0, 500.0)))
    assert not found.is_measured.any()
    assert found.set_aside[FAR] == 1_000


@pytest.mark.parametrize("count", [4_000, 64_000])
def test_spacing_of_scattered_points_follows_their_number(count: int) -> None:
    plate = block((60.0, 40.0, 20.0))
    assert spacing_of(scan_of(plate, count, 1).points_mm) == pytest.approx(np.sqrt(8800.0 / count), rel=0.3)


def _only(scan: Scan, kept: Bools) -> Scan:
    return replace(scan, points_mm=scan.points_mm[kept], normals=None if scan.normals is None else scan.normals[kept])
