from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from tests.support.passages import cleared, rod, surface_of
from tests.support.shapes import block, bored_block
from tests.support.solids import box as solid_box
from tests.support.solids import cut, sphere, tessellated
from worker.passages.clearance import clearance
from worker.passages.records import Rod, Surface
from worker.passages.skin import skin_near
from worker.passages.sweep import SWEEP_MM
from worker.records import Floats

EXACT_MM = 1e-6  # what the faces known exactly promise
RADIUS_MM, LENGTH_MM = 6.0, 20.0


@lru_cache(maxsize=4)
def _bore(offset_mm: float = 0.0) -> Surface:
    """The bore's own samples moved by an offset along their normals, to the axis."""
    surface = surface_of(bored_block((40.0, 30.0, LENGTH_MM), RADIUS_MM))
    surface.offset_mm[surface.samples.face == 6] = offset_mm
    return surface


@lru_cache(maxsize=1)
def _cube() -> Surface:
    return surface_of(block((20.0, 20.0, 20.0)))


@pytest.mark.parametrize("offset_mm", [0.0, 0.3, -0.3])
@pytest.mark.parametrize("aside_mm", [(0.0, 0.0), (1.3, 0.4), (0.0, -3.0)])
def test_a_rod_parallel_to_a_bore_has_its_radius_less_the_offset(
    aside_mm: tuple[float, float], offset_mm: float
) -> None:
    found = cleared(_bore(offset_mm), rod((*aside_mm, -5), (*aside_mm, 25)))
    assert found.least_mm == pytest.approx(RADIUS_MM - offset_mm - np.hypot(*aside_mm), abs=EXACT_MM)


@pytest.mark.parametrize("offset_mm", [0.0, -0.3])
@pytest.mark.parametrize("azimuth_rad", [0.0, 0.3, 2.0])
def test_a_tilted_rod_touches_the_rim_of_the_bore(azimuth_rad: float, offset_mm: float) -> None:
    """The rim's place in the plane of the tilt: (R - h tan a) cos a, h half the depth."""
    tilt = 0.05
    across = 15 * np.tan(tilt) * np.array([np.cos(azimuth_rad), np.sin(azimuth_rad), 0.0])
    one = Rod.between(np.array([0, 0, -5.0]) - across, np.array([0, 0, 25.0]) + across, None, None)
    found = cleared(_bore(offset_mm), one)
    expected = (RADIUS_MM - offset_mm - LENGTH_MM / 2 * np.tan(tilt)) * np.cos(tilt)
    assert found.least_mm == pytest.approx(expected, abs=EXACT_MM)
    assert found.first.surface_mm[2] % LENGTH_MM == pytest.approx(0.0, abs=EXACT_MM)


@pytest.mark.parametrize("offset_mm", [0.0, 0.2])
def test_a_rod_past_an_edge_of_a_box_keeps_its_diagonal_distance(offset_mm: float) -> None:
    """The two faces moved out meet in an edge moved out, not in a bevel between the old ends."""
    surface = surface_of(block((20.0, 20.0, 20.0)), offset_mm)
    found = cleared(surface, rod((-3, 25, 22), (23, 25, 22)))
    assert found.least_mm == pytest.approx(np.hypot(5 - offset_mm, 2 - offset_mm), abs=EXACT_MM)


def test_a_rod_past_a_hollow_ball_has_its_radius_less_the_distance_from_its_centre() -> None:
    hollow = cut(solid_box((0, 0, 0), (30, 30, 15)), [sphere((15, 15, 15), 8.0)])
    surface = surface_of(tessellated(hollow, with_surfaces=True))
    found = cleared(surface, rod((13, 14, 12.5), (17, 14, 12.5)))
    far = np.sqrt(2.0**2 + 1.0**2 + 2.5**2)  # the ends, 2 mm from the middle of the axis
    assert found.least_mm == pytest.approx(8.0 - far, abs=EXACT_MM)


