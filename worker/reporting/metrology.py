"""Records of the document on features, frames and temperature."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation

from shared.report import Figure, FrameRecord, MeasuredFeature, TemperatureRecord, Vector
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.listing import feature_record
from worker.features.records import Feature
from worker.judging.feature_lines import FeatureLine
from worker.judging.feature_lines import Figure as JudgedFigure
from worker.judging.frame_lines import FrameLine
from worker.judging.temperature import ThermalCorrection
from worker.records import Floats, Nominal

COVERAGE_FACTOR = 2.0


def feature_of(line: FeatureLine, nominal: Nominal) -> MeasuredFeature:
    """A feature, nominal and measured."""
    return MeasuredFeature(
        **dict(feature_record(line.feature, nominal)),
        surface_point_mm=_surface_point(line.feature, nominal),
        measured_size_mm=_figure(line.size_mm),
        measured_angle_deg=_figure(line.angle_deg),
        offsets_mm=None if line.offsets_mm is None else [vector_of(row) for row in line.offsets_mm],
        offset_mm=_figure(line.offset_mm),
        tilt_deg=_figure(line.tilt_deg),
        arc_share=finite(line.arc_share),
        length_share=finite(line.length_share),
        seen_share=finite(line.seen_share),
        reason=line.reason,
    )


def frame_of(line: FrameLine) -> FrameRecord:
    """A frame by its six numbers, or why there is none."""
    found = line.found
    if isinstance(found, NoFrame):
        return FrameRecord(name=line.name, is_used=line.is_used, reason=found.reason)
    U = COVERAGE_FACTOR * np.sqrt(np.maximum(found.covariance.diagonal(), 0.0))
    return FrameRecord(
        name=line.name,
        is_used=line.is_used,
        description=found.description,
        centre_mm=vector_of(found.centre_mm),
        shift_mm=vector_of(_shift(found)),
        rotation_rad=vector_of(Rotation.from_matrix(found.T_frame_pose.rotation).as_rotvec()),
        U_shift_mm=vector_of(U[3:]),
        U_rotation_rad=vector_of(U[:3]),
        dof=finite(found.dof),
        open_freedoms=list(found.open_text),
    )


def temperature_of(correction: ThermalCorrection | None) -> TemperatureRecord | None:
    """The correction to 20 degrees, where the plan states a temperature."""
    if correction is None:
        return None
    return TemperatureRecord(
        celsius=correction.celsius,
        expansion_ppm_per_kelvin=correction.ppm_per_kelvin,
        factor=correction.factor,
        U_factor=COVERAGE_FACTOR * correction.strain_sigma,
        source=correction.source,
    )


def vector_of(values: Floats) -> Vector:
    """Three plain numbers."""
    x, y, z = (float(value) for value in values)
    return x, y, z


def finite(value: float | None) -> float | None:
    """The number, none where it is not finite."""
    return float(value) if value is not None and math.isfinite(value) else None


def _surface_point(feature: Feature, nominal: Nominal) -> Vector | None:
    """Middle of the triangle nearest the feature's own point."""
    if not len(feature.triangles):
        return None
    middles = nominal.vertices_mm[nominal.triangles[feature.triangles]].mean(axis=1)
    return vector_of(middles[((middles - feature.point_mm) ** 2).sum(axis=1).argmin()])


def _shift(found: MeasuringFrame) -> Floats:
    shift: Floats = found.T_frame_pose.apply(found.centre_mm) - found.centre_mm
    return shift


def _figure(found: JudgedFigure | None) -> Figure | None:
    return None if found is None else Figure(value=float(found.value), U=float(found.U))
