"""Hollows of revolution as samples, with closed-form sections and volumes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from worker.records import Floats, Ints, Samples
from worker.rigid import RigidTransform

Profile = tuple[tuple[float, float], ...]  # (radius, height) from the brim down, then in along the floor


def hollow(
    faces: Sequence[Profile],
    segments: int,
    *,
    pose: RigidTransform | None = None,
    normals: Sequence[Floats] | None = None,
) -> Samples:
    """The walls of a hollow about z, open upward: each face a strip of rings of its own, normals into the hollow.

    faces : profiles, each ending where the next begins; a radius of nothing is a point
    normals : (radial, axial) of each ring of each face, (r, 2); by the steps of the profile if left out
    """
    points, facing, triangles, face = [], [], [], []
    start = 0
    turn = 2 * np.pi * np.arange(segments) / segments
    for number, profile in enumerate(faces):
        rings = np.array(profile)
        own = _facing(rings) if normals is None else normals[number]
        for (radius, height), (radial, axial) in zip(rings, own, strict=True):
            points.append(np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(segments, height)]))
            facing.append(np.column_stack([radial * np.cos(turn), radial * np.sin(turn), np.full(segments, axial)]))
        for ring in range(len(rings) - 1):
            upper, lower = (start + (ring + step) * segments + np.arange(segments) for step in (0, 1))
            beside, below = np.roll(upper, -1), np.roll(lower, -1)
            triangles.append(np.column_stack([upper, beside, lower]))
            if rings[ring + 1, 0] > 0:
                triangles.append(np.column_stack([beside, below, lower]))
        start += len(rings) * segments
        face += [number] * (len(rings) * segments)
    placed = pose or RigidTransform.identity()
    return _samples(placed.apply(np.concatenate(points)), placed.turn(np.concatenate(facing)), triangles, face)


def _facing(rings: Floats) -> Floats:
    """(radial, axial) of the mean step at each ring, turned into the hollow."""
    step = np.diff(rings, axis=0)
    unit = step / np.linalg.norm(step, axis=1)[:, None]
    mean = np.concatenate([unit[:1], (unit[1:] + unit[:-1]) / 2, unit[-1:]])
    mean = mean / np.linalg.norm(mean, axis=1)[:, None]
    return np.column_stack([mean[:, 1], -mean[:, 0]])


def _samples(points: Floats, normals: Floats, triangles: list[Ints], face: list[int]) -> Samples:
    corners = np.concatenate(triangles).astype(np.int64)
    area = np.linalg.norm(
        np.cross(points[corners[:, 1]] - points[corners[:, 0]], points[corners[:, 2]] - points[corners[:, 0]]), axis=1
    )
    share: Floats = np.bincount(corners.ravel(), np.repeat(area / 6, 3), minlength=len(points)).astype(np.float64)
    return Samples(
        points_mm=points,
        normals=normals,
        area_mm2=share,
        face=np.array(face, dtype=np.int64),
        triangles=corners,
        triangle_source=np.arange(len(corners)),
        spacing_mm=float(np.sqrt(area.sum() / 2 / len(points))),
    )
