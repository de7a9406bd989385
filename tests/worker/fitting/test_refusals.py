"""What points do not determine is refused by name, never answered."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.degenerate import HOPELESS, WRONG, noisy, round_points
from tests.support.elements import near_start
from worker.fitting.envelopes import maximum_inscribed, minimum_circumscribed, tangent_plane
from worker.fitting.fit import FitSettings, fit_element
from worker.fitting.records import Element, ElementKind, NotFitted, Refusal
from worker.fitting.zones import minimum_zone, straightness_2d
from worker.records import Floats

every_kind = pytest.mark.parametrize("kind", list(ElementKind), ids=lambda kind: kind.value)
hopeless = pytest.mark.parametrize(("points", "code"), list(HOPELESS.values()), ids=list(HOPELESS))
MISTAKEN = [
    pytest.param(kind, points, code, id=f"{name}-{kind.value}")
    for name, (kinds, points, code) in WRONG.items()
    for kind in kinds
]


@pytest.mark.parametrize("start", ["told", "untold"])
@every_kind
@hopeless
def test_hopeless_points_are_refused_by_name(kind: ElementKind, points: Floats, code: Refusal, start: str) -> None:
    found = fit_element(kind, points, start=near_start(kind) if start == "told" else None)
    assert isinstance(found, NotFitted)
    assert found.code is code


@pytest.mark.parametrize(("kind", "points", "code"), MISTAKEN)
def test_points_of_something_else_are_refused_by_name(kind: ElementKind, points: Floats, code: Refusal) -> None:
    found = fit_element(kind, points, start=near_start(kind))
    assert isinstance(found, NotFitted)
    assert found.code in {code, Refusal.NOT_SETTLED} if code is Refusal.NOTHING_LIKE_IT else found.code is code


@every_kind
@hopeless
def test_zones_refuse_hopeless_points(kind: ElementKind, points: Floats, code: Refusal) -> None:
    found = minimum_zone(kind, points)
    assert isinstance(found, NotFitted)
    assert found.code is code


@hopeless
def test_envelopes_refuse_hopeless_points(points: Floats, code: Refusal) -> None:
    upright = np.array([0.0, 0.0, 1.0])
    found = [
        maximum_inscribed(ElementKind.CYLINDER, points, direction=upright),
        minimum_circumscribed(ElementKind.CIRCLE, points),
        tangent_plane(points, outward=upright),
    ]
    assert [item.code for item in found if isinstance(item, NotFitted)] == [code] * 3


@pytest.mark.parametrize("name", ["empty", "one point", "three points", "coincident", "NaN"])
def test_straightness_refuses_hopeless_points(name: str) -> None:
    points, code = HOPELESS[name]
    found = straightness_2d(points[:, :2] * (0 if name == "coincident" else 1))
    assert isinstance(found, NotFitted)
    assert found.code is code


def test_reason_gives_the_figures() -> None:
    found = fit_element(ElementKind.CYLINDER, noisy(round_points(arc_rad=np.radians(85))), start=None)
    assert isinstance(found, NotFitted)
    assert "85 of 360 degrees" in found.reason


@pytest.mark.parametrize(("arc_deg", "is_refused"), [(100, True), (115, True), (128, False), (180, False)])
def test_bore_of_less_than_120_degrees_is_refused(arc_deg: float, is_refused: bool) -> None:
    found = fit_element(ElementKind.CYLINDER, noisy(round_points(2000, arc_rad=np.radians(arc_deg))), start=None)
    assert isinstance(found, NotFitted) == is_refused


def test_cap_of_a_sphere_of_less_than_120_degrees_is_refused() -> None:
    rng = np.random.default_rng(4)
    high, angle = rng.uniform(np.cos(np.radians(45)), 1, 800), rng.uniform(0, 2 * np.pi, 800)
    flat = np.sqrt(1 - high**2)
    cap = noisy(10 * np.column_stack([flat * np.cos(angle), flat * np.sin(angle), high]))
    found = fit_element(ElementKind.SPHERE, cap, start=near_start(ElementKind.SPHERE))
    assert isinstance(found, NotFitted)
    assert found.code is Refusal.TOO_LITTLE_ARC


def test_limits_are_settings() -> None:
    points = noisy(round_points(2000, arc_rad=np.radians(100)))
    found = fit_element(ElementKind.CYLINDER, points, settings=FitSettings(least_arc_rad=np.radians(90)))
    assert isinstance(found, Element)


def test_1e5_mm_from_the_origin_is_exact() -> None:
    points = noisy(round_points())
    near = fit_element(ElementKind.CYLINDER, points)
    far = fit_element(ElementKind.CYLINDER, points + np.array([9e4, 0, 0]))
    assert isinstance(near, Element)
    assert isinstance(far, Element)
    assert far.radius_mm == pytest.approx(near.radius_mm, abs=1e-8)
