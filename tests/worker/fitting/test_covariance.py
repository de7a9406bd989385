"""How sure an element is: against closed forms, and against simulated errors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from tests.support.elements import RADIUS_MM, UPRIGHT, fitted, near_start, on_element
from worker.fitting.fit import FitSettings
from worker.fitting.records import ANGLE_INDEX, RADIUS_INDEX, ElementKind
from worker.records import Floats

NOISE_MM, COUNT = 0.02, 4000
LOOSE = FitSettings(least_arc_rad=np.radians(25))
EFFICIENCY = 0.95  # of Tukey's weights on normal noise (P. Holland, R. Welsch, Commun. Stat. A6(9), 1977)
SPREAD = 0.25  # three times that of a standard deviation judged from 160 patches that might hold a field

# Factor k of sigma / sqrt(n) for points spread evenly over an arc: inverse of the mean of
# (cos, sin, 1) (cos, sin, 1)^T over it; radius, centre along the bisector, centre across
ARC_FACTORS = {
    360: (1.000, 1.414, 1.414),
    270: (1.139, 1.814, 1.284),
    180: (2.297, 3.249, 1.414),
    120: (5.563, 6.618, 1.847),
    90: (10.28, 11.37, 2.346),
    60: (23.85, 24.95, 3.400),
    45: (42.87, 43.98, 4.479),
    30: (97.2, 98.3, 6.661),
}
CAP_FACTORS = {360: (1.0, 1.732), 180: (2.0, 3.464), 120: (5.29, 6.93), 90: (10.1, 11.8)}  # radius, along the axis


def on_arc(arc_deg: float, noise: Floats) -> Floats:
    angle = np.radians(arc_deg) * ((np.arange(noise.size) + 0.5) / noise.size - 0.5)
    radius = RADIUS_MM + noise
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(noise.size)])


def on_cap(cap_deg: float, noise: Floats) -> Floats:
    share = (np.arange(noise.size) + 0.5) / noise.size
    height = 1 - share * (1 - np.cos(np.radians(cap_deg) / 2))
    angle, flat = np.pi * (1 + 5**0.5) * np.arange(noise.size), np.sqrt(1 - height**2)
    outward = np.column_stack([flat * np.cos(angle), flat * np.sin(angle), height])
    points: Floats = (RADIUS_MM + noise)[:, None] * outward
    return points


@pytest.mark.parametrize("arc_deg", list(ARC_FACTORS))
def test_circle_is_as_sure_as_its_arc_allows(arc_deg: int) -> None:
    """Closed form by the inverse of the normal matrix; see the table."""
    noise = np.random.default_rng(8).normal(0, NOISE_MM, COUNT)
    found = fitted(ElementKind.CIRCLE, on_arc(arc_deg, noise), near_start(ElementKind.CIRCLE), LOOSE)
    unit = NOISE_MM / np.sqrt(COUNT * EFFICIENCY)
    sigmas = np.sqrt(np.diag(found.covariance))[[RADIUS_INDEX, 0, 1]] / unit
    assert sigmas == pytest.approx(ARC_FACTORS[arc_deg], rel=SPREAD)


@pytest.mark.parametrize("cap_deg", list(CAP_FACTORS))
def test_sphere_is_as_sure_as_its_cap_allows(cap_deg: int) -> None:
    noise = np.random.default_rng(9).normal(0, NOISE_MM, COUNT)
    found = fitted(ElementKind.SPHERE, on_cap(cap_deg, noise), near_start(ElementKind.SPHERE), LOOSE)
    unit = NOISE_MM / np.sqrt(COUNT * EFFICIENCY)
    sigmas = np.sqrt(np.diag(found.covariance))[[RADIUS_INDEX, 2]] / unit
    assert sigmas == pytest.approx(CAP_FACTORS[cap_deg], rel=SPREAD)


def test_axis_of_a_full_cylinder_tilts_by_root_24_over_its_length() -> None:
    """Standard deviation of tilt: sqrt(24) / L sigma / sqrt(n); of place sqrt(2): the same normal matrix."""
    rng = np.random.default_rng(10)
    angle, height = rng.uniform(0, 2 * np.pi, COUNT), rng.uniform(-15, 15, COUNT)
    points = on_cylinder(angle, height, rng.normal(0, NOISE_MM, COUNT))
    found = fitted(ElementKind.CYLINDER, points, near_start(ElementKind.CYLINDER))
    unit = NOISE_MM / np.sqrt(COUNT * EFFICIENCY)
    sigmas = np.sqrt(np.diag(found.covariance)) / unit
    assert sigmas[:2] == pytest.approx([np.sqrt(2)] * 2, rel=SPREAD)
    assert sigmas[3:5] == pytest.approx([np.sqrt(24) / 30] * 2, rel=SPREAD)


def on_cylinder(angle: Floats, height: Floats, off: Floats) -> Floats:
    radius = RADIUS_MM + off
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])


def smooth_field(points_mm: Floats, length_mm: float, rng: np.random.Generator) -> Floats:
    """Unit field (n,) of Gauss's correlation, by random waves (A. Rahimi, B. Recht, NIPS 2007)."""
    waves, phases = rng.normal(size=(120, 3)) / length_mm, rng.uniform(0, 2 * np.pi, 120)
    field: Floats = np.sqrt(2 / 120) * np.cos(points_mm @ waves.T + phases).sum(axis=1)
    return field


