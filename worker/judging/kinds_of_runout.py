"""Circular and total run-out about a datum axis (ISO 1101)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from shared.plan import CircularRunout, Plan, TotalRunout
from worker.datums.records import NoFrame
from worker.features.records import Feature, FeatureKind
from worker.judging.datum_way import DatumWay, datum_way
from worker.judging.finding import Finding, Unmeasured
from worker.judging.kinds_of_form import NOISE, form_budget
from worker.judging.kinds_of_size import samples_of, unmeasured_feature
from worker.judging.likely_surface import sure_width
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.judging.propagation import Departures, Input, rng_of
from worker.judging.skin import ROUND_KINDS, Skin, gap_of, sections, skin_of
from worker.judging.sources import ALIGNMENT, frame_input
from worker.judging.widths import worst_range
from worker.measuring.seen import NotMeasured
from worker.records import Floats, Ints

SAME_SINE = 1e-3  # the CAD's axis and the feature's lean no more than this
RING_COUNT = 6  # of a face square to the axis
LEAST_RING = 8  # patches a ring must show


def circular_runout(line: CircularRunout, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Full indicator movement of the worst section: radial of a cylinder, axial of a face's rings."""
    return _runout(line, plan, measured)


def total_runout(line: TotalRunout, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Full indicator movement over the whole surface, the indicator travelling along nominal."""
    return _runout(line, plan, measured)


def _runout(line: CircularRunout | TotalRunout, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    where = f"characteristic {line.id}"
    feature = measured.feature(line.feature, where)
    datum = datum_way(line.datum, plan, measured, where)
    if isinstance(datum, NoFrame):
        return Unmeasured(datum.reason, point_mm=feature.point_mm)
    _check(feature, datum, where)
    found = measured.measured_feature(feature)
    if isinstance(found, NotMeasured):
        return unmeasured_feature(found, feature, measured)
    skin = skin_of(found, measured.nominal, rng=rng_of(0, line.id))
    if isinstance(skin, str):
        return Unmeasured(skin, point_mm=feature.point_mm, sample_mask=samples_of(feature, measured))
    is_radial = feature.kind in ROUND_KINDS
    groups = _groups(skin, datum, is_radial=is_radial) if line.kind == "circular_runout" else [_all(skin)]
    if not groups:
        return Unmeasured(f"{feature.id}: no section of it shows enough of its round", point_mm=feature.point_mm)
    reading = _Indicator(skin, datum, is_radial=is_radial)
    still = np.zeros(6)
    sure = sure_width(skin.surfaces, lambda heights: worst_range(reading.of(heights, still), groups))
    likeliest = skin.surfaces.mean_mm[None]
    own = float(worst_range(reading.of(likeliest, still), groups)[0])
    added = {NOISE: sure.sigma_mm, **form_budget(feature, plan, measured)}

    def movement(departures: Departures) -> Floats:
        turned = [worst_range(reading.of(likeliest, one), groups)[0] for one in departures[ALIGNMENT]]
        shown: Floats = sure.width_mm + (np.array(turned) - own)
        total: Floats = shown + np.sum([departures[name][:, 0] for name in added], axis=0)
        return total

    heights = reading.of(likeliest, still)[0]
    worst = max(groups, key=lambda group: float(np.ptp(heights[group])))
    return Finding(
        inputs=(frame_input(datum.frame), *(Input.single(name, sigma) for name, sigma in added.items())),
        model=movement,
        least=0.0,
        point_mm=skin.place_mm[worst[int(np.argmax(heights[worst]))]],
        details={
            "noise_taken_out_mm": sure.widening_mm,
            "section_count": float(len(groups)),
            **skin.details(found),
        },
        sample_mask=samples_of(feature, measured),
        gap=gap_of(found),
        frame=datum.frame.name,
    )


class _Indicator:
    """What an indicator reads over a skin that turns about the datum axis."""

    def __init__(self, skin: Skin, datum: DatumWay, *, is_radial: bool) -> None:
        self._skin, self._datum, self._is_radial = skin, datum, is_radial

    def of(self, heights: Floats, departure: Floats) -> Floats:
        """Readings (n, p) of surfaces (n, p), the frame under one departure (6,): rotation, shift."""
        frame, axis = self._datum.frame, self._datum.direction
        placed = frame.T_frame_pose.apply(self._skin.place_mm)
        placed = placed + np.cross(departure[:3], placed - frame.centre_mm) + departure[3:]
        offset = placed - self._datum.point_mm
        normal = frame.T_frame_pose.turn(self._skin.normal)
        along = offset @ axis
        if not self._is_radial:
            axial: Floats = along + heights * (normal @ axis)
            return axial
        radial = offset - along[:, None] * axis
        length = np.linalg.norm(radial, axis=1)
        outward = radial / np.where(length > 0, length, 1.0)[:, None]
        read: Floats = length + heights * (normal * outward).sum(axis=1)
        return read


def _check(feature: Feature, datum: DatumWay, where: str) -> None:
    kind, direction = feature.kind, feature.direction
    if not datum.is_axis:
        raise unfit(where, f"datum {datum.letter} is no axis", "Run-out is about the axis of a hole, boss or cone.")
    if kind not in (FeatureKind.PLANE, *ROUND_KINDS) or direction is None:
        raise unfit(where, "run-out is of holes, bosses and faces square to the axis", "Pick another feature.")
    if np.linalg.norm(np.cross(direction, datum.direction)) > SAME_SINE:
        raise unfit(where, "the feature is not set up about that axis in the CAD", "Pick another datum or feature.")


def _all(skin: Skin) -> Ints:
    return np.arange(len(skin.place_mm))


def _groups(skin: Skin, datum: DatumWay, *, is_radial: bool) -> list[Ints]:
    if is_radial:
        return sections(skin, has_rim=True)
    offset = datum.frame.T_frame_pose.apply(skin.place_mm) - datum.point_mm
    radius = np.linalg.norm(offset - np.outer(offset @ datum.direction, datum.direction), axis=1)
    edges = np.linspace(radius.min(), radius.max() * (1 + 1e-12), RING_COUNT + 1)
    rings = [np.flatnonzero((radius >= low) & (radius < high)) for low, high in pairwise(edges)]
    return [ring for ring in rings if len(ring) >= LEAST_RING]
