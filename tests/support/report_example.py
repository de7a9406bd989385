"""An invented block with six bores, with invented findings, for looking at and testing reports.

``python -m tests.support.report_example`` writes the committed sample of the JSON document anew.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from shared.report import (
    Coverage,
    DeviationSummary,
    FaceStatistics,
    FileRecord,
    Percentiles,
    Place,
    Provenance,
    Run,
    Spot,
    Tessellation,
    ThicknessSummary,
)
from tests.support.report_block import block_deviation, block_samples, block_thickness
from worker.records import (
    Alignment,
    AlignmentStatus,
    Bools,
    Characteristic,
    Deviation,
    Floats,
    Freedom,
    Limits,
    Nominal,
    Orientation,
    Region,
    Samples,
    Shrink,
    Thickness,
    Verdict,
)
from worker.reporting.document import build_report, report_text
from worker.reporting.inspected import Allowance, Inspected
from worker.rigid import RigidTransform


def example(step_count: int = 16, *, title: str = "Invented six-bore block, first casting") -> Inspected:
    """An inspection with a plan: one core displaced, one hole unproven, one not measured, one thin wall."""
    samples, nominal = block_samples(step_count)
    deviation = block_deviation(samples)
    thickness = block_thickness(samples, deviation)
    regions = tuple(Region(f"bore_{n + 1}", "faces", samples.face == 6 + n) for n in range(6))
    return Inspected(
        title=title,
        nominal=nominal,
        samples=samples,
        alignment=_alignment(),
        deviation=deviation,
        thickness=thickness,
        coverage=_coverage(samples, deviation),
        deviation_summary=_deviation_summary(samples, nominal, deviation, regions),
        thickness_summary=_thickness_summary(thickness),
        characteristics=_characteristics(regions),
        regions=regions,
        has_plan=True,
        tolerance_mm=0.15,
        tolerance_source="plan",
        allowance=Allowance(percent=1.3, source="plan", alloy="aluminium"),
        provenance=_provenance(nominal, samples),
        run=Run(
            inspection_id=None,
            created_at="2026-01-01T00:00:00Z",
            timings_s={"read": 1.0},
            peak_memory_bytes=10**9,
            thread_count=2,
            host_platform="linux",
        ),
    )


def without_plan(step_count: int = 16) -> Inspected:
    """The same piece when nobody said what to judge."""
    return replace(example(step_count), characteristics=(), regions=(), has_plan=False, tolerance_source="default")


def not_aligned(step_count: int = 16) -> Inspected:
    """A scan of some other part."""
    lost = replace(
        _alignment(),
        status=AlignmentStatus.NOT_ALIGNED,
        reason="Only 31 % of the scan lies on the nominal in the best pose found.",
        T_nominal_scan=None,
        freedom=None,
        shrink=None,
    )
    return replace(
        without_plan(step_count),
        alignment=lost,
        deviation=None,
        thickness=None,
        coverage=None,
        deviation_summary=None,
        thickness_summary=None,
    )


def _alignment() -> Alignment:
    pose = RigidTransform.from_rotation_vector(np.array([0.3, -0.2, 1.1]), np.array([12.0, -40.0, 7.5]))
    orientation = Orientation(AlignmentStatus.ALIGNED, None, pose, (), 48, 0.93, 0.91, 0)
    freedom = Freedom(
        eigenvalues=np.array([0.12, 0.2, 0.35, 0.6, 0.8, 1.0]),
        weakest_screw=np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.0]),
        weakest_text="rotation about z",
        weakest_sigma_mm=0.0011,
        covariance=np.diag([1e-10, 1e-10, 2e-10, 1e-7, 1e-7, 2e-7]),
        centre_mm=np.array([60.0, 40.0, 17.0]),
    )
    shrink = Shrink(
        np.array([1.0021, 1.0019, 1.0]),
        np.diag([4e-8, 9e-8, 1e-6]),
        1.002,
        2e-4,
        np.array([True, True, False]),
        np.array([60.0, 40.0, 17.0]),
    )
    return Alignment(
        AlignmentStatus.ALIGNED, None, pose, pose, orientation, freedom, shrink, 0.061, 0.022, 0.034, 0.021, 0.94, 17
    )


def _coverage(samples: Samples, deviation: Deviation) -> Coverage:
    measured = float(samples.area_mm2[deviation.is_measured].sum())
    total = float(samples.area_mm2.sum())
    return Coverage(
        measured_area_share=measured / total,
        nominal_area_mm2=total,
        measured_area_mm2=measured,
        scan_point_count=412_345,
        set_aside=dict(deviation.set_aside),
        is_facing_known=True,
    )


def _percentiles(values: Floats) -> Percentiles:
    found = np.percentile(values, [1, 5, 25, 50, 75, 95, 99])
    return Percentiles(**dict(zip(("p01", "p05", "p25", "p50", "p75", "p95", "p99"), map(float, found), strict=True)))


def _face_row(name: str, mask: Bools, samples: Samples, deviation: Deviation, kind: str) -> FaceStatistics:
    known = mask & deviation.is_measured
    values = deviation.distance_mm[known]
    area = float(samples.area_mm2[mask].sum())
    middle = samples.points_mm[mask][0]
    return FaceStatistics(
        name=name,
        source="faces",
        kind=kind,
        area_mm2=area,
        measured_area_share=float(samples.area_mm2[known].sum()) / area,
        mean_mm=float(values.mean()),
        rms_mm=float(np.sqrt((values**2).mean())),
        p05_mm=float(np.percentile(values, 5)),
        p95_mm=float(np.percentile(values, 95)),
        point_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
    )


def _deviation_summary(
    samples: Samples, nominal: Nominal, deviation: Deviation, regions: tuple[Region, ...]
) -> DeviationSummary:
    values = deviation.distance_mm[deviation.is_measured]
    faces = [
        _face_row(face.name or "", samples.face == face.index, samples, deviation, face.kind.value)
        for face in nominal.faces
    ]
    return DeviationSummary(
        percentiles_mm=_percentiles(values),
        mean_mm=float(values.mean()),
        rms_mm=float(np.sqrt((values**2).mean())),
        share_beyond_tolerance=float((np.abs(values) > 0.15).mean()),
        tolerance_mm=0.15,
        tolerance_source="plan",
        noise_sigma_mm=deviation.noise_sigma_mm,
        worst=[
            Place(point_mm=(100.0, 0.0, 12.0), deviation_mm=-0.5, U_mm=0.03, area_mm2=51.0, face=2, where="side y-"),
            Place(point_mm=(70.7, 9.4, 17.0), deviation_mm=-0.45, U_mm=0.03, area_mm2=1230.0, face=7, where="bore 2"),
        ],
        faces=faces,
        regions=[_face_row(region.name, region.is_member, samples, deviation, "region") for region in regions],
    )


def _thickness_summary(thickness: Thickness) -> ThicknessSummary:
    (spot,) = thickness.spots
    x, y, z = (float(v) for v in spot.point_mm)
    return ThicknessSummary(
        nominal_percentiles_mm=_percentiles(thickness.ray_mm),
        actual_percentiles_mm=_percentiles(thickness.actual_mm[thickness.is_actual_measured]),
        measured_area_share=0.93,
        spot_limit_mm=thickness.spot_limit_mm,
        spot_limit_source=thickness.spot_limit_source,
        spots=[
            Spot(
                point_mm=(x, y, z),
                opposite_point_mm=(x - 5.0, y, z),
                least_mm=spot.least_mm,
                nominal_mm=spot.nominal_mm,
                U_mm=0.042,
                area_mm2=spot.area_mm2,
                is_actual=spot.is_actual,
                where="bore 2 toward the outside",
            )
        ],
    )


def _characteristics(regions: tuple[Region, ...]) -> tuple[Characteristic, ...]:
    mask = {region.name: region.is_member for region in regions}
    return (
        Characteristic(
            id="core2",
            kind="core_displacement",
            title="Bore 2 core",
            unit="mm",
            nominal=0.0,
            measured=0.4484,
            U=0.031,
            limits=Limits(None, 0.30),
            verdict=Verdict.DOES_NOT_CONFORM,
            reason=None,
            point_mm=np.array([60.0, 35.0, 17.0]),
            region="bore_2",
            budget={"alignment": 0.004, "scan_noise": 0.002, "scanner": 0.015},
            details={"displacement_mm": (0.32, -0.31, 0.05)},
            sample_mask=mask["bore_2"],
        ),
        Characteristic(
            id="wall2",
            kind="wall_thickness",
            title="Web beside bore 2",
            unit="mm",
            nominal=5.0,
            measured=4.551,
            U=0.042,
            limits=Limits(4.5, None),
            verdict=Verdict.CONFORMS,
            reason=None,
            point_mm=np.array([70.6, 9.4, 17.0]),
            region="bore_2",
            budget={"scanner": 0.021},
        ),
        Characteristic(
            id="bore3.d",
            kind="hole_diameter",
            title="Bore 3 diameter",
            unit="mm",
            nominal=30.0,
            measured=30.041,
            U=0.018,
            limits=Limits(29.95, 30.05),
            verdict=Verdict.NOT_PROVEN,
            reason="The interval of U crosses the upper limit.",
            point_mm=np.array([115.0, 20.0, 17.0]),
            budget={"scanner": 0.009},
        ),
        Characteristic(
            id="bore6.pos",
            kind="hole_position",
            title="Bore 6 position",
            unit="mm",
            nominal=0.0,
            measured=None,
            U=None,
            limits=Limits(None, 0.4),
            verdict=Verdict.NOT_MEASURED,
            reason="Only 35 % of the bore was scanned; 60 % is needed to fix its axis.",
            point_mm=np.array([100.0, 75.0, 10.0]),
            region="bore_6",
            sample_mask=mask["bore_6"],
        ),
        Characteristic(
            id="shrink",
            kind="shrink",
            title="Shrink overall",
            unit="percent",
            nominal=1.3,
            measured=1.098,
            U=0.04,
            limits=Limits(1.0, 1.6),
            verdict=Verdict.CONFORMS,
            reason=None,
            point_mm=None,
            budget={"scale": 0.02},
        ),
    )


def _provenance(nominal: Nominal, samples: Samples) -> Provenance:
    def record(name: str, role: str, triangles: int, points: int) -> FileRecord:
        return FileRecord(
            name=name,
            role=role,
            sha256=hashlib.sha256(name.encode()).hexdigest(),
            size_bytes=123_456,
            unit="mm",
            unit_source="file" if role == "nominal" else "caller",
            triangle_count=triangles,
            point_count=points,
            notes=[],
        )

    return Provenance(
        firstpour_version="0.1.0",
        files=[record("block.step", "nominal", len(nominal.triangles), 0), record("casting 1.ply", "scan", 0, 412_345)],
        tessellation=Tessellation(
            chord_tolerance_mm=0.01,
            angular_tolerance_rad=0.1,
            sample_count=len(samples.points_mm),
            sample_spacing_mm=samples.spacing_mm,
        ),
        plan_sha256=hashlib.sha256(b"plan").hexdigest(),
        plan_title="First casting, block",
        seed=0,
        settings={"deviation": {"max_distance_mm": 3.0, "max_angle_deg": 60}},
        versions={"numpy": "2.0.0"},
    )


SAMPLE = Path(__file__).resolve().parents[1] / "worker" / "reporting" / "files" / "report-example.json"

if __name__ == "__main__":
    SAMPLE.write_text(report_text(build_report(example(4))), encoding="utf-8")
