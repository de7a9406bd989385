"""Pictures drawn without a graphics card, against closed forms."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest

from worker.records import Floats
from worker.reporting.colors import CUT, EXCESS, INSIDE, MISSING, NOT_MEASURED, deviation_colors
from worker.reporting.scene import Scene
from worker.reporting.stills import (
    OVERSAMPLING,
    Camera,
    deviation_painter,
    frame_for,
    picture,
    png_bytes,
    visible,
)
from worker.reporting.view import ViewMesh

FRONT = Camera(np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))


def two_sheets(deviation: Floats) -> ViewMesh:
    """A square of 10 mm at y = 0 and a larger one of 20 mm behind it at y = 5, both facing -y."""
    corner = np.array([[-1, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1]], dtype=np.float64)
    points = np.concatenate([5 * corner, 10 * corner + [0, 5, 0]])
    normals = np.tile([0.0, -1.0, 0.0], (8, 1))
    triangles = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]])
    yes, zero = np.ones(8, dtype=np.bool_), np.zeros(8)
    return ViewMesh(
        points,
        normals,
        np.repeat([0, 1], 4),
        triangles,
        np.zeros((0, 2), dtype=np.int64),
        deviation,
        yes,
        zero,
        zero,
        ~yes,
        ~yes,
        np.arange(8),
    )


def test_nearer_surface_hides_the_farther() -> None:
    mesh = two_sheets(np.zeros(8))
    frame = frame_for(mesh.points_mm, FRONT, 400, 400)
    seen = visible(mesh, frame)
    near = int((seen.triangle < 2).sum())
    assert near / len(seen.triangle) == pytest.approx(0.25, abs=0.005)
    assert len(seen.triangle) * frame.mm_per_pixel**2 == pytest.approx(400.0, rel=0.01)


def test_cut_takes_away_what_lies_before_it() -> None:
    mesh = two_sheets(np.zeros(8))
    camera = Camera(FRONT.toward_eye, FRONT.up, np.array([0.0, -1.0, 0.0]), -1.0)
    seen = visible(mesh, frame_for(mesh.points_mm, camera, 200, 200))
    assert (seen.triangle >= 2).all()


def test_value_at_a_pixel_is_interpolated() -> None:
    mesh = two_sheets(np.arange(8.0))
    ramp = mesh.points_mm[:, 0]
    seen = visible(mesh, frame_for(mesh.points_mm, FRONT, 300, 300))
    frame = frame_for(mesh.points_mm, FRONT, 300, 300)
    expected = (seen.column + 0.5) * frame.mm_per_pixel + frame.origin[0]
    np.testing.assert_allclose(seen.of(ramp), expected, atol=1e-9)


def test_place_is_found_where_it_shows_and_not_where_it_is_hidden() -> None:
    mesh = two_sheets(np.zeros(8))
    still = picture(mesh, frame_for(mesh.points_mm, FRONT, 400, 400), deviation_painter(0.1))
    at = still.find(np.array([0.0, 0.0, 0.0]), 0.1)
    assert at == (still.width / 2, still.height / 2)
    assert still.find(np.array([0.0, 5.0, 0.0]), 0.1) is None


def test_unmeasured_surface_never_shows_a_map_colour(scene: Scene) -> None:
    below = Camera(np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]))
    still = picture(scene.mesh, frame_for(scene.mesh.points_mm, below, 900, 900), deviation_painter(0.15))
    at = still.frame.project(np.array([[100.0, 60.0, 0.0]]))[0][0] / OVERSAMPLING
    assert still.find(np.array([100.0, 60.0, 0.0]), 1.0) is None  # the bore is open: nothing there
    assert np.all(still.pixels[int(at[1]), int(at[0])] == 255)


def test_colours_start_where_the_tolerance_ends() -> None:
    found = deviation_colors(np.array([-0.11, -0.099, 0.0, 0.099, 0.11, 0.9, -0.9]), 0.1)
    expected = [MISSING[0], INSIDE, INSIDE, INSIDE, EXCESS[0], EXCESS[-1], MISSING[-1]]
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("gap", NOT_MEASURED)
def test_not_measured_looks_like_no_value(gap: tuple[int, int, int]) -> None:
    others = np.array([*EXCESS, *MISSING, INSIDE, CUT], dtype=np.float64)
    assert np.abs(others - gap).sum(axis=1).min() > 25


def test_png_holds_the_pixels() -> None:
    pixels = np.random.default_rng(0).integers(0, 255, (5, 7, 3)).astype(np.uint8)
    data = png_bytes(pixels)
    width, height = struct.unpack(">II", data[16:24])
    size = struct.unpack(">I", data[33:37])[0]
    rows = np.frombuffer(zlib.decompress(data[41 : 41 + size]), dtype=np.uint8).reshape(height, 1 + 3 * width)
    np.testing.assert_array_equal(np.cumsum(rows[:, 1:], axis=0, dtype=np.uint8).reshape(5, 7, 3), pixels)


def test_drawing_changes_nothing_it_was_given(scene: Scene) -> None:
    before = scene.mesh.points_mm.copy(), scene.mesh.deviation_mm.copy()
    picture(scene.mesh, frame_for(scene.mesh.points_mm, FRONT, 200, 200), deviation_painter(0.15))
    np.testing.assert_array_equal(scene.mesh.points_mm, before[0])
    np.testing.assert_array_equal(scene.mesh.deviation_mm, before[1])
