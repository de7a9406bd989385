"""Answers that others have published."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.elements import PLAIN, fitted
from worker.fitting.fit import FitSettings, Start
from worker.fitting.records import ElementKind, NotFitted
from worker.fitting.zones import minimum_zone, range_about, straightness_2d

# W. Gander, G. Golub, R. Strebel, Least-squares fitting of circles and ellipses, BIT 34 (1994), 558-578
GANDER = np.column_stack([[1.0, 2, 5, 7, 9, 3], [7.0, 6, 8, 7, 5, 7], np.zeros(6)])
GANDER_CENTRE, GANDER_RADIUS, GANDER_SQUARES = (4.7398, 2.9835), 4.7142, 1.2275991
ROUNDED = 6e-5  # four decimals printed

# K. Pearson, On lines and planes of closest fit, Philosophical Magazine 2 (1901), 559-572; data from memory
PEARSON = np.column_stack(
    [
        [0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4],
        [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5],
        np.zeros(10),
    ]
)


def test_circle_of_gander_golub_and_strebel_is_the_geometric_one() -> None:
    settings = FitSettings(is_robust=False, is_evened=False, least_arc_rad=np.radians(100))  # its points span 108
    found = fitted(ElementKind.CIRCLE, GANDER, None, settings)
    assert found.point_mm[:2] == pytest.approx(GANDER_CENTRE, abs=ROUNDED)
    assert found.radius_mm == pytest.approx(GANDER_RADIUS, abs=ROUNDED)
    assert float((found.residual_mm**2).sum()) == pytest.approx(GANDER_SQUARES, abs=1e-6)


def test_circle_of_gander_golub_and_strebel_shows_too_little_arc_for_a_bore() -> None:
    found = minimum_zone(ElementKind.CIRCLE, GANDER[:2])
    assert isinstance(found, NotFitted)


def test_line_of_pearson_is_the_orthogonal_one() -> None:
    found = fitted(ElementKind.LINE, PEARSON, None, PLAIN)
    assert found.direction is not None
    slope = found.direction[1] / found.direction[0]
    assert slope == pytest.approx(-0.5455612, abs=1e-7)
    assert found.point_mm[1] - slope * found.point_mm[0] == pytest.approx(5.7840438, abs=1e-7)
    assert float((found.residual_mm**2).sum()) == pytest.approx(0.6185728, abs=1e-7)


STEP_MM = 1e-4  # small against the length, so that across and upward are the same
ONE_HIGH = np.column_stack([np.arange(4.0), [0, 0, 0, STEP_MM]])


def test_straightness_of_one_point_in_four_is_two_thirds_of_its_height() -> None:
    """Minimum zone of ISO 1101 and ASME Y14.5.1; by hand: one side of the zone runs through two of the points."""
    zone = straightness_2d(ONE_HIGH)
    assert not isinstance(zone, NotFitted)
    assert zone.width_mm == pytest.approx(2 / 3 * STEP_MM, rel=1e-6)


def test_straightness_about_the_least_squares_line_is_seven_tenths() -> None:
    """By hand: the line through 0, 0, 0, h has residuals 0.1, -0.2, -0.1 (twice 0.1 + 0.3) h: range 0.7 h."""
    points = np.column_stack([ONE_HIGH[:, 0], np.zeros(4), ONE_HIGH[:, 1]])
    points = np.concatenate([points, points + np.array([0, 1.0, 0])])  # as a ruled surface, whose range is two-sided
    plane = fitted(ElementKind.PLANE, points, Start(np.zeros(3), np.array([0, 0, 1.0])), PLAIN)
    zone = range_about(plane, points)
    assert not isinstance(zone, NotFitted)
    assert zone.width_mm == pytest.approx(0.7 * STEP_MM, rel=1e-6)


def test_saddle_of_four_corners_is_as_flat_by_either_rule() -> None:
    high = 0.1
    saddle = np.array([[10, 10, high], [-10, -10, high], [10, -10, -high], [-10, 10, -high]])
    least = minimum_zone(ElementKind.PLANE, saddle)
    ranged = range_about(fitted(ElementKind.PLANE, saddle, None, PLAIN), saddle)
    assert not isinstance(least, NotFitted)
    assert not isinstance(ranged, NotFitted)
    assert least.width_mm == pytest.approx(2 * high, rel=1e-6)
    assert ranged.width_mm == pytest.approx(2 * high, rel=1e-9)
