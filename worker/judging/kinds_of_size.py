"""Size, distance and angle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shared.plan import Angle, Distance, Plan, Size, SizeAssociation
from worker.datums.records import NoFrame
from worker.features.records import Feature
from worker.fitting.records import Association
from worker.judging.distances import measured_angle, measured_length
from worker.judging.finding import Finding, Unmeasured
from worker.judging.measured import Measured
from worker.judging.moved import in_frame, moved
from worker.judging.propagation import Departures, Model, length_by_chance
from worker.judging.sources import (
    ALIGNMENT,
    RESOLUTION,
    SCANNER,
    TEMPERATURE,
    angle_input,
    fit_input,
    frame_input,
    length_inputs,
    strain_input,
)
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.regions import feature_samples
from worker.measuring.seen import NotMeasured
from worker.records import Bools, Floats

ASSOCIATIONS = {
    SizeAssociation.LEAST_SQUARES: Association.LEAST_SQUARES,
    SizeAssociation.MAXIMUM_INSCRIBED: Association.MAXIMUM_INSCRIBED,
    SizeAssociation.MINIMUM_CIRCUMSCRIBED: Association.MINIMUM_CIRCUMSCRIBED,
}
FIT = "fit and roughness"


def size(line: Size, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Diameter of a cylinder or sphere, width of a slot (ISO 14405-1: GG, GX, GN)."""
    feature = measured.feature(line.feature, f"characteristic {line.id}")
    found = measured.measured_feature(feature, ASSOCIATIONS[line.association])
    if isinstance(found, NotMeasured):
        return unmeasured_feature(found, feature, measured)

    return Finding(
        inputs=(fit_input(found), strain_input(measured), *length_inputs(plan, measured)),
        model=size_model(found),
        least=0.0,
        point_mm=feature.point_mm,
        details={"association": line.association.value, **feature_details(found)},
        sample_mask=samples_of(feature, measured),
    )


def size_model(found: MeasuredFeature) -> Model:
    """Diameter or width under the inputs fit, temperature, scanner and file resolution."""

    def diameter(departures: Departures) -> Floats:
        element = moved(found.element, departures[FIT], found.width_mm)
        total: Floats = 2 * element.radius_mm * (1 + departures[TEMPERATURE][:, 0])
        return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    return diameter


def distance(line: Distance, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Distance between two features, or its component along a part axis; or a coordinate of one feature."""
    found = _one_or_two(line, measured)
    if isinstance(found, Unmeasured):
        return found
    features = tuple(one.feature for one in found)
    frame = measured.frame(line.frame, plan)
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason)
    names = [f"fit of {feature.id}" for feature in features]

    def length(departures: Departures) -> Floats:
        strain = departures[TEMPERATURE][:, 0]
        turn = departures.get(ALIGNMENT, np.zeros((len(strain), 6)))
        elements = [
            in_frame(moved(one.element, departures[name], one.width_mm), frame, turn, strain)
            for one, name in zip(found, names, strict=True)
        ]
        value = measured_length(line, features, elements)
        return value + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    inputs = [fit_input(one, name) for one, name in zip(found, names, strict=True)]
    inputs += [strain_input(measured), *length_inputs(plan, measured)]
    if line.direction is not None:  # between two features whole, the frame moves both alike
        inputs.append(frame_input(frame))
    masks = [samples_of(feature, measured) for feature in features]
    return Finding(
        inputs=tuple(inputs),
        model=length,
        point_mm=np.mean([feature.point_mm for feature in features], axis=0),
        sample_mask=np.logical_or.reduce(masks),
        frame=frame.name if line.direction is not None else None,
    )


def _one_or_two(line: Distance | Angle, measured: Measured) -> list[MeasuredFeature] | Unmeasured:
    """The features a line speaks of, or why one of them was not measured."""
    found: list[MeasuredFeature] = []
    for pick in (line.first,) if line.second is None else (line.first, line.second):
        feature = measured.feature(pick, f"characteristic {line.id}")
        one = measured.measured_feature(feature)
        if isinstance(one, NotMeasured):
            return unmeasured_feature(one, feature, measured)
        found.append(one)
    return found


def angle(line: Angle, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Angle between two directions, or the full angle of a cone."""
    found = _one_or_two(line, measured)
    if isinstance(found, Unmeasured):
        return found
    features = tuple(one.feature for one in found)
    names = [f"fit of {feature.id}" for feature in features]

    def degrees(departures: Departures) -> Floats:
        elements = [moved(one.element, departures[name]) for one, name in zip(found, names, strict=True)]
        return measured_angle(elements) + departures[SCANNER][:, 0]

    def leans(departures: Departures) -> Floats:
        """Vectors (n, 1, 3), degrees, from one direction to the other while they are nearly parallel."""
        ways = [moved(one.element, departures[name]).direction for one, name in zip(found, names, strict=True)]
        first, second = ways[0], ways[-1]
        assert first is not None  # noqa: S101 limits_of refuses features without a direction
        assert second is not None  # noqa: S101
        lean: Floats = np.degrees(np.cross(first, second))
        return lean[:, None]

    inputs = [fit_input(one, name) for one, name in zip(found, names, strict=True)]
    return Finding(
        inputs=(*inputs, angle_input(features, plan, measured)),
        model=degrees,
        by_chance=length_by_chance(leans, inputs) if len(found) > 1 else 0.0,
        least=0.0,
        point_mm=np.mean([feature.point_mm for feature in features], axis=0),
        sample_mask=np.logical_or.reduce([samples_of(feature, measured) for feature in features]),
    )


def samples_of(feature: Feature, measured: Measured) -> Bools:
    """Which samples (s,) lie on the feature."""
    return feature_samples(feature, measured.samples, len(measured.nominal.triangles))


def all_measured(features: Sequence[Feature], measured: Measured) -> list[MeasuredFeature] | Unmeasured:
    """Every feature as the scan shows it, or why the first of them it does not show was not measured."""
    found: list[MeasuredFeature] = []
    for feature in features:
        one = measured.measured_feature(feature)
        if isinstance(one, NotMeasured):
            return unmeasured_feature(one, feature, measured)
        found.append(one)
    return found


def unmeasured_feature(found: NotMeasured, feature: Feature, measured: Measured) -> Unmeasured:
    """A feature the scan does not determine."""
    return Unmeasured(
        f"{feature.id}: {found.reason}", point_mm=feature.point_mm, sample_mask=samples_of(feature, measured)
    )


def feature_details(found: MeasuredFeature) -> dict[str, float]:
    """What was seen of a feature and how its points scatter."""
    details = {"form_scatter_mm": found.element.sigma_mm, "point_count": float(found.element.point_count)}
    if np.isfinite(found.element.arc_rad):
        details["seen_arc_deg"] = float(np.degrees(found.element.arc_rad))
    if found.length_share is not None and np.isfinite(found.length_share):
        details["seen_depth_share"] = float(found.length_share)
    return details
