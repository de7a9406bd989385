"""Every feature of nominal as the piece has it, whether the plan speaks of it or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan
from worker.features.records import Feature
from worker.judging.distances import angle_between
from worker.judging.kinds_of_place import place_model
from worker.judging.kinds_of_size import FIT, size_model
from worker.judging.measured import Measured
from worker.judging.moved import moved
from worker.judging.propagation import Departures, propagate
from worker.judging.sources import ALIGNMENT, SCANNER, angle_input, fit_input, frame_input, length_inputs, strain_input
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.records import Floats


@dataclass(frozen=True, eq=False)
class Figure:
    """A measured value and its expanded uncertainty."""

    value: float
    U: float


@dataclass(frozen=True, eq=False)
class FeatureLine:
    """One feature: nominal and measured, in the frame of the plan's alignment.

    size_mm : diameter of a hole, boss or sphere, width of a slot;  angle_deg : full angle of a cone
    offsets_mm : (p, 3) of its axis at both ends, of its centre, of its plane along the normal
    offset_mm : the largest of them;  tilt_deg : of its direction against nominal's
    reason : why it was not measured
    """

    feature: Feature
    size_mm: Figure | None = None
    angle_deg: Figure | None = None
    offsets_mm: Floats | None = None
    offset_mm: Figure | None = None
    tilt_deg: Figure | None = None
    arc_share: float | None = None
    length_share: float | None = None
    seen_share: float | None = None
    reason: str | None = None


def feature_lines(plan: Plan, measured: Measured) -> tuple[FeatureLine, ...]:
    """One line a feature, in their order."""
    return tuple(_line(feature, plan, measured) for feature in measured.features)


def _line(feature: Feature, plan: Plan, measured: Measured) -> FeatureLine:
    why_not = measured.why_not
    if why_not is not None:
        return FeatureLine(feature, reason=why_not)
    found = measured.measured_feature(feature)
    if isinstance(found, NotMeasured):
        return FeatureLine(feature, reason=found.reason)
    offsets, offset = _offset(feature, found, plan, measured)
    return FeatureLine(
        feature,
        size_mm=_size(found, plan, measured),
        angle_deg=_angle(found, plan, measured),
        offsets_mm=offsets,
        offset_mm=offset,
        tilt_deg=_tilt(feature, found, plan, measured),
        arc_share=found.arc_share,
        length_share=found.length_share,
        seen_share=found.seen_share,
    )


def _size(found: MeasuredFeature, plan: Plan, measured: Measured) -> Figure | None:
    if found.element.half_angle_rad is not None or (found.width_mm is None and found.element.radius_mm is None):
        return None
    inputs = (fit_input(found), strain_input(measured), *length_inputs(plan, measured))
    ended = propagate(size_model(found), inputs, least=0.0)
    return Figure(ended.value, ended.U)


def _angle(found: MeasuredFeature, plan: Plan, measured: Measured) -> Figure | None:
    if found.element.half_angle_rad is None:
        return None
    inputs = (fit_input(found), angle_input([found.feature], plan, measured))
    ended = propagate(
        lambda by: np.degrees(2 * moved(found.element, by[FIT]).half_angle_rad) + by[SCANNER][:, 0], inputs
    )
    return Figure(ended.value, ended.U)


def _offset(feature: Feature, found: MeasuredFeature, plan: Plan, measured: Measured) -> tuple[Floats, Figure]:
    frame = measured.pose_frame
    placed = place_model(feature, found, frame, measured)
    added = length_inputs(plan, measured)
    inputs = (fit_input(found), frame_input(frame), strain_input(measured), *added)
    ended = propagate(
        lambda by: (
            np.linalg.norm(placed(by), axis=2).max(axis=1) + np.sum([by[entry.name][:, 0] for entry in added], axis=0)
        ),
        inputs,
        least=0.0,
    )
    offsets = placed({entry.name: np.zeros((1, len(entry.covariance))) for entry in inputs})[0]
    return offsets, Figure(ended.value, ended.U)


def _tilt(feature: Feature, found: MeasuredFeature, plan: Plan, measured: Measured) -> Figure | None:
    direction = feature.direction
    if direction is None or found.element.direction is None:
        return None
    frame = measured.pose_frame

    def degrees(by: Departures) -> Floats:
        own = moved(found.element, by[FIT]).direction
        assert own is not None  # noqa: S101 asked above
        turned = frame.T_frame_pose.turn(own)
        turned = turned + np.cross(by[ALIGNMENT][:, :3], turned)
        return angle_between(turned, np.broadcast_to(direction, turned.shape)) + by[SCANNER][:, 0]

    inputs = (fit_input(found), frame_input(frame), angle_input([feature], plan, measured))
    ended = propagate(degrees, inputs, least=0.0)
    return Figure(ended.value, ended.U)