def held_share(field_mm: float, arc_deg: float, repeats: int) -> float:
    """Share of the 95 % intervals of axis and radius that hold the truth."""
    rng = np.random.default_rng(12)
    inside = []
    for _ in range(repeats):
        angle, height = np.radians(rng.uniform(0, arc_deg, 500)), rng.uniform(-10, 10, 500)
        off = rng.normal(0, NOISE_MM, 500)
        off += field_mm * smooth_field(on_cylinder(angle, height, np.zeros(500)), 2.0, rng)
        found = fitted(ElementKind.CYLINDER, on_cylinder(angle, height, off), near_start(ElementKind.CYLINDER))
        sigmas = np.sqrt(np.diag(found.covariance_at(np.zeros(3)))[:2])
        errors = np.append(found.place_at(np.zeros(3))[:2] / sigmas, 0.0)
        errors[2] = ((found.radius_mm or 0.0) - RADIUS_MM) / np.sqrt(found.covariance[RADIUS_INDEX, RADIUS_INDEX])
        inside.append(np.abs(errors) < t.ppf(0.975, found.dof))
    return float(np.mean(inside))


@pytest.mark.parametrize(("field_mm", "arc_deg"), [(0.0, 360), (0.0, 180), (0.02, 360), (0.02, 200)])
def test_intervals_of_95_percent_hold_the_truth_that_often(field_mm: float, arc_deg: float) -> None:
    repeats = 60
    chance = 3 * np.sqrt(0.05 * 0.95 / (3 * repeats))  # three standard deviations of the share itself
    assert abs(held_share(field_mm, arc_deg, repeats) - 0.955) < chance


def test_points_that_err_alike_make_an_element_less_sure() -> None:
    rng = np.random.default_rng(13)
    angle, height = rng.uniform(0, 2 * np.pi, 2000), rng.uniform(-10, 10, 2000)
    noise = rng.normal(0, NOISE_MM * np.sqrt(2), 2000)
    alike = rng.normal(0, NOISE_MM, 2000) + NOISE_MM * smooth_field(on_cylinder(angle, height, 0 * angle), 2.0, rng)
    first, second = (
        fitted(ElementKind.CYLINDER, on_cylinder(angle, height, off), near_start(ElementKind.CYLINDER))
        for off in (noise, alike)
    )
    assert second.covariance[0, 0] > 9 * first.covariance[0, 0]


def test_exact_points_are_sure_beyond_any_scanner() -> None:
    angle, height = np.meshgrid(np.arange(20) * np.pi / 10, np.linspace(-10, 10, 10))
    points = on_cylinder(angle.ravel(), height.ravel(), np.zeros(200))
    found = fitted(ElementKind.CYLINDER, points, near_start(ElementKind.CYLINDER))
    assert np.sqrt(np.abs(found.covariance)).max() < 1e-9
    assert found.dof >= 1


@pytest.mark.parametrize("kind", list(ElementKind), ids=str)
def test_covariance_has_nothing_where_the_element_has_no_freedom(kind: ElementKind) -> None:
    rng = np.random.default_rng(14)
    points = on_element(kind, 600, rng)
    found = fitted(kind, points + rng.normal(0, NOISE_MM, points.shape), near_start(kind, UPRIGHT))
    assert np.linalg.eigvalsh(found.covariance).min() > -1e-15
    if found.direction is not None:
        spin = np.concatenate([np.zeros(3), found.direction, np.zeros(2)])
        assert abs(float(spin @ found.covariance @ spin)) < 1e-15
    if kind is not ElementKind.CONE:
        assert found.covariance[ANGLE_INDEX, ANGLE_INDEX] == 0
