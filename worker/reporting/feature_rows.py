"""Features and frames in words: rows of the page's tables, and which features are worth a sentence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shared.report import Figure, FrameRecord, MeasuredFeature, Report, Vector
from worker.reporting import wording
from worker.reporting.wording import Pair

Text = str | Pair
DASH = "—"
TOLD_KINDS = frozenset({"hole", "boss", "slot", "sphere"})  # of planes and cones the deviation map tells as much
DISPLACED_SHOWN = 4  # more are in the table
ROW_LIMIT = 400  # of the page; the document has them all


@dataclass(frozen=True)
class FeatureRow:
    """A feature in words.

    notes : what it is beyond its kind;  off : of its size or angle against nominal
    place, place_U : how far its axis, centre or plane lies off, by part axes
    """

    id: str
    notes: list[Text]
    nominal: Text
    measured: Text
    off: Text
    U: Text
    place: Text
    by_axes: Text | None
    place_U: Text
    tilt: Text
    tilt_U: Text
    seen: str
    reason: str | None
    point: Vector | None


@dataclass(frozen=True)
class FrameRow:
    """A frame in words, against the fit of the whole piece."""

    name: str
    is_used: bool
    text: str
    shift: Text
    shift_U: Text
    turn: str
    turn_U: str
    dof: str


def feature_rows(report: Report) -> list[FeatureRow]:
    """Features in the order of their ids, as many as a page can hold."""
    return [_feature_row(feature) for feature in report.features[:ROW_LIMIT]]


def frame_rows(report: Report) -> list[FrameRow]:
    """The frame everything was measured in first."""
    return [_frame_row(frame) for frame in report.frames]


def displaced_features(features: Sequence[MeasuredFeature], tolerance_mm: float) -> list[MeasuredFeature]:
    """Features whose axis or centre lies off by more than the map tolerance beyond doubt, the worst first."""
    off = [
        feature
        for feature in features
        if feature.kind in TOLD_KINDS
        and feature.offset_mm is not None
        and feature.offset_mm.value - feature.offset_mm.U > tolerance_mm
    ]
    return sorted(off, key=lambda feature: -_value(feature.offset_mm))[:DISPLACED_SHOWN]


def feature_text(feature: MeasuredFeature) -> str:
    """``hole-3, diameter 30.000 mm (1.1811 in)``."""
    if feature.width_mm is not None:
        return f"{feature.id}, {wording.size(feature.width_mm)} wide"
    if feature.radius_mm is not None and feature.half_angle_rad is None:
        return f"{feature.id}, diameter {wording.size(2 * feature.radius_mm)}"
    return feature.id


def offset_text(feature: MeasuredFeature) -> str:
    """Distance and part axes, at the worse end."""
    return f"{wording.departure(_value(feature.offset_mm))} ({_worst_offset(feature)})"


def _feature_row(feature: MeasuredFeature) -> FeatureRow:
    nominal, figure, is_angle = _size(feature)
    measured, off, U = _size_words(nominal, figure, is_angle=is_angle)
    offset, tilt = feature.offset_mm, feature.tilt_deg
    return FeatureRow(
        id=feature.id,
        notes=_notes(feature),
        nominal=DASH if nominal is None else _written(nominal, is_angle=is_angle),
        measured=measured,
        off=off,
        U=U,
        place=DASH if offset is None else wording.departure(offset.value),
        by_axes=_worst_offset(feature),
        place_U=DASH if offset is None else wording.departure(offset.U),
        tilt=DASH if tilt is None else wording.degrees(tilt.value),
        tilt_U=DASH if tilt is None else wording.degrees(tilt.U),
        seen=DASH if feature.seen_share is None else wording.share(feature.seen_share),
        reason=feature.reason,
        point=feature.surface_point_mm,
    )


def _size(feature: MeasuredFeature) -> tuple[float | None, Figure | None, bool]:
    """Nominal size or angle, the measured one, and whether it is an angle."""
    if feature.half_angle_rad is not None:
        return math.degrees(2 * feature.half_angle_rad), feature.measured_angle_deg, True
    if feature.width_mm is not None:
        return feature.width_mm, feature.measured_size_mm, False
    return None if feature.radius_mm is None else 2 * feature.radius_mm, feature.measured_size_mm, False


def _size_words(nominal: float | None, figure: Figure | None, *, is_angle: bool) -> tuple[Text, Text, Text]:
    if nominal is None or figure is None:
        return DASH, DASH, DASH
    unit = "deg" if is_angle else "mm"
    off = wording.off_in_unit(figure.value - nominal, unit, is_signed=True)
    return _written(figure.value, is_angle=is_angle), off, wording.off_in_unit(figure.U, unit)


def _written(value: float, *, is_angle: bool) -> Text:
    return wording.degrees(value) if is_angle else wording.size(value)


def _notes(feature: MeasuredFeature) -> list[Text]:
    notes: list[Text] = [feature.name] if feature.name else []
    if feature.pattern is not None:
        notes.append(f"{len(feature.members)} holes: {', '.join(feature.members)}")
    if feature.is_through is not None:
        notes.append("through" if feature.is_through else "blind")
    if feature.depth_mm is not None:
        depth = wording.size(feature.depth_mm)
        notes.append(Pair(f"{depth.mm} deep", f"{depth.inch} deep"))
    place = wording.position(feature.point_mm)
    notes.append(Pair(f"at {place.mm}", f"at {place.inch}"))
    return notes


def _worst_offset(feature: MeasuredFeature) -> Pair | None:
    if not feature.offsets_mm:
        return None
    return wording.vector(max(feature.offsets_mm, key=lambda offset: sum(part**2 for part in offset)))


def _value(figure: Figure | None) -> float:
    return 0.0 if figure is None else figure.value


def _frame_row(frame: FrameRecord) -> FrameRow:
    open_text = f" Left to that fit: {'; '.join(frame.open_freedoms)}." if frame.open_freedoms else ""
    reason = None if frame.reason is None else f"Not established: {frame.reason}."
    return FrameRow(
        name=frame.name,
        is_used=frame.is_used,
        text=reason or f"{frame.description or ''}{open_text}",
        shift=DASH if frame.shift_mm is None else wording.vector(frame.shift_mm),
        shift_U=DASH if frame.U_shift_mm is None else wording.vector(frame.U_shift_mm, is_signed=False),
        turn=_turn(frame.rotation_rad, is_signed=True),
        turn_U=_turn(frame.U_rotation_rad, is_signed=False),
        dof=DASH if frame.dof is None else f"{frame.dof:.0f}",
    )


def _turn(rotation_rad: Vector | None, *, is_signed: bool) -> str:
    if rotation_rad is None:
        return DASH
    parts = zip("xyz", rotation_rad, strict=True)
    return ", ".join(f"{axis} {wording.degrees(math.degrees(value), 4, is_signed=is_signed)}" for axis, value in parts)
