"""The sources of uncertainty that characteristics of features share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan import Plan
from worker.datums.records import MeasuringFrame
from worker.features.records import Feature
from worker.fitting.records import RADIUS_INDEX
from worker.judging.distances import reach_of
from worker.judging.measured import Measured
from worker.judging.propagation import Input, Shape
from worker.judging.uncertainty import UNIFORM, scanner_sigma_mm
from worker.measuring.measured_feature import MeasuredFeature
from worker.records import Floats

ALIGNMENT, TEMPERATURE, SHRINK, SCANNER, RESOLUTION = (
    "alignment",
    "temperature",
    "shrink",
    "scanner",
    "file resolution",
)


def fit_input(found: MeasuredFeature, name: str = "fit and roughness") -> Input:
    """Where the fitted element may lie: its eight freedoms; half the width of a slot stands for a radius."""
    covariance = found.element.covariance
    if found.width_sigma_mm is not None:
        covariance = covariance.copy()
        covariance[RADIUS_INDEX, RADIUS_INDEX] = (found.width_sigma_mm / 2) ** 2
    return Input(name, covariance, found.element.dof)


def frame_input(frame: MeasuringFrame) -> Input:
    """Where the frame may lie: rotation (3) and shift (3)."""
    return Input(ALIGNMENT, frame.covariance, frame.dof)


def strain_input(measured: Measured) -> Input:
    """The correction to 20 degrees, per unit of length."""
    return Input.single(TEMPERATURE, measured.strain_sigma)


def length_inputs(plan: Plan, measured: Measured, *, scale: float = 1.0) -> tuple[Input, ...]:
    """Scanner and file resolution, which add to a length; ``scale`` 2 for a zone of twice an offset."""
    return (
        Input.single(SCANNER, scale * scanner_sigma_mm(plan)),
        Input.single(RESOLUTION, scale * UNIFORM * measured.quantum_mm, shape=Shape.UNIFORM),
    )


def angle_input(features: Sequence[Feature], plan: Plan, measured: Measured) -> Input:
    """The scanner's length error over the reach of the shortest feature, degrees."""
    reach = min(reach_of(feature, measured.nominal) for feature in features)
    return Input.single(SCANNER, float(np.degrees(scanner_sigma_mm(plan) / reach)) if reach > 0 else 0.0)


def shrink_input(measured: Measured) -> Input:
    """The scale that was taken out of the piece, along the part axes."""
    found = measured.alignment.shrink
    if found is None:
        return Input(SHRINK, np.zeros((3, 3)))
    variance = np.where(found.is_measured, np.diag(found.covariance_xyz), found.scale_sigma**2)
    return Input(SHRINK, np.diag(variance))


def shrink_shift(measured: Measured, points_mm: Floats, departures: Floats) -> Floats:
    """How far departures (n, 3) of the removed scale move points (n, 3)."""
    found = measured.alignment.shrink
    if found is None:
        return np.zeros_like(points_mm)
    moved: Floats = departures * (points_mm - found.centre_mm)
    return moved
