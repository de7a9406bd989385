"""Walls against closed forms (derived by plane geometry; the sphere is tangent to both skins)."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tests.support.shapes import COARSE, block, deviation_of, facing, inner, scan_of, tube, wedge
from worker.measuring.samples import sample_nominal
from worker.measuring.spots import default_spot_limit_mm
from worker.measuring.thickness import ThicknessSettings, measure_thickness, nominal_thickness, piece_thickness
from worker.records import Bools, Face, Floats, Nominal, Samples, SurfaceKind, Thickness
from worker.surface import SurfaceQuery

UP = (0.0, 0.0, 1.0)
OUTER_MM, BORE_MM, OFFSET_MM = 20.0, 15.0, 2.0
FACET_MM = 0.004  # 720 sides: sagitta R (1 - cos(pi / 720)) = 2e-4, and the normal's tilt of pi / 720 over a 7 mm wall


def _walls(nominal: Nominal) -> tuple[Samples, Thickness]:
    samples = sample_nominal(nominal, settings=COARSE)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    return samples, measure_thickness(samples, surface, None, spot_limit_mm=None)


def _at(samples: Samples, face: int, angle_deg: float, centre_mm: float) -> Bools:
    angle = np.degrees(np.arctan2(samples.points_mm[:, 1], samples.points_mm[:, 0] - centre_mm))
    height = samples.points_mm[:, 2]
    is_middle = np.abs(height - height.max() / 2) < 0.3 * height.max()
    return np.asarray((samples.face == face) & (np.abs(angle - angle_deg) < 0.05) & is_middle)


@pytest.fixture(scope="module")
def eccentric() -> tuple[Samples, Thickness]:
    return _walls(tube(OUTER_MM, BORE_MM, 14.0, offset_mm=OFFSET_MM))


@pytest.mark.parametrize(
    ("angle_deg", "ray_mm", "sphere_mm"),
    [(0, 3, 3), (45, 3.535724, 3.530863), (90, 4.899749, 4.885714), (135, 6.364151, 6.354665), (180, 7, 7)],
)
def test_eccentric_bore_from_the_bore(
    eccentric: tuple[Samples, Thickness], angle_deg: float, ray_mm: float, sphere_mm: float
) -> None:
    samples, walls = eccentric
    here = _at(samples, 1, angle_deg, OFFSET_MM)
    assert (walls.has_ray & walls.has_sphere)[here].any()
    assert np.abs(walls.ray_mm[here] - ray_mm).max() < FACET_MM
    assert np.abs(walls.sphere_mm[here & walls.has_sphere] - sphere_mm).max() < FACET_MM


@pytest.mark.parametrize(
    ("angle_deg", "ray_mm", "sphere_mm"),
    [(0, 3, 3), (45, 3.652602, 3.645335), (90, 5.133931, 5.114286), (135, 6.481029, 6.469137), (180, 7, 7)],
)
def test_eccentric_bore_from_the_outside(
    eccentric: tuple[Samples, Thickness], angle_deg: float, ray_mm: float, sphere_mm: float
) -> None:
    samples, walls = eccentric
    here = _at(samples, 0, angle_deg, 0.0)
    assert np.abs(walls.ray_mm[here] - ray_mm).max() < FACET_MM
    assert np.abs(walls.sphere_mm[here & walls.has_sphere] - sphere_mm).max() < FACET_MM


def test_a_plate_is_as_thick_as_it_is_and_its_rims_are_masked() -> None:
    samples, walls = _walls(block((60.0, 40.0, 5.0)))
    top = facing(samples, UP)
    assert walls.has_ray[top].all()
    assert np.abs(walls.ray_mm[top] - 5.0).max() < 1e-9
    assert walls.has_sphere[top & inner(samples, 2.6)].all()
    assert np.abs(walls.sphere_mm[top & walls.has_sphere] - 5.0).max() < 5e-3  # ball tolerance 1e-3 of its radius
    assert not walls.has_sphere[top & ~inner(samples, 2.0)].any()


@pytest.mark.parametrize("half_angle_deg", [5.0, 10.0, 20.0])
def test_wedge_by_ray_and_by_sphere(half_angle_deg: float) -> None:
    alpha = np.radians(half_angle_deg)
    samples, walls = _walls(wedge(40.0, 2 * alpha, 30.0))
    along, aside = samples.points_mm[:, 0], samples.points_mm[:, 2]
    here = (samples.face == 0) & (along > 5) & (along < 15) & (np.abs(aside - 15.0) < 6)
    assert (walls.has_ray & walls.has_sphere)[here].all()
    assert np.abs(walls.ray_mm - along * np.tan(2 * alpha))[here].max() < 5e-3
    assert np.abs(walls.sphere_mm - 2 * along * np.tan(alpha))[here].max() < 5e-3


def test_a_ball_is_as_thick_as_its_diameter_and_quick_to_measure() -> None:
    _, walls = _walls(_free(trimesh.creation.icosphere(4, 10.0)))
    assert np.abs(walls.ray_mm - 20.0).max() < 0.03  # sagitta of its 4 degree facets at both ends
    assert walls.has_sphere.mean() > 0.8
    assert np.abs(walls.sphere_mm[walls.has_sphere] - 20.0).max() < 0.05


@pytest.mark.parametrize("noise_mm", [0.005, 0.03])
def test_a_noisy_tube_reads_its_wall_within_two_percent(noise_mm: float) -> None:
    clean = tube(13.0, 10.0, 8.0, segments=420)
    radial = np.linalg.norm(clean.vertices_mm[:, :2], axis=1)
    grown = 1 + np.random.default_rng(1).normal(scale=noise_mm, size=len(radial)) / radial
    vertices = clean.vertices_mm * np.column_stack([grown, grown, np.ones(len(radial))])
    noisy = Nominal(vertices, clean.triangles, clean.triangle_face, clean.faces, None, None, None, True)
    samples, walls = _walls(noisy)
    here = (samples.face < 2) & (np.abs(samples.points_mm[:, 2] - 4.0) < 3.0)
    assert walls.has_ray[here].all()
    own_noise = 3 * np.sqrt(2) * noise_mm  # both skins at that place
    assert np.median(walls.ray_mm[here]) == pytest.approx(3.0, rel=0.002)
    assert np.percentile(np.abs(walls.ray_mm[here] - 3.0), 99) < max(0.06, own_noise)
    assert walls.ray_mm[here].min() > 3.0 - 0.06 - 1.6 * own_noise


@pytest.mark.parametrize(("shift_mm", "actual_mm"), [(0.4, 5.4), (-0.4, 4.6)])
def test_the_wall_of_the_piece_is_nominals_and_both_deviations(shift_mm: float, actual_mm: float) -> None:
    plate = block((60.0, 40.0, 5.0))
    scan = scan_of(plate, 60_000, 1)
    points = scan.points_mm.copy()
    points[points[:, 2] > 4.9999, 2] += shift_mm
    samples, found = deviation_of(plate, type(scan)(points, scan.normals, None, "mm", 0.0))
    surface = SurfaceQuery(plate.vertices_mm, plate.triangles)
    walls = measure_thickness(samples, surface, found, spot_limit_mm=5.0)
    ends = (np.abs(samples.normals[:, 2]) > 0.99) & inner(samples, 1.0)
    assert walls.is_actual_measured[ends].mean() > 0.99
    assert np.abs(walls.actual_mm[ends & walls.is_actual_measured] - actual_mm).max() < 1e-6
    assert len(walls.spots) == (1 if actual_mm < 5.0 else 0)


def test_walls_of_nominal_found_once_serve_every_piece() -> None:
    plate = block((60.0, 40.0, 5.0))
    samples, found = deviation_of(plate, scan_of(plate, 20_000, 1))
    surface, settings = SurfaceQuery(plate.vertices_mm, plate.triangles), ThicknessSettings()
    nominal = nominal_thickness(samples, surface, settings)
    for piece in (found, None):
        apart = piece_thickness(samples, nominal, piece, spot_limit_mm=None, settings=settings)
        whole = measure_thickness(samples, surface, piece, spot_limit_mm=None)
        assert apart.actual_mm.tobytes() == whole.actual_mm.tobytes()
        assert apart.is_actual_measured.any() == (piece is not None)


def test_a_wall_seen_from_one_side_only_has_no_actual_thickness() -> None:
    plate = block((60.0, 40.0, 5.0))
    samples, found = deviation_of(plate, scan_of(plate, 20_000, 1, face=np.array([5])))
    walls = measure_thickness(samples, SurfaceQuery(plate.vertices_mm, plate.triangles), found, spot_limit_mm=None)
    assert found.is_measured.any()
    assert not walls.is_actual_measured[np.abs(samples.normals[:, 2]) > 0.9].any()


def test_a_thin_place_is_one_spot_with_both_ends_and_its_area() -> None:
    plate = block((60.0, 40.0, 5.0))
    scan = scan_of(plate, 120_000, 1, noise_mm=0.01)
    points = scan.points_mm.copy()
    sunk = (points[:, 2] > 4.9) & (np.hypot(points[:, 0] - 20.0, points[:, 1] - 20.0) < 5.0)
    points[sunk, 2] -= 1.0
    samples, found = deviation_of(plate, type(scan)(points, scan.normals, None, "mm", 0.0))
    walls = measure_thickness(samples, SurfaceQuery(plate.vertices_mm, plate.triangles), found, spot_limit_mm=4.5)
    assert len(walls.spots) == 1
    spot = walls.spots[0]
    assert spot.least_mm == pytest.approx(4.0, abs=0.05)
    assert spot.nominal_mm == pytest.approx(5.0, abs=1e-6)
    assert spot.area_mm2 == pytest.approx(np.pi * 25.0, rel=0.1)
    assert np.linalg.norm(spot.point_mm[:2] - [20.0, 20.0]) < 5.5
    assert sorted([spot.point_mm[2], spot.opposite_point_mm[2]]) == pytest.approx([0.0, 5.0], abs=1e-3)


def test_a_plate_of_even_wall_has_a_thinnest_place_too() -> None:
    _, walls = _walls(block((60.0, 40.0, 5.0)))
    assert walls.spot_limit_mm == pytest.approx(5.0, rel=1e-5)
    assert "thinnest 5%" in walls.spot_limit_source
    assert [spot.least_mm for spot in walls.spots] == pytest.approx([5.0], abs=1e-6)


def test_walls_far_below_the_median_are_thin() -> None:
    samples, _ = _walls(block((60.0, 40.0, 5.0)))
    wall_mm = np.where(np.arange(len(samples.face)) % 10 == 0, 3.0, 10.0)
    limit_mm, source = default_spot_limit_mm(samples, wall_mm, np.ones(len(wall_mm), dtype=np.bool_), 0.6)
    assert limit_mm == pytest.approx(6.0)
    assert "median wall" in source


def _free(mesh: trimesh.Trimesh) -> Nominal:
    vertices: Floats = np.array(mesh.vertices, dtype=np.float64)
    triangles = np.array(mesh.faces, dtype=np.int64)
    face = Face(0, SurfaceKind.FREEFORM, float(mesh.area))
    return Nominal(vertices, triangles, np.zeros(len(triangles), dtype=np.int64), (face,), None, None, None, True)


def test_a_displaced_bore_is_told_by_its_mean_wall_and_half_its_range(eccentric: tuple[Samples, Thickness]) -> None:
    """R_o 20, R_i 15, e 2: the mean of the ray over the bore's angle 4.949906, half of largest less least is e."""
    samples, walls = eccentric
    bore = (samples.face == 1) & walls.has_ray & (np.abs(samples.points_mm[:, 2] - 7.0) < 4.0)
    mean = np.average(walls.ray_mm[bore], weights=samples.area_mm2[bore])
    assert mean == pytest.approx(4.949906, abs=FACET_MM)
    assert np.ptp(walls.ray_mm[bore]) / 2 == pytest.approx(OFFSET_MM, abs=FACET_MM)
