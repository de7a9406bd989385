"""A frame that characteristics are measured in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats
from worker.rigid import RigidTransform, turn_to_shift


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasuringFrame:
    """Where nominal lies for one characteristic.

    Scan points are kept in the pose's nominal frame; ``T_frame_pose.apply(points)`` brings them to
    nominal as this frame places it.

    covariance : (6, 6) of (rotation_rad, shift_mm) of points of the frame about ``centre_mm``
    dof : degrees of freedom behind it
    description : for the report, one sentence
    open_text : freedoms the datums leave open, in words; there the fit of the whole piece is kept
    """

    name: str
    T_frame_pose: RigidTransform
    covariance: Floats
    centre_mm: Floats
    dof: float
    description: str
    open_text: tuple[str, ...] = ()

    def covariance_at(self, point_mm: Floats) -> Floats:
        """Covariance (3, 3), mm^2, of where the frame puts a point (3,)."""
        spread = np.concatenate([turn_to_shift(point_mm - self.centre_mm), np.eye(3)], axis=1)
        moved: Floats = spread @ self.covariance @ spread.T
        return moved


@dataclass(frozen=True)
class NoFrame:
    """Why a frame could not be established on this piece; its characteristics are not measured."""

    reason: str
