"""Point sets that determine nothing, or not what is asked, and the reason each must be refused by."""

from __future__ import annotations

import numpy as np

from worker.fitting.records import ElementKind, Refusal
from worker.records import Floats

SEED = 11
NOISE_MM = 0.02


def noisy(points_mm: Floats) -> Floats:
    """With the noise of a scanner."""
    return points_mm + np.random.default_rng(SEED).normal(0, NOISE_MM, points_mm.shape)


def round_points(
    count: int = 600, *, arc_rad: float = 2 * np.pi, length_mm: float = 20.0, slope: float = 0.0
) -> Floats:
    """Points (count, 3) on a cylinder of radius 10 mm, or a cone, about z."""
    rng = np.random.default_rng(SEED)
    angle, height = rng.uniform(0, arc_rad, count), rng.uniform(-length_mm / 2, length_mm / 2, count)
    radius = 10 + slope * height
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), height])


def flat_points(count: int = 600) -> Floats:
    """Points (count, 3) on a plate of 40 x 30 mm at z = 0."""
    rng = np.random.default_rng(SEED)
    return np.column_stack([rng.uniform(-20, 20, count), rng.uniform(-15, 15, count), np.zeros(count)])


LINE_POINTS = np.linspace(-5, 5, 50)[:, None] * np.array([1.0, 2.0, 2.0])

# for every kind of element
HOPELESS: dict[str, tuple[Floats, Refusal]] = {
    "empty": (np.empty((0, 3)), Refusal.NO_POINTS),
    "one point": (np.array([[1.0, 2.0, 3.0]]), Refusal.TOO_FEW_POINTS),
    "three points": (np.eye(3), Refusal.TOO_FEW_POINTS),
    "coincident": (np.full((50, 3), 7.5), Refusal.COINCIDENT),
    "NaN": (np.vstack([round_points(), [[np.nan, 0, 0]]]), Refusal.NOT_FINITE),
    "infinite": (np.vstack([round_points(), [[0, np.inf, 0]]]), Refusal.NOT_FINITE),
    "1e6 mm from the origin": (round_points() + np.array([1e6, 0, 0]), Refusal.TOO_FAR_FROM_ORIGIN),
}

# for the kinds named
WRONG: dict[str, tuple[tuple[ElementKind, ...], Floats, Refusal]] = {
    "collinear": (tuple(kind for kind in ElementKind if kind is not ElementKind.LINE), LINE_POINTS, Refusal.COLLINEAR),
    "nearly collinear": ((ElementKind.PLANE,), noisy(LINE_POINTS), Refusal.COLLINEAR),
    "coplanar": (
        (ElementKind.CYLINDER, ElementKind.CONE, ElementKind.SPHERE),
        flat_points(),
        Refusal.COPLANAR,
    ),
    "85 degrees of bore": (
        (ElementKind.CYLINDER, ElementKind.CONE),
        noisy(round_points(arc_rad=np.radians(85))),
        Refusal.TOO_LITTLE_ARC,
    ),
    "a slice of bore": ((ElementKind.CYLINDER,), noisy(round_points(length_mm=0.3)), Refusal.TOO_SHORT),
    "a cylinder as cone": ((ElementKind.CONE,), noisy(round_points()), Refusal.NO_TAPER),
    "two plates as plane": (
        (ElementKind.PLANE,),
        noisy(np.vstack([flat_points(), flat_points() + np.array([0, 0, 8.0])])),
        Refusal.NOTHING_LIKE_IT,
    ),
    "a block of points": (
        tuple(ElementKind),
        np.random.default_rng(SEED).uniform(-5, 5, (800, 3)),
        Refusal.NOTHING_LIKE_IT,
    ),
}
