"""Elements with known answers, in any pose."""

from __future__ import annotations

import numpy as np

from worker.fitting.fit import FitSettings, Start, fit_element
from worker.fitting.records import Element, ElementKind, NotFitted
from worker.records import Floats
from worker.rigid import RigidTransform

POSE = RigidTransform.from_rotation_vector(np.array([0.4, -1.1, 0.3]), np.array([120.0, -40.0, 75.0]))
UPRIGHT = RigidTransform.identity()
PLAIN = FitSettings(is_robust=False, is_evened=False)  # as published answers are meant
RADIUS_MM, HALF_ANGLE_RAD = 10.0, 0.3


def on_element(kind: ElementKind, count: int, rng: np.random.Generator, *, arc_rad: float = 2 * np.pi) -> Floats:
    """Points (count, 3) at random on an element about the origin and z; radius 10 mm, lengths 40 x 30 or 20 mm."""
    angle, height = rng.uniform(0, arc_rad, count), rng.uniform(-10, 10, count)
    flat, zero = rng.uniform(-20, 20, count), np.zeros(count)
    ball = rng.normal(size=(count, 3))
    widening = RADIUS_MM + height * np.tan(HALF_ANGLE_RAD)
    points: dict[ElementKind, Floats] = {
        ElementKind.LINE: np.column_stack([zero, zero, flat]),
        ElementKind.PLANE: np.column_stack([flat, 1.5 * height, zero]),
        ElementKind.CIRCLE: np.column_stack([RADIUS_MM * np.cos(angle), RADIUS_MM * np.sin(angle), zero]),
        ElementKind.CYLINDER: np.column_stack([RADIUS_MM * np.cos(angle), RADIUS_MM * np.sin(angle), height]),
        ElementKind.CONE: np.column_stack([widening * np.cos(angle), widening * np.sin(angle), height]),
        ElementKind.SPHERE: RADIUS_MM * ball / np.linalg.norm(ball, axis=1)[:, None],
    }
    return points[kind]


def near_start(kind: ElementKind, pose: RigidTransform = UPRIGHT) -> Start:
    """A start some tenths of a millimetre and a degree or two off."""
    return Start(
        pose.apply(np.array([0.3, -0.2, 0.1])),
        None if kind is ElementKind.SPHERE else pose.turn(np.array([0.02, -0.01, 1.0])),
        None if kind in (ElementKind.LINE, ElementKind.PLANE) else RADIUS_MM + 0.2,
        HALF_ANGLE_RAD + 0.02 if kind is ElementKind.CONE else None,
    )


def fitted(kind: ElementKind, points_mm: Floats, start: Start | None, settings: FitSettings | None = None) -> Element:
    """The fit, which must succeed."""
    found = fit_element(kind, points_mm, start=start, settings=settings)
    assert not isinstance(found, NotFitted), found
    return found
