"""Deviation of the piece from nominal, measured on nominal."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from worker.measuring.carrying import Carried, Contributions, carry
from worker.measuring.pairing import Pairer, PairRules
from worker.measuring.samples import SampleLocator, trusted_faces
from worker.measuring.scan_points import ScanPoints, scan_points
from worker.measuring.strays import ALONE, StraySettings, stray_points
from worker.records import Bools, Deviation, Floats, Ints, Nominal, Samples, Scan
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery


@dataclass(frozen=True, kw_only=True)
class DeviationSettings:
    """How scan points are paired with nominal and carried to its samples."""

    pair_share_of_diagonal: float = 0.02  # reach of a pair: 1/50 of the part, 4 mm on a 200 mm casting
    least_max_pair_distance_mm: float = 1.0  # small parts: print and sand errors do not shrink with the part
    facing_limit_rad: float = np.pi / 3  # scan and nominal normals within 60 degrees
    crease_rad: float = np.pi / 12  # an edge whose faces lean more than this off its pseudo-normal is sharp
    gap_spacings: float = 1.5  # gaps this many scan spacings wide are between points, wider ones are holes
    gross_share: float = 0.25  # of the reach of a pair: a lone point this far from all around it is paired wrongly
    unknown_facing_wall_ratio: float = 3.0  # without normals: walls below 3 |deviation| may be the other skin
    chunk_points: int = 1_000_000  # points in flight at once
    thread_count: int = 0  # of the kernel; 0 is all
    strays: StraySettings = field(default_factory=StraySettings)


def max_pair_distance_mm(nominal: Nominal, settings: DeviationSettings) -> float:
    """How far from nominal a scan point may lie and still count as the piece."""
    diagonal = float(np.linalg.norm(np.ptp(nominal.vertices_mm, axis=0)))
    return max(settings.pair_share_of_diagonal * diagonal, settings.least_max_pair_distance_mm)


def measure_deviation(  # noqa: PLR0913  three things meet here under one pose; a record of them would serve nobody else
    nominal: Nominal,
    samples: Samples,
    scan: Scan,
    T_nominal_scan: RigidTransform,
    *,
    surface: SurfaceQuery,
    settings: DeviationSettings | None = None,
) -> Deviation:
    """Deviation at every sample of nominal, from scan points on the same-facing skin.

    surface : of ``nominal``, shared with other stages

    A scan with no points in reach gives a deviation measured nowhere.
    """
    settings = settings or DeviationSettings()
    cloud = scan_points(scan, edge_limit_mm=samples.spacing_mm)
    rules = PairRules(
        max_pair_distance_mm=max_pair_distance_mm(nominal, settings),
        facing_limit_rad=settings.facing_limit_rad,
        crease_rad=settings.crease_rad,
        chord_tolerance_mm=nominal.chord_tolerance_mm or 0.0,
    )
    pairer = Pairer(surface, nominal.triangle_face, trusted_faces(nominal), rules)
    locator = SampleLocator(samples, surface, thread_count=settings.thread_count)
    paired = _pair_all(cloud, T_nominal_scan, pairer, locator, settings.chunk_points)
    is_stray = stray_points(
        paired.points_mm, paired.distance_mm, paired.triangle >= 0, cloud.spacing_mm, settings.strays
    )
    paired.triangle[is_stray] = -1
    kept = np.flatnonzero(paired.triangle >= 0)
    corners = samples.triangles.astype(np.int32)
    points = Contributions(corners[paired.sample_triangle[kept]], paired.barycentric[kept], paired.distance_mm[kept])
    carried = carry(
        points,
        samples,
        reach_mm=settings.gap_spacings * cloud.spacing_mm,
        gross_mm=settings.gross_share * rules.max_pair_distance_mm,
    )
    is_measured = carried.is_measured
    if cloud.normals is None:
        is_measured = is_measured & ~_may_be_other_skin(samples, surface, carried, settings)
    return Deviation(
        distance_mm=np.where(is_measured, carried.value_mm, 0.0),
        is_measured=is_measured,
        point_count=carried.point_count,
        sigma_mm=carried.sigma_mm,
        scan_triangle=paired.triangle,
        scan_distance_mm=paired.distance_mm,
        scan_points_mm=paired.points_mm,
        scan_normals=paired.normals,
        noise_sigma_mm=carried.noise_sigma_mm,
        is_facing_known=cloud.normals is not None,
        set_aside=paired.set_aside | {ALONE: int(is_stray.sum())},
    )


@dataclass(frozen=True, eq=False)
class _Paired:
    points_mm: Floats
    normals: Floats | None
    triangle: Ints
    distance_mm: Floats
    sample_triangle: NDArray[np.int32]
    barycentric: NDArray[np.float32]
    set_aside: dict[str, int]


def _pair_all(
    cloud: ScanPoints, T_nominal_scan: RigidTransform, pairer: Pairer, locator: SampleLocator, chunk_points: int
) -> _Paired:
    """Chunk by chunk, so that 20 million points need no more than their own arrays."""
    count = len(cloud.points_mm)
    points, distance, barycentric = np.empty((count, 3)), np.empty(count), np.empty((count, 3), dtype=np.float32)
    normals = None if cloud.normals is None else np.empty((count, 3))
    triangle, sample_triangle = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int32)
    set_aside: dict[str, int] = {}
    for start in range(0, count, chunk_points):
        part = slice(start, min(start + chunk_points, count))
        points[part] = T_nominal_scan.apply(cloud.points_mm[part])
        if normals is not None and cloud.normals is not None:
            normals[part] = T_nominal_scan.turn(cloud.normals[part])
        pairs = pairer.pair(points[part], None if normals is None else normals[part])
        triangle[part], distance[part] = pairs.triangle, pairs.distance_mm
        sample_triangle[part], barycentric[part] = locator.locate(pairs.triangle, pairs.barycentric, pairs.foot_mm)
        for reason, number in pairs.set_aside.items():
            set_aside[reason] = set_aside.get(reason, 0) + number
    return _Paired(points, normals, triangle, distance, sample_triangle, barycentric, set_aside)


def _may_be_other_skin(samples: Samples, surface: SurfaceQuery, carried: Carried, settings: DeviationSettings) -> Bools:
    """Samples whose wall, or gap, is so thin that a scan without normals may have shown its other side.

    A reading d on a wall t could as well be t - |d| of the far skin; only where that would be far
    more than |d| is the near skin the likely one.  The farthest point around a sample counts, for
    where a wall has moved far both skins pair with the same side.
    """
    limit = settings.unknown_facing_wall_ratio * carried.extreme_mm
    inset = 0.05 * samples.spacing_mm
    rows = np.flatnonzero(carried.is_measured & (limit > inset))
    is_doubtful = np.zeros(len(limit), dtype=bool)
    for way in (-1.0, 1.0):
        direction = way * samples.normals[rows]
        hits = surface.cast(samples.points_mm[rows] + inset * direction, direction)
        is_doubtful[rows] |= hits.is_hit & (hits.distance_mm + inset < limit[rows])
    return is_doubtful
