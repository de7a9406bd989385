"""The geometry of the invented block with six bores, and invented measurements on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Deviation, Face, Floats, Ints, Nominal, Samples, SurfaceKind, Thickness, ThinSpot

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
    dent = np.exp(-((points - np.array([100.0, 0.0, 12.0])) ** 2).sum(axis=1) / 72.0)
    distance -= 0.5 * dent * (samples.face == 2)
    measured: Bools = ~((samples.face == 6 + UNSCANNED_BORE) & (points[:, 2] < 22))
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
        set_aside={"too_far": 1204, "faces_away": 310},
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
