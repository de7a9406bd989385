"""Points whose least-squares element is known exactly.

The residuals put on an ideal element are orthogonal to every derivative of the distances there, so
that the element is the answer (the null-space method of G. Anthony and others, NPL report DITC
140/89 and ISO 10360-6, from memory; the sets here are computed by hand).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.support.elements import POSE, UPRIGHT, fitted
from worker.fitting.fit import FitSettings
from worker.fitting.records import ElementKind, NotFitted
from worker.fitting.zones import range_about
from worker.records import Floats
from worker.rigid import RigidTransform

EXACT_MM = 1e-9
EIGHT = np.arange(8) * np.pi / 4
LEVELS = np.repeat([-1.0, 0.0, 1.0], 8)
SETTINGS = (FitSettings(), FitSettings(is_robust=False))


def circle() -> Floats:
    radius = 50 + 0.02 * np.cos(4 * EIGHT)
    return np.column_stack([radius * np.cos(EIGHT), radius * np.sin(EIGHT), np.zeros(8)])


def sphere() -> Floats:
    outward = np.vstack([np.eye(3), -np.eye(3)])
    points: Floats = outward * (10 + np.tile([-0.03, -0.03, 0.06], 2))[:, None]
    return points


def cylinder() -> Floats:
    angle = np.tile(EIGHT, 3)
    radius = 4 + 0.01 * np.cos(2 * angle)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), 10 * LEVELS])


def cone() -> Floats:
    angle, tilt = np.tile(EIGHT, 3), np.radians(20)
    high, off = 6 * LEVELS, 0.01 * np.cos(2 * angle)
    radius = 8 + high * np.tan(tilt) + off * np.cos(tilt)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), high - off * np.sin(tilt)])


def plane() -> Floats:
    row, column = np.meshgrid(np.arange(4), np.arange(4))
    return np.column_stack([10.0 * row.ravel(), 10.0 * column.ravel(), 0.015 * (-1.0) ** (row + column).ravel()])


def line() -> Floats:
    off = 0.01 * np.array([1, -1, -1, 1, 1, -1, -1, 1])
    return np.column_stack([np.zeros(8), off, 5.0 * np.arange(8)])


@dataclass(frozen=True, eq=False)
class Case:
    """squares_mm2 : sum of the squared residuals;  range_mm : of the residuals."""

    kind: ElementKind
    points_mm: Floats
    radius_mm: float | None
    squares_mm2: float
    range_mm: float


CASES = [
    Case(ElementKind.CIRCLE, circle(), 50.0, 0.0032, 0.04),
    Case(ElementKind.SPHERE, sphere(), 10.0, 0.0108, 0.09),
    Case(ElementKind.CYLINDER, cylinder(), 4.0, 0.0012, 0.02),
    Case(ElementKind.CONE, cone(), 8.0, 0.0012, 0.02),
    Case(ElementKind.PLANE, plane(), None, 0.0036, 0.03),
    Case(ElementKind.LINE, line(), None, 8e-4, 0.02),
]
every_case = pytest.mark.parametrize("case", CASES, ids=lambda case: case.kind.value)
both_poses = pytest.mark.parametrize("pose", [UPRIGHT, POSE], ids=["upright", "turned"])


@both_poses
@pytest.mark.parametrize("settings", SETTINGS, ids=["robust", "plain"])
@every_case
def test_fit_lies_where_the_residuals_were_put_on(case: Case, settings: FitSettings, pose: RigidTransform) -> None:
    found = fitted(case.kind, pose.apply(case.points_mm), None, settings)
    aside = pose.inverse().apply(found.place_at(pose.apply(np.zeros(3))))
    told = [2] if case.kind is ElementKind.PLANE else [0, 1, 2]
    assert np.abs(aside[told]).max() < EXACT_MM
    if found.direction is not None:
        assert np.abs(np.cross(pose.inverse().turn(found.direction), [0, 0, 1])).max() < EXACT_MM


@every_case
def test_fit_leaves_the_residuals_that_were_put_on(case: Case) -> None:
    points = POSE.apply(case.points_mm)
    found = fitted(case.kind, points, None)
    zone = range_about(found, points)
    assert not isinstance(zone, NotFitted)
    assert float((found.residual_mm**2).sum()) == pytest.approx(case.squares_mm2, abs=1e-12)
    assert zone.width_mm == pytest.approx(case.range_mm, abs=EXACT_MM)


@pytest.mark.parametrize("case", [case for case in CASES if case.radius_mm], ids=lambda case: case.kind.value)
def test_radius_is_that_of_the_element_and_no_algebraic_one(case: Case) -> None:
    found = fitted(case.kind, case.points_mm, None)
    assert found.radius_mm is not None
    assert found.radius_mm == pytest.approx(case.radius_mm, abs=EXACT_MM)  # algebraic ones: 4e-6 mm more or worse


def test_half_angle_of_the_cone_is_20_degrees() -> None:
    found = fitted(ElementKind.CONE, cone(), None)
    assert found.half_angle_rad == pytest.approx(np.radians(20), abs=1e-10)
