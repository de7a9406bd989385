"""Minimum zones: against closed forms and slow referees."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog, minimize

from tests.support.elements import PLAIN, POSE, fitted, near_start, on_element
from worker.fitting.fit import Start
from worker.fitting.records import Association, ElementKind, NotFitted, Zone
from worker.fitting.zones import minimum_zone, range_about, straightness_2d
from worker.records import Floats

Z = np.array([0.0, 0.0, 1.0])


def zone(kind: ElementKind, points_mm: Floats, start: Start | None = None) -> Zone:
    found = minimum_zone(kind, points_mm, start=start)
    assert not isinstance(found, NotFitted), found
    return found


def bent_plate(count: int) -> Floats:
    rng = np.random.default_rng(0)
    points = on_element(ElementKind.PLANE, count, rng)
    points[:, 2] = 0.05 * points[:, 0] * points[:, 1] / 300 + rng.normal(0, 0.02, count)
    return points


def test_flatness_is_that_of_the_linear_programme_over_all_points() -> None:
    """Referee: z = a x + b y + c of least greatest residual, by a general solver on every point at once."""
    points = bent_plate(3000)
    rows = np.column_stack([points[:, :2], np.ones(3000)])
    ones = np.ones((3000, 1))
    referee = linprog(
        [0, 0, 0, 1],
        A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
        b_ub=np.concatenate([points[:, 2], -points[:, 2]]),
        bounds=[(None, None)] * 4,
    )
    assert referee.x is not None
    upright = 2 * referee.x[3] / np.sqrt(1 + referee.x[0] ** 2 + referee.x[1] ** 2)
    assert zone(ElementKind.PLANE, points).width_mm == pytest.approx(upright, rel=1e-6)


@pytest.mark.parametrize("kind", [kind for kind in ElementKind if kind is not ElementKind.LINE], ids=str)
def test_minimum_zone_is_no_wider_than_the_range_about_least_squares(kind: ElementKind) -> None:
    rng = np.random.default_rng(1)
    points = on_element(kind, 500, rng) + rng.normal(0, 0.02, (500, 3)) * (
        [1, 1, 0] if kind is ElementKind.CIRCLE else 1
    )
    ranged = range_about(fitted(kind, points, near_start(kind), PLAIN), points)
    assert not isinstance(ranged, NotFitted)
    least = zone(kind, points, near_start(kind))
    assert least.width_mm < ranged.width_mm
    assert (least.association, ranged.association) == (Association.MINIMUM_ZONE, Association.LEAST_SQUARES)


def lobed(count: int, lobes: int, depth_mm: float) -> Floats:
    """A ring of ``lobes`` lobes: roundness is twice their depth, by symmetry."""
    angle = 2 * np.pi * np.arange(count) / count
    radius = 10 + depth_mm * np.cos(lobes * angle)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(count)])


@pytest.mark.parametrize("lobes", [2, 3, 5])
def test_roundness_of_a_lobed_ring_is_twice_the_depth(lobes: int) -> None:
    found = zone(ElementKind.CIRCLE, POSE.apply(lobed(600, lobes, 0.05)), near_start(ElementKind.CIRCLE, POSE))
    assert found.width_mm == pytest.approx(0.1, rel=1e-6)
    assert found.radius_mm == pytest.approx(10, abs=1e-6)
    assert len(found.contact_index) >= 4  # two in, two out


@pytest.mark.parametrize("lobes", [2, 3])
def test_cylindricity_of_a_lobed_tube_is_twice_the_depth(lobes: int) -> None:
    rings = [lobed(60, lobes, 0.05) + high * Z for high in np.linspace(-10, 10, 9)]
    found = zone(ElementKind.CYLINDER, POSE.apply(np.vstack(rings)), near_start(ElementKind.CYLINDER, POSE))
    assert found.width_mm == pytest.approx(0.1, rel=1e-6)


def test_roundness_sees_no_height() -> None:
    """Points of a slab about one section."""
    points = lobed(400, 3, 0.05)
    points[:, 2] = np.random.default_rng(2).uniform(-0.3, 0.3, 400)
    found = zone(ElementKind.CIRCLE, points, Start(np.zeros(3), Z, 10.0))
    assert found.width_mm == pytest.approx(0.1, rel=0.02)  # the fitted normal leans a little


def test_straightness_of_an_axis_is_the_diameter_of_its_cylinder() -> None:
    """A helix of radius 0.02 about the axis, of whole turns: no narrower cylinder holds it."""
    along = np.linspace(0, 40, 401)
    points = np.column_stack([0.02 * np.cos(along), 0.02 * np.sin(along), along])
    assert zone(ElementKind.LINE, POSE.apply(points)).width_mm == pytest.approx(0.04, rel=1e-3)


def test_straightness_of_an_axis_is_what_a_slow_search_finds() -> None:
    rng = np.random.default_rng(3)
    along = np.sort(rng.uniform(-15, 15, 60))
    points = np.column_stack([0.01 * np.cos(along / 3), 0.02 * np.sin(along / 4), along])

    def width(place: Floats) -> float:
        direction = np.array([place[2], place[3], 1]) / np.sqrt(place[2] ** 2 + place[3] ** 2 + 1)
        offset = points - np.array([place[0], place[1], 0])
        return float(2 * np.linalg.norm(np.cross(offset, direction), axis=1).max())

    tried = [
        minimize(width, 0.005 * rng.normal(size=4), method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
        for _ in range(6)
    ]
    slow = min(float(item.fun) for item in tried)
    assert 0.95 * slow < zone(ElementKind.LINE, points).width_mm <= slow * (1 + 1e-7)  # the search rests early


def test_straightness_in_a_plane_is_the_least_of_all_directions() -> None:
    points = np.random.default_rng(4).normal(size=(80, 2)) * [10, 0.1]
    turns = np.linspace(0, np.pi, 200_001)
    widths = np.ptp(points @ np.stack([np.cos(turns), np.sin(turns)]), axis=0)
    found = straightness_2d(points)
    assert not isinstance(found, NotFitted)
    assert found.width_mm <= widths.min()
    assert found.width_mm == pytest.approx(widths.min(), rel=1e-3)
    assert len(found.contact_index) == 3


def test_straightness_of_points_on_a_line_is_nothing() -> None:
    found = straightness_2d(np.outer(np.arange(6.0), [1.0, 3.0]))
    assert not isinstance(found, NotFitted)
    assert found.width_mm < 1e-12


@pytest.mark.parametrize(
    "kind", [ElementKind.PLANE, ElementKind.CYLINDER, ElementKind.CONE, ElementKind.SPHERE], ids=str
)
def test_contacts_bound_the_zone(kind: ElementKind) -> None:
    rng = np.random.default_rng(5)
    points = on_element(kind, 400, rng) + rng.normal(0, 0.02, (400, 3))
    least = zone(kind, points, near_start(kind))
    inner = zone(kind, points[list(least.contact_index)], near_start(kind)) if len(least.contact_index) > 7 else least
    assert len(least.contact_index) >= 4
    assert inner.width_mm <= least.width_mm * (1 + 1e-9)


def test_range_about_a_line_is_twice_the_greatest_distance() -> None:
    points = np.column_stack([np.zeros(8), 0.01 * np.array([1, -1, -1, 1, 1, -1, -1, 1]), 5.0 * np.arange(8)])
    found = range_about(fitted(ElementKind.LINE, points, None), points)
    assert not isinstance(found, NotFitted)
    assert found.width_mm == pytest.approx(0.02, abs=1e-12)


def test_range_of_no_points_is_refused() -> None:
    element = fitted(ElementKind.PLANE, bent_plate(100), None)
    assert isinstance(range_about(element, np.empty((0, 3))), NotFitted)
