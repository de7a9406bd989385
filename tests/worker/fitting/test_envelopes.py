"""Elements that touch: against closed forms, and by what touching means."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.elements import POSE, near_start, on_element
from worker.fitting.envelopes import maximum_inscribed, minimum_circumscribed, tangent_plane, touching_radius
from worker.fitting.fit import Start
from worker.fitting.records import RADIUS_INDEX, Association, Element, ElementKind, NotFitted, Refusal
from worker.fitting.zones import minimum_zone
from worker.records import Floats

Z = np.array([0.0, 0.0, 1.0])
BOTH = pytest.mark.parametrize(
    "envelope", [maximum_inscribed, minimum_circumscribed], ids=["inscribed", "circumscribed"]
)


def got(found: Element | NotFitted) -> Element:
    assert isinstance(found, Element), found
    return found


def tube(lobes: int = 3, *, tilt: float = 0.0, count: int = 120, rings: int = 9) -> Floats:
    """A lobed tube of radius 10 +- 0.05 mm about z, 20 mm long, sheared by ``tilt``."""
    angle, high = (
        grid.ravel() for grid in np.meshgrid(2 * np.pi * np.arange(count) / count, np.linspace(-10, 10, rings))
    )
    radius = 10 + 0.05 * np.cos(lobes * angle)
    return np.column_stack([radius * np.cos(angle) + tilt * high, radius * np.sin(angle), high])


@pytest.mark.parametrize(("envelope", "radius"), [(maximum_inscribed, 9.95), (minimum_circumscribed, 10.05)])
@pytest.mark.parametrize("kind", [ElementKind.CIRCLE, ElementKind.CYLINDER], ids=str)
def test_envelope_of_three_lobes_is_ten_less_or_more_their_depth(
    kind: ElementKind, envelope: object, radius: float
) -> None:
    assert callable(envelope)
    points = POSE.apply(tube() * ([1, 1, 0] if kind is ElementKind.CIRCLE else 1))
    found = got(envelope(kind, points, start=near_start(kind, POSE)))
    assert found.radius_mm == pytest.approx(radius, abs=1e-7)
    assert found.place_at(POSE.apply(np.zeros(3))) == pytest.approx(POSE.apply(np.zeros(3)), abs=1e-5)


def test_envelope_of_a_leaning_bore_along_a_fixed_axis_is_smaller_by_its_lean() -> None:
    """Shear by 0.004 over +-10 mm moves the ends by 0.04: the straight pin loses that much in radius."""
    found = got(maximum_inscribed(ElementKind.CYLINDER, tube(0, tilt=0.004), direction=Z))
    free = got(maximum_inscribed(ElementKind.CYLINDER, tube(0, tilt=0.004), start=near_start(ElementKind.CYLINDER)))
    assert found.direction == pytest.approx(Z, abs=1e-15)
    assert free.radius_mm is not None
    assert found.radius_mm == pytest.approx(free.radius_mm - 0.04, abs=2e-4)


@BOTH
def test_no_point_lies_beyond_an_envelope_and_some_touch(envelope: object) -> None:
    assert callable(envelope)
    rng = np.random.default_rng(0)
    points = on_element(ElementKind.CYLINDER, 800, rng) + rng.normal(0, 0.01, (800, 3))
    found = got(envelope(ElementKind.CYLINDER, points, start=near_start(ElementKind.CYLINDER)))
    sign = 1 if found.association is Association.MAXIMUM_INSCRIBED else -1
    assert (sign * found.residual_mm).min() == pytest.approx(0, abs=1e-9)
    assert np.count_nonzero(np.abs(found.residual_mm) < 1e-6) >= 3


def test_inscribed_pin_in_half_a_bore_is_refused() -> None:
    points = tube()
    found = maximum_inscribed(ElementKind.CYLINDER, points[points[:, 0] > 0], start=near_start(ElementKind.CYLINDER))
    assert isinstance(found, NotFitted)
    assert found.code is Refusal.TOO_LITTLE_ARC


def test_envelopes_are_of_circles_and_cylinders_only() -> None:
    with pytest.raises(ValueError, match="no envelope"):
        maximum_inscribed(ElementKind.PLANE, tube())


@BOTH
def test_envelope_is_less_sure_than_its_contacts_are(envelope: object) -> None:
    assert callable(envelope)
    points = tube()
    first, second = (
        got(envelope(ElementKind.CYLINDER, points, start=near_start(ElementKind.CYLINDER), sigma_mm=sigma))
        for sigma in (0.002, 0.004)
    )
    own = 3 * 0.002**2  # what the contacts add grows with their variance
    added = second.covariance[RADIUS_INDEX, RADIUS_INDEX] - first.covariance[RADIUS_INDEX, RADIUS_INDEX]
    assert 0 < added < own


def saddle() -> Floats:
    across, along = (grid.ravel() for grid in np.meshgrid(np.linspace(-10, 10, 9), np.linspace(-10, 10, 9)))
    return np.column_stack([across, along, 0.1 * across * along / 100])


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_tangent_plane_of_a_saddle_rests_level_on_its_high_corners(sign: float) -> None:
    """By symmetry: height 0.1, level; two corners touch, so it could rock, and the rule keeps it level."""
    found = got(tangent_plane(POSE.apply(saddle()), outward=POSE.turn(sign * Z)))
    back = POSE.inverse()
    assert found.direction is not None
    assert back.turn(found.direction) == pytest.approx(sign * Z, abs=1e-7)
    assert back.apply(found.point_mm)[2] == pytest.approx(sign * 0.1, abs=1e-7)


def test_tangent_plane_has_no_point_outside_and_lies_along_the_minimum_zone() -> None:
    rng = np.random.default_rng(1)
    points = on_element(ElementKind.PLANE, 500, rng) + rng.normal(0, 0.02, (500, 3))
    found = got(tangent_plane(points, outward=Z, start=Start(np.zeros(3), Z)))
    zone = minimum_zone(ElementKind.PLANE, points)
    assert not isinstance(zone, NotFitted)
    assert found.residual_mm.max() == pytest.approx(0, abs=1e-9)
    assert -found.residual_mm.min() == pytest.approx(zone.width_mm, rel=1e-6)


def test_tangent_plane_scatters_as_its_covariance_says() -> None:
    """A dished plate on three feet, each foot unsure by 0.01: simulated height at the middle."""
    feet = np.array([[-20.0, -15, 0], [20, -15, 0], [0, 20, 0]])
    hollow = np.array([[0.0, -3, -1], [1, 1, -0.9], [2, -2, -0.95], [-6, -6, -0.8]])
    rng = np.random.default_rng(2)
    heights = []
    for _ in range(100):
        points = np.vstack([feet + rng.normal(0, 0.01, (3, 1)) * Z, hollow])
        found = got(tangent_plane(points, outward=Z, sigma_mm=0.01))
        heights.append(float(found.place_at(np.zeros(3))[2]))
    told = np.sqrt(found.covariance_at(np.zeros(3))[2, 2])
    assert np.std(heights) < told


@BOTH
def test_radius_next_to_an_envelope_is_that_of_the_envelope_of_the_points(envelope: object) -> None:
    assert callable(envelope)
    near = got(envelope(ElementKind.CYLINDER, tube(), start=near_start(ElementKind.CYLINDER)))
    points = tube(5, tilt=0.001) + np.array([0.01, -0.02, 0.0])
    own = got(envelope(ElementKind.CYLINDER, points, start=near_start(ElementKind.CYLINDER)))
    assert touching_radius(near, points) == pytest.approx(own.radius_mm, abs=1e-7)


def test_no_radius_is_told_of_points_that_hold_no_pin() -> None:
    near = got(maximum_inscribed(ElementKind.CYLINDER, tube(), start=near_start(ElementKind.CYLINDER)))
    points = tube()
    assert touching_radius(near, points[points[:, 0] > 1.0]) is None
