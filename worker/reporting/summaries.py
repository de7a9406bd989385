"""The document's summaries of coverage, deviation and walls, from the maps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from shared.report import (
    Coverage,
    DeviationSummary,
    FaceStatistics,
    Percentiles,
    Place,
    Spot,
    ThicknessSummary,
    Vector,
)
from worker.judging.kinds_of_wall import wall_budget
from worker.judging.propagation import combined
from worker.judging.uncertainty import deviation_sigma_mm, expanded_map_mm
from worker.judging.verdicts import COVERAGE_FACTOR
from worker.measuring.statistics import Summary, summarise, worst_places
from worker.records import Bools, Deviation, Face, Floats, Ints, Region, Thickness, ThinSpot
from worker.reporting.inspected import Inspected, MapTolerance, map_tolerance
from worker.reporting.scene import face_label

FACE_LIMIT = 500  # rows; a mesh cut at its creases can have thousands of faces, the largest are told
NAMES = ("p01", "p05", "p25", "p50", "p75", "p95", "p99")  # in the order of statistics.PERCENTILES


@dataclass(frozen=True, eq=False)
class Summaries:
    """Everything summed up from one inspection; computed when asked, once."""

    inspected: Inspected

    @cached_property
    def tolerance(self) -> MapTolerance:
        """Of the deviation map."""
        return map_tolerance(self.inspected)

    @cached_property
    def sigma_mm(self) -> dict[str, Floats]:
        """Standard uncertainty of the deviation by source, each (s,); empty without a deviation."""
        found, measured = self.inspected, self.inspected.measured
        if measured.deviation is None:
            return {}
        return deviation_sigma_mm(
            found.plan_mm, measured.nominal, measured.samples, measured.alignment, measured.deviation
        )

    @cached_property
    def U_mm(self) -> Floats | None:
        """(s,) expanded uncertainty (k = 2) of the deviation."""
        return expanded_map_mm(self.sigma_mm) if self.sigma_mm else None

    @cached_property
    def coverage(self) -> Coverage | None:
        """How much of nominal the scan reached."""
        deviation, area = self.inspected.measured.deviation, self.inspected.measured.samples.area_mm2
        if deviation is None:
            return None
        total, seen = float(area.sum()), float(area[deviation.is_measured].sum())
        return Coverage(
            measured_area_share=min(seen / total, 1.0),
            nominal_area_mm2=total,
            measured_area_mm2=seen,
            scan_point_count=len(deviation.scan_points_mm),
            set_aside=dict(sorted(deviation.set_aside.items())),
            is_facing_known=deviation.is_facing_known,
        )

    @cached_property
    def deviation(self) -> DeviationSummary | None:
        """Distribution, worst places, faces and regions."""
        deviation, samples = self.inspected.measured.deviation, self.inspected.measured.samples
        if deviation is None:
            return None
        whole = summarise(deviation.distance_mm, deviation.is_measured, samples.area_mm2)
        return DeviationSummary(
            percentiles_mm=_percentiles(whole),
            mean_mm=whole.mean,
            rms_mm=whole.rms,
            share_beyond_tolerance=self._share_beyond(deviation, whole),
            tolerance_mm=self.tolerance.mm,
            tolerance_source=self.tolerance.source,
            noise_sigma_mm=deviation.noise_sigma_mm if np.isfinite(deviation.noise_sigma_mm) else None,
            worst=list(self._worst(deviation)),
            faces=list(self._faces(deviation)),
            regions=[self._region(region, deviation) for region in self.inspected.measured.regions],
        )

    @cached_property
    def thickness(self) -> ThicknessSummary | None:
        """Walls and thin spots."""
        found, samples = self.inspected.measured.thickness, self.inspected.measured.samples
        if found is None:
            return None
        area = samples.area_mm2
        walled = float(area[found.has_ray].sum())
        actual = found.is_actual_measured
        return ThicknessSummary(
            nominal_percentiles_mm=_percentiles(summarise(found.ray_mm, found.has_ray, area)),
            actual_percentiles_mm=_percentiles(summarise(found.actual_mm, actual, area)),
            measured_area_share=min(float(area[actual & found.has_ray].sum()) / walled, 1.0) if walled > 0 else 0.0,
            spot_limit_mm=found.spot_limit_mm,
            spot_limit_source=found.spot_limit_source,
            spots=[self._spot(spot, found) for spot in found.spots],
        )

    def where(self, sample: int) -> str:
        """The smallest region a sample lies in, or its face, in words."""
        measured = self.inspected.measured
        inside = [region for region in measured.regions if region.is_member[sample]]
        if inside:
            return min(inside, key=lambda region: int(region.is_member.sum())).name
        return face_label(measured.nominal.faces[int(measured.samples.face[sample])])

    def _share_beyond(self, deviation: Deviation, whole: Summary) -> float | None:
        if whole.measured_area_mm2 <= 0:
            return None
        beyond = deviation.is_measured & (np.abs(deviation.distance_mm) > self.tolerance.mm)
        area = float(self.inspected.measured.samples.area_mm2[beyond].sum())
        return min(area / whole.measured_area_mm2, 1.0)

    def _worst(self, deviation: Deviation) -> Iterator[Place]:
        measured = self.inspected.measured
        for place in worst_places(measured.samples, deviation, self.tolerance.mm, net=measured.net):
            yield Place(
                point_mm=_vector(place.point_mm),
                deviation_mm=place.deviation_mm,
                U_mm=0.0 if self.U_mm is None else float(self.U_mm[place.sample_index]),
                area_mm2=place.area_mm2,
                face=place.face,
                where=self.where(place.sample_index),
            )

    def _faces(self, deviation: Deviation) -> Iterator[FaceStatistics]:
        """Faces in the file's order; of very many, the largest."""
        samples, faces = self.inspected.measured.samples, self.inspected.measured.nominal.faces
        order = np.argsort(samples.face, kind="stable")
        edges = np.searchsorted(samples.face[order], np.arange(len(faces) + 1))
        told = {face.index for face in sorted(faces, key=lambda face: (-face.area_mm2, face.index))[:FACE_LIMIT]}
        for number, face in enumerate(faces):
            members = order[edges[number] : edges[number + 1]]
            if face.index in told and len(members):
                yield self._row(_face_name(face), "face", face.kind.value, members, deviation)

    def _region(self, region: Region, deviation: Deviation) -> FaceStatistics:
        return self._row(region.name, region.source, "region", np.flatnonzero(region.is_member), deviation)

    def _row(self, name: str, source: str, kind: str, members: Ints, deviation: Deviation) -> FaceStatistics:
        samples = self.inspected.measured.samples
        is_measured, area = deviation.is_measured[members], samples.area_mm2[members]
        found = summarise(deviation.distance_mm[members], is_measured, area)
        spread = _percentiles(found)
        return FaceStatistics(
            name=name,
            source=source,
            kind=kind,
            area_mm2=found.area_mm2,
            measured_area_share=min(found.measured_share, 1.0),
            mean_mm=found.mean,
            rms_mm=found.rms,
            p05_mm=None if spread is None else spread.p05,
            p95_mm=None if spread is None else spread.p95,
            point_mm=_pointed_at(samples.points_mm[members], deviation.distance_mm[members], is_measured),
        )

    def _spot(self, spot: ThinSpot, thickness: Thickness) -> Spot:
        far = int(thickness.opposite_sample[spot.sample_index])
        here = self.where(spot.sample_index)
        there = here if far < 0 else self.where(far)
        return Spot(
            point_mm=_vector(spot.point_mm),
            opposite_point_mm=_vector(spot.opposite_point_mm),
            least_mm=spot.least_mm,
            nominal_mm=spot.nominal_mm,
            U_mm=self._wall_U_mm(spot.sample_index, far) if spot.is_actual and far >= 0 else None,
            area_mm2=spot.area_mm2,
            is_actual=spot.is_actual,
            where=here if here == there else f"{here} toward {there}",
        )

    def _wall_U_mm(self, near: int, far: int) -> float | None:
        """U (k = 2) of the piece's wall between two samples: both skins' noise and facets; the pose drops out."""
        if not self.sigma_mm:
            return None
        noise = float(np.linalg.norm(self.sigma_mm["scan noise"][[near, far]]))
        sigma = combined(0.0, wall_budget(self.sigma_mm, self.inspected.measured.quantum_mm, (near, far), noise)).sigma
        return COVERAGE_FACTOR * sigma if np.isfinite(sigma) else None


def _face_name(face: Face) -> str:
    return face_label(face) if face.name is None else f"{face.name}, face {face.index}"


def _percentiles(found: Summary) -> Percentiles | None:
    if found.percentiles is None:
        return None
    return Percentiles(**dict(zip(NAMES, found.percentiles, strict=True)))


def _vector(values: Floats) -> Vector:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _pointed_at(points: Floats, distance_mm: Floats, is_measured: Bools) -> Vector | None:
    """Where to look: the middle of what was not measured if that is most of it, else the worst sample."""
    if not len(points):
        return None
    if 2 * is_measured.sum() < len(points):
        gap = points[~is_measured]
        return _vector(gap[((gap - gap.mean(axis=0)) ** 2).sum(axis=1).argmin()])
    worst = int(np.argmax(np.where(is_measured, np.abs(distance_mm), -1.0)))
    return _vector(points[worst])
