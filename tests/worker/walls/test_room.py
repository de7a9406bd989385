"""Room to cut back against closed forms, and against small steps."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from tests.support.walls import drilled, region_by, sampled
from worker.records import Bools
from worker.walls.room import Kept, Room, RoomSettings, room_behind
from worker.walls.skins import Skin, nominal_skin


@lru_cache(maxsize=8)
def _skin(kind: str, name: str) -> Skin:
    nominal = drilled(kind)
    samples = sampled(nominal)
    found = nominal_skin(region_by(nominal, samples, name).is_member, nominal, samples)
    assert found is not None
    return found


def _room(near: Skin, *kept: tuple[Skin, float], most_mm: float = 6.0) -> Room:
    everywhere: Bools = np.ones(len(near.rows), dtype=bool)
    walls = [Kept(skin, least, everywhere) for skin, least in kept]
    return room_behind(near, walls, RoomSettings(most_mm=most_mm))


@pytest.mark.parametrize("least_mm", [1.0, 2.5])
def test_room_of_an_eccentric_bore_is_its_ray_to_the_thinned_outside(least_mm: float) -> None:
    """From the bore at angle a to a circle of R_o less the wall: -e cos a + root((R_o - m)^2 - e^2 sin^2 a) - R_i."""
    near = _skin("tube", "one")
    room = _room(near, (_skin("tube", "outside"), least_mm))
    angle = np.arctan2(near.points_mm[:, 1], near.points_mm[:, 0] - 2.0)
    exact = -2 * np.cos(angle) + np.sqrt((20 - least_mm) ** 2 - 4 * np.sin(angle) ** 2) - 15
    assert room.lines.wall_mm == pytest.approx(exact, abs=1e-6)


def test_a_wall_too_thin_already_is_short_by_what_it_lacks() -> None:
    room = _room(_skin("plate", "top"), (_skin("plate", "bottom"), 5.4))
    assert room.lines.wall_mm == pytest.approx(np.full(len(room.wall), -0.4), abs=1e-9)


def test_the_wall_that_is_reached_first_holds_it() -> None:
    top, bottom, outside = _skin("ball", "one"), _skin("ball", "top"), _skin("ball", "bottom")
    room = _room(top, (outside, 1.0), (bottom, 1.0))
    assert room.wall[int(np.argmin(room.lines.wall_mm))] == 1
    assert room.lines.wall_mm.min() == pytest.approx(1.5, abs=1e-6)


def test_more_room_than_was_looked_for_is_given_as_that() -> None:
    room = _room(_skin("plate", "top"), (_skin("plate", "bottom"), 1.0), most_mm=3.0)
    assert room.lines.wall_mm == pytest.approx(np.full(len(room.wall), 3.0))
    assert not room.lines.is_wall.any()


def test_no_place_on_the_way_into_material_is_nearer_than_the_least() -> None:
    """Bores that pass each other at an angle, where the nearest place wanders along the way."""
    near, far = _skin("skew", "one"), _skin("skew", "other")
    room = _room(near, (far, 1.2)).lines
    shares = np.linspace(0.0, 1.0, 7)
    rows = np.flatnonzero(room.is_wall & (room.wall_mm > 0))
    places = near.points_mm[rows, None] - (shares * room.wall_mm[rows, None])[..., None] * near.normals[rows, None]
    walls = far.nearest(places.reshape(-1, 3)).wall_mm.reshape(len(rows), -1)
    assert walls.min() >= 1.2 - 1e-6
    assert walls[:, -1] == pytest.approx(np.full(len(rows), 1.2), abs=1e-4)
