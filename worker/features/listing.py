"""From detected features to the list that plans, the API and the command show."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.feature_list import FeatureList, FeatureRecord, Vector
from worker.features.records import Feature
from worker.records import Floats, Nominal


def list_features(features: Sequence[Feature], nominal: Nominal, *, file: str, stated_unit: str | None) -> FeatureList:
    """The list of a nominal's features.

    features : as found by :func:`worker.features.detect.detect_features` on ``nominal``
    file : display name of the file;  stated_unit : what the caller says of its unit
    """
    low, high = _box(nominal.vertices_mm)
    return FeatureList(
        file=file,
        unit=nominal.declared_unit or stated_unit or "mm",
        is_brep=nominal.chord_tolerance_mm is not None,
        minimum_mm=low,
        maximum_mm=high,
        features=tuple(feature_record(feature, nominal) for feature in features),
    )


def feature_record(feature: Feature, nominal: Nominal) -> FeatureRecord:
    """One feature as plain values."""
    low, high = _box(nominal.vertices_mm[np.unique(nominal.triangles[feature.triangles])])
    return FeatureRecord(
        id=feature.id,
        kind=feature.kind.value,
        name=feature.name,
        faces=tuple(feature.faces.tolist()),
        point_mm=_vector(feature.point_mm),
        direction=None if feature.direction is None else _vector(feature.direction),
        radius_mm=feature.radius_mm,
        half_angle_rad=feature.half_angle_rad,
        ends_mm=None if feature.ends_mm is None else (_vector(feature.ends_mm[0]), _vector(feature.ends_mm[1])),
        depth_mm=feature.depth_mm,
        is_internal=feature.is_internal,
        is_through=feature.is_through,
        arc_rad=feature.arc_rad,
        width_mm=feature.width_mm,
        length_mm=feature.length_mm,
        length_direction=None if feature.length_direction is None else _vector(feature.length_direction),
        members=feature.members,
        pattern=None if feature.pattern is None else feature.pattern.value,
        area_mm2=float(feature.area_mm2),
        form_mm=float(feature.form_mm),
        minimum_mm=low,
        maximum_mm=high,
    )


def _box(points_mm: Floats) -> tuple[Vector, Vector]:
    return _vector(points_mm.min(axis=0)), _vector(points_mm.max(axis=0))


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) + 0.0 for value in values)  # no minus zero
    return x, y, z
