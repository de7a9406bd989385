"""Shrink in the pattern maker's words, and points freed of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats, Shrink


@dataclass(frozen=True)
class Implied:
    """Shrink of the piece, percent of its own length, and its standard uncertainty."""

    percent: float
    sigma_percent: float


def summarise(shrink: Shrink, allowance_percent: float, axis: int | None = None) -> Implied | None:
    """Percent 100 ((1 + allowance) / scale - 1); None where the scan does not span the axis.

    axis : 0, 1, 2 for x, y, z, or None for the uniform scale
    allowance_percent : by how much the pattern was made larger, percent of the casting's length
    """
    if axis is None:
        scale, sigma = shrink.scale, shrink.scale_sigma
    elif not shrink.is_measured[axis]:
        return None
    else:
        scale, sigma = float(shrink.scale_xyz[axis]), float(np.sqrt(shrink.covariance_xyz[axis, axis]))
    enlarged = 1 + allowance_percent / 100
    return Implied(100 * (enlarged / scale - 1), 100 * enlarged / scale**2 * sigma)


def without_shrink(points_mm: Floats, shrink: Shrink | None) -> Floats:
    """Points of the piece (n, 3), nominal frame, brought to nominal's size about the shrink's centre.

    Axes the scan does not span take the uniform scale; no shrink leaves the points as they are.
    """
    if shrink is None:
        return points_mm
    scale = np.where(shrink.is_measured, shrink.scale_xyz, shrink.scale)
    freed: Floats = shrink.centre_mm + (points_mm - shrink.centre_mm) / scale
    return freed
