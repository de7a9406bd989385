from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from tests.support.passages import cleared, rod, surface_of
from tests.support.shapes import block, bored_block
from worker.passages.moves import Freedom, MoveSettings, best_move, least_move
from worker.passages.records import Rod, Surface
from worker.passages.skin import Skin, skin_near

SETTLED_MM = 2e-3  # twice the search's own step and the clearance it keeps in hand
GRID_MM = 0.01  # of the slow referee
CUBE_MM = 20.0
FREEDOMS = pytest.mark.parametrize("freedom", list(Freedom))


@lru_cache(maxsize=1)
def _bore() -> Surface:
    return surface_of(bored_block((40.0, 30.0, 20.0), 6.0))


def _skin(one: Rod, surface: Surface) -> Skin:
    return skin_near(surface, one, 16.0)


@FREEDOMS
def test_the_best_axis_of_a_bore_is_its_own(freedom: Freedom) -> None:
    one = rod((1.3, 0.4, -5), (1.3, 0.4, 25))
    found = best_move(_skin(one, _bore()), one, freedom)
    assert found is not None
    assert found.least_mm == pytest.approx(6.0, abs=SETTLED_MM)
    np.testing.assert_allclose(found.ends_mm, [[-1.3, -0.4, 0.0]] * 2, atol=SETTLED_MM)


@pytest.mark.parametrize("need_mm", [5.0, 5.9])
def test_the_least_move_goes_straight_to_where_the_gap_is_enough(need_mm: float) -> None:
    """Parallel offset e in a bore: e - (R - need) along the offset."""
    one = rod((1.3, 0.4, -5), (1.3, 0.4, 25))
    skin = _skin(one, _bore())
    best = best_move(skin, one, Freedom.SHIFT)
    assert best is not None
    found = least_move(skin, one, need_mm, best)
    assert found is not None
    assert found.longest_mm == pytest.approx(np.hypot(1.3, 0.4) - (6.0 - need_mm), abs=SETTLED_MM)
    assert found.least_mm >= need_mm


def test_ends_that_move_by_themselves_straighten_a_tilted_rod() -> None:
    one = rod((1.3, 0.4, -5), (-1.5, 0.4, 25))
    skin = _skin(one, _bore())
    shift, both = (best_move(skin, one, freedom) for freedom in Freedom)
    assert shift is not None
    assert both is not None
    assert shift.least_mm < 5.1
    assert both.least_mm == pytest.approx(6.0, abs=SETTLED_MM)


def test_the_least_shift_is_that_of_every_shift_tried() -> None:
    """A rod askew over an edge of a cube, where it would touch the edge, a face or a corner."""
    surface = surface_of(block((CUBE_MM, CUBE_MM, CUBE_MM)))
    one, need_mm = rod((-3, 21, 20.5), (23, 20.3, 21)), 2.5
    skin = _skin(one, surface)
    best = best_move(skin, one, Freedom.SHIFT)
    assert best is not None
    found = least_move(skin, one, need_mm, best)
    assert found is not None
    assert cleared(surface, one.shifted(found.ends_mm)).least_mm >= need_mm - 1e-6
    assert found.longest_mm == pytest.approx(_tried(one, need_mm), abs=2 * GRID_MM)


def _tried(one: Rod, need_mm: float) -> float:
    """Length of the shortest shift of a grid of directions and lengths; the gap is that of places along the axis."""
    along = one.first_mm[1] - one.first_mm[0]
    first = np.cross(along, [0.0, 0.0, 1.0])
    second = np.cross(along, first)
    places = one.first_mm[0] + np.linspace(0, 1, 101)[:, None] * along
    best = np.inf
    for angle in np.linspace(0, 2 * np.pi, 120, endpoint=False):
        way = np.cos(angle) * first / np.linalg.norm(first) + np.sin(angle) * second / np.linalg.norm(second)
        lengths = np.arange(0.0, 4.0, GRID_MM)
        moved = places + (lengths[:, None] * way)[:, None]
        outside = np.maximum(np.maximum(-moved, moved - CUBE_MM), 0.0)
        enough = lengths[np.linalg.norm(outside, axis=2).min(axis=1) >= need_mm]
        best = min(best, float(enough.min(initial=np.inf)))
    return best


@FREEDOMS
def test_an_axis_in_material_is_brought_back_into_the_bore(freedom: Freedom) -> None:
    one = rod((7.0, 0, -5), (7.0, 0, 25))
    found = best_move(_skin(one, _bore()), one, freedom)
    assert found is not None
    assert found.least_mm == pytest.approx(6.0 - 2.0, abs=0.02)  # 5 mm is as far as it may go; a polygon's corner
    assert found.longest_mm <= MoveSettings().reach_mm * 1.01


def test_no_move_is_told_where_none_is_enough() -> None:
    one = rod((1.3, 0.4, -5), (1.3, 0.4, 25))
    skin = _skin(one, _bore())
    best = best_move(skin, one, Freedom.SHIFT)
    assert best is not None
    assert least_move(skin, one, 6.01, best) is None


def test_an_axis_deep_in_material_finds_no_way_out() -> None:
    surface = surface_of(block((60.0, 60.0, 60.0)))
    one = rod((30, 30, 10), (30, 30, 50))
    assert best_move(skin_near(surface, one, 45.0), one, Freedom.SHIFT) is None


def test_a_travelling_rod_is_moved_for_both_its_positions() -> None:
    """At 1 and at 2 mm aside: the middle is 1.5 mm aside."""
    one = rod((1, 0, -5), (1, 0, 25), (2, 0, -5), (2, 0, 25))
    found = best_move(_skin(one, _bore()), one, Freedom.SHIFT)
    assert found is not None
    assert found.ends_mm[0][0] == pytest.approx(-1.5, abs=0.01)
    assert found.least_mm == pytest.approx(5.5, abs=SETTLED_MM)
