"""Shapes with closed-form answers, meshed by formula, and scans of them made by script."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.measuring.deviation import measure_deviation
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.records import (
    Alignment,
    AlignmentStatus,
    Bools,
    Deviation,
    Face,
    Floats,
    Freedom,
    Ints,
    Nominal,
    Orientation,
    Samples,
    Scan,
    Shrink,
    SurfaceKind,
)
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

Size = tuple[float, float, float]
COARSE = SampleSettings(edges_per_diagonal=60.0)


def block(size_mm: Size, origin_mm: Size = (0.0, 0.0, 0.0)) -> Nominal:
    """Twelve triangles, six plane faces: x-, x+, y-, y+, z-, z+."""
    corner = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=np.float64)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([[q[0], q[a], q[a + 1]] for q in quads for a in (1, 2)])
    faces = []
    for index in range(6):
        axis = np.zeros(3)
        axis[index // 2] = 1.0 if index % 2 else -1.0
        area = float(np.prod(np.delete(size_mm, index // 2)))
        place = np.array(origin_mm) + np.array(size_mm) * (axis > 0)
        faces.append(Face(index, SurfaceKind.PLANE, area, name=f"side {index}", origin_mm=place, axis=axis))
    return _nominal(corner * size_mm + origin_mm, triangles, np.repeat(np.arange(6), 2), tuple(faces), 0.001)


def bored_block(
    size_mm: Size, radius_mm: float, *, shift_mm: tuple[float, float] = (0.0, 0.0), segments: int = 48
) -> Nominal:
    """Block centred on the z axis from z = 0 up, with one hole along z; face 6 is the hole."""
    angle = 2 * np.pi * (np.arange(segments) + 0.5) / segments
    rim = np.column_stack([np.cos(angle), np.sin(angle)])
    half = np.array(size_mm[:2]) / 2
    outer = rim * (half / np.abs(rim)).min(axis=1)[:, None]
    inner = radius_mm * rim + np.array(shift_mm)
    rings = [np.column_stack([ring, np.full(segments, z)]) for ring in (outer, inner) for z in (0.0, size_mm[2])]
    low_out, high_out, low_in, high_in = (np.arange(segments) + k * segments for k in range(4))
    strips = [(low_out, high_out, 0), (low_in, low_out, 4), (high_out, high_in, 5), (high_in, low_in, 6)]
    triangles, face = [], []
    for one, other, index in strips:
        turned = np.roll(one, -1), np.roll(other, -1)
        triangles += [np.column_stack([one, turned[0], turned[1]]), np.column_stack([one, turned[1], other])]
        face += [np.full(segments, index)] * 2
    up = np.array([0.0, 0.0, 1.0])
    faces = (
        *(Face(k, SurfaceKind.FREEFORM, 1.0, name=f"side {k}") for k in range(4)),
        Face(4, SurfaceKind.PLANE, 1.0, name="bottom", origin_mm=np.zeros(3), axis=-up),
        Face(5, SurfaceKind.PLANE, 1.0, name="top", origin_mm=size_mm[2] * up, axis=up),
    )
    hole = Face(
        6,
        SurfaceKind.CYLINDER,
        2 * np.pi * radius_mm * size_mm[2],
        name="bore",
        origin_mm=np.array([*shift_mm, 0.0]),
        axis=np.array([0.0, 0.0, 1.0]),
        radius_mm=radius_mm,
        is_hole=True,
    )
    chord = radius_mm * (1 - np.cos(np.pi / segments)) + 1e-9
    return _nominal(np.concatenate(rings), np.concatenate(triangles), np.concatenate(face), (*faces, hole), chord)


def tube(outer_mm: float, inner_mm: float, length_mm: float, *, offset_mm: float = 0.0, segments: int = 720) -> Nominal:
    """Ring of revolution along z as a plain mesh: face 0 outer, 1 bore (its axis at x = offset), 2 and 3 ends."""
    angle = 2 * np.pi * np.arange(segments) / segments
    rim = np.column_stack([np.cos(angle), np.sin(angle)])
    levels = np.linspace(0.0, length_mm, max(2, round(length_mm * segments / (2 * np.pi * outer_mm))))
    out = [np.column_stack([outer_mm * rim, np.full(segments, z)]) for z in levels]
    bore = [np.column_stack([inner_mm * rim + [offset_mm, 0.0], np.full(segments, z)]) for z in levels]
    vertices = np.concatenate([*out, *bore])
    count = len(levels)
    ring = [np.arange(segments) + k * segments for k in range(2 * count)]
    strips = [(ring[k], ring[k + 1], 0) for k in range(count - 1)]
    strips += [(ring[count + k + 1], ring[count + k], 1) for k in range(count - 1)]
    strips += [(ring[count], ring[0], 2), (ring[count - 1], ring[2 * count - 1], 3)]
    triangles, face = [], []
    for one, other, index in strips:
        turned = np.roll(one, -1), np.roll(other, -1)
        triangles += [np.column_stack([one, turned[0], turned[1]]), np.column_stack([one, turned[1], other])]
        face += [np.full(segments, index)] * 2
    faces = tuple(Face(k, SurfaceKind.FREEFORM, 1.0) for k in range(4))
    return _nominal(vertices, np.concatenate(triangles), np.concatenate(face), faces, None)


def wedge(length_mm: float, full_angle_rad: float, width_mm: float) -> Nominal:
    """Prism with one sharp edge along z at the origin; face 0 lies in y = 0, face 1 rises from it."""
    high = length_mm * np.tan(full_angle_rad)
    flat = np.array([[0.0, 0.0], [length_mm, 0.0], [length_mm, high]])
    vertices = np.concatenate([np.column_stack([flat, np.full(3, z)]) for z in (0.0, width_mm)])
    triangles = np.array([[0, 1, 4], [0, 4, 3], [0, 3, 5], [0, 5, 2], [1, 2, 5], [1, 5, 4], [0, 2, 1], [3, 4, 5]])
    faces = tuple(Face(k, SurfaceKind.FREEFORM, 1.0) for k in range(5))
    return _nominal(vertices, triangles, np.array([0, 0, 1, 1, 2, 2, 3, 4]), faces, None)


def _nominal(vertices: Floats, triangles: Ints, face: Ints, faces: tuple[Face, ...], chord: float | None) -> Nominal:
    return Nominal(vertices, triangles.astype(np.int64), face.astype(np.int64), faces, chord, None, "mm", True)


def scan_of(nominal: Nominal, count: int, seed: int, *, noise_mm: float = 0.0, face: Ints | None = None) -> Scan:
    """Points evenly over the triangles (of some faces), with their normals, moved along them by noise."""
    rng = np.random.default_rng(seed)
    chosen = np.arange(len(nominal.triangles)) if face is None else np.flatnonzero(np.isin(nominal.triangle_face, face))
    corner = nominal.vertices_mm[nominal.triangles[chosen]]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    area = np.linalg.norm(cross, axis=1)
    triangle = rng.choice(len(chosen), size=count, p=area / area.sum())
    share = rng.dirichlet([1.0, 1.0, 1.0], size=count)
    normals = cross[triangle] / area[triangle, None]
    points = np.einsum("ij,ijk->ik", share, corner[triangle]) + rng.normal(scale=noise_mm, size=(count, 1)) * normals
    return Scan(points, normals, None, "mm", 0.0)


def moved(scan: Scan, shift_mm: Size) -> Scan:
    """The scan, shifted."""
    return replace(scan, points_mm=scan.points_mm + np.array(shift_mm))


def deviation_of(nominal: Nominal, scan: Scan) -> tuple[Samples, Deviation]:
    """Samples, coarse enough to be quick, and the deviation of a scan that is in place already."""
    samples = sample_nominal(nominal, settings=COARSE)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    return samples, measure_deviation(nominal, samples, scan, RigidTransform.identity(), surface=surface)


def perfect_alignment(shrink: Shrink | None = None, *, sigma_mm: float = 0.0) -> Alignment:
    """Aligned by construction; ``sigma_mm`` for each translation, none for rotation."""
    covariance = np.diag([0.0, 0.0, 0.0, sigma_mm**2, sigma_mm**2, sigma_mm**2])
    freedom = Freedom(np.ones(6), np.zeros(6), "none", sigma_mm, covariance, np.zeros(3))
    pose = RigidTransform.identity()
    found = Orientation(AlignmentStatus.ALIGNED, None, pose, (), 1, 1.0, 1.0, 0)
    return Alignment(
        status=AlignmentStatus.ALIGNED,
        reason=None,
        T_nominal_scan=pose,
        icp_T_nominal_scan=pose,
        orientation=found,
        freedom=freedom,
        shrink=shrink,
        icp_rms_mm=0.0,
        robust_rms_mm=0.0,
        icp_moved_mm=0.0,
        sigma_mm=0.0,
        kept_share_of_scan=1.0,
        iterations_run=1,
    )


def facing(samples: Samples, direction: Size) -> Bools:
    """Samples whose normal lies within about 8 degrees of a direction."""
    is_facing: Bools = samples.normals @ np.array(direction) > 0.99
    return is_facing


def inner(samples: Samples, margin_mm: float) -> Bools:
    """Samples farther than a margin from the rim of their own face's box."""
    keep = np.zeros(len(samples.face), dtype=bool)
    for face in np.unique(samples.face):
        own = samples.face == face
        points = samples.points_mm[own]
        low, high = points.min(axis=0), points.max(axis=0)
        thick = high - low > 2 * margin_mm
        keep[own] = ((points > low + margin_mm) & (points < high - margin_mm) | ~thick).all(axis=1)
    return keep
