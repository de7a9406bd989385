"""The covariance of a frame against repeats, on surfaces whose own covariance is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from worker.datums.collecting import DatumTaken
from worker.datums.motions import Origin, all_motions
from worker.datums.reference_frame import _held, _Standing
from worker.datums.surfaces import DatumSurface, SurfaceShape, Touch, square_to
from worker.records import Floats
from worker.rigid import RigidTransform

NOISE_MM = 0.02
ORIGIN = Origin(np.array([50.0, 40.0, 30.0]), 70.0)
CORNER = np.array([100.0, 80.0, 60.0])


def _plane_cloud(centre_mm: Floats, normal: Floats, half_mm: float) -> Floats:
    across = square_to(normal)
    steps = np.linspace(-half_mm, half_mm, 9)
    first, second = (grid.ravel() for grid in np.meshgrid(steps, steps))
    cloud: Floats = centre_mm + np.outer(first, across[0]) + np.outer(second, across[1])
    return cloud


def _plane(centre_mm: Floats, normal: Floats, touch: Touch, rng: np.random.Generator) -> DatumSurface:
    """A plane with noise, and the covariance of its least-squares plane: sigma^2 / n, sigma^2 / sum of squared arms."""
    points = _plane_cloud(centre_mm, normal, 25.0)
    count = len(points)
    across = square_to(normal)
    arms = float((((points - centre_mm) @ across[0]) ** 2).sum())
    covariance = np.zeros((6, 6))
    covariance[:3, :3] = NOISE_MM**2 / count * np.outer(normal, normal)
    covariance[3:, 3:] = NOISE_MM**2 / arms * across.T @ across
    noise = rng.normal(scale=NOISE_MM, size=count)
    return DatumSurface(
        shape=SurfaceShape.PLANE,
        touch=touch,
        point_mm=centre_mm,
        direction=normal,
        points_mm=points + np.outer(noise, normal),
        weights=np.ones(count),
        side=np.ones(count),
        sigma_mm=np.full(count, 0.0 if touch is Touch.THROUGH else NOISE_MM),
        covariance=covariance,
        anchor_mm=centre_mm,
        dof=60.0,
    )


def _frame(touch: Touch, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Where the frame puts the far corner, and its covariance there."""
    normals = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
    centres = np.array([[50.0, 40.0, 0.0], [0.0, 40.0, 30.0], [50.0, 0.0, 30.0]])
    standing = _Standing(RigidTransform.identity(), all_motions(ORIGIN), ())
    for letter, centre, normal in zip("ABC", centres, normals, strict=True):
        taken = DatumTaken(letter, (_plane(centre, normal, touch, rng),), "plane")
        held = _held(standing, taken, ORIGIN)
        assert isinstance(held, _Standing)
        standing = held
    covariance = np.sum([part for part, _ in standing.contributions], axis=0)
    spread = ORIGIN.rows(np.tile(CORNER, (3, 1)), np.eye(3))
    return standing.T_frame_pose.apply(CORNER), spread @ covariance @ spread.T


@pytest.mark.parametrize(
    ("touch", "draws"),
    [
        (Touch.THROUGH, 160),  # standard error of a standard deviation: 6 %
        (Touch.OUTSIDE, 60),  # 9 %
    ],
)
def test_the_stated_covariance_is_that_of_repeats(touch: Touch, draws: int) -> None:
    """Of the error with its bias; a plane that touches a flat face is the plain one, for all is noise."""
    rng = np.random.default_rng(3)
    drawn = [_frame(touch, rng) for _ in range(draws)]
    error = np.sqrt(np.mean([(place - CORNER) ** 2 for place, _ in drawn], axis=0))
    stated = np.sqrt(np.mean([np.diag(covariance) for _, covariance in drawn], axis=0))
    assert (np.abs(error / stated - 1) < 2.5 / np.sqrt(2 * draws)).all(), (error, stated)
