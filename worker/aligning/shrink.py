"""Scale of the piece against nominal: a diagnostic, and the reason a shrunk piece still aligns.

A print that shrank 0.4 % over 180 mm is 0.36 mm off at both ends.  A robust rigid fit would take
one end, or some band between, for the truth.  So the scale along the part axes is fitted beside
the pose, about the nominal's area centroid, and the pose is what is left when it is taken out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.records import Bools, Floats, Shrink


@dataclass(frozen=True, kw_only=True)
class ShrinkSettings:
    """When a scale is known, and when it is real."""

    known_sigma: float = 0.0005  # half the 0.1 % steps in which pattern shrink is allowed for (common practice)
    significance: float = 3.0  # standard deviations from one
    improvement: float = 0.05  # of the robust sigma; less means the scale moves nothing beyond a third of the noise


def shrink_of(scale_xyz: Floats, covariance_xyz: Floats, centre_mm: Floats, settings: ShrinkSettings) -> Shrink | None:
    """The record, or None where the scan spans no axis.

    scale_xyz : (3,) piece over nominal;  covariance_xyz : (3, 3);  centre_mm : (3,) nominal frame

    The uniform scale is the least-squares mean of the measured axes under their covariance.
    """
    is_measured = np.sqrt(np.diag(covariance_xyz)) < settings.known_sigma
    if not is_measured.any():
        return None
    own = covariance_xyz[np.ix_(is_measured, is_measured)]
    held = np.linalg.inv(own)
    scale = float((held @ scale_xyz[is_measured]).sum() / held.sum())
    return Shrink(
        scale_xyz=np.where(is_measured, scale_xyz, 1.0),
        covariance_xyz=covariance_xyz,
        scale=scale,
        scale_sigma=float(1.0 / np.sqrt(held.sum())),
        is_measured=is_measured,
        centre_mm=centre_mm,
    )


def with_covariance(shrink: Shrink | None, covariance_xyz: Floats) -> Shrink | None:
    """The same scale, less sure: whether it is measured and how axes are weighed stay as they were."""
    if shrink is None:
        return None
    used = shrink.is_measured
    held = np.linalg.inv(shrink.covariance_xyz[np.ix_(used, used)])
    share = held.sum(axis=0) / held.sum()
    variance = float(share @ covariance_xyz[np.ix_(used, used)] @ share)
    return replace(shrink, covariance_xyz=covariance_xyz, scale_sigma=float(np.sqrt(variance)))


def significant_axes(shrink: Shrink | None, settings: ShrinkSettings) -> Bools:
    """(3,) axes measured to differ from one by more than chance."""
    if shrink is None:
        return np.zeros(3, dtype=np.bool_)
    sigma = np.sqrt(np.diag(shrink.covariance_xyz))
    return shrink.is_measured & (np.abs(shrink.scale_xyz - 1.0) > settings.significance * sigma)


def is_scaled(shrink: Shrink | None, sigma_rigid_mm: float, sigma_scaled_mm: float, settings: ShrinkSettings) -> bool:
    """Whether the piece has another size: by more than chance, and residuals clearly shrink when it is allowed for."""
    is_better = sigma_scaled_mm < (1.0 - settings.improvement) * sigma_rigid_mm
    return bool(is_better and significant_axes(shrink, settings).any())
