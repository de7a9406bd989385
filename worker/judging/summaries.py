"""The report's summaries of coverage, deviation and walls, from the stages' records."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from shared.plan import Plan
from shared.report import Coverage, DeviationSummary, FaceStatistics, Percentiles, Place, Spot, ThicknessSummary
from worker.judging.kinds_of_surface import wall_sigma_mm
from worker.judging.measured import Measured
from worker.judging.uncertainty import deviation_sigma_mm, expanded_map_mm
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.statistics import Summary, WorstPlace, summarise, worst_places
from worker.records import Bools, Deviation, Floats, Ints, ThinSpot


def coverage_summary(measured: Measured) -> Coverage | None:
    """How much of nominal was seen; None without an alignment."""
    deviation, area = measured.deviation, measured.samples.area_mm2
    if deviation is None:
        return None
    whole, seen = float(area.sum()), float(area[deviation.is_measured].sum())
    return Coverage(
        measured_area_share=min(1.0, seen / whole),
        nominal_area_mm2=whole,
        measured_area_mm2=seen,
        scan_point_count=len(deviation.scan_points_mm),
        set_aside=dict(deviation.set_aside),
        is_facing_known=deviation.is_facing_known,
    )


def deviation_U_mm(plan_mm: Plan, measured: Measured) -> Floats | None:
    """Expanded uncertainty (s,) of the deviation map, k = 2; None without an alignment."""
    if measured.deviation is None:
        return None
    parts = (measured.nominal, measured.samples, measured.alignment, measured.deviation)
    return expanded_map_mm(deviation_sigma_mm(plan_mm, *parts))


def deviation_summary(
    plan_mm: Plan, measured: Measured, tolerance_mm: float, tolerance_source: str
) -> DeviationSummary | None:
    """Figures of the deviation map; None without an alignment."""
    deviation, area = measured.deviation, measured.samples.area_mm2
    U_mm = deviation_U_mm(plan_mm, measured)
    if deviation is None or U_mm is None:
        return None
    whole = summarise(deviation.distance_mm, deviation.is_measured, area)
    beyond = deviation.is_measured & (np.abs(deviation.distance_mm) > tolerance_mm)
    seen = whole.measured_area_mm2
    places = worst_places(measured.samples, deviation, tolerance_mm, net=measured.net)
    return DeviationSummary(
        percentiles_mm=_percentiles(whole),
        mean_mm=whole.mean,
        rms_mm=whole.rms,
        share_beyond_tolerance=min(1.0, float(area[beyond].sum()) / seen) if seen > 0 else None,
        tolerance_mm=tolerance_mm,
        tolerance_source=tolerance_source,
        noise_sigma_mm=deviation.noise_sigma_mm if seen > 0 else None,
        worst=[_place(place, measured, float(U_mm[place.sample_index])) for place in places],
        faces=_face_rows(measured, deviation),
        regions=_region_rows(measured, deviation),
    )


def thickness_summary(plan_mm: Plan, measured: Measured) -> ThicknessSummary | None:
    """Figures of the walls and the thin spots; None where no wall was measured."""
    thickness, area = measured.thickness, measured.samples.area_mm2
    if thickness is None:
        return None
    actual = summarise(thickness.actual_mm, thickness.is_actual_measured, area)
    return ThicknessSummary(
        nominal_percentiles_mm=_percentiles(summarise(thickness.ray_mm, thickness.has_ray, area)),
        actual_percentiles_mm=_percentiles(actual),
        measured_area_share=min(1.0, actual.measured_share),
        spot_limit_mm=thickness.spot_limit_mm,
        spot_limit_source=thickness.spot_limit_source,
        spots=[_spot(spot, plan_mm, measured) for spot in thickness.spots],
    )


def where_text(measured: Measured, sample_index: int) -> str:
    """A place in words: the region it lies in, else its face by name, else by number and kind."""
    for region in measured.regions:
        if region.is_member[sample_index]:
            return region.name
    face = measured.nominal.faces[int(measured.samples.face[sample_index])]
    return face.name or f"face {face.index} ({face.kind.value})"


def _place(place: WorstPlace, measured: Measured, U_mm: float) -> Place:
    return Place(
        point_mm=_vector(place.point_mm),
        deviation_mm=place.deviation_mm,
        U_mm=U_mm,
        area_mm2=place.area_mm2,
        face=place.face,
        where=where_text(measured, place.sample_index),
    )


def _spot(spot: ThinSpot, plan_mm: Plan, measured: Measured) -> Spot:
    thickness, U_mm = measured.thickness, None
    far = -1 if thickness is None else int(thickness.opposite_sample[spot.sample_index])
    if spot.is_actual and far >= 0:
        U_mm = COVERAGE_FACTOR * wall_sigma_mm(plan_mm, measured, spot.sample_index, far)
    return Spot(
        point_mm=_vector(spot.point_mm),
        opposite_point_mm=_vector(spot.opposite_point_mm),
        least_mm=spot.least_mm,
        nominal_mm=spot.nominal_mm,
        U_mm=U_mm,
        area_mm2=spot.area_mm2,
        is_actual=spot.is_actual,
        where=where_text(measured, spot.sample_index),
    )


def _face_rows(measured: Measured, deviation: Deviation) -> list[FaceStatistics]:
    """One row a face, sorted by face once instead of searched for each."""
    samples = measured.samples
    order = np.argsort(samples.face, kind="stable")
    bounds = np.searchsorted(samples.face[order], np.arange(len(measured.nominal.faces) + 1))
    rows = []
    for face in measured.nominal.faces:
        own = order[bounds[face.index] : bounds[face.index + 1]]
        if len(own):
            name = face.name or f"face {face.index}"
            rows.append(_row(name, "face", face.kind.value, measured, deviation, own))
    return rows


def _region_rows(measured: Measured, deviation: Deviation) -> list[FaceStatistics]:
    return [
        _row(region.name, region.source, "region", measured, deviation, np.flatnonzero(region.is_member))
        for region in measured.regions
    ]


def _row(  # noqa: PLR0913  one flat row of a table
    name: str, source: str, kind: str, measured: Measured, deviation: Deviation, own: Ints
) -> FaceStatistics:
    values, used = deviation.distance_mm[own], deviation.is_measured[own]
    found = summarise(values, used, measured.samples.area_mm2[own])
    return FaceStatistics(
        name=name,
        source=source,
        kind=kind,
        area_mm2=found.area_mm2,
        measured_area_share=min(1.0, found.measured_share),
        mean_mm=found.mean,
        rms_mm=found.rms,
        p05_mm=None if found.percentiles is None else found.percentiles[1],
        p95_mm=None if found.percentiles is None else found.percentiles[5],
        point_mm=_worst_point(measured, values, used, own),
    )


def _worst_point(measured: Measured, values: Floats, used: Bools, own: Ints) -> tuple[float, float, float] | None:
    if not used.any():
        return None
    return _vector(measured.samples.points_mm[own[np.argmax(np.where(used, np.abs(values), -1.0))]])


def _percentiles(found: Summary) -> Percentiles | None:
    if found.percentiles is None:
        return None
    p01, p05, p25, p50, p75, p95, p99 = found.percentiles
    return Percentiles(p01=p01, p05=p05, p25=p25, p50=p50, p75=p75, p95=p95, p99=p99)


def _vector(values: Iterable[float]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z
