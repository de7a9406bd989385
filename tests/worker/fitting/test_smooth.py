"""The likely surface behind noisy points keeps the waves of a bore and little of the noise."""

from __future__ import annotations

import numpy as np
import pytest

from worker.fitting.fit import Start, fit_element
from worker.fitting.records import Element, ElementKind
from worker.fitting.smooth import SmoothPoints, smoothed
from worker.records import Floats

RADIUS_MM, NOISE_MM, COUNT = 4.0, 0.03, 900


def bore(lobe_mm: float, count: int) -> Floats:
    rng = np.random.default_rng(3)
    angle, height = rng.uniform(0, 2 * np.pi, count), rng.uniform(-20, 20, count)
    radius = RADIUS_MM + lobe_mm * np.cos(4 * angle) + rng.normal(0, NOISE_MM, count)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])


def smooth_bore(lobe_mm: float) -> SmoothPoints:
    points = bore(lobe_mm, COUNT)
    element = fit_element(ElementKind.CYLINDER, points, start=Start(np.zeros(3), np.array([0.0, 0.0, 1.0]), RADIUS_MM))
    assert isinstance(element, Element)
    return smoothed(element, points)


def off_mm(points_mm: Floats, lobe_mm: float) -> Floats:
    """Distance (n,) from the true bore."""
    angle = np.arctan2(points_mm[..., 1], points_mm[..., 0])
    off: Floats = np.linalg.norm(points_mm[..., :2], axis=-1) - RADIUS_MM - lobe_mm * np.cos(4 * angle)
    return off


@pytest.mark.parametrize("lobe_mm", [0.0, 0.04])
def test_the_likeliest_surface_is_nearer_the_truth_than_half_the_noise(lobe_mm: float) -> None:
    rest = off_mm(smooth_bore(lobe_mm).mean_mm, lobe_mm)
    assert np.sqrt(np.mean(rest**2)) < NOISE_MM / 2


def test_waves_of_a_bore_are_kept() -> None:
    points = smooth_bore(0.04).mean_mm
    angle = np.arctan2(points[:, 1], points[:, 0])
    kept = 2 * np.mean((np.linalg.norm(points[:, :2], axis=1) - RADIUS_MM) * np.cos(4 * angle))
    assert kept == pytest.approx(0.04, abs=0.008)


def test_draws_scatter_about_the_likeliest_surface_as_far_as_the_truth_lies_off() -> None:
    found = smooth_bore(0.04)
    scatter = np.sqrt(np.mean((off_mm(found.draws_mm, 0.04) - off_mm(found.mean_mm, 0.04)) ** 2))
    error = np.sqrt(np.mean(off_mm(found.mean_mm, 0.04) ** 2))
    assert 0.4 < scatter / error < 2.5


def test_the_same_points_give_the_same_bytes() -> None:
    assert smooth_bore(0.04).draws_mm.tobytes() == smooth_bore(0.04).draws_mm.tobytes()
