"""Motions under which the nominal nearly comes to lie on itself: the places where a search goes wrong.

A nearly symmetric part has them about its middle and about its principal axes of inertia, where
a small feature moves both by little.  What else fits, the search itself brings to light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from worker.aligning.poses import FitSchedule, Points, Poses, explained, fitted, stacked, unmoved
from worker.aligning.target import Target
from worker.records import Floats


@dataclass(frozen=True, kw_only=True)
class SymmetrySettings:
    """How finely turns are tried and how well the part must come to lie on itself; shares of the diagonal."""

    step_rad: float = float(np.radians(3.0))  # a keyway of 8 mm at radius 15 mm is 31 degrees wide
    sample_count: int = 400  # a tenth of the surface then shows within 2 %
    reach_share: float = 0.02  # twice what counts as the same place
    least_explained: float = 0.55  # of what the untouched nominal gets: a rival explains more of the scan than half
    motion_limit: int = 260  # one axis of free turning, with its flips


def nearly_symmetric_motions(target: Target, settings: SymmetrySettings) -> Poses:
    """Motions (nominal to nominal, centred) that leave most of the surface on the surface; never the identity."""
    grid = target.grid
    stride = max(1, len(grid.points_mm) // settings.sample_count)
    samples = Points(grid.points_mm[::stride], grid.normals[::stride])
    middle = grid.points_mm.mean(axis=0)
    rotations = _turns(grid.points_mm[::stride] - middle, settings.step_rad)
    tried = Poses(rotations, middle - np.einsum("bij,j->bi", rotations, middle), np.ones(len(rotations)))
    reach_mm = settings.reach_share * target.diagonal_mm
    first = explained(tried, samples, target.quick_pairs, 2 * reach_mm)
    likely = tried.chosen(np.argsort(-first, kind="stable")[: settings.motion_limit])
    settled = fitted(likely, samples, target.quick_pairs, FitSchedule(reaches_mm=(2 * reach_mm,) * 3, scale_sigma=0.0))
    # as tried and as settled: a small feature may hold a settled turn fast at the wrong angle
    both = stacked(likely, settled)
    most = explained(unmoved(), samples, target.quick_pairs, reach_mm)[0]
    return both.chosen(explained(both, samples, target.quick_pairs, reach_mm) > settings.least_explained * most)


def _turns(centred_mm: Floats, step_rad: float) -> Floats:
    """Turns (k, 3, 3) about each principal axis, and the same after a half turn about another one."""
    _, axes = np.linalg.eigh(np.einsum("ni,nj->ij", centred_mm, centred_mm))
    axes[:, 0] *= np.sign(np.linalg.det(axes))
    count = round(2 * np.pi / step_rad)
    angles = np.arange(count) * (2 * np.pi / count)
    found = []
    for index in range(3):
        about = Rotation.from_rotvec(angles[:, None] * axes[:, index])
        flip = Rotation.from_rotvec(np.pi * axes[:, (index + 1) % 3])
        found += [about.as_matrix()[1:], (about * flip).as_matrix()]
    return np.concatenate(found)
