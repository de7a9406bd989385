"""Pieces whose surfaces are bent by formula, and what is measured of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from shared.plan import Plan
from tests.support.shapes import COARSE, perfect_alignment
from worker.features.detect import detect_features
from worker.judging.measured import Measured
from worker.measuring.deviation import measure_deviation
from worker.measuring.regions import Places, choose_regions
from worker.measuring.samples import sample_nominal
from worker.measuring.thickness import measure_thickness
from worker.records import Bools, Face, Floats, Ints, Nominal, Scan, SurfaceKind
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery

Bend = Callable[[Floats, Floats, Ints], Floats]  # points (n, 3), normals (n, 3), face (n,) to shifts (n, 3)
Keep = Callable[[Floats], Bools]


def straight(points: Floats, _normals: Floats, _face: Ints) -> Floats:
    """No bend at all."""
    return np.zeros_like(points)


def turned_part(profile: Sequence[tuple[float, float]], *, segments: int = 96) -> Nominal:
    """A body of revolution about z from its outline (radius, height), begun and ended on the axis.

    Steps along the outline are faces: 0 the first end, and so on; equal heights make planes, equal radii bosses
    where the outline climbs and bores where it falls.
    """
    angle = 2 * np.pi * np.arange(segments) / segments
    rings = [np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(segments, z)]) for r, z in profile]
    triangles, face, faces = [], [], []
    for index, ((r0, z0), (r1, z1)) in enumerate(pairwise(profile)):
        low, high = np.arange(segments) + index * segments, np.arange(segments) + (index + 1) * segments
        first = np.column_stack([low, np.roll(low, -1), np.roll(high, -1)])
        second = np.column_stack([low, np.roll(high, -1), high])
        own = np.concatenate([part for part, r in ((first, r0), (second, r1)) if r > 0])
        triangles.append(own)
        face.append(np.full(len(own), index))
        faces.append(_turned_face(index, (r0, z0), (r1, z1)))
    chord = max(r for r, _ in profile) * (1 - np.cos(np.pi / segments)) + 1e-9
    points, back = np.unique(np.concatenate(rings).round(12), axis=0, return_inverse=True)
    merged = back.reshape(-1)[np.concatenate(triangles)].astype(np.int64)
    return Nominal(points, merged, np.concatenate(face).astype(np.int64), tuple(faces), chord, None, "mm", True)


def _turned_face(index: int, start: tuple[float, float], end: tuple[float, float]) -> Face:
    (r0, z0), (r1, z1) = start, end
    up = np.array([0.0, 0.0, 1.0])
    if z0 == z1:
        axis = up if r1 < r0 else -up
        area = np.pi * abs(r0**2 - r1**2)
        return Face(index, SurfaceKind.PLANE, area, name=f"face {index}", origin_mm=z0 * up, axis=axis)
    return Face(
        index,
        SurfaceKind.CYLINDER,
        2 * np.pi * r0 * abs(z1 - z0),
        name=f"face {index}",
        origin_mm=z0 * up,
        axis=up,
        radius_mm=r0,
        is_hole=z1 < z0,
    )


def formed_scan(
    nominal: Nominal, bend: Bend = straight, *, seed: int = 1, count: int = 20_000, noise_mm: float = 0.0
) -> Scan:
    """Points evenly over the true surfaces of nominal, bent, then with noise along their normals."""
    rng = np.random.default_rng(seed)
    corner = nominal.vertices_mm[nominal.triangles]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    area = np.linalg.norm(cross, axis=1)
    triangle = rng.choice(len(area), size=count, p=area / area.sum())
    points = np.einsum("ij,ijk->ik", rng.dirichlet([1.0, 1.0, 1.0], size=count), corner[triangle])
    normals = cross[triangle] / area[triangle, None]
    face = nominal.triangle_face[triangle]
    for index, item in enumerate(nominal.faces):
        if item.kind is SurfaceKind.CYLINDER and item.origin_mm is not None and item.radius_mm is not None:
            own = face == index
            flat = points[own] - item.origin_mm
            flat[:, 2] = 0.0
            outward = flat / np.linalg.norm(flat, axis=1, keepdims=True)
            points[own] += item.radius_mm * outward - flat
            normals[own] = -outward if item.is_hole else outward
    bent = points + bend(points, normals, face) + rng.normal(scale=noise_mm, size=(count, 1)) * normals
    return Scan(bent, normals, None, "mm", 0.0)


def plan_of(*lines: dict[str, Any], **rest: Any) -> Plan:
    """A plan of these lines, each given the id ``it`` and a zone unless it has its own."""
    full = [{"id": f"it{index or ''}", **line} for index, line in enumerate(lines)]
    return Plan.model_validate({"firstpour_plan": "1", "characteristics": full, **rest}).to_mm()


def measured_piece(
    nominal: Nominal, scan: Scan, plan: Plan | None = None, *, keep: Keep | None = None, has_walls: bool = False
) -> Measured:
    """The piece as the stages before judging see it, in the pose it was scanned in.

    keep : of points (n, 3), which were seen
    """
    if keep is not None and scan.normals is not None:
        kept = keep(scan.points_mm)
        scan = Scan(scan.points_mm[kept], scan.normals[kept], None, "mm", scan.quantum_mm)
    samples = sample_nominal(nominal, settings=COARSE)
    surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles)
    still = RigidTransform.identity()
    features = detect_features(nominal)
    deviation = measure_deviation(nominal, samples, scan, still, surface=surface)
    return Measured(
        nominal=nominal,
        samples=samples,
        alignment=perfect_alignment(),
        deviation=deviation,
        thickness=measure_thickness(samples, surface, deviation, spot_limit_mm=None) if has_walls else None,
        regions=() if plan is None else choose_regions(plan, Places(nominal, samples, (), features)),
        quantum_mm=scan.quantum_mm,
        features=features,
        remeasure=lambda T_frame_pose: measure_deviation(nominal, samples, scan, T_frame_pose, surface=surface),
    )
