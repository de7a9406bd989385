"""An invented block with six bores, with invented findings, for looking at and testing reports."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

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
from worker.records import (
    Alignment,
    AlignmentStatus,
    Bools,
    Characteristic,
    Deviation,
    Face,
    Floats,
    Freedom,
    Ints,
    Limits,
    Nominal,
    Orientation,
    Region,
    Samples,
    Shrink,
    SurfaceKind,
    Thickness,
    ThinSpot,
    Verdict,
)
from worker.reporting.inspected import Allowance, Inspected
from worker.rigid import RigidTransform

COLUMNS, ROWS, PITCH_MM, HEIGHT_MM, RADIUS_MM = 3, 2, 40.0, 34.0, 15.0
DISPLACED_BORE = 1
UNSCANNED_BORE = 5


@dataclass(frozen=True)
class _Patch:
    points: Floats
    normals: Floats
    triangles: Ints


def _grid(points: Floats, normals: Floats) -> _Patch:
    """Triangles over a (rows, columns, 3) sheet of points."""
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (part.ravel() for part in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    flat_points, flat_normals = points.reshape(-1, 3), np.broadcast_to(normals, points.shape).reshape(-1, 3)
    corner = flat_points[triangles]
    turned = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    away = np.einsum("ij,ij->i", turned, flat_normals[triangles[:, 0]]) < 0
    triangles[away] = triangles[away][:, ::-1]
    return _Patch(flat_points, flat_normals.copy(), triangles)


def _square_ring(step_count: int) -> tuple[Floats, Floats]:
    """Points of a square's border and of the bore's rim facing them, (n, 2) each, closed."""
    half = PITCH_MM / 2
    side = np.linspace(-half, half, step_count + 1)[:-1]
    flat = np.full_like(side, half)
    border = np.concatenate(
        [np.stack(pair, axis=1) for pair in ((side, -flat), (flat, side), (-side, flat), (-flat, -side))]
    )
    border = np.concatenate([border, border[:1]])
    return border, RADIUS_MM * border / np.linalg.norm(border, axis=1, keepdims=True)


def _bore_patches(centre: Floats, step_count: int) -> tuple[_Patch, _Patch, _Patch]:
    """Bottom, top and bore wall of one cell."""
    border, rim = _square_ring(step_count)
    blend = np.linspace(0, 1, max(2, step_count // 4))[:, None, None]
    ring = centre + rim[None] * (1 - blend) + border[None] * blend
    flat = np.zeros((*ring.shape[:2], 1))
    bottom = _grid(np.concatenate([ring, flat], axis=2), np.array([0.0, 0.0, -1.0]))
    top = _grid(np.concatenate([ring, flat + HEIGHT_MM], axis=2), np.array([0.0, 0.0, 1.0]))
    height = np.linspace(0, HEIGHT_MM, step_count)[:, None, None]
    wall = np.concatenate(
        [np.broadcast_to(centre + rim, (step_count, *rim.shape)), height + np.zeros((1, len(rim), 1))], axis=2
    )
    inward = np.concatenate([-rim / RADIUS_MM, np.zeros((len(rim), 1))], axis=1)
    return bottom, top, _grid(wall, inward[None])


def _side_patches(step_count: int) -> list[_Patch]:
    length = np.linspace(0, COLUMNS * PITCH_MM, COLUMNS * step_count + 1)
    width = np.linspace(0, ROWS * PITCH_MM, ROWS * step_count + 1)
    height = np.linspace(0, HEIGHT_MM, step_count)
    sheets = []
    for along, place in ((0, 0.0), (0, ROWS * PITCH_MM), (1, 0.0), (1, COLUMNS * PITCH_MM)):
        run, tall = np.meshgrid(length if along == 0 else width, height)
        fixed = np.full_like(run, place)
        sheet = np.stack([run, fixed, tall] if along == 0 else [fixed, run, tall], axis=2)
        normal = np.zeros(3)
        normal[1 - along] = -1.0 if place == 0.0 else 1.0
        sheets.append(_grid(sheet, normal))
    return sheets


def block_samples(step_count: int = 16) -> tuple[Samples, Nominal]:
    """Samples and nominal of the block; about 430 x step_count^2 / 10 triangles."""
    patches: list[tuple[int, _Patch]] = []
    for bore in range(COLUMNS * ROWS):
        centre = (np.array([bore % COLUMNS, bore // COLUMNS]) + 0.5) * PITCH_MM
        bottom, top, wall = _bore_patches(centre, step_count)
        patches += [(0, bottom), (1, top), (6 + bore, wall)]
    patches += [(2 + side, patch) for side, patch in enumerate(_side_patches(step_count))]
    starts = np.cumsum([0, *(len(patch.points) for _, patch in patches)])
    points = np.round(np.concatenate([patch.points for _, patch in patches]), 6)  # seams meet to the bit
    triangles = np.concatenate([patch.triangles + start for (_, patch), start in zip(patches, starts, strict=False)])
    face = np.concatenate([np.full(len(patch.points), number) for number, patch in patches])
    corner = points[triangles]
    areas = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    area = sum(np.bincount(triangles[:, k], weights=areas / 3, minlength=len(points)) for k in range(3))
    samples = Samples(
        points_mm=points,
        normals=np.concatenate([patch.normals for _, patch in patches]),
        area_mm2=np.asarray(area, dtype=np.float64),
        face=face.astype(np.int64),
        triangles=triangles.astype(np.int64),
        triangle_source=np.arange(len(triangles)),
        spacing_mm=float(np.sqrt(2 * areas.mean())),
    )
    return samples, _nominal(samples)


def _nominal(samples: Samples) -> Nominal:
    sizes = np.bincount(samples.face, weights=samples.area_mm2)
    names = ["bottom", "deck", "side y-", "side y+", "side x-", "side x+", *(f"bore {n + 1}" for n in range(6))]
    faces = tuple(
        Face(
            index=index,
            kind=SurfaceKind.PLANE if index < 6 else SurfaceKind.CYLINDER,
            area_mm2=float(size),
            name=name,
            radius_mm=None if index < 6 else RADIUS_MM,
            is_hole=index >= 6,
        )
        for index, (size, name) in enumerate(zip(sizes, names, strict=True))
    )
    return Nominal(
        samples.points_mm,
        samples.triangles,
        samples.face[samples.triangles[:, 0]],
        faces,
        0.01,
        0.1,
        "mm",
        is_watertight=True,
    )


def block_deviation(samples: Samples) -> Deviation:
    """Noise of 0.02, a bow of the deck, one bore displaced by 0.45 mm, one bore half unscanned."""
    rng = np.random.default_rng(7)
    points, normals = samples.points_mm, samples.normals
    distance = rng.normal(0, 0.02, len(points)) + 0.08 * np.sin(points[:, 0] / 38.0) * np.abs(normals[:, 2])
    moved = samples.face == 6 + DISPLACED_BORE
    distance[moved] += normals[moved] @ np.array([0.32, -0.31, 0.05])
    dent = np.exp(-((points - np.array([100.0, 0.0, 12.0])) ** 2).sum(axis=1) / 18.0)
    distance -= 0.5 * dent * (samples.face == 2)
    measured: Bools = ~((samples.face == 6 + UNSCANNED_BORE) & (points[:, 2] < 22))
    count = len(points)
    return Deviation(
        distance_mm=np.where(measured, distance, np.nan),
        is_measured=measured,
        point_count=np.where(measured, 5, 0),
        sigma_mm=np.where(measured, 0.012, np.nan),
        scan_triangle=np.zeros(0, dtype=np.int64),
        scan_distance_mm=np.zeros(0),
        scan_points_mm=np.zeros((0, 3)),
        scan_normals=None,
        noise_sigma_mm=0.02,
        is_facing_known=True,
        set_aside={"beyond 3 mm of nominal": 1204, "faces away": 310, "total": count},
    )


def block_thickness(samples: Samples, deviation: Deviation) -> Thickness:
    """Walls between bores and outside; the displaced bore has thinned one web."""
    points, is_bore = samples.points_mm, samples.face >= 6
    angle = np.abs(np.sin(2 * np.arctan2(samples.normals[:, 1], samples.normals[:, 0])))
    ray = np.where(is_bore, (PITCH_MM - 2 * RADIUS_MM) / 2 * (1 + 0.9 * angle), HEIGHT_MM)
    actual = ray + np.where(deviation.is_measured, deviation.distance_mm, 0.0)
    thin = int(np.argmin(np.where(samples.face == 6 + DISPLACED_BORE, actual, np.inf)))
    spot = ThinSpot(
        points[thin],
        points[thin] - ray[thin] * samples.normals[thin],
        float(actual[thin]),
        float(ray[thin]),
        41.5,
        is_actual=True,
        sample_index=thin,
    )
    yes = np.ones(len(points), dtype=np.bool_)
    return Thickness(ray, yes, ray, yes, actual, deviation.is_measured, np.full(len(points), -1), (spot,), 4.9, "plan")


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
        versions={"numpy": np.__version__},
    )
