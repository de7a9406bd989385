"""The volume in which two closed meshes interfere.

The one adapter over manifold3d, whose intersections of closed meshes are exact but for rounding.  A mesh it does not
take, such as one that touches itself along an edge, is sampled instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from worker.mockup.meshes import Mesh
from worker.records import Floats
from worker.rigid import RigidTransform

VOLUME_CELLS = 32  # across the box in which two bodies interfere, each way
MESHES, GRID = "intersection of the two meshes", "sampling a grid, good to some hundredths"


@dataclass(frozen=True)
class Volume:
    """What two bodies share, and how it was found."""

    mm3: float
    by: str


def interference_volume(first: Mesh, target: Mesh, T_target_first: RigidTransform) -> Volume | None:
    """Volume that two closed bodies share; None where one of them is not closed.

    Facets stand for curved surfaces: of n to the round, a ball or bore holds less by 6.6 / n^2 of its area's share.
    """
    if not (first.is_closed and target.is_closed):
        return None
    own, other = _solid(first, T_target_first), _solid(target, RigidTransform.identity())
    if own is None or other is None:
        return Volume(_sampled(first, target, T_target_first), GRID)
    return Volume(max(float((own ^ other).volume()), 0.0), MESHES)


def _solid(mesh: Mesh, T_target_own: RigidTransform) -> Any | None:
    """The mesh as the library holds it; None where it does not take it."""
    import manifold3d  # noqa: PLC0415  native: loaded only in the process that measures

    used, triangles = np.unique(mesh.triangles, return_inverse=True)
    corners = np.ascontiguousarray(T_target_own.apply(mesh.vertices_mm[used]))
    numbers = np.ascontiguousarray(triangles.reshape(-1, 3), dtype=np.uint64)
    solid = manifold3d.Manifold(manifold3d.Mesh64(corners, numbers))
    return solid if solid.status() == manifold3d.Error.NoError and not solid.is_empty() else None


def _sampled(first: Mesh, target: Mesh, T_target_first: RigidTransform) -> float:
    """By a grid; a cell at a surface counts by how far its middle lies behind it."""
    own = T_target_first.apply(first.vertices_mm[first.triangles.ravel()])
    T_first_target = T_target_first.inverse()

    def share(points: Floats, step: Floats) -> Floats:
        behind = -np.maximum(
            target.query.signed(points).signed_mm, first.query.signed(T_first_target.apply(points)).signed_mm
        )
        cell = float(step.min())
        return np.clip(behind / cell + 0.5, 0.0, 1.0)

    low = np.maximum(own.min(axis=0), target.box_mm[0])
    high = np.minimum(own.max(axis=0), target.box_mm[1])
    return _grid_volume(low, high, share)


def _grid_volume(low: Floats, high: Floats, share: Callable[[Floats, Floats], Floats]) -> float:
    """Sum over a grid, drawn once more about what the first one found."""
    total = 0.0
    for _ in range(2):
        if not (high > low).all():
            return 0.0
        step = (high - low) / VOLUME_CELLS
        axes = [low[axis] + step[axis] * (np.arange(VOLUME_CELLS) + 0.5) for axis in range(3)]
        points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        part = share(points, step)
        total = float(part.sum() * step.prod())
        inside = points[part > 0]
        if not len(inside):
            return 0.0
        low, high = np.maximum(low, inside.min(axis=0) - step), np.minimum(high, inside.max(axis=0) + step)
    return total
