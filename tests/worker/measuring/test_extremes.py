"""Extremes of a noisy map are those of the surface, within what they say of themselves."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from tests.support.shapes import block, deviation_of, scan_of
from worker.measuring.extremes import Extreme, NoisyMap, greatest, least, noisy_map
from worker.measuring.patches import SampleNet
from worker.records import Bools, Floats, Scan

NOISE_MM, SIZE_MM = 0.03, (60.0, 40.0, 5.0)
SEEDS = range(12)


@lru_cache(maxsize=64)
def top_map(seed: int, slope: float = 0.0, dip_mm: float = 0.0, noise_mm: float = NOISE_MM) -> tuple[NoisyMap, Bools]:
    """The map of a plate whose top rises by ``slope`` along x and has a dip of 5 mm radius, and its top."""
    plate = block(SIZE_MM)
    scan = scan_of(plate, 24_000, seed, noise_mm=noise_mm)
    points = scan.points_mm.copy()
    is_top = points[:, 2] > SIZE_MM[2] - 0.5
    points[is_top, 2] += slope * points[is_top, 0]
    points[is_top, 2] -= dip_mm * dipped(points[is_top])
    samples, found = deviation_of(plate, Scan(points, scan.normals, None, "mm", 0.0))
    known = noisy_map(SampleNet(samples), found, (found.distance_mm, found.sigma_mm), found.is_measured)
    return known, samples.normals[:, 2] > 0.9


def dipped(points_mm: Floats) -> Floats:
    """Share (n,) of the dip's depth: smooth, all of it in its middle."""
    away = np.hypot(points_mm[:, 0] - 20.0, points_mm[:, 1] - 20.0)
    share: Floats = np.where(away < 5.0, np.cos(np.pi * np.minimum(away, 5.0) / 10.0) ** 2, 0.0)
    return share


@lru_cache
def leasts(slope: float = 0.0, dip_mm: float = 0.0) -> tuple[Extreme, ...]:
    return tuple(least(*top_map(seed, slope, dip_mm)) for seed in SEEDS)


def test_least_of_an_even_face_is_nothing_though_its_map_dips_by_its_noise() -> None:
    found = leasts()
    values = np.array([one.value for one in found])
    raw = values - np.array([one.added for one in found])
    assert raw.mean() < -0.8 * NOISE_MM
    assert abs(values.mean()) < 0.5 * NOISE_MM


def test_nearly_every_figure_lies_within_twice_its_uncertainty() -> None:
    found = leasts()
    assert sum(abs(one.value) <= 2 * one.sigma for one in found) >= len(found) - 1


def test_on_a_steep_face_noise_adds_less() -> None:
    flat, steep = (np.mean([one.added for one in leasts(slope=slope)]) for slope in (0.0, 0.02))
    assert steep < 0.75 * flat


def test_a_dip_as_wide_as_a_few_samples_stays() -> None:
    """0.25 mm deep in its middle; averaged over neighbours and the area of four samples a little less."""
    plain = least(*top_map(1, dip_mm=0.25, noise_mm=0.0)).value
    assert -0.25 <= plain < -0.22
    values = np.array([one.value for one in leasts(dip_mm=0.25)])
    assert abs(values.mean() - plain) < 0.5 * NOISE_MM


def test_of_a_scan_without_noise_nothing_is_taken_off() -> None:
    found = least(*top_map(1, dip_mm=0.25, noise_mm=0.0))
    assert found.added < 0.005


def test_greatest_is_the_least_of_the_map_upside_down() -> None:
    known, top = top_map(3, slope=0.001)
    high = greatest(known, top)
    low = least(NoisyMap(known.net, -known.value, known.sigma, known.used, known.point_count, -known.calm), top)
    assert (high.value, high.sigma) == (-low.value, low.sigma)


def test_limits_of_their_own_are_taken_from_each_place_first() -> None:
    known, top = top_map(4, slope=0.01)
    limit = 0.01 * known.net.samples.points_mm[:, 0]
    assert abs(least(known, top, limit).value) < NOISE_MM
