"""Walls of nominal against closed forms."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from tests.support.walls import drilled, region_by, sampled
from worker.records import Face, Nominal, SurfaceKind
from worker.walls.between import least_nominal, piece_lines, wall_lines
from worker.walls.skins import Skin, nominal_skin

CASES = [  # shape, two regions, least wall
    ("parallel", "one", "other", 3.0),
    ("skew", "one", "other", 2.0),
    ("ball", "one", "top", 2.5),
    ("tube", "one", "outside", 3.0),
    ("plate", "top", "bottom", 5.0),
]


@lru_cache(maxsize=24)
def _skin(nominal: Nominal, name: str) -> Skin:
    samples = sampled(nominal)
    found = nominal_skin(region_by(nominal, samples, name).is_member, nominal, samples)
    assert found is not None
    return found


@pytest.mark.parametrize(("kind", "near", "far", "wall"), CASES)
@pytest.mark.parametrize("is_turned", [False, True])
def test_least_wall_of_exact_faces_is_right_to_a_millionth_from_either_side(
    *, kind: str, near: str, far: str, wall: float, is_turned: bool
) -> None:
    """Closed forms: distance of axes, of middle and plane, less the radii; of eccentric bores R_o - R_i - e."""
    nominal = drilled(kind)
    skins = (_skin(nominal, far), _skin(nominal, near)) if is_turned else (_skin(nominal, near), _skin(nominal, far))
    samples = sampled(nominal)
    found = least_nominal(wall_lines(*skins), skins, samples)
    assert found is not None
    assert found.wall_mm == pytest.approx(wall, abs=1e-6)
    assert found.is_exact
    assert np.linalg.norm(found.near_mm - found.far_mm) == pytest.approx(wall, abs=1e-6)


@pytest.mark.parametrize(("angle_deg", "wall"), [(0, 3.0), (45, 3.639513), (90, 5.099751), (135, 6.460861), (180, 7.0)])
def test_nearest_distance_from_the_outside_of_eccentric_bores(angle_deg: float, wall: float) -> None:
    """R_o 20, R_i 15, e 2: the root of R_o^2 + e^2 - 2 e R_o cos a, less R_i; worked from the closed form."""
    nominal = drilled("tube")
    far = _skin(nominal, "one")
    angle = np.radians(angle_deg)
    found = far.nearest(np.array([[20 * np.cos(angle), 20 * np.sin(angle), 0.0]]))
    assert found.wall_mm[0] == pytest.approx(wall, abs=1e-6)
    assert found.is_exact.all()


def test_every_sample_of_the_map_has_its_closed_form() -> None:
    nominal = drilled("tube")
    near = _skin(nominal, "outside")
    lines = wall_lines(near, _skin(nominal, "one"))
    angle = np.arctan2(near.points_mm[:, 1], near.points_mm[:, 0])
    assert lines.wall_mm == pytest.approx(np.sqrt(20**2 + 2**2 - 80 * np.cos(angle)) - 15, abs=1e-6)
    assert lines.is_wall.all()


def test_faces_of_a_mesh_stay_facets_and_miss_by_no_more_than_their_chord() -> None:
    exact = drilled("parallel")
    faces = tuple(Face(face.index, SurfaceKind.FREEFORM, face.area_mm2, name=face.name) for face in exact.faces)
    nominal = replace(exact, faces=faces)
    skins = _skin(nominal, "one"), _skin(nominal, "other")
    found = least_nominal(wall_lines(*skins), skins, sampled(nominal))
    assert found is not None
    assert exact.chord_tolerance_mm is not None
    assert not found.is_exact
    assert 0 <= found.wall_mm - 3.0 <= 2 * exact.chord_tolerance_mm


def test_lines_through_air_are_no_walls() -> None:
    nominal = drilled("slot")
    assert not wall_lines(_skin(nominal, "left"), _skin(nominal, "right")).is_wall.any()


def test_a_region_of_no_triangle_has_no_skin() -> None:
    nominal = drilled("plate")
    samples = sampled(nominal)
    member = np.zeros(len(samples.face), dtype=bool)
    member[0] = True
    assert nominal_skin(member, nominal, samples) is None


def test_another_side_that_becomes_the_nearer_one_is_no_skin_passed() -> None:
    """A bore midway between two outer faces, one of them 1.5 mm low: for some samples it is now the nearer one."""
    nominal = drilled("parallel")
    samples = sampled(nominal)
    sides = nominal_skin(np.isclose(np.abs(samples.points_mm[:, 1]), 20.0), nominal, samples)
    bore = _skin(nominal, "one")
    assert sides is not None
    off = np.where(sides.normals[:, 1] > 0, -1.5, 0.0)
    plain = wall_lines(bore, sides)
    level = sides.points_mm + off[:, None] * sides.normals
    found = piece_lines(bore, replace(sides, off_mm=off, calm_mm=off, level_mm=level), plain)
    assert (np.sign(found.far_mm[:, 1]) != np.sign(plain.far_mm[:, 1])).any()
    assert found.wall_mm.min() == pytest.approx(20.0 - 1.5 - 6.0, abs=0.01)