@pytest.mark.parametrize(
    ("start", "end", "place_mm"),
    [((7.0, 0, -5), (7.0, 0, 25), None), ((9.0, 0, 5), (9.0, 0, 15), 6.0), ((-2, 0, 10), (9.0, 0, 10), 6.0)],
)
def test_an_axis_in_material_has_no_clearance(
    start: tuple[float, float, float], end: tuple[float, float, float], place_mm: float | None
) -> None:
    found = cleared(_bore(), rod(start, end))
    assert found.is_cut
    assert found.least_mm == 0.0
    assert place_mm is None or np.hypot(*found.first.surface_mm[:2]) == pytest.approx(place_mm, abs=EXACT_MM)


def test_an_edge_aside_leaves_nothing_of_the_face_it_cut_away() -> None:
    """The bore lies 2 mm aside, several samples: nominal's end faces up to its old rim are no obstacle."""
    surface = surface_of(bored_block((40.0, 30.0, LENGTH_MM), RADIUS_MM))
    bore = surface.samples.face == 6
    surface.offset_mm[bore] = 2.0 * surface.samples.normals[bore] @ np.array([1.0, 0.0, 0.0])
    found = cleared(surface, rod((2.0, 0, -5), (2.0, 0, 25)))
    assert found.least_mm == pytest.approx(RADIUS_MM, abs=0.35)  # radial offsets of 2 cos(a) bend a circle by 4 / 12


@pytest.mark.parametrize(
    ("one", "least_mm"),
    [
        (rod((1, 0, -5), (1, 0, 25), (1, 0, 0), (1, 0, 30)), RADIUS_MM - 1),  # along itself
        (rod((1, 0, -5), (1, 0, 25), (2, 0, -5), (2, 0, 25)), RADIUS_MM - 2),  # the nearest at full lift
        (rod((-3, 0, -5), (-3, 0, 25), (2, 0, -5), (2, 0, 25)), RADIUS_MM - 3),  # the nearest at rest
    ],
)
def test_over_a_travel_the_nearest_position_counts(one: Rod, least_mm: float) -> None:
    assert cleared(_bore(), one).least_mm == pytest.approx(least_mm, abs=SWEEP_MM)


def test_what_is_touched_in_the_middle_of_the_travel_only_is_found() -> None:
    """A rod swings over a corner of a cube: both ends of the swing stand clear of it by far."""
    one = rod((20, -11, 21.5), (30, 4, 21.5), (23, -8, 21.5), (14, -9, 21.5))
    rest, lift = (cleared(_cube(), rod(*ends)).least_mm for ends in _ends(one))
    found = cleared(_cube(), one)
    assert 0.1 < found.first.travel < 0.9
    assert found.least_mm < min(rest, lift) - 0.3
    assert found.least_mm == pytest.approx(_tried(_cube(), one), abs=1e-3)


def _ends(one: Rod) -> list[list[tuple[float, float, float]]]:
    return [[tuple(float(x) for x in end) for end in ends] for ends in (one.first_mm, one.second_mm)]  # type: ignore[misc]


def _tried(surface: Surface, one: Rod) -> float:
    """The slow way: many positions, each by itself, then more about the best of them."""
    low, high, best = 0.0, 1.0, np.inf
    for _ in range(3):
        shares = np.linspace(low, high, 9)
        found = []
        for share in shares:
            still = one.first_mm + share * one.travel_mm
            found.append(cleared(surface, Rod(still, still)).least_mm)
        at, best = float(shares[int(np.argmin(found))]), min(best, *found)
        step = (high - low) / 8
        low, high = max(at - step, 0.0), min(at + step, 1.0)
    return float(best)


@pytest.mark.parametrize("shift_mm", [(0.0, 0.0, 0.0), (1e4, -2e4, 3e4)])
def test_the_place_of_the_part_does_not_matter(shift_mm: tuple[float, float, float]) -> None:
    surface = surface_of(block((20.0, 20.0, 20.0), shift_mm))
    ends: Floats = np.array([(-3, 25, 22), (23, 25, 22)]) + np.array(shift_mm)
    assert cleared(surface, Rod(ends, ends)).least_mm == pytest.approx(np.hypot(5, 2), abs=EXACT_MM)


def test_nothing_within_reach_gives_no_clearance() -> None:
    one = rod((500, 0, 0), (500, 0, 50))
    skin = skin_near(_cube(), one, 10.0)
    assert len(skin.triangles) == 0
    assert clearance(skin, one) is None
