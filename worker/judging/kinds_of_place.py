"""Position and coaxiality: the zone that an axis or a centre needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from shared.plan import Coaxiality, MaterialCondition, Plan, Position
from worker.datums.records import MeasuringFrame, NoFrame
from worker.features.records import Feature, FeatureKind
from worker.fitting.records import Association
from worker.judging.finding import Finding, Unmeasured, row
from worker.judging.kinds_of_size import FIT, feature_details, samples_of, unmeasured_feature
from worker.judging.limits import size_limits
from worker.judging.measured import SCALE_STEP, Measured
from worker.judging.moved import Moved, in_frame, moved
from worker.judging.propagation import Departures, length_by_chance
from worker.judging.sources import (
    ALIGNMENT,
    RESOLUTION,
    SCANNER,
    SHRINK,
    TEMPERATURE,
    fit_input,
    frame_input,
    length_inputs,
    shrink_input,
    shrink_shift,
    strain_input,
)
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.records import Floats
from worker.rigid import RigidTransform

ENVELOPE = "envelope of the feature"


def position(line: Position, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Twice the largest offset of the axis over its depth, or of the centre (ISO 1101, ISO 5458, ASME Y14.5)."""
    feature = measured.feature(line.feature, f"characteristic {line.id}")
    frame = measured.frame(line.frame, plan, shrink_removed=line.shrink_removed)
    by_scale = measured.frame_by_scale(line.frame, plan) if line.shrink_removed else None
    found = _placed(feature, frame, plan, measured, by_scale=by_scale)
    if isinstance(found, Unmeasured) or line.condition is MaterialCondition.RFS:
        return found
    return _with_bonus(line, feature, found, plan, measured)


def coaxiality(line: Coaxiality, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Twice the largest distance of the axis, over its length, from the datum axis (ISO 1101)."""
    feature = measured.feature(line.feature, f"characteristic {line.id}")
    return _placed(feature, measured.datum(line.datum, plan), plan, measured, by_scale=None)


def _placed(
    feature: Feature,
    frame: MeasuringFrame | NoFrame,
    plan: Plan,
    measured: Measured,
    *,
    by_scale: tuple[RigidTransform, ...] | None,
) -> Finding | Unmeasured:
    """by_scale : how the frame moves with the shrink taken out; None where it stays in."""
    if isinstance(frame, NoFrame):
        return Unmeasured(frame.reason, point_mm=feature.point_mm)
    found = measured.measured_feature(feature, shrink_removed=by_scale is not None)
    if isinstance(found, NotMeasured):
        return unmeasured_feature(found, feature, measured)
    placed = place_model(feature, found, frame, measured, by_scale or ())

    def zone(departures: Departures) -> Floats:
        lengths = np.linalg.norm(placed(departures), axis=2)
        total: Floats = 2 * lengths.max(axis=1)
        return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0]

    inputs = (
        fit_input(found),
        frame_input(frame),
        strain_input(measured),
        shrink_input(measured) if by_scale is not None else None,
        *length_inputs(plan, measured, scale=2.0),
    )
    kept = tuple(entry for entry in inputs if entry is not None)
    offsets = placed({entry.name: np.zeros((1, len(entry.covariance))) for entry in kept})[0]
    places = places_of(feature)
    worst = int(np.argmax(np.linalg.norm(offsets, axis=1)))
    return Finding(
        inputs=kept,
        model=zone,
        least=0.0,
        point_mm=places[worst],
        details={
            "offset_at_start_mm": row(offsets[0]),
            "offset_at_end_mm": row(offsets[-1]),
            "start_mm": row(places[0]),
            "end_mm": row(places[-1]),
            "frame_from_pose_mm": row(frame.T_frame_pose.apply(places[worst]) - places[worst]),
            **feature_details(found),
        },
        sample_mask=samples_of(feature, measured),
        frame=frame.name,
        by_chance=2 * length_by_chance(placed, kept),
    )


def places_of(feature: Feature) -> Floats:
    """Places (p, 3) of nominal at which the feature must lie in its zone: the ends of an axis, or the centre."""
    if feature.ends_mm is not None:
        return feature.ends_mm
    return feature.point_mm[None]


def place_model(
    feature: Feature,
    found: MeasuredFeature,
    frame: MeasuringFrame,
    measured: Measured,
    by_scale: tuple[RigidTransform, ...] = (),
) -> Callable[[Departures], Floats]:
    """Offsets (n, p, 3) of the feature from its places.

    by_scale : how the frame moves with the shrink taken out (``Measured.frame_by_scale``)
    """
    places = places_of(feature)

    def offsets(departures: Departures) -> Floats:
        element = moved(found.element, departures[FIT], found.width_mm)
        if SHRINK in departures:
            point = element.point_mm + shrink_shift(measured, element.point_mm, departures[SHRINK])
            element = replace(element, point_mm=point)
        element = in_frame(element, frame, departures[ALIGNMENT], departures[TEMPERATURE][:, 0])
        for step, scale in zip(by_scale, departures.get(SHRINK, np.zeros((1, 3))).T, strict=False):
            moved_mm = step.apply(feature.point_mm) - feature.point_mm
            element = replace(element, point_mm=element.point_mm + np.outer(scale / SCALE_STEP, moved_mm))
        return np.stack([_offset(feature, element, place) for place in places], axis=1)

    return offsets


def _offset(feature: Feature, element: Moved, place_mm: Floats) -> Floats:
    """Offset (n, 3) of the feature from one place: square to its axis, along its normal, or whole."""
    if element.direction is None or feature.direction is None:
        return element.point_mm - place_mm
    if feature.kind in (FeatureKind.PLANE, FeatureKind.SLOT):
        along = ((element.point_mm - place_mm) * element.direction).sum(axis=1)
        gap: Floats = along[:, None] * element.direction
        return gap
    return element.at_plane(place_mm, feature.direction) - place_mm


def _with_bonus(
    line: Position, feature: Feature, found: Finding, plan: Plan, measured: Measured
) -> Finding | Unmeasured:
    """The zone grown by how far the feature's envelope has left the size its condition names (ISO 2692, ASME Y14.5).

    The envelope is the unrelated one: the largest cylinder inside a hole, the smallest round a boss at
    mmc, the other way round at lmc.  What the envelope is uncertain by goes into U of the zone.
    """
    limits = size_limits(line, feature, plan)
    is_inside = feature.is_internal == (line.condition is MaterialCondition.MMC)
    envelope = measured.measured_feature(
        feature, Association.MAXIMUM_INSCRIBED if is_inside else Association.MINIMUM_CIRCUMSCRIBED
    )
    if isinstance(envelope, NotMeasured):
        return unmeasured_feature(envelope, feature, measured)
    stated = limits.lower if is_inside else limits.upper

    def bonus(departures: Floats) -> Floats:
        diameter = 2 * moved(envelope.element, departures, envelope.width_mm).radius_mm
        left = diameter - stated if is_inside else stated - diameter
        return np.clip(left, 0.0, limits.upper - limits.lower)

    own = float(bonus(np.zeros((1, 8)))[0])
    plain = found.model

    def zone(departures: Departures) -> Floats:
        return plain(departures) - (bonus(departures[ENVELOPE]) - own)

    return replace(
        found,
        inputs=(*found.inputs, fit_input(envelope, ENVELOPE)),
        model=zone,
        least=-np.inf,
        bonus_mm=own,
        details={
            **found.details,
            "envelope_diameter_mm": 2
            * float(moved(envelope.element, np.zeros((1, 8)), envelope.width_mm).radius_mm[0]),
            "condition": line.condition.value,
        },
    )
