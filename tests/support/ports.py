"""Ports by formula: bores swept along a path, as samples with exact normals, as solids, and as scans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tests.support.shapes import perfect_alignment
from worker.judging.measured import Measured
from worker.measuring.deviation import measure_deviation
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.records import Bools, Deviation, Face, Floats, Ints, Nominal, Region, Samples, Scan, SurfaceKind
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

Shape = Callable[[Floats, Floats], Floats]  # share of the length (n,), angle (n,) to places (n, 3)
STEP = 1e-6
CUT_AS_IS = SampleSettings(edges_per_diagonal=1.0)  # the meshes here are fine enough


def straight(radius_mm: float, length_mm: float, *, end_radius_mm: float | None = None) -> Shape:
    """Along z from the origin; tapered to the end radius."""
    return elliptic(radius_mm, radius_mm, length_mm, share_left=(end_radius_mm or radius_mm) / radius_mm)


def elliptic(first_mm: float, second_mm: float, length_mm: float, *, share_left: float = 1.0) -> Shape:
    """Along z, half axes along x and y, both left with a share of themselves at the end."""

    def place(u: Floats, angle: Floats) -> Floats:
        size = 1 + (share_left - 1) * u
        parts = [first_mm * size * np.cos(angle), second_mm * size * np.sin(angle), length_mm * u]
        return np.stack(parts, axis=-1)

    return place


def bend(bend_mm: float, radius_mm: float, *, lead_mm: float = 0.0) -> Shape:
    """A quarter of a torus about z in the plane z = 0, with straight leads at both ends."""
    arc = np.pi / 2 * bend_mm
    whole = arc + 2 * lead_mm

    def place(u: Floats, angle: Floats) -> Floats:
        along = u * whole - lead_mm
        turn = np.clip(along, 0.0, arc) / bend_mm
        out = np.stack([np.cos(turn), np.sin(turn), np.zeros_like(turn)], axis=-1)
        ahead = np.stack([-np.sin(turn), np.cos(turn), np.zeros_like(turn)], axis=-1)
        rest = (along - np.clip(along, 0.0, arc))[..., None]
        aside = radius_mm * (np.cos(angle)[..., None] * out + np.sin(angle)[..., None] * np.array([0.0, 0.0, 1.0]))
        middle: Floats = bend_mm * out + rest * ahead
        placed: Floats = middle + aside
        return placed

    return place


def throat(radius_mm: float, length_mm: float, *, depth_mm: float, width_mm: float = 12.0) -> Shape:
    """Along z, narrowed in the middle by a smooth ring of that depth and width."""

    def place(u: Floats, angle: Floats) -> Floats:
        radius = radius_mm - depth_mm * np.exp(-((length_mm * (u - 0.5) / width_mm) ** 2))
        return np.stack([radius * np.cos(angle), radius * np.sin(angle), length_mm * u], axis=-1)

    return place


def shifted(shape: Shape, shift_mm: tuple[float, float, float]) -> Shape:
    """The same, elsewhere."""
    return lambda u, angle: shape(u, angle) + np.array(shift_mm)


def mirrored(shape: Shape, axis: int = 0) -> Shape:
    """Its image in the plane through the origin square to an axis."""
    sign = np.where(np.arange(3) == axis, -1.0, 1.0)
    return lambda u, angle: shape(u, angle) * sign


def facing_in(shape: Shape, u: Floats, angle: Floats) -> Floats:
    """Unit normals (n, 3) into the bore."""
    along = shape(u + STEP, angle) - shape(u - STEP, angle)
    around = shape(u, angle + STEP) - shape(u, angle - STEP)
    normal = np.cross(along, around)
    middle = (shape(u, angle) + shape(u, angle + np.pi)) / 2
    normal *= np.sign(np.einsum("...i,...i->...", normal, middle - shape(u, angle)))[..., None]
    unit: Floats = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
    return unit


@dataclass(frozen=True)
class Grid:
    """rings along the bore, segments round it."""

    rings: int = 40
    segments: int = 40


def bore_mesh(shape: Shape, grid: Grid) -> tuple[Floats, Ints, Floats]:
    """Vertices (n, 3), triangles (m, 3) seen from inside the bore, normals (n, 3) into it."""
    u, angle = np.meshgrid(
        np.linspace(0.0, 1.0, grid.rings + 1), 2 * np.pi * np.arange(grid.segments) / grid.segments, indexing="ij"
    )
    points = shape(u.ravel(), angle.ravel())
    normals = facing_in(shape, u.ravel(), angle.ravel())
    ring, column = np.meshgrid(np.arange(grid.rings), np.arange(grid.segments), indexing="ij")
    here = (ring * grid.segments + column).ravel()
    beside = (ring * grid.segments + (column + 1) % grid.segments).ravel()
    triangles = np.concatenate(
        [
            np.column_stack([here, beside, beside + grid.segments]),
            np.column_stack([here, beside + grid.segments, here + grid.segments]),
        ]
    )
    corner = points[triangles]
    facing = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    if np.einsum("ij,ij->", facing, normals[triangles[:, 0]]) < 0:
        triangles = triangles[:, ::-1]
    return points, triangles.astype(np.int64), normals


def bore_samples(shape: Shape, grid: Grid | None = None) -> Samples:
    """The bore alone, as samples."""
    points, triangles, normals = bore_mesh(shape, grid or Grid())
    corner = points[triangles]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    share = np.bincount(triangles.ravel(), np.repeat(area / 3, 3), minlength=len(points)).astype(np.float64)
    spacing = float(np.sqrt(area.sum() / len(points)))
    zeros = np.zeros(len(points), dtype=np.int64)
    return Samples(points, normals, share, zeros, triangles, np.arange(len(triangles)), spacing)


def deviation_at(
    samples: Samples, off_mm: Floats, *, is_measured: Bools | None = None, sigma_mm: float = 0.0, points: int = 4
) -> Deviation:
    """A deviation map of these figures, each from so many points."""
    count = len(samples.points_mm)
    seen = np.ones(count, dtype=bool) if is_measured is None else is_measured
    return Deviation(
        distance_mm=np.where(seen, off_mm, 0.0),
        is_measured=seen,
        point_count=np.where(seen, points, 0),
        sigma_mm=np.full(count, sigma_mm),
        scan_triangle=np.zeros(0, dtype=np.int64),
        scan_distance_mm=np.zeros(0),
        scan_points_mm=np.zeros((0, 3)),
        scan_normals=None,
        noise_sigma_mm=sigma_mm * float(np.sqrt(points)),
        is_facing_known=True,
    )


def bores(shapes: dict[str, Shape], grid: Grid | None = None) -> Nominal:
    """Several bores as one surface, a face each; nothing round them."""
    points, triangles, face, chord = [], [], [], 0.0
    count = 0
    for index, shape in enumerate(shapes.values()):
        own_points, own_triangles, _ = bore_mesh(shape, grid or Grid())
        points.append(own_points)
        triangles.append(own_triangles + count)
        face.append(np.full(len(own_triangles), index))
        count += len(own_points)
        width = float(np.linalg.norm(shape(np.zeros(1), np.zeros(1)) - shape(np.zeros(1), np.full(1, np.pi))))
        chord = max(chord, width / 2 * (1 - np.cos(np.pi / (grid or Grid()).segments)))
    faces = tuple(Face(index, SurfaceKind.FREEFORM, 1.0, name=name) for index, name in enumerate(shapes))
    return Nominal(
        np.concatenate(points), np.concatenate(triangles), np.concatenate(face), faces, chord, None, "mm", False
    )


def bore_scan(shapes: dict[str, Shape], *, count: int, noise_mm: float = 0.0, seed: int = 1) -> Scan:
    """Points on the true surfaces of bores, noise along their normals."""
    rng = np.random.default_rng(seed)
    points, normals = [], []
    for shape in shapes.values():
        u, angle = rng.random(count), rng.uniform(0.0, 2 * np.pi, count)
        facing = facing_in(shape, u, angle)
        points.append(shape(u, angle) + rng.normal(0.0, noise_mm, (count, 1)) * facing)
        normals.append(facing)
    return Scan(np.concatenate(points), np.concatenate(normals), None, "mm", 0.0)


def measured_bores(  # noqa: PLR0913 - what a scan is like
    nominal: dict[str, Shape],
    piece: dict[str, Shape],
    *,
    noise_mm: float = 0.0,
    keep: Callable[[Floats], Bools] | None = None,
    count: int = 12_000,
    seed: int = 1,
) -> Measured:
    """The bores of the piece as the stages before judging see them; each is a region of its name."""
    part = bores(nominal)
    scan = bore_scan(piece, count=count, noise_mm=noise_mm, seed=seed)
    if keep is not None and scan.normals is not None:
        kept = keep(scan.points_mm)
        scan = replace(scan, points_mm=scan.points_mm[kept], normals=scan.normals[kept])
    samples = sample_nominal(part, settings=CUT_AS_IS)
    surface = SurfaceQuery(part.vertices_mm, part.triangles)
    deviation = measure_deviation(part, samples, scan, RigidTransform.identity(), surface=surface)
    regions = tuple(Region(face.name or "", "faces", samples.face == face.index) for face in part.faces)
    return Measured(
        nominal=part,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=None,
        regions=regions,
        quantum_mm=0.0,
    )
