"""The pieces of the search: rotations, shifts, look-up grid, many poses fitted at once, near symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from tests.support.parts import PARTS, plain_flange
from worker.aligning.candidates import (
    CorrelationVolume,
    SearchSettings,
    guessed_poses,
    guessed_rotations,
    uniform_rotations,
)
from worker.aligning.clouds import OrientationCloud, fitted_planes, lightened, nominal_cloud, thin_scan
from worker.aligning.clutter import is_in_company, is_possibly_part
from worker.aligning.poses import FitSchedule, Points, Poses, distinct, fitted
from worker.aligning.rivals import RivalSettings, settled
from worker.aligning.symmetry import SymmetrySettings, nearly_symmetric_motions
from worker.aligning.target import Target, target_of
from worker.records import Floats

PRIOR_PULL_DEG = 0.1  # the prior holds the scale a little towards 1, and the pose gives way


@pytest.fixture(scope="module")
def bracket() -> Target:
    return target_of(nominal_cloud(PARTS["bracket"](), sample_count=20_000), cell_count=400_000)


def poses_of(turn_rad: Floats, shift_mm: Floats, scale: float = 1.0) -> Poses:
    return Poses(Rotation.from_rotvec(turn_rad).as_matrix()[None], np.array([shift_mm]), np.array([scale]))


def angle_deg(rotations: Floats, truth: Floats) -> Floats:
    traces = np.einsum("bij,ij->b", rotations, truth)
    degrees: Floats = np.degrees(np.arccos(np.clip((traces - 1) / 2, -1, 1)))
    return degrees


def test_the_rotation_grid_leaves_no_large_gap() -> None:
    grid = uniform_rotations(9000)
    any_rotation = Rotation.random(300, rng=np.random.default_rng(0)).as_quat()
    nearest = np.abs(any_rotation @ grid.T).max(axis=1)
    assert np.degrees(2 * np.arccos(nearest)).max() < 14  # mean volume per rotation: 10.9 degrees across


def test_the_true_rotation_is_among_the_guesses(bracket: Target) -> None:
    truth = Rotation.random(rng=np.random.default_rng(1)).as_matrix()
    normals = bracket.grid.normals[::10]
    guesses = guessed_rotations(normals, normals @ truth, SearchSettings())
    assert angle_deg(guesses, truth).min() < 12


def test_correlation_finds_the_shift_to_a_cell(bracket: Target) -> None:
    settings = SearchSettings()
    volume = CorrelationVolume.of(bracket.grid.points_mm, settings)
    shift = np.array([31.0, -17.0, 8.0])
    scan = bracket.grid.points_mm[::9] - shift
    poses = guessed_poses(np.eye(3)[None], scan, volume, settings)
    assert len(poses) == settings.shifts_per_rotation
    assert np.abs(poses.shift_mm[0] - shift).max() < volume.cell_mm


def test_the_grid_names_a_sample_within_a_cell_of_the_nearest(bracket: Target) -> None:
    places = np.random.default_rng(2).uniform(-40, 40, (2000, 3))
    grid = bracket.grid
    least, _ = cKDTree(grid.points_mm).query(places)
    found = np.linalg.norm(grid.points_mm[grid.nearest(places)] - places, axis=1)
    assert (found - least).max() < 2 * np.sqrt(3) * grid.cell_mm


@pytest.mark.parametrize("scale", [1.0, 0.98])
def test_a_fit_finds_its_way_back_from_five_degrees(bracket: Target, scale: float) -> None:
    chosen = np.random.default_rng(3).permutation(len(bracket.grid.points_mm))[:900]
    truth = poses_of(np.array([0.3, -0.2, 0.9]), np.array([2.0, 1.0, -3.0]), scale)
    scan = Points(truth.taken_back(bracket.grid.points_mm[chosen])[0], bracket.grid.normals[chosen] @ truth.rotation[0])
    off = poses_of(np.array([0.3, -0.2, 0.9]) + 0.05, np.array([4.0, -1.0, -1.0]))
    schedule = FitSchedule(reaches_mm=(10.0, 8.0, 6.0, 4.0, 3.0, 2.0, 1.0, 1.0), scale_sigma=0.01)
    found = fitted(off, scan, bracket.exact_pairs, schedule)
    assert angle_deg(found.rotation, truth.rotation[0])[0] < PRIOR_PULL_DEG
    assert found.scale[0] == pytest.approx(scale, abs=1e-3)


def test_poses_that_lay_the_box_alike_count_once(bracket: Target) -> None:
    apart = np.array([[0, 0, 0], [0, 0, 0.001], [0, 0, np.pi]])
    poses = Poses(Rotation.from_rotvec(apart).as_matrix(), np.zeros((3, 3)), np.ones(3))
    assert distinct(poses, bracket, 0.01).tolist() == [0, 2]


def test_exact_and_quick_distances_agree_near_a_flat_face(bracket: Target) -> None:
    above = np.array([[[60.0, 30.0, 8.0 + height] for height in (0.0, 0.5, 1.0)]]) - bracket.centre_mm
    assert bracket.quick_pairs(above).distance_mm[0] == pytest.approx([0.0, 0.5, 1.0], abs=1e-6)
    assert bracket.exact_pairs(above).distance_mm[0] == pytest.approx([0.0, 0.5, 1.0], abs=1e-9)


def test_the_turns_of_an_eight_hole_flange_are_among_its_near_symmetries() -> None:
    target = target_of(nominal_cloud(plain_flange(), sample_count=20_000), cell_count=400_000)
    motions = nearly_symmetric_motions(target, SymmetrySettings())
    about_axis = Rotation.from_rotvec(np.array([[0, 0, np.radians(angle)] for angle in (45, 90, 135, 180)]))
    for truth in about_axis.as_matrix():
        assert angle_deg(motions.rotation, truth).min() < 1.6  # half the step


@pytest.mark.parametrize("count", [3_000, 100_000])
def test_strays_are_lonely_and_surface_is_not(count: int) -> None:
    rng = np.random.default_rng(7)
    surface = np.column_stack([rng.uniform(0, 200, (count, 2)), np.zeros(count)])
    strays = rng.uniform([0, 0, 20], [200, 200, 200], (count // 50, 3))
    kept = is_in_company(np.concatenate([surface, strays]))
    assert kept[:count].mean() > 0.999
    assert kept[count:].mean() < 0.1


def test_surface_beside_a_far_denser_patch_is_kept() -> None:
    rng = np.random.default_rng(8)
    patch = np.column_stack([rng.uniform(0, 10, (40_000, 2)), np.zeros(40_000)])
    rest = np.column_stack([rng.uniform(0, 200, (10_000, 2)), np.zeros(10_000)])
    assert is_in_company(np.concatenate([patch, rest])).mean() > 0.99


def test_a_shaft_is_turned_to_its_keyway() -> None:
    target = target_of(nominal_cloud(PARTS["stepped_shaft"]()), cell_count=400_000)
    evidence = np.random.default_rng(9).permutation(target.grid.points_mm)
    off = poses_of(np.array([0.0, 0.0, np.radians(3.0)]), np.zeros(3))
    found = settled(off, evidence, target, 0.01, RivalSettings())
    assert angle_deg(found.rotation, np.eye(3))[0] < 0.1


def test_a_table_is_set_aside_and_the_part_kept() -> None:
    rng = np.random.default_rng(4)
    table = np.column_stack([rng.uniform(-100, 100, (1500, 2)), np.zeros(1500)])
    ball = rng.normal(size=(500, 3))
    ball = 20 * ball / np.linalg.norm(ball, axis=1)[:, None] + [0, 0, 21]
    points = np.concatenate([table, ball])
    normals = np.concatenate([np.tile([0.0, 0.0, 1.0], (1500, 1)), (ball - [0, 0, 21]) / 20])
    kept = is_possibly_part(points, normals, diagonal_mm=70.0, flat_mm=0.5)
    assert not kept[:1500].any()
    assert kept[1500:].mean() > 0.99


def test_planes_fitted_to_a_noisy_plane_find_it_and_its_noise() -> None:
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(0, 20, (2000, 2)), rng.normal(0, 0.01, 2000)])
    planes = fitted_planes(points, points[:200])
    assert np.abs(planes.normals[:, 2]).min() > 0.999
    assert np.median(planes.scatter_mm) == pytest.approx(0.01, rel=0.1)


def test_normals_that_contradict_the_points_are_not_used() -> None:
    rng = np.random.default_rng(6)
    points = np.column_stack([rng.uniform(0, 20, (2000, 2)), np.zeros(2000)])
    wrong = np.tile([1.0, 0.0, 0.0], (2000, 1))
    thin = thin_scan(OrientationCloud(points, wrong), dense_count=1000, sparse_count=200)
    assert np.abs(thin.sparse_normals[:, 2]).min() > 0.99


@pytest.mark.parametrize(("count", "kept"), [(10, 10), (11, 6), (30, 10), (31, 8)])
def test_a_huge_scan_is_lightened_evenly(count: int, kept: int) -> None:
    points = np.arange(3.0 * count).reshape(-1, 3)
    light = lightened(OrientationCloud(points, points), 10)
    assert len(light.points_mm) == kept
    assert light.normals is not None
    assert np.array_equal(light.points_mm, light.normals)


def test_nominal_samples_share_the_area_fairly() -> None:
    cloud = nominal_cloud(PARTS["bracket"](), sample_count=10_000)
    on_base = (np.abs(cloud.points_mm[:, 2]) < 1e-9).mean()
    area = sum(face.area_mm2 for face in PARTS["bracket"]().faces)
    base_mm2 = 95 * 64 - np.pi * (2 * 4.5**2 + 3.3**2)  # closed form: base plate less its three holes
    assert on_base == pytest.approx(base_mm2 / area, abs=2e-3)
