"""An invented block with six bores, with invented findings, for looking at and testing reports.

``python -m tests.support.report_example`` writes the committed sample of the JSON document anew.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from shared.plan import MapSettings, Piece, Plan, Scanner, Temperature
from shared.report import (
    FileRecord,
    Provenance,
    Run,
    Tessellation,
)
from tests.support.report_block import block_deviation, block_samples, block_thickness
from tests.support.report_features import example_features, example_frames
from worker.exhibits import Attachment, Column, Curve, Exhibits, Mark, Plot, Section, Table
from worker.judging.measured import Measured
from worker.records import (
    Alignment,
    AlignmentStatus,
    Characteristic,
    Freedom,
    Limits,
    Nominal,
    Orientation,
    Region,
    Samples,
    Shrink,
    Verdict,
)
from worker.reporting.document import build_report, report_text
from worker.reporting.inspected import Inspected
from worker.rigid import RigidTransform

LINEAR_CAUTION = "ISO 2768-1 speaks of dimensions indicated on a drawing; a CAD without a drawing indicates none."
PLAN = Plan(
    firstpour_plan="1",
    title="First casting, block",
    piece=Piece(alloy="aluminium", shrink_allowance_percent=1.3),
    scanner=Scanner(expanded_uncertainty=0.03),
    temperature=Temperature(celsius=24.0, expansion_ppm_per_kelvin=21.5),
    maps=MapSettings(tolerance=0.15),
)


WALL_EXHIBITS = Exhibits(
    tables=(
        Table(
            "Thinnest places of the web",
            (Column("place"), Column("wall", "mm"), Column("lost", "mm", is_departure=True), Column("area", "mm2")),
            (("beside bore 2", 4.551, 0.449, 12.5), ("below bore 2", 4.9, None, 3.0)),
        ),
    ),
    plots=(
        Plot(
            "Wall along the web",
            "place along the web",
            "mm",
            "wall",
            "mm",
            (
                Curve("nominal", np.array([0.0, 10.0, 20.0]), np.array([5.0, 5.0, 5.0])),
                Curve("piece", np.array([0.0, 10.0, 20.0]), np.array([4.9, 4.55, np.nan]), np.array([0.04, 0.04, 0.1])),
            ),
            (4.5,),
        ),
    ),
    marks=(Mark("thinnest line", np.array([[70.6, 9.4, 17.0], [75.1, 9.4, 17.0]])),),
    attachments=(Attachment("web map.csv", "Map of the web", "text/csv", b"x_mm,wall_mm\n70.6,4.551\n"),),
)


MOVES_EXHIBITS = Exhibits(
    tables=(
        Table(
            "Moves to ask for",
            (Column("no."), Column("ask"), Column("what"), Column("move x", "mm", is_departure=True)),
            (("1", "foundry", "core bore 2", -0.32),),
        ),
    ),
    marks=(
        Mark(
            "1. foundry: core bore 2: shift by x -0.320, y +0.000, z +0.000 mm (x -12.6, y +0.0, z +0.0 thou)",
            np.array([[70.6, 9.4, 17.0], [60.6, 9.4, 17.0], [62.6, 9.4, 18.0], [60.6, 9.4, 17.0]]),
        ),
    ),
    attachments=(
        Attachment("moves.csv", "List of moves", "text/csv", b"number,who,what,dx_mm\n1,foundry,core bore 2,-0.32\n"),
    ),
)


def example(step_count: int = 16, *, title: str = "Invented six-bore block, first casting") -> Inspected:
    """An inspection with a plan: one core displaced, one hole unproven, one not measured, one thin wall."""
    samples, nominal = block_samples(step_count)
    deviation = block_deviation(samples)
    regions = tuple(Region(f"bore_{n + 1}", "faces", samples.face == 6 + n) for n in range(6))
    return Inspected(
        title=title,
        plan_mm=PLAN,
        has_plan=True,
        measured=Measured(
            nominal=nominal,
            samples=samples,
            alignment=_alignment(),
            deviation=deviation,
            thickness=block_thickness(samples, deviation),
            regions=regions,
            quantum_mm=1e-5,
        ),
        characteristics=_characteristics(regions),
        provenance=_provenance(nominal, samples),
        run=Run(
            inspection_id=None,
            created_at="2026-01-01T00:00:00Z",
            timings_s={"read": 1.0},
            peak_memory_bytes=10**9,
            thread_count=2,
            host_platform="linux",
        ),
        features=example_features(nominal),
        frames=example_frames(),
        sections=(Section("List of moves", MOVES_EXHIBITS, samples.face == 7),),
    )


def without_plan(step_count: int = 16) -> Inspected:
    """The same piece when nobody said what to judge."""
    planned = example(step_count)
    measured = replace(planned.measured, regions=())
    return replace(planned, plan_mm=Plan(firstpour_plan="1"), has_plan=False, measured=measured, characteristics=())


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
    planned = without_plan(step_count)
    measured = replace(planned.measured, alignment=lost, deviation=None, thickness=None)
    return replace(planned, measured=measured, features=(), frames=())


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
            budget={"alignment": 0.004, "fit and roughness": 0.002, "scanner": 0.015},
            details={"displacement_mm": (0.32, -0.31, 0.05), "seen_share": 0.97},
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
            exhibits=WALL_EXHIBITS,
        ),
        Characteristic(
            id="bore3.d",
            kind="size",
            title="Bore 3 diameter",
            unit="mm",
            nominal=30.0,
            measured=30.191,
            U=0.018,
            limits=Limits(29.8, 30.2),
            verdict=Verdict.NOT_PROVEN,
            reason="the uncertainty reaches across a limit",
            point_mm=np.array([115.0, 20.0, 17.0]),
            budget={"scanner": 0.009},
            details={"seen_arc_deg": 360.0, "form_scatter_mm": 0.021, "caution": LINEAR_CAUTION},
            k=2.26,
            dof=9.0,
            feature="hole-3",
            probability=0.8686,
            limits_source="ISO 2768-m",
            U_gum=0.0176,
            U_monte_carlo=0.018,
        ),
        Characteristic(
            id="bore6.pos",
            kind="position",
            title="Bore 6 position",
            unit="mm",
            nominal=0.0,
            measured=None,
            U=None,
            limits=Limits(None, 0.4),
            verdict=Verdict.NOT_MEASURED,
            reason="only 35 % of the bore was scanned, 60 % is needed to fix its axis",
            point_mm=np.array([100.0, 75.0, 10.0]),
            sample_mask=mask["bore_6"],
            frame="A-B",
            feature="hole-6",
        ),
        Characteristic(
            id="deck",
            kind="angle",
            title="Deck to side",
            unit="deg",
            nominal=90.0,
            measured=90.41,
            U=0.05,
            limits=Limits(89.667, 90.333),
            verdict=Verdict.DOES_NOT_CONFORM,
            reason=None,
            point_mm=np.array([60.0, 5.0, 34.0]),
            budget={"fit": 0.02, "scanner": 0.015},
            k=2.0,
            feature="plane-1",
            probability=0.001,
            limits_source="ISO 2768-m",
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
